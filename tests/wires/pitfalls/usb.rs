//! USB test instruments.

use super::Row::{self, InGuest, NotHere};

pub const ROWS: &[(u32, &str, Row)] = &[
    (
        42,
        "no short packet at the end (USBTMC)",
        InGuest(&["quirks::whole_packets"]),
    ),
    (
        43,
        "a header in the first packet only (USBTMC)",
        InGuest(&["quirks::one_header_cuts_no_answer_short"]),
    ),
    (
        44,
        "buffers beyond the packet size (USBTMC)",
        NotHere("packets are the kernel driver's, which keeps to the size that the device states"),
    ),
    (
        45,
        "padding that chokes an instrument (USBTMC)",
        InGuest(&["quirks::padding_is_left_out_where_it_chokes"]),
    ),
    (
        46,
        "64 bytes read of 512 (USBTMC)",
        InGuest(&["quirks::long_messages_are_not_sent_to_small_buffers"]),
    ),
    (
        47,
        "everything ignored until REN (USBTMC)",
        InGuest(&["quirks::whole_packets"]),
    ),
    (
        48,
        "the first transfer after the start is lost (USBTMC)",
        InGuest(&[
            "quirks::the_first_message_may_be_lost",
            "quirks::a_greeting_is_not_lost",
        ]),
    ),
    (
        49,
        "clearing a halt (USBTMC)",
        InGuest(&[
            "quirks::halts_are_cleared_once",
            "quirks::an_emergency_ends_a_halt",
        ]),
    ),
    (
        50,
        "cancelling does not cancel (USBTMC)",
        InGuest(&["tmc::deadlines", "tmc::aborts"]),
    ),
];
