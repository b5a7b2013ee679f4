//! The temperatures of one sensor in bounded memory: hour blocks, one sum of thermal units and one
//! of development for each law.

use nightjar_calc::development::Development;
use nightjar_calc::development::species::Species;
use nightjar_calc::thermal::{DegreesAboveZero, Ledger, Rules, Sample, Tallied, Tally, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, BTreeSet};

/// Hours whose single readings are kept in memory.
const OPEN_HOURS: i64 = 2;

/// The record of one thermometer.
#[derive(Debug)]
pub struct SensorRecord {
    units: Ledger<DegreesAboveZero>,
    development: Vec<(String, Ledger<Development>)>,
    open: BTreeMap<i64, Vec<Sample>>,
    changed: BTreeSet<i64>,
    needed: BTreeSet<i64>,
    newest: i64,
}

impl SensorRecord {
    /// Empty, for a sensor read every `interval`.
    #[must_use]
    pub fn new(interval: Span, species: &[Species]) -> Self {
        let rules = Rules::for_interval(interval);
        Self {
            units: Ledger::new(DegreesAboveZero, rules),
            development: species
                .iter()
                .map(|s| (s.key.to_string(), Ledger::new(Development(s.model), rules)))
                .collect(),
            open: BTreeMap::new(),
            changed: BTreeSet::new(),
            needed: BTreeSet::new(),
            newest: i64::MIN,
        }
    }

    /// Adds a reading. One that falls into an hour that is no longer open asks for the whole hour.
    pub fn add(&mut self, sample: Sample) {
        let hour = hour_of(sample.at);
        let closed = hour < self.newest.saturating_sub(OPEN_HOURS) || self.units.hour(hour).is_some();
        if closed && !self.open.contains_key(&hour) {
            self.needed.insert(hour);
            return;
        }
        self.newest = self.newest.max(hour);
        self.open.entry(hour).or_default().push(sample);
        self.changed.insert(hour);
    }

    /// Hours to be given again whole.
    pub fn take_needed(&mut self) -> BTreeSet<i64> {
        std::mem::take(&mut self.needed)
    }

    /// Sets an hour from all its readings.
    pub fn set_hour(&mut self, hour: i64, samples: &[Sample]) {
        if let Some(open) = self.open.get_mut(&hour) {
            open.extend_from_slice(samples);
            self.changed.insert(hour);
            return;
        }
        self.put(hour, samples);
        self.newest = self.newest.max(hour);
    }

    /// Puts what has arrived into the sums. `keep` are hours in which a stretch begins or ends:
    /// they stay whole.
    pub fn settle(&mut self, keep: &[i64]) {
        for hour in std::mem::take(&mut self.changed) {
            if let Some(samples) = self.open.remove(&hour) {
                self.put(hour, &samples);
                self.open.insert(hour, samples);
            }
        }
        let first_open = self.newest.saturating_sub(OPEN_HOURS);
        self.open.retain(|hour, _| *hour >= first_open);
        self.units.condense_before(first_open, keep);
        for (_, ledger) in &mut self.development {
            ledger.condense_before(first_open, keep);
        }
    }

    fn put(&mut self, hour: i64, samples: &[Sample]) {
        self.units.put(hour, samples);
        for (_, ledger) in &mut self.development {
            ledger.put(hour, samples);
        }
    }

    /// Thermal units and what they rest on.
    #[must_use]
    pub fn thermal_units(&self, from: Timestamp, to: Timestamp) -> Tally {
        self.units.tally(from, to)
    }

    /// Thermal units, to be combined with other sources.
    #[must_use]
    pub const fn units(&self) -> &Ledger<DegreesAboveZero> {
        &self.units
    }

    /// Development by the law of a species, to be combined with other sources.
    #[must_use]
    pub fn development(&self, species: &str) -> Option<&Ledger<Development>> {
        self.development.iter().find(|(key, _)| key == species).map(|(_, ledger)| ledger)
    }
}
