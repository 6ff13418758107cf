//! Exit codes and the errors that lead to them.

use guard::Fault;
use needle::camera::CameraError;
use records::StoreError;
use std::fmt;
use std::process::ExitCode;

/// A result was found.
pub const RESULT: u8 = 0;
/// Wrong usage, or something wrong in a rig file.
pub const USAGE: u8 = 2;
/// Refused by the guard, or nothing to measure.
pub const REFUSED: u8 = 3;
/// An instrument or its link.
pub const INSTRUMENT: u8 = 4;
/// The store.
pub const STORE: u8 = 5;
/// Interrupted.
pub const INTERRUPTED: u8 = 130;

/// Why a command ended without what was asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Failure {
    /// One of the codes above.
    pub code: u8,
    /// What happened and what to do.
    pub text: String,
}

impl Failure {
    /// A failure with its code.
    pub fn new(code: u8, text: impl Into<String>) -> Self {
        Self {
            code,
            text: text.into(),
        }
    }

    /// Wrong usage.
    pub fn usage(text: impl Into<String>) -> Self {
        Self::new(USAGE, text)
    }

    /// The process's exit code.
    pub fn exit(&self) -> ExitCode {
        ExitCode::from(self.code)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::new(STORE, error.to_string())
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::new(INSTRUMENT, error.to_string())
    }
}

impl From<CameraError> for Failure {
    fn from(error: CameraError) -> Self {
        Self::new(INSTRUMENT, error.to_string())
    }
}

impl From<&Fault> for Failure {
    fn from(fault: &Fault) -> Self {
        let code = match fault {
            Fault::Interrupted => INTERRUPTED,
            Fault::Journal(_) => STORE,
            Fault::BeyondCeiling(_)
            | Fault::Jumped { .. }
            | Fault::Restless(_)
            | Fault::TooLongNearFullScale(_) => REFUSED,
            _ => INSTRUMENT,
        };
        Self::new(code, fault.to_string())
    }
}
