//! The season report: what the logbook, the books and the record say, as tables that are drawn on the
//! page, printed, and written as CSV files, each column with its meaning.

mod chart;
mod counted;
pub mod csv;
mod folded;
pub mod html;
mod journal;
mod table;

pub use journal::{Answered, answered};
pub use table::{Cell, Column, Table};

use crate::logbook::Done;
use crate::progress::books::Books;
use crate::rack::Rack;
use crate::snapshot::ProgressView;
use nightjar_calc::time::{Day, Timestamp};

/// Thermal history of the eggs of one lot that are or were in a jar.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// Jar they are in, or were in last.
    pub jar: String,
    /// Lot.
    pub lot: String,
    /// Since when in jars.
    pub loaded_at: Timestamp,
    /// Until when, if they are out.
    pub left_at: Option<Timestamp>,
    /// Thermal units and dates, as far as known.
    pub progress: Option<ProgressView>,
    /// First hatch and eye-up as they were forecast early, with the time of the forecast.
    pub forecast: Option<Forecast>,
}

/// A forecast made early, kept beside what was seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Made with readings up to here.
    pub as_of: Timestamp,
    /// First hatch: early end, likely, late end.
    pub hatch_start: (Option<Timestamp>, Option<Timestamp>, Option<Timestamp>),
}

/// Mean of one day of one thermometer.
#[derive(Clone, Debug, PartialEq)]
pub struct DayMean {
    /// Jar or header.
    pub place: String,
    /// Local day.
    pub day: Day,
    /// °C.
    pub mean_c: f64,
    /// Share of the day that was measured.
    pub coverage: f64,
}

/// What the report rests on.
#[derive(Clone, Copy)]
pub struct Material<'a> {
    /// The rack.
    pub rack: &'a Rack,
    /// The books.
    pub books: &'a Books,
    /// Everything that stands in the logbook.
    pub done: &'a [Done<'a>],
    /// Thermal histories, as far as the record is at hand.
    pub ways: &'a [Way],
    /// Alarms with what people did.
    pub alarms: &'a [Answered],
    /// Daily means, as far as the record is at hand.
    pub days: &'a [DayMean],
    /// When the report is made.
    pub now: Timestamp,
}

/// All tables of the report, in the order they are read.
#[must_use]
pub fn tables(material: &Material<'_>) -> Vec<Table> {
    let mut tables = vec![
        counted::accounts(material),
        counted::takes(material),
        counted::parents(material),
        counted::crosses(material),
        journal::thermal(material),
        journal::stages(material),
        journal::samples(material),
        journal::treatments(material),
        journal::amounts(material),
        counted::stocking(material),
        counted::stocking_by_water(material),
        journal::alarms(material),
        journal::days(material),
        journal::checks(material),
        journal::losses(material),
        journal::left_out(material),
    ];
    tables.retain(|table| !table.rows.is_empty());
    tables
}
