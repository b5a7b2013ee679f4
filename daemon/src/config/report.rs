//! Problems of a configuration, each with its place and the next step.

use std::fmt;

/// One problem.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Path of the key, as `sensor[1].interval`; empty for the file as a whole.
    pub path: String,
    /// Line, when the reader knows it better than the path does. From 1.
    pub line: Option<usize>,
    /// What is wrong.
    pub what: String,
    /// What to write instead.
    pub hint: Option<String>,
}

impl Problem {
    /// A problem at a key.
    #[must_use]
    pub fn at(path: impl Into<String>, what: impl Into<String>) -> Self {
        Self { path: path.into(), line: None, what: what.into(), hint: None }
    }

    /// Adds what to write instead.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

/// A configuration that was refused, with every problem found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Name of the file.
    pub place: String,
    /// In the order of their lines.
    pub problems: Vec<Problem>,
}

impl Refused {
    /// The file itself cannot be read.
    #[must_use]
    pub fn unreadable(place: &str, error: &std::io::Error) -> Self {
        let problem = Problem::at("", format!("cannot be read: {error}"))
            .hint("give the path of a TOML file that this user may read, after --config");
        Self { place: place.into(), problems: vec![problem] }
    }
}

impl std::error::Error for Refused {}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n = self.problems.len();
        write!(f, "{} has {n} problem{}:", self.place, if n == 1 { "" } else { "s" })?;
        for problem in &self.problems {
            write!(f, "\n  ")?;
            if let Some(line) = problem.line {
                write!(f, "line {line}: ")?;
            }
            if !problem.path.is_empty() {
                write!(f, "{}: ", problem.path)?;
            }
            f.write_str(&problem.what)?;
            if let Some(hint) = &problem.hint {
                write!(f, "\n      hint: {hint}")?;
            }
        }
        Ok(())
    }
}

/// Finds the line of each problem and puts them in order.
#[must_use]
pub fn refuse(text: &str, place: &str, mut problems: Vec<Problem>) -> Refused {
    for problem in &mut problems {
        if problem.line.is_none() {
            problem.line = line_of(text, &problem.path);
        }
    }
    problems.sort_by_key(|p| p.line.unwrap_or(usize::MAX));
    Refused { place: place.into(), problems }
}

/// Line of the deepest part of a path that the text has.
fn line_of(text: &str, path: &str) -> Option<usize> {
    let root = toml::de::DeTable::parse(text).ok()?;
    let mut span = None;
    let mut at = At::Table(root.get_ref());
    for step in steps(path) {
        let next = match (at, &step) {
            (At::Table(table), Step::Key(key)) => {
                let Some((name, value)) = table.get_key_value(key.as_str()) else { break };
                span = Some(name.span());
                value
            }
            (At::Array(array), Step::Index(index)) => {
                let Some(value) = array.get(*index) else { break };
                span = Some(value.span());
                value
            }
            (At::Table(_), Step::Index(_)) | (At::Array(_), Step::Key(_)) => break,
        };
        at = match next.get_ref() {
            toml::de::DeValue::Table(table) => At::Table(table),
            toml::de::DeValue::Array(array) => At::Array(array),
            toml::de::DeValue::String(_)
            | toml::de::DeValue::Integer(_)
            | toml::de::DeValue::Float(_)
            | toml::de::DeValue::Boolean(_)
            | toml::de::DeValue::Datetime(_) => break,
        };
    }
    span.map(|span| line_at(text, span.start))
}

#[derive(Clone, Copy)]
enum At<'t, 's> {
    Table(&'t toml::de::DeTable<'s>),
    Array(&'t toml::de::DeArray<'s>),
}

enum Step {
    Key(String),
    Index(usize),
}

fn steps(path: &str) -> Vec<Step> {
    let mut steps = Vec::new();
    for part in path.split('.').filter(|part| !part.is_empty()) {
        let (key, rest) = part.split_once('[').unwrap_or((part, ""));
        if !key.is_empty() {
            steps.push(Step::Key(key.into()));
        }
        for index in rest.split('[') {
            if let Ok(index) = index.trim_end_matches(']').parse() {
                steps.push(Step::Index(index));
            }
        }
    }
    steps
}

/// Line of a byte offset, from 1.
#[must_use]
pub fn line_at(text: &str, offset: usize) -> usize {
    text.as_bytes().iter().take(offset).filter(|byte| **byte == b'\n').count() + 1
}

/// The candidate nearest to a misspelt word, if one is near enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    candidates
        .into_iter()
        .map(|candidate| (distance(word, candidate), candidate))
        .filter(|(distance, candidate)| *distance <= 1 + candidate.len() / 4)
        .min()
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance over bytes; words here are short names.
fn distance(a: &str, b: &str) -> usize {
    let b = b.as_bytes();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.bytes().take(64).enumerate() {
        let mut diagonal = i;
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_misspelt_name_finds_its_neighbour() {
        assert_eq!(nearest("troug-2", ["trough-1", "trough-2"]), Some("trough-2"));
        assert_eq!(nearest("kim", ["J01T", "HAT"]), None);
    }

    #[test]
    fn a_path_finds_its_line_and_a_missing_key_that_of_its_table() {
        let text = "[station]\nname = 'x'\n\n[[sensor]]\nid = 'a'\n[[sensor]]\nid = 'b'\ninterval = '5'\n";
        assert_eq!(line_of(text, "sensor[1].interval"), Some(8));
        assert_eq!(line_of(text, "sensor[1].high"), Some(6));
        assert_eq!(line_of(text, "station.time-zone"), Some(1));
        assert_eq!(line_of(text, "web.listen"), None);
    }
}
