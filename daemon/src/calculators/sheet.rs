//! The answer of a calculator, for people and for programs.

use crate::cli::failure::Failure;
use crate::cli::output::{Format, Output};
use serde_json::{Map, Value};

/// An answer with how it was got.
#[derive(Clone, Debug, Default)]
pub struct Sheet {
    answers: Vec<String>,
    how: Vec<String>,
    sources: Vec<String>,
    cautions: Vec<String>,
    values: Map<String, Value>,
}

impl Sheet {
    /// Begins with the answer.
    pub fn new(answer: impl Into<String>) -> Self {
        Self { answers: vec![answer.into()], ..Self::default() }
    }

    /// A further line of the answer.
    #[must_use]
    pub fn and(mut self, answer: impl Into<String>) -> Self {
        self.answers.push(answer.into());
        self
    }

    /// How it was got.
    #[must_use]
    pub fn how(mut self, how: impl Into<String>) -> Self {
        self.how.push(how.into());
        self
    }

    /// Where formula and constants are from.
    #[must_use]
    pub fn source(mut self, source: impl Into<String>) -> Self {
        self.sources.push(source.into());
        self
    }

    /// What to take care of.
    #[must_use]
    pub fn caution(mut self, caution: impl Into<String>) -> Self {
        self.cautions.push(caution.into());
        self
    }

    /// A value for programs; the unit is in the key.
    #[must_use]
    pub fn value(mut self, key: &str, value: impl Into<Value>) -> Self {
        self.values.insert(key.to_owned(), value.into());
        self
    }

    /// Writes it.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn write(self, format: Format, output: &mut Output) -> Result<(), Failure> {
        match format {
            Format::Json => output.json(&self.json()),
            Format::Text => {
                for answer in self.answers {
                    output.line(answer)?;
                }
                for (word, lines) in [("how", self.how), ("source", self.sources), ("caution", self.cautions)]
                {
                    for line in lines {
                        output.line(format_args!("{word}: {line}"))?;
                    }
                }
                Ok(())
            }
        }
    }

    /// For programs: the values by name, and in words how they were got, where from, and what to mind.
    #[must_use]
    pub fn json(&self) -> Map<String, Value> {
        let mut values = self.values.clone();
        let words = [("how", &self.how), ("sources", &self.sources), ("cautions", &self.cautions)];
        values.extend(words.map(|(name, lines)| (name.to_owned(), lines.clone().into())));
        values
    }

    /// Lines of the answer.
    #[must_use]
    pub fn answers(&self) -> &[String] {
        &self.answers
    }

    /// How it was got, where from.
    #[must_use]
    pub fn grounds(&self) -> (&[String], &[String]) {
        (&self.how, &self.sources)
    }

    /// What to take care of.
    #[must_use]
    pub fn cautions(&self) -> &[String] {
        &self.cautions
    }
}

/// The one of several ways to give a measure that was used.
///
/// # Errors
/// When none or more than one is given.
pub fn one_of<T: Copy>(what: &str, given: &[(&str, Option<T>)]) -> Result<(usize, T), Failure> {
    let mut used = given.iter().enumerate().filter_map(|(i, (_, value))| value.map(|v| (i, v)));
    match (used.next(), used.next()) {
        (Some(one), None) => Ok(one),
        (None, _) | (Some(_), Some(_)) => {
            let names: Vec<&str> = given.iter().map(|(name, _)| *name).collect();
            Err(Failure::usage(format!("give {what} by exactly one of {}", names.join(", "))))
        }
    }
}

/// Zips equally long lists of arguments.
///
/// # Errors
/// When they differ in length.
pub fn pairs<A: Copy, B: Copy>(names: (&str, &str), a: &[A], b: &[B]) -> Result<Vec<(A, B)>, Failure> {
    if a.len() != b.len() {
        return Err(Failure::usage(format!(
            "{} values of {} and {} of {}; give as many of one as of the other",
            a.len(),
            names.0,
            b.len(),
            names.1
        )));
    }
    Ok(a.iter().copied().zip(b.iter().copied()).collect())
}
