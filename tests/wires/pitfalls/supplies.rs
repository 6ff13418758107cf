//! Remote control, numbers, and how supplies behave.

use super::Row::{self, NotHere, Tested};

pub const ROWS: &[(u32, &str, Row)] = &[
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
];
