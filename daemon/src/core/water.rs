//! What the water of each header will do, from what it did: one outlook an hour, shared by its
//! jars.

use super::state::State;
use crate::config::checked::WaterType;
use crate::progress::Progress;
use crate::rack::{HeaderIx, JarIx, Rack};
use crate::snapshot::ProgressView;
use nightjar_calc::outlook::{
    Climate, DailyMeans, Futures, Question, Recent, TrackRecord, WaterKind, hindcast, track_record,
};
use nightjar_calc::stages::Courses;
use nightjar_calc::time::{Day, Span, Timestamp};
use std::sync::Arc;

/// Days of this season that an outlook looks back on.
const LOOK_BACK: Span = Span::from_hours(45 * 24);
/// Days looked ahead.
const DAYS_AHEAD: usize = 120;

/// Days before today that belong to this season and are never history.
const OWN_SEASON_DAYS: i64 = 100;

/// The local day up to which days count as past springs: nothing of this season is among them.
#[must_use]
pub fn past_ends(rack: &Rack, now: Timestamp) -> Day {
    rack.zone.day_of(now).plus(-OWN_SEASON_DAYS)
}

/// How outlooks issued after the fact in past springs did, each spring forecast from the others: one start and one
/// sum, for speed. Nothing with fewer than two springs.
#[must_use]
pub fn how_outlooks_did(history: &DailyMeans, kind: Option<WaterKind>) -> Option<TrackRecord> {
    if history.years().len() < 2 {
        return None;
    }
    let question = Question { targets: vec![140.0], starts: vec![(4, 15)], ..Question::default() };
    let record = track_record(&hindcast(history, kind, &question, false));
    (record.seasons >= 2).then_some(record)
}

impl State {
    /// Takes the past springs of the station's water over, for outlooks from the next one on.
    pub fn set_past_springs(&mut self, past: DailyMeans) {
        self.water.set_history(past);
    }
}

/// What is known of the station's water.
#[derive(Debug)]
pub struct Water {
    rack: Arc<Rack>,
    kind: WaterKind,
    history: DailyMeans,
    climate: Option<(Day, Climate)>,
    past_outlooks: Option<TrackRecord>,
}

impl Water {
    /// Without past springs.
    #[must_use]
    pub fn new(rack: Arc<Rack>, water_type: WaterType) -> Self {
        let kind = match water_type {
            WaterType::LakeFed => WaterKind::LakeFed,
            WaterType::LowlandRiver => WaterKind::LowlandRiver,
            WaterType::Snowmelt => WaterKind::Snowmelt,
            WaterType::SpringFed => WaterKind::SpringFed,
            WaterType::Heated => WaterKind::Heated,
        };
        Self { rack, kind, history: DailyMeans::default(), climate: None, past_outlooks: None }
    }

    /// Past springs of this water.
    pub fn set_history(&mut self, history: DailyMeans) {
        self.past_outlooks = how_outlooks_did(&history, Some(self.kind));
        self.history = history;
        self.climate = None;
    }

    /// How outlooks of past springs did here, if there are two of them.
    #[must_use]
    pub const fn past_outlooks(&self) -> Option<&TrackRecord> {
        self.past_outlooks.as_ref()
    }

    /// The outlook for a header's water, issued now; nothing while no eggs need one or nothing is known.
    #[must_use]
    pub fn outlook(&mut self, progress: &Progress, header: HeaderIx, now: Timestamp) -> Option<Futures> {
        let since = progress.needed_since()?.max(now - LOOK_BACK);
        let zone = self.rack.zone;
        let today = zone.day_of(now);
        if self.climate.as_ref().is_none_or(|(day, _)| *day != today) {
            // A program that has run for a year would else learn from its own season.
            let past = self.history.before(today.plus(-OWN_SEASON_DAYS));
            self.climate = Some((today, Climate::fit(&past, Some(self.kind), today)));
        }
        let (_, climate) = self.climate.as_ref()?;
        let hours = progress.hourly_of_header(usize::from(header.0), since, now);
        let recent = Recent::from_readings(zone, hours, now);
        climate.outlook(&recent, now, zone, DAYS_AHEAD, None).ok().map(|outlook| outlook.futures)
    }

    /// Thermal units and dates of each jar. What the water of a header brings is summed once for all its jars,
    /// and forgotten before the next header: the futures of fifty of them are ten megabytes.
    #[must_use]
    pub fn views(&mut self, progress: &Progress, now: Timestamp) -> Vec<Option<Arc<ProgressView>>> {
        let rack = Arc::clone(&self.rack);
        let mut views = vec![None; rack.jars.len()];
        for header in (0..rack.headers.len()).filter_map(|at| u16::try_from(at).ok()).map(HeaderIx) {
            let futures = self.outlook(progress, header, now);
            let courses = futures.as_ref().map(Courses::new);
            for (at, view) in views.iter_mut().enumerate().filter(|(at, _)| rack.jars[*at].header == header) {
                let Ok(jar) = u16::try_from(at).map(JarIx) else { continue };
                *view = progress.view(jar, now, courses.as_ref()).map(Arc::new);
            }
        }
        views
    }
}
