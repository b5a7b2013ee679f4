//! Lots in jars and how far they have come. Pure: entries and readings in, thermal units and dates
//! out.
//!
//! [`books`] says from the logbook which eggs are where; [`record`] keeps the temperature of each
//! sensor in hour blocks; [`dates`] joins the two; [`coming`] says which days need people, tank and truck. Nothing here depends on the order, repetition
//! or delay in which entries and readings arrive.

pub mod books;
pub mod coming;
pub mod dates;
mod learning;
pub mod record;

use crate::logbook::{Act, Check, Entry};
use crate::rack::{JarIx, Measure, Rack};
use crate::reading::{Quality, Reading, SensorIx};
use crate::snapshot::{LearningView, ProgressView};
use books::{Books, Content, Refusal};
use learning::Lessons;
use nightjar_calc::development::species::Species;
use nightjar_calc::outlook::Futures;
use nightjar_calc::thermal::Sample;
use nightjar_calc::time::{Span, Timestamp};
use record::SensorRecord;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Everything known about the eggs.
#[derive(Debug)]
pub struct Progress {
    rack: Arc<Rack>,
    species: Vec<Species>,
    books: Books,
    entries: Vec<Entry>,
    records: BTreeMap<SensorIx, SensorRecord>,
    /// As of the last [`Progress::settle`].
    lessons: Lessons,
    learns: bool,
}

/// Length of the past that the simplest outlook rests on.
const LOOK_BACK: Span = Span::from_hours(72);
/// Days looked ahead.
const DAYS_AHEAD: usize = 120;

impl Progress {
    /// Nothing known yet.
    #[must_use]
    pub fn new(rack: Arc<Rack>, species: Vec<Species>) -> Self {
        let temperatures = rack.sensors.iter().enumerate().filter(|(_, s)| s.measure == Measure::Temperature);
        let records = temperatures
            .filter_map(|(at, sensor)| {
                let ix = SensorIx(u16::try_from(at).ok()?);
                Some((ix, SensorRecord::new(sensor.interval, &species)))
            })
            .collect();
        Self {
            books: Books::default(),
            entries: Vec::new(),
            records,
            rack,
            species,
            lessons: Lessons::default(),
            learns: true,
        }
    }

    /// Whether dates use what eye-ups and hatches seen here taught (they do unless told otherwise).
    pub const fn set_learning(&mut self, on: bool) {
        self.learns = on;
    }

    /// What the station's own sightings taught, per species, before and after. Call [`Self::settle`] before.
    #[must_use]
    pub fn learning(&self) -> &[LearningView] {
        self.lessons.views()
    }

    /// Takes the whole logbook over, as after a restart. Entries that make no sense beside the
    /// others are left out.
    pub fn set_entries(&mut self, entries: Vec<Entry>) {
        self.entries = entries;
        self.books = Books::from_entries(&self.entries, &self.rack, &self.species).0;
    }

    /// Whether an entry makes sense beside those already written.
    ///
    /// # Errors
    /// Why not, for people.
    pub fn check(&self, entry: &Entry) -> Result<(), Refusal> {
        let mut with = self.entries.clone();
        with.push(entry.clone());
        let (_, refused) = Books::from_entries(&with, &self.rack, &self.species);
        match refused.into_iter().find(|(id, _)| *id == entry.id) {
            Some((_, refusal)) => Err(refusal),
            None => Ok(()),
        }
    }

    /// Takes an entry over that has been checked and stored.
    pub fn add_entry(&mut self, entry: Entry) {
        self.entries.push(entry);
        self.books = Books::from_entries(&self.entries, &self.rack, &self.species).0;
    }

