//! The driver of USB instruments against the kernel's: runs inside the emulated machine that
//! `cargo xtask usb` boots, with the modules vhci-hcd, usbtmc and cdc-acm. Prints one line for each
//! check.

mod common;
mod program;
mod quirks;
mod serial;
mod tmc;

use std::process::ExitCode;

async fn all() -> bool {
    let mut good = true;
    macro_rules! check {
        ($($name:path),+ $(,)?) => {$(
            let (word, text) = match $name().await {
                Ok(text) => ("ok", text),
                Err(why) => ("FAILED", why),
            };
            println!("usb {}: {word}: {text}", stringify!($name));
            good &= word == "ok";
            for device in ["/dev/usbtmc0", "/dev/ttyACM0"] {
                if let Err(why) = common::there(device, false) {
                    println!("usb: still plugged in: {why}");
                }
            }
        )+};
    }
    check!(
        tmc::questions,
        tmc::deadlines,
        tmc::aborts,
        quirks::whole_packets,
        quirks::one_header_cuts_no_answer_short,
        quirks::padding_is_left_out_where_it_chokes,
        quirks::long_messages_are_not_sent_to_small_buffers,
        quirks::the_first_message_may_be_lost,
        quirks::a_greeting_is_not_lost,
        quirks::halts_are_cleared_once,
        quirks::an_emergency_ends_a_halt,
        tmc::a_supply_without_status_byte_is_refused,
        tmc::pulled_in_a_read,
        tmc::pulled_at_the_status_byte,
        tmc::another_number,
        serial::a_plain_supply,
        serial::long_answers,
        serial::pulled_and_back_under_another_number,
        program::probing_asks_and_gives_back,
        program::probing_without_permission,
        program::a_killed_run_is_made_safe_over_its_usb_handle,
    );
    good
}

fn main() -> ExitCode {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    match runtime.map(|runtime| runtime.block_on(all())) {
        Ok(true) => {
            println!("usb: all passed");
            ExitCode::SUCCESS
        }
        _ => ExitCode::FAILURE,
    }
}
