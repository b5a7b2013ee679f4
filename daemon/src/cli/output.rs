//! Where results go, as text for people or JSON for programs.

use super::failure::{Failure, OrFail};
use clap::ValueEnum;
use std::io::{self, Write};

/// Form of a result.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Text,
    /// For programs: one JSON object, keys in snake_case with the unit in the key.
    Json,
}

/// Buffered standard output, or a buffer in tests.
pub struct Output(Box<dyn Write>);

impl Output {
    /// Standard output of this process.
    #[must_use]
    pub fn standard() -> Self {
        Self(Box::new(io::BufWriter::new(io::stdout())))
    }

    /// Into anything that can be written to.
    #[must_use]
    pub fn into(sink: impl Write + 'static) -> Self {
        Self(Box::new(sink))
    }

    /// Writes a line.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn line(&mut self, text: impl std::fmt::Display) -> Result<(), Failure> {
        writeln!(self.0, "{text}").or_fail("write to standard output")
    }

    /// Writes a value as one JSON document.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn json(&mut self, value: &impl serde::Serialize) -> Result<(), Failure> {
        let text = serde_json::to_string(value)
            .map_err(|error| Failure::internal(format!("cannot form JSON: {error}")))?;
        self.line(text)
    }

    /// Passes on what is buffered.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}