    /// The entry of this id, if it is there.
    #[must_use]
    pub fn entry(&self, id: &crate::logbook::EntryId) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.id == *id)
    }

    /// Checks of sensors in the order they were made, those taken back left out.
    #[must_use]
    pub fn checks(&self) -> Vec<(&crate::ids::SensorId, &Check)> {
        let voided: BTreeSet<_> = self
            .entries
            .iter()
            .filter_map(|entry| if let Act::Void(void) = &entry.act { Some(&void.entry) } else { None })
            .collect();
        let mut checks: Vec<_> = self
            .entries
            .iter()
            .filter(|entry| !voided.contains(&entry.id))
            .filter_map(|entry| {
                if let Act::Calibration(made) = &entry.act { Some((entry.happened_at, made)) } else { None }
            })
            .collect();
        checks.sort_by_key(|(at, _)| *at);
        checks.into_iter().map(|(_, made)| (&made.sensor, &made.check)).collect()
    }

    /// What is where.
    #[must_use]
    pub const fn books(&self) -> &Books {
        &self.books
    }

    /// Species known here.
    #[must_use]
    pub fn species(&self) -> &[Species] {
        &self.species
    }

    /// Takes a judged reading for the record. Bad ones are for nobody's sum.
    pub fn handle_reading(&mut self, reading: &Reading) {
        if reading.quality == Quality::Bad {
            return;
        }
        if let Some(record) = self.records.get_mut(&reading.sensor) {
            record.add(Sample { at: reading.at, ten_thousandths: reading.value.0 });
        }
    }

    /// Hours that must be given again whole because a late reading fell into them.
    pub fn take_needed_hours(&mut self) -> Vec<(SensorIx, i64)> {
        let mut needed = Vec::new();
        for (ix, record) in &mut self.records {
            needed.extend(record.take_needed().into_iter().map(|hour| (*ix, hour)));
        }
        needed
    }

    /// Takes all readings of one hour over.
    pub fn set_hour(&mut self, sensor: SensorIx, hour: i64, samples: &[Sample]) {
        if let Some(record) = self.records.get_mut(&sensor) {
            record.set_hour(hour, samples);
        }
    }

    /// The earliest moment whose temperatures are still needed.
    #[must_use]
    pub fn needed_since(&self) -> Option<Timestamp> {
        self.books.contents().filter_map(|content| content.segments.first()).map(|s| s.from).min()
    }

    /// Puts what has arrived into the sums, and forgets single readings no longer needed.
    pub fn settle(&mut self) {
        let keep: BTreeSet<i64> = self
            .books
            .contents()
            .flat_map(|content| content.segments.iter())
            .flat_map(|s| [Some(s.from), s.to].into_iter().flatten())
            .map(nightjar_calc::thermal::hour_of)
            .collect();
        let keep: Vec<i64> = keep.into_iter().collect();
        for record in self.records.values_mut() {
            record.settle(&keep);
        }
        self.lessons = Lessons::draw(self);
    }

    /// Thermal units and dates of the eggs of a jar. Call [`Self::settle`] before.
    #[must_use]
    pub fn view(&self, jar: JarIx, as_of: Timestamp, futures: Option<&Futures>) -> Option<ProgressView> {
        let content = self.books.in_jar(jar)?;
        let held;
        let futures = match futures {
            Some(futures) => futures,
            None => {
                held = self.hold(content, as_of)?;
                &held
            }
        };
        dates::view(self, content, as_of, futures)
    }

    /// The simplest outlook: the water stays as it was over the last three days.
    fn hold(&self, content: &Content, as_of: Timestamp) -> Option<Futures> {
        let from = as_of - LOOK_BACK;
        let jar = content.segments.last()?.jar;
        let (sum, span) = self.sources(jar).into_iter().find_map(|record| {
            let tally = record.thermal_units(from, as_of);
            let counted = tally.measured + tally.bridged;
            (counted > Span::ZERO).then_some((tally.sum, counted))
        })?;
        let mean = sum as f64 / nightjar_calc::thermal::PER_C_DAY as f64 / span.days();
        Some(Futures {
            from: as_of,
            step: Span::from_hours(24),
            paths: vec![vec![mean; DAYS_AHEAD]],
            basis: "held at the mean of the last three days".to_owned(),
        })
    }

    /// Records of the water of a jar, best first: its own probe, then its header's.
    fn sources(&self, jar: JarIx) -> Vec<&SensorRecord> {
        let jar = self.rack.jar(jar);
        let header = self.rack.header(jar.header);
        [jar.temperature, header.temperature]
            .into_iter()
            .flatten()
            .filter_map(|sensor| self.records.get(&sensor))
            .collect()
    }
}

impl Progress {
    /// Hourly means of the water of a header, by its own probe or else by those of its jars.
    #[must_use]
    pub fn hourly_of_header(&self, header: usize, from: Timestamp, to: Timestamp) -> Vec<(Timestamp, f64)> {
        let own = self.rack.headers[header].temperature;
        let of_jars = self
            .rack
            .jars
            .iter()
            .filter(|jar| usize::from(jar.header.0) == header)
            .filter_map(|jar| jar.temperature);
        let records: Vec<&SensorRecord> =
            own.into_iter().chain(of_jars).filter_map(|sensor| self.records.get(&sensor)).collect();
        let hour = Span::from_hours(1);
        let mut means = Vec::new();
        let mut start = from;
        while start + hour <= to {
            let mean = records.iter().find_map(|record| {
                let tally = record.thermal_units(start, start + hour);
                let measured = tally.measured + tally.bridged;
                (measured > Span::from_minutes(30))
                    .then(|| tally.sum as f64 / nightjar_calc::thermal::PER_C_DAY as f64 / measured.days())
            });
            means.extend(mean.map(|mean| (start + Span::from_minutes(30), mean)));
            start = start + hour;
        }
        means
    }
}
