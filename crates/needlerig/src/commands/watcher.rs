//! `watcher`: the second process of a run, which makes the rig safe when the first one can't. A run
//! starts it by itself.

use crate::exit::{Failure, INSTRUMENT, USAGE};
use crate::output::tell;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The name of the command.
pub const NAME: &str = "watcher";

/// Stands watch over the run at the other end of standard input.
///
/// # Errors
/// When nobody is there, or the rig can't be taken over or made safe.
pub fn run() -> Result<(), Failure> {
    // What ends the run must not end its watcher, too. Nobody looks at what was heard.
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        signal_hook::flag::register(signal, Arc::new(AtomicBool::new(false)))
            .map_err(|error| Failure::new(USAGE, format!("signals can't be heard: {error}")))?;
    }
    let line = std::io::stdin().as_fd().try_clone_to_owned()?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    match runtime.block_on(guard::stand_watch(line)) {
        Ok(None) => Ok(()),
        Ok(Some(incident)) if incident.safe => {
            tell(&incident.to_string());
            Ok(())
        }
        Ok(Some(incident)) => Err(Failure::new(INSTRUMENT, incident.to_string())),
        Err(why) => Err(Failure::usage(why)),
    }
}
