//! Serial lines, ports and permissions, and what is unplugged or falls silent.

use super::Row::{self, NotHere, Tested};

pub const ROWS: &[(u32, &str, Row)] = &[
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
];
