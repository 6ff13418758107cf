//! What real wires do wrong, row by row, and the tests that show that it does no harm here. The
//! numbers are those of the project's list of pitfalls, each taken from a public report.

use crate::promises::tests;

/// How a row is dealt with.
enum Row {
    /// By these tests.
    Tested(&'static [&'static str]),
    /// By these checks of `cargo xtask usb`, in an emulated machine.
    InGuest(&'static [&'static str]),
    /// It can't happen here, for this reason.
    NotHere(&'static str),
    /// Not dealt with yet, and why.
    Open(&'static str),
}
use Row::{InGuest, NotHere, Open, Tested};

/// What `cargo xtask usb` runs.
const GUEST: &str = include_str!("../src/bin/usb-guest.rs");

const ROWS: [(u32, &str, Row); 82] = [
    (
        1,
        "no read terminator: LF, CR LF and CR end an answer",
        Tested(&["every_case", "questions_over_a_port_with_answers_in_pieces"]),
    ),
    (
        2,
        "a device without endings",
        Tested(&[
            "every_case",
            "every_family_sets_reads_back_and_switches_off",
        ]),
    ),
    (3, "reading on after the ending", Tested(&["every_case"])),
    (
        4,
        "stray bytes and endings before an answer",
        Tested(&["every_case", "readings_that_are_no_numbers"]),
    ),
    (
        5,
        "an answer in pieces",
        Tested(&[
            "every_case",
            "lines_at_every_split",
            "questions_over_a_port_with_answers_in_pieces",
        ]),
    ),
    (
        6,
        "two segments under Nagle's algorithm",
        Tested(&[
            "small_segments_are_sent_at_once",
            "answers_in_pieces_and_of_whole_segments",
        ]),
    ),
    (
        7,
        "an answer of whole chunks",
        Tested(&["every_case", "answers_in_pieces_and_of_whole_segments"]),
    ),
    (
        8,
        "one character too many in an answer of fixed width",
        Tested(&[
            "read_as_pictured_or_not_at_all",
            "every_family_sets_reads_back_and_switches_off",
        ]),
    ),
    (
        9,
        "the device repeats what it is sent, or prompts",
        Tested(&[
            "every_case",
            "every_family_moves_the_contacts_it_is_told_to",
        ]),
    ),
    (
        10,
        "the second half of a compound command",
        Tested(&["compound_commands_are_refused"]),
    ),
    (
        11,
        "an error text with ; and , in it",
        Tested(&["error_entries", "error_texts_hold_what_they_like"]),
    ),
    (
        12,
        "one late answer is taken for the next",
        Tested(&[
            "every_case",
            "a_missed_answer_costs_one_question_and_no_more",
            "a_late_frame_is_never_taken_for_the_next_answer",
        ]),
    ),
    (
        13,
        "a Modbus client that stays one answer behind",
        Tested(&["a_late_frame_is_never_taken_for_the_next_answer"]),
    ),
    (
        14,
        "a rejected setting queues an answer",
        Tested(&[
            "every_case",
            "a_line_that_nobody_asked_for_is_never_taken_for_an_answer",
        ]),
    ),
    (
        15,
        "unread answers and errors of the last program",
        Tested(&[
            "what_the_last_program_left_behind_is_discarded",
            "what_was_left_unread_is_discarded_and_settings_are_set",
        ]),
    ),
    (
        16,
        "USBTMC without an abort after a timeout",
        Open("there is no USBTMC link yet"),
    ),
    (
        17,
        "USBTMC waits after an abort",
        Open("there is no USBTMC link yet"),
    ),
    (
        18,
        "a bare read without a question",
        Tested(&["every_case"]),
    ),
    (
        19,
        "opening the port resets the board",
        Tested(&[
            "a_board_that_starts_anew_when_its_port_is_opened",
            "a_killed_run_on_ports_is_made_safe_over_the_inherited_ones",
        ]),
    ),
    (
        20,
        "a library that sets DTR by itself",
        NotHere(
            "no library stands between: the port is opened by its descriptor and no modem line is set",
        ),
    ),
    (
        21,
        "opening a pseudo-terminal fails",
        Tested(&["questions_over_a_port_with_answers_in_pieces"]),
    ),
    (
        22,
        "a write that blocks for ever",
        Tested(&[
            "a_device_that_does_not_read_blocks_nobody",
            "a_port_whose_other_end_does_not_read_blocks_nobody",
        ]),
    ),
    (
        23,
        "handshake, stop bits and parity of a model",
        Tested(&[
            "what_was_left_unread_is_discarded_and_settings_are_set",
            "a_character_takes_its_bits",
        ]),
    ),
    (
        24,
        "a terminal eats control characters",
        Tested(&[
            "questions_over_a_port_with_answers_in_pieces",
            "every_raw_byte_of_a_status_arrives",
        ]),
    ),
    (
        25,
        "16 ms latency of adapters",
        Tested(&["faults_are_shown_where_they_are"]),
    ),
    (
        26,
        "commands too close together are lost",
        Tested(&[
            "every_case",
            "commands_too_close_together_are_lost_and_the_pace_keeps_them_apart",
            "a_setting_that_is_lost_shows_in_the_read_back",
        ]),
    ),
    (
        27,
        "a missing answer is reported as 0",
        Tested(&["every_case", "no_number_is_never_taken_for_zero"]),
    ),
    (
        28,
        "no permission for the port",
        Tested(&["nobody_is_told_why"]),
    ),
    (
        29,
        "another service grabs the port",
        Tested(&["a_port_that_goes_away_is_gone_at_once"]),
    ),
    (
        30,
        "the port comes back under another name",
        Tested(&[
            "another_instrument_on_the_link_is_not_commanded",
            "a_port_that_goes_away_is_gone_at_once",
        ]),
    ),
    (
        31,
        "two adapters share one name",
        Tested(&["another_instrument_on_the_link_is_not_commanded"]),
    ),
    (
        32,
        "two programs on one port",
        Tested(&[
            "a_port_is_held_by_one_alone_and_let_go",
            "nobody_is_told_why",
            "a_killed_run_on_ports_is_made_safe_over_the_inherited_ones",
        ]),
    ),
    (
        33,
        "a second opener without complaint",
        Tested(&["a_port_is_held_by_one_alone_and_let_go"]),
    ),
    (
        34,
        "the wrong USB interface",
        NotHere("the kernel finds the interface by its class, and a name may give its number"),
    ),
    (
        35,
        "unplugged during a read",
        Tested(&[
            "a_port_that_goes_away_is_gone_at_once",
            "a_closed_end_is_gone_at_once",
        ]),
    ),
    (
        36,
        "no error, only silence",
        Tested(&[
            "a_supply_that_falls_silent_in_mid_ramp",
            "a_meter_that_goes_missing_in_mid_run",
        ]),
    ),
    (
        37,
        "the first answer after idling is lost",
        Tested(&["questions_repeat_only_where_the_dialect_says_so"]),
    ),
    (
        38,
        "switching relays drops the USB link",
        Tested(&[
            "a_switch_unit_that_goes_away_leaves_the_supply_off",
            "a_supply_that_goes_away_in_mid_ramp_is_disconnected",
        ]),
    ),
    (
        39,
        "a connection that is accepted and never answered, or reset",
        Tested(&[
            "a_wrong_or_silent_instrument_is_refused",
            "a_reset_is_gone_at_once",
            "nobody_listens",
        ]),
    ),
    (
        40,
        "the first answer takes 10 s",
        Tested(&["a_slow_start_has_its_own_deadline", "every_case"]),
    ),
    (
        41,
        "an idle connection that no longer carries anything",
        Tested(&["a_supply_that_falls_silent_in_mid_ramp"]),
    ),
    (
        42,
        "no short packet at the end (USBTMC)",
        InGuest(&["whole_packets"]),
    ),
    (
        43,
        "a header in the first packet only (USBTMC)",
        Open("no quirk for a header in the first packet only"),
    ),
    (
        44,
        "buffers beyond the packet size (USBTMC)",
        NotHere("packets are the kernel driver's, which keeps to the size that the device states"),
    ),
    (
        45,
        "padding that chokes an instrument (USBTMC)",
        Open("the kernel's driver pads every message"),
    ),
    (
        46,
        "64 bytes read of 512 (USBTMC)",
        Open("no instrument with small buffers is simulated"),
    ),
    (
        47,
        "everything ignored until REN (USBTMC)",
        InGuest(&["whole_packets"]),
    ),
    (
        48,
        "the first transfer after the start is lost (USBTMC)",
        Open("no retry at the first transfer yet"),
    ),
    (
        49,
        "clearing a halt (USBTMC)",
        Open("the simulated stall is not used by a check yet"),
    ),
    (
        50,
        "cancelling does not cancel (USBTMC)",
        InGuest(&["deadlines", "aborts"]),
    ),
    (
        51,
        "the front panel stays locked",
        Tested(&[
            "front_panels_are_given_back_however_a_run_ends",
            "the_front_panel_is_given_back_on_a_link_in_whatever_state",
        ]),
    ),
    (
        52,
        "settings ignored before remote control",
        Tested(&[
            "a_swallowed_set_point_is_noticed_by_its_read_back",
            "a_swallowed_current_limit_or_output_is_noticed",
        ]),
    ),
    (
        53,
        "another interface owns the lock",
        Tested(&["a_swallowed_set_point_is_noticed_by_its_read_back"]),
    ),
    (
        54,
        "9.9E37 and INF as readings",
        Tested(&["readings_that_are_no_numbers"]),
    ),
    (
        55,
        "other marks of overload",
        Tested(&["readings_that_are_no_numbers"]),
    ),
    (
        56,
        "decimal commas",
        Tested(&["readings_that_are_no_numbers"]),
    ),
    (
        57,
        "unit suffixes",
        Tested(&[
            "readings_that_are_no_numbers",
            "every_family_sets_reads_back_and_switches_off",
        ]),
    ),
    (
        58,
        "a set-point cut to fewer digits",
        Tested(&[
            "a_supply_from_end_to_end",
            "a_number_that_does_not_fit_its_width_is_not_sent",
            "numbers_at_the_resolution",
        ]),
    ),
    (
        59,
        "five values where one is wanted",
        Tested(&["readings_that_are_no_numbers", "the_number_is_picked"]),
    ),
    (
        60,
        "out-of-range settings are clamped or wrapped",
        Tested(&[
            "nothing_out_of_range_is_sent",
            "settings_can_be_ignored_clamped_and_lied_about",
            "a_set_point_read_back_as_another_ends_the_run",
        ]),
    ),
    (
        61,
        "no answer below the lowest set-point",
        Tested(&[
            "a_set_point_that_is_not_answered_is_an_error_and_never_sent_below_the_stated_lowest",
        ]),
    ),
    (
        62,
        "a read-back that agrees with the set-point",
        Tested(&[
            "a_measured_voltage_near_the_set_point_proves_nothing_and_the_truth_is_elsewhere",
        ]),
    ),
    (
        63,
        "a crash leaves the output on",
        Tested(&[
            "a_run_that_dies_leaves_a_safe_rig_loses_nothing_and_is_told_of",
            "a_killed_run_on_ports_is_made_safe_over_the_inherited_ones",
            "a_signal_ends_a_run_on_ports_safe",
        ]),
    ),
    (
        64,
        "a pulse at power events",
        Tested(&["what_the_output_capacitors_hold_reaches_no_movement"]),
    ),
    (
        65,
        "current above the limit until it takes hold",
        Tested(&[
            "overshoot_of_the_supply_shows_in_the_peak_current",
            "a_supply_that_runs_away_is_noticed_and_disconnected",
        ]),
    ),
    (
        66,
        "the output comes back when a trip is cleared",
        Tested(&["a_tripped_supply_comes_back_when_cleared_unless_switched_off"]),
    ),
    (
        67,
        "the output is on at the start",
        Tested(&["a_rig_left_energised_is_found_and_made_safe_first"]),
    ),
    (
        68,
        "a third party selects another channel",
        NotHere("dialects name the output in every command and none selects one for later"),
    ),
    (
        69,
        "full current before the start",
        Tested(&[
            "a_path_smaller_than_the_file_says_ends_the_run",
            "the_short_guards_a_movement_while_its_relay_rests",
        ]),
    ),
    (
        70,
        "ohms ranges",
        Tested(&[
            "ohms_function_slams_a_sensitive_needle",
            "only_dc_volts_may_be_named",
            "faults_are_shown_where_they_are",
        ]),
    ),
    (
        71,
        "CONF resets the input resistance",
        Tested(&[
            "a_meter_that_did_not_obey_is_noticed",
            "meter_input_loads_the_circuit",
        ]),
    ),
    (
        72,
        "MEAS? goes back to automatic ranges",
        Tested(&["a_meter_that_did_not_obey_is_noticed"]),
    ),
    (
        73,
        "long integration against the deadline",
        Tested(&["a_meter_from_end_to_end"]),
    ),
    (
        74,
        "FETC? gives old data",
        Tested(&["a_meter_from_end_to_end"]),
    ),
    (
        75,
        "*RST makes deaf",
        Tested(&[
            "every_file_loads_and_is_built_in",
            "no_dialect_resets_an_instrument",
        ]),
    ),
    (
        76,
        "a relay that is reported on and does not move",
        Tested(&[
            "a_dead_relay_says_that_it_moved",
            "a_rig_that_no_longer_drives_anything_ends_the_run",
        ]),
    ),
    (
        77,
        "byte pairs too close together",
        Tested(&["a_frame_lost_once_is_made_good_where_nothing_tells"]),
    ),
    (
        78,
        "another service toggles relays",
        Tested(&[
            "a_port_is_held_by_one_alone_and_let_go",
            "a_rig_that_no_longer_drives_anything_ends_the_run",
        ]),
    ),
    (
        79,
        "an adapter repeats the request",
        Tested(&[
            "an_adapter_that_repeats_what_is_sent_is_seen_through",
            "answers_are_believed_only_whole_and_fitting",
        ]),
    ),
    (
        80,
        "an answer that needs 700 ms",
        Tested(&["a_slow_board_is_waited_for"]),
    ),
    (
        81,
        "a unit takes the master's request for an answer",
        NotHere("one unit on one port: a rig file refuses two instruments on one address"),
    ),
    (
        82,
        "an absent board sends the frame back",
        Tested(&[
            "a_board_that_is_not_there_sends_the_frame_back",
            "only_the_complement_counts",
        ]),
    ),
];

#[test]
fn every_pitfall_has_its_test_or_its_reason() {
    let tests = tests();
    let mut wrong = Vec::new();
    for (place, (number, symptom, row)) in (1..).zip(&ROWS) {
        if *number != place {
            wrong.push(format!("row {place} is missing or stands elsewhere"));
        }
        match row {
            Tested(names) => {
                let missing = names.iter().filter(|name| !tests.contains(**name));
                wrong.extend(missing.map(|name| format!("{number}, {symptom}: no test {name}")));
                if names.is_empty() {
                    wrong.push(format!("{number}, {symptom}: names no test"));
                }
            }
            InGuest(names) => {
                let check = |name: &&str| GUEST.contains(&format!("\nasync fn {name}("));
                assert!(!names.is_empty() && names.iter().all(check), "{number}");
            }
            NotHere(why) | Open(why) if why.is_empty() => {
                wrong.push(format!("{number}, {symptom}: gives no reason"));
            }
            NotHere(_) | Open(_) => {}
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A reset makes many instruments deaf for seconds, and sets the current limit of some to their
/// highest.
#[test]
fn no_dialect_resets_an_instrument() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../rigs/dialects");
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let said = text.lines().filter(|line| !line.starts_with('#'));
        for line in said {
            let line = line.to_ascii_uppercase();
            let resets = ["*RST", "SYST:PRES", "*RCL", "RCL1"]
                .iter()
                .find(|word| line.contains(*word));
            assert!(resets.is_none(), "{}: {line}", path.display());
        }
    }
}
