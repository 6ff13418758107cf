//! How meters and relay boards behave.

use super::Row::{self, NotHere, Tested};

pub const ROWS: &[(u32, &str, Row)] = &[
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
