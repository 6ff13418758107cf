//! Framing, and answers that come late or unasked.

use super::Row::{self, InGuest, Tested};

pub const ROWS: &[(u32, &str, Row)] = &[
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
        InGuest(&["tmc::deadlines", "tmc::aborts"]),
    ),
    (
        17,
        "USBTMC waits after an abort",
        InGuest(&["tmc::deadlines", "tmc::aborts"]),
    ),
    (
        18,
        "a bare read without a question",
        Tested(&["every_case"]),
    ),
];
