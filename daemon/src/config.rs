//! The configuration: one TOML file, refused as a whole with every problem named, or right.
//!
//! [`raw`] mirrors the file, [`strict`] reads it, [`validate`] turns it into values that cannot be
//! wrong, [`report`] words the problems. Validation never opens a device. What changes during a
//! season (lots, loads, set-points, probe swaps) is logbook, not configuration.

pub mod checked;
pub mod overrides;
pub mod raw;
pub mod report;
pub mod strict;
pub mod validate;

pub use checked::Config;
pub use report::{Problem, Refused};

use std::path::Path;

/// Reads and checks the text of a configuration file. `place` names it in messages.
///
/// # Errors
/// When anything in it is wrong: all problems at once.
pub fn parse(text: &str, place: &str) -> Result<Config, Refused> {
    parse_with(text, place, &overrides::Overrides::default())
}

/// Like [`parse`], with settings from the environment laid over the file.
///
/// # Errors
/// When anything in it is wrong: all problems at once.
pub fn parse_with(text: &str, place: &str, over: &overrides::Overrides) -> Result<Config, Refused> {
    let (raw, mut problems) = strict::read(text);
    let raw = match over.lay_over(text, raw) {
        Ok(raw) => raw,
        Err(problem) => {
            problems.push(problem);
            return Err(report::refuse(text, place, problems));
        }
    };
    let checked = validate::validate(&raw, &mut problems);
    match checked {
        Some(config) if problems.is_empty() => Ok(config),
        _ => Err(report::refuse(text, place, problems)),
    }
}

/// Reads and checks a configuration file.
///
/// # Errors
/// When it cannot be read, or anything in it is wrong.
pub fn load(path: &Path, over: &overrides::Overrides) -> Result<Config, Refused> {
    let place = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(text) => parse_with(&text, &place, over),
        Err(error) => Err(Refused::unreadable(&place, &error)),
    }
}

#[cfg(test)]
mod tests;
