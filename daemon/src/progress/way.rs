//! Which water the eggs of one take were in since they were fertilized, and what that makes.
//!
//! The pan, the hardening basket, the way to the jars, and each jar. The basket has its own probe or a hand
//! reading; the pan stands in the same water before it. What nobody measured is a gap, never a guess.

use super::Progress;
use super::books::Content;
use super::record::SensorRecord;
use crate::logbook::Take;
use crate::rack::JarIx;
use nightjar_calc::development::species::Species;
use nightjar_calc::development::{Development, PER_HATCH};
use nightjar_calc::thermal::{
    BestOf, DegreesAboveZero, Gap, Integrand, Ledger, Steady, Tallied, Tally, ThermalSum,
};
use nightjar_calc::time::Timestamp;

/// The way of the eggs of one take.
pub(super) struct Way<'a> {
    pub(super) progress: &'a Progress,
    pub(super) content: &'a Content,
    pub(super) take: &'a Take,
    pub(super) species: &'a Species,
    stretches: Vec<Stretch<'a>>,
}

/// A time in one water.
struct Stretch<'a> {
    from: Timestamp,
    /// `None` while it lasts.
    to: Option<Timestamp>,
    water: Water<'a>,
}

enum Water<'a> {
    /// The records of a jar, best first.
    Jar(JarIx),
    /// Before the jars: a probe, whether it was in this very water, and what a person read.
    Before { probe: Option<&'a SensorRecord>, in_it: bool, hand_c: Option<f64> },
}

/// The source of one water, to be asked for any part of its time.
type Source<'a> = Box<dyn Tallied + 'a>;

impl<'a> Way<'a> {
    /// Of the eggs of a take that came into a jar.
    pub(super) fn of(
        progress: &'a Progress,
        content: &'a Content,
        take: &'a Take,
        species: &'a Species,
    ) -> Self {
        let mut stretches = before_jars(progress, content, take);
        stretches.extend(content.segments.iter().map(|segment| Stretch {
            from: segment.from,
            to: segment.to,
            water: Water::Jar(segment.jar),
        }));
        Self { progress, content, take, species, stretches }
    }

    /// Thermal units up to a moment, and what they rest on.
    pub(super) fn thermal(&self, until: Timestamp) -> ThermalSum {
        let mut total = Tally::default();
        for (from, to, water) in self.until(until) {
            let source = self.source(water, DegreesAboveZero, |record| Some(record.units()));
            let tally = source.tally(from, to);
            total.sum += tally.sum;
            total.measured += tally.measured;
            total.bridged += tally.bridged;
            total.borrowed += tally.borrowed;
            total.gaps.extend(tally.gaps);
        }
        total.into()
    }

    /// Development by the law up to a moment, in units of [`PER_HATCH`].
    pub(super) fn development(&self, until: Timestamp) -> i64 {
        self.until(until).map(|(from, to, water)| self.by_law(water).amount(from, to)).sum()
    }

    /// First moment at which development was at least `target` (1 at the law's median hatch).
    pub(super) fn when(&self, target: f64, until: Timestamp) -> Option<Timestamp> {
        #[expect(clippy::cast_possible_truncation, reason = "development stays below a few hatches")]
        let mut left = (target * PER_HATCH as f64).ceil() as i64;
        for (from, to, water) in self.until(until) {
            let source = self.by_law(water);
            if let Some(at) = source.reached(from, to, left) {
                return Some(at);
            }
            left -= source.amount(from, to);
        }
        None
    }

    fn until(&self, until: Timestamp) -> impl Iterator<Item = (Timestamp, Timestamp, &Water<'a>)> {
        self.stretches.iter().filter_map(move |stretch| {
            let to = stretch.to.map_or(until, |to| to.min(until));
            (to > stretch.from).then_some((stretch.from, to, &stretch.water))
        })
    }

    fn by_law(&self, water: &Water<'a>) -> Source<'_> {
        let key = self.species.key.as_ref();
        self.source(water, Development(self.species.model), |record| record.development(key))
    }

    fn source<I: Integrand + 'a>(
        &self,
        water: &Water<'a>,
        integrand: I,
        ledger: impl Fn(&'a SensorRecord) -> Option<&'a Ledger<I>>,
    ) -> Source<'_> {
        let (records, in_it, hand_c) = match water {
            Water::Jar(jar) => (self.progress.sources(*jar), true, None),
            Water::Before { probe, in_it, hand_c } => (probe.iter().copied().collect(), *in_it, *hand_c),
        };
        let mut sources: Vec<Source<'_>> = Vec::new();
        if !in_it {
            // What comes after another source counts as borrowed.
            sources.push(Box::new(Nothing));
        }
        sources.extend(records.into_iter().filter_map(ledger).map(|ledger| Box::new(ledger) as Source<'_>));
        sources.extend(
            hand_c.and_then(|c| Steady::new(integrand, c).ok()).map(|hand| Box::new(hand) as Source<'_>),
        );
        Box::new(Best(sources))
    }
}

/// [`BestOf`] sources of its own.
struct Best<'a>(Vec<Source<'a>>);

impl Tallied for Best<'_> {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        BestOf::new(self.0.iter().map(|source| &**source as &dyn Tallied).collect()).tally(from, to)
    }
}

/// No record at all.
struct Nothing;

impl Tallied for Nothing {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        let gaps = if to > from { vec![Gap { from, to }] } else { Vec::new() };
        Tally { gaps, ..Tally::default() }
    }
}

/// From fertilization to the first jar: pan, basket, way. Eggs not yet in a jar are still in the last of them.
fn before_jars<'a>(progress: &'a Progress, content: &Content, take: &Take) -> Vec<Stretch<'a>> {
    let loaded = content.segments.first().map(|segment| segment.from);
    let probe = take
        .hardening_sensor
        .as_ref()
        .and_then(|id| progress.rack.sensor_named(id.as_str()))
        .and_then(|ix| progress.records.get(&ix));
    let water = |probe, in_it, hand_c| Water::Before { probe, in_it, hand_c };
    let into = take.hardening_from.unwrap_or(take.fertilized_at);
    let out = take.hardening_to.filter(|out| loaded.is_none_or(|loaded| *out < loaded));
    let (basket, way) = (take.hardening_temp_c, take.transport_temp_c.or(take.hardening_temp_c));
    // The pan stands in the water of the basket; the water carried along is the basket's unless it was read.
    let mut stretches = vec![
        Stretch { from: take.fertilized_at, to: Some(into), water: water(probe, false, basket) },
        Stretch { from: into, to: out.or(loaded), water: water(probe, true, basket) },
    ];
    if let Some(out) = out {
        stretches.push(Stretch { from: out, to: loaded, water: water(None, false, way) });
    }
    stretches
}
