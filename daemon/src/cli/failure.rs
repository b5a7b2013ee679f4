//! How a command ends when it cannot do what it was asked.

use std::fmt;
use std::io::Write;
use std::process::ExitCode;

/// The command line makes no sense.
pub const USAGE: u8 = 64;
/// The data given makes no sense.
pub const DATA: u8 = 65;
/// Our own mistake.
pub const INTERNAL: u8 = 70;
/// A file, port or address cannot be used.
pub const INPUT_OUTPUT: u8 = 74;
/// The configuration was refused.
pub const CONFIGURATION: u8 = 78;

/// An exit code with its one message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Exit code.
    pub code: u8,
    /// One clear message, without a full stop.
    pub message: String,
}

impl Failure {
    /// The command line makes no sense.
    #[must_use]
    pub fn usage(message: impl fmt::Display) -> Self {
        Self { code: USAGE, message: message.to_string() }
    }
    /// What is wrong with the arguments, as one line; nothing when help was asked for or is the better answer.
    #[must_use]
    pub fn of_arguments(error: &clap::Error) -> Option<Self> {
        use clap::error::ErrorKind;
        let help = [
            ErrorKind::DisplayHelp,
            ErrorKind::DisplayVersion,
            ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand,
        ];
        if help.contains(&error.kind()) {
            return None;
        }
        let text = error.to_string();
        let lines = text.lines().map(str::trim);
        let told: Vec<&str> = lines
            .take_while(|line| !line.starts_with("Usage:") && !line.starts_with("For more information"))
            .filter(|line| !line.is_empty())
            .collect();
        let told = told.join(" ");
        Some(Self::usage(format!("{}; --help shows how", told.trim_start_matches("error: "))))
    }
    /// The data given makes no sense.
    #[must_use]
    pub fn data(message: impl fmt::Display) -> Self {
        Self { code: DATA, message: message.to_string() }
    }
    /// Our own mistake.
    #[must_use]
    pub fn internal(message: impl fmt::Display) -> Self {
        Self { code: INTERNAL, message: message.to_string() }
    }
    /// A file, port or address cannot be used.
    #[must_use]
    pub fn input_output(message: impl fmt::Display) -> Self {
        Self { code: INPUT_OUTPUT, message: message.to_string() }
    }
    /// The configuration was refused.
    #[must_use]
    pub fn configuration(message: impl fmt::Display) -> Self {
        Self { code: CONFIGURATION, message: message.to_string() }
    }

    /// Writes the message to standard error and gives the exit code.
    #[must_use]
    pub fn report(&self) -> ExitCode {
        // Nobody is left to tell when standard error is gone.
        drop(writeln!(std::io::stderr().lock(), "nightjar: {}", self.message));
        ExitCode::from(self.code)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}

/// Turns an input or output error into a failure that says what was being done.
pub trait OrFail<T> {
    /// `doing` completes the sentence "cannot …".
    ///
    /// # Errors
    /// The failure, when there was an error.
    fn or_fail(self, doing: &str) -> Result<T, Failure>;
}

impl<T> OrFail<T> for std::io::Result<T> {
    fn or_fail(self, doing: &str) -> Result<T, Failure> {
        self.map_err(|error| Failure::input_output(format!("cannot {doing}: {error}")))
    }
}
