//! What the water will do next: equally likely continuations of its temperature.
//!
//! [`Climate::fit`] learns a station's seasonal curve and the persistence of departures from it;
//! [`Climate::outlook`] issues [`Futures`] for any moment of the season. With no past springs the
//! shape of the season is borrowed by [`WaterKind`], and a [`Schedule`] replaces the water's own
//! course where a heater or chiller sets it. [`hindcast`] and [`track_record`] say how such outlooks
//! did. A forecast sees only complete days (and the hours of today) before its moment of issue.

mod borrowed;
mod calibrate;
mod climate;
mod curve;
mod departure;
mod draws;
mod hindcast;
mod history;
mod issue;
mod schedule;
mod track_record;

pub use borrowed::{UnknownWater, WaterKind};
pub use climate::Climate;
pub use hindcast::{Case, Question, days_to_reach, hindcast};
pub use history::{DailyMeans, Recent};
pub use issue::{Diagnostics, NoOutlook, Outlook};
pub use schedule::Schedule;
pub use track_record::{Score, TrackRecord, track_record};

use crate::time::{Span, Timestamp};

/// Equally likely continuations of the water temperature from one moment on.
#[derive(Clone, Debug, PartialEq)]
pub struct Futures {
    /// Moment of issue: the first value of each path holds from here for one step.
    pub from: Timestamp,
    /// Length each value holds for (one day unless said otherwise).
    pub step: Span,
    /// One continuation each, °C, all of the same length.
    pub paths: Vec<Vec<f64>>,
    /// What they rest on, for people: `station history, 4 springs`.
    pub basis: String,
}
