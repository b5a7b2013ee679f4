//! A table that knows what its columns mean.

use nightjar_calc::proportion::Interval;
use nightjar_calc::time::{Timestamp, Zone};

/// What stands in a cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Not known.
    Empty,
    /// Words, possibly of people.
    Text(String),
    /// A number with so many decimals.
    Number(f64, usize),
    /// A moment.
    At(Timestamp),
}

impl Cell {
    /// Words.
    pub fn text(words: impl Into<String>) -> Self {
        let words = words.into();
        if words.is_empty() { Self::Empty } else { Self::Text(words) }
    }

    /// A whole number.
    #[must_use]
    pub const fn whole(value: f64) -> Self {
        Self::Number(value, 0)
    }

    /// A number that may not be known.
    #[must_use]
    pub fn maybe(value: Option<f64>, decimals: usize) -> Self {
        value.map_or(Self::Empty, |value| Self::Number(value, decimals))
    }

    /// A moment that may not be known.
    #[must_use]
    pub fn when(at: Option<Timestamp>) -> Self {
        at.map_or(Self::Empty, Self::At)
    }

    /// Likely, low and high of an interval: three cells.
    #[must_use]
    pub fn interval(interval: Option<Interval>, decimals: usize) -> [Self; 3] {
        let cell = |pick: fn(&Interval) -> f64| Self::maybe(interval.as_ref().map(pick), decimals);
        [cell(|i| i.likely), cell(|i| i.low), cell(|i| i.high)]
    }

    /// As written in a file: local time with its offset.
    #[must_use]
    pub fn plain(&self, zone: Zone) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(text) => text.clone(),
            Self::Number(value, decimals) => {
                let text = format!("{value:.decimals$}");
                if text.trim_start_matches('-').bytes().all(|b| matches!(b, b'0' | b'.')) {
                    text.trim_start_matches('-').to_owned()
                } else {
                    text
                }
            }
            Self::At(at) => zone.rfc3339(*at),
        }
    }
}

/// A column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its name in files: snake_case with the unit.
    pub key: &'static str,
    /// What it means.
    pub meaning: &'static str,
}

/// Columns from pairs of key and meaning.
pub(super) fn columns(pairs: &[(&'static str, &'static str)]) -> Vec<Column> {
    pairs.iter().map(|(key, meaning)| Column { key, meaning }).collect()
}

/// A table.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Name of its file, without the ending.
    pub name: &'static str,
    /// Title.
    pub title: &'static str,
    /// What to know about it.
    pub about: &'static str,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows, as long as the columns.
    pub rows: Vec<Vec<Cell>>,
}
