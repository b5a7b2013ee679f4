//! The temperatures of one sensor in bounded memory: hour blocks, one sum of thermal units and one
//! of development for each species whose eggs are in the logbook. Summing for all that are known
//! would make memory and restart ten times what they need to be.

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
    development: Vec<Followed>,
    rules: Rules,
    open: BTreeMap<i64, Vec<Sample>>,
    changed: BTreeSet<i64>,
    needed: BTreeSet<i64>,
    newest: i64,
}

/// Development of one species.
#[derive(Debug)]
struct Followed {
    species: String,
    /// First hour that counts for its eggs.
    from: i64,
    ledger: Ledger<Development>,
}

impl SensorRecord {
    /// Empty, for a sensor read every `interval`.
    #[must_use]
    pub fn new(interval: Span) -> Self {
        let rules = Rules::for_interval(interval);
        Self {
            units: Ledger::new(DegreesAboveZero, rules),
            development: Vec::new(),
            rules,
            open: BTreeMap::new(),
            changed: BTreeSet::new(),
            needed: BTreeSet::new(),
            newest: i64::MIN,
        }
    }

    /// Adds a reading. False for one that falls into an hour that is no longer open: the whole hour
    /// is then needed.
    pub fn add(&mut self, sample: Sample) -> bool {
        let hour = hour_of(sample.at);
        let closed = hour < self.newest.saturating_sub(OPEN_HOURS) || self.units.hour(hour).is_some();
        if closed && !self.open.contains_key(&hour) {
            self.needed.insert(hour);
            return false;
        }
        self.newest = self.newest.max(hour);
        self.open.entry(hour).or_default().push(sample);
        self.changed.insert(hour);
        true
    }

    /// Sums development of a species from an hour on, if it does not yet. False when hours are needed
    /// whole for that.
    pub fn follow(&mut self, species: &Species, from: i64) -> bool {
        let key = species.key.as_ref();
        let place = self.development.iter().position(|followed| followed.species == key);
        let (place, until) = match place {
            Some(place) => (place, self.development[place].from),
            None => {
                let ledger = Ledger::new(Development(species.model), self.rules);
                self.development.push(Followed { species: key.to_owned(), from: i64::MAX, ledger });
                (self.development.len() - 1, i64::MAX)
            }
        };
        if from >= until {
            return true;
        }
        let followed = &mut self.development[place];
        followed.from = from;
        let mut complete = true;
        let mut take = |hour: i64, samples: Option<&[Sample]>| {
            if let Some(samples) = samples {
                followed.ledger.put(hour, samples);
            } else {
                complete = false;
                self.needed.insert(hour);
            }
        };
        // The reading before the first hour may reach into it.
        let before = self.units.hours_before(from).next_back();
        let within = self.units.hours_from(from).take_while(|(hour, _)| *hour < until);
        for (hour, block) in before.into_iter().chain(within) {
            take(hour, block.samples());
        }
        complete
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
        for followed in &mut self.development {
            followed.ledger.condense_before(first_open, keep);
        }
    }

    fn put(&mut self, hour: i64, samples: &[Sample]) {
        self.units.put(hour, samples);
        for followed in &mut self.development {
            followed.ledger.put(hour, samples);
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
        self.development.iter().find(|followed| followed.species == species).map(|followed| &followed.ledger)
    }
}
