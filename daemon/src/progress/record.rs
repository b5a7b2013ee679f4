//! The temperatures of one sensor in bounded memory: hour blocks, one sum of thermal units and one
//! of development for each species whose eggs are in the logbook. Summing for all that are known
//! would make memory and restart ten times what they need to be.

use nightjar_calc::development::Development;
use nightjar_calc::development::species::Species;
use nightjar_calc::thermal::{DegreesAboveZero, HourSamples, Ledger, Rules, Sample, Tallied, Tally, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Hours before the newest whose single readings are kept in memory. One that comes later has its hour read back.
const OPEN_HOURS: i64 = 1;
/// Of the readings within this time one counts: a thermometer that babbles costs no more memory than
/// this, and no water changes in so short a time.
const SLOT: Span = Span::from_ms(100);

/// The record of one thermometer.
#[derive(Debug)]
pub struct SensorRecord {
    units: Ledger<DegreesAboveZero>,
    development: Vec<Followed>,
    rules: Rules,
    /// Shared with the sums until more comes.
    open: BTreeMap<i64, Arc<HourSamples>>,
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

    /// Whether it never had a reading.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.newest == i64::MIN
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
        let open = self.open.entry(hour).or_insert_with(|| Arc::new(HourSamples::new(hour)));
        Arc::make_mut(open).insert(sample, SLOT);
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
        let mut take = |hour: i64, samples: Option<&Arc<HourSamples>>| {
            if let Some(samples) = samples {
                followed.ledger.put_shared(samples);
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

    /// Sets an hour from all its readings. One that is still open stays so: the next reading of it is
    /// not late.
    pub fn set_hour(&mut self, hour: i64, samples: &[Sample]) {
        self.newest = self.newest.max(hour);
        let was = self.open.remove(&hour);
        let stays = was.is_some() || hour >= self.newest.saturating_sub(OPEN_HOURS);
        let mut open = was.unwrap_or_else(|| Arc::new(HourSamples::new(hour)));
        let filled = Arc::make_mut(&mut open);
        samples.iter().for_each(|sample| filled.insert(*sample, SLOT));
        if stays {
            self.open.insert(hour, open);
            self.changed.insert(hour);
        } else {
            self.put(&open);
        }
    }

    /// An hour could not be given whole, or more of it has come than was given: it is still needed.
    pub fn need(&mut self, hour: i64) {
        self.needed.insert(hour);
    }

    /// Puts what has arrived into the sums. `keep` are hours in which a stretch begins or ends:
    /// they stay whole.
    pub fn settle(&mut self, keep: &[i64]) {
        for hour in std::mem::take(&mut self.changed) {
            if let Some(samples) = self.open.get(&hour).map(Arc::clone) {
                self.put(&samples);
            }
        }
        let first_open = self.newest.saturating_sub(OPEN_HOURS);
        self.open.retain(|hour, _| *hour >= first_open);
        self.units.condense_before(first_open, keep);
        for followed in &mut self.development {
            followed.ledger.condense_before(first_open, keep);
        }
    }

    fn put(&mut self, samples: &Arc<HourSamples>) {
        self.units.put_shared(samples);
        for followed in &mut self.development {
            followed.ledger.put_shared(samples);
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

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(ms: i64, ten_thousandths: i32) -> Sample {
        Sample { at: Timestamp::from_ms(ms), ten_thousandths }
    }

    const HOUR: i64 = 3_600_000;

    #[test]
    fn an_hour_read_back_while_it_lasts_takes_the_readings_that_follow() {
        let mut record = SensorRecord::new(Span::from_secs(10));
        // After a restart the hours up to now are read back; the present one goes on.
        for hour in 100..=103 {
            let from = hour * HOUR;
            record.set_hour(hour, &[sample(from, 100_000), sample(from + 600_000, 100_000)]);
        }
        record.settle(&[]);
        assert!(record.add(sample(103 * HOUR + 610_000, 100_000)), "not late");
        assert!(record.add(sample(102 * HOUR + 700_000, 100_000)), "the hour before is open too");
        assert_eq!(record.take_needed(), BTreeSet::new());
        assert!(!record.add(sample(100 * HOUR + 700_000, 100_000)), "this one is late");
        assert_eq!(record.take_needed(), BTreeSet::from([100]));
        record.need(100);
        assert_eq!(record.take_needed(), BTreeSet::from([100]), "what could not be had is asked for again");
    }

    #[test]
    fn a_babbling_thermometer_costs_bounded_memory_and_the_order_does_not_matter() {
        let interval = Span::from_secs(1);
        let (mut forth, mut back) = (SensorRecord::new(interval), SensorRecord::new(interval));
        let babble: Vec<Sample> =
            (0..200_000).map(|n| sample(n / 50, 100_000 + i32::try_from(n % 7).unwrap_or(0))).collect();
        babble.iter().for_each(|sample| assert!(forth.add(*sample)));
        babble.iter().rev().for_each(|sample| assert!(back.add(*sample)));
        assert_eq!(forth.open[&0].len(), 40, "4 s in slots of 100 ms");
        forth.settle(&[]);
        back.settle(&[]);
        let whole = (Timestamp::from_ms(0), Timestamp::from_ms(HOUR));
        assert_eq!(forth.thermal_units(whole.0, whole.1).sum, back.thermal_units(whole.0, whole.1).sum);
    }
}
