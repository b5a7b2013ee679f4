//! Thermal units and stage dates of the eggs of one jar: the basket, then each jar they were in.

use super::books::{Content, Seen};
use super::{Progress, learning};
use crate::logbook::Take;
use crate::snapshot::{ProgressView, StageView};
use nightjar_calc::development::species::{Species, find_among};
use nightjar_calc::development::{Development, PER_HATCH};
use nightjar_calc::outlook::Futures;
use nightjar_calc::stages::{Done, Lot, Sighting, StageDate, Station, stage_dates};
use nightjar_calc::thermal::{BestOf, PER_C_DAY, Tallied, Tally, ThermalSum};
use nightjar_calc::time::Timestamp;

/// Share of probability between the ends of an interval.
const LEVEL: f64 = 0.8;

/// The view of one jar's eggs. Pooled takes keep their own clocks: the window is their union, the
/// likely moment that of the first take.
pub fn view(
    progress: &Progress,
    content: &Content,
    as_of: Timestamp,
    futures: &Futures,
) -> Option<ProgressView> {
    let lot = progress.books.lots().get(&content.lot)?;
    let species = find_among(&progress.species, &lot.species).ok()?;
    let mut views = progress.books.takes_of(lot).filter_map(|take| {
        let way = Way { progress, content, take, species };
        one(&way, as_of, futures)
    });
    let mut first = views.next()?;
    for other in views {
        for (mine, theirs) in first.stages.iter_mut().zip(other.stages) {
            mine.earliest = mine.earliest.min(theirs.earliest).or(mine.earliest);
            mine.latest = mine.latest.max(theirs.latest);
        }
    }
    Some(first)
}

/// Species, share of the time since fertilization that is known, and development by the published law of a jar's
/// eggs at a moment. Of pooled takes the first counts.
pub(super) fn development_at(
    progress: &Progress,
    content: &Content,
    at: Timestamp,
) -> Option<(String, f64, f64)> {
    let lot = progress.books.lots().get(&content.lot)?;
    let species = find_among(&progress.species, &lot.species).ok()?;
    let take = progress.books.takes_of(lot).next()?;
    let hours = at.since(take.fertilized_at).hours();
    if hours <= 0.0 {
        return None;
    }
    let way = Way { progress, content, take, species };
    let known = 1.0 - way.thermal(at).uncounted_h / hours;
    Some((species.key.to_string(), known, way.development(at) as f64 / PER_HATCH as f64))
}

/// The way of the eggs of one take: pan, hardening basket, jars.
struct Way<'a> {
    progress: &'a Progress,
    content: &'a Content,
    take: &'a Take,
    species: &'a Species,
}

impl Way<'_> {
    /// °C of the basket, if somebody read it.
    fn basket_days(&self, until: Timestamp) -> Option<(f64, f64)> {
        let days = until.since(self.take.fertilized_at).days().max(0.0);
        Some((days, self.take.hardening_temp_c?))
    }

    fn loaded_at(&self) -> Option<Timestamp> {
        self.content.segments.first().map(|segment| segment.from)
    }

    /// Thermal units up to a moment, and what they rest on.
    fn thermal(&self, until: Timestamp) -> ThermalSum {
        let mut total = Tally::default();
        for segment in &self.content.segments {
            let to = segment.to.map_or(until, |to| to.min(until));
            if to <= segment.from {
                continue;
            }
            let sources = self.progress.sources(segment.jar);
            let ledgers: Vec<&dyn Tallied> = sources.iter().map(|s| s.units() as &dyn Tallied).collect();
            let tally = BestOf::new(ledgers).tally(segment.from, to);
            total.sum += tally.sum;
            total.measured += tally.measured;
            total.bridged += tally.bridged;
            total.borrowed += tally.borrowed;
            total.gaps.extend(tally.gaps);
        }
        let in_basket = self.loaded_at().map_or(until, |loaded| loaded.min(until));
        match self.basket_days(in_basket) {
            Some((days, temp_c)) => {
                // Read by hand once: it counts as borrowed, not as measured by a probe.
                #[expect(clippy::cast_possible_truncation, reason = "a few hundred °C·days fit by far")]
                let hardening = (temp_c.max(0.0) * days * PER_C_DAY as f64).round() as i64;
                total.sum += hardening;
                total.borrowed += in_basket.since(self.take.fertilized_at);
            }
            None if in_basket > self.take.fertilized_at => total
                .gaps
                .insert(0, nightjar_calc::thermal::Gap { from: self.take.fertilized_at, to: in_basket }),
            None => {}
        }
        total.into()
    }

    /// Development by the law up to a moment, in units of [`PER_HATCH`].
    fn development(&self, until: Timestamp) -> i64 {
        let mut sum = self.basket_development(until);
        for segment in &self.content.segments {
            let to = segment.to.map_or(until, |to| to.min(until));
            if to > segment.from {
                sum += self.in_jar(segment.jar, |best| best.amount(segment.from, to));
            }
        }
        sum
    }

    fn in_jar<T>(&self, jar: crate::rack::JarIx, ask: impl FnOnce(&BestOf<'_>) -> T) -> T {
        let key = self.species.key.as_ref();
        let sources = self.progress.sources(jar);
        let ledgers: Vec<&dyn Tallied> =
            sources.iter().filter_map(|s| s.development(key)).map(|l| l as &dyn Tallied).collect();
        ask(&BestOf::new(ledgers))
    }

    fn basket_development(&self, until: Timestamp) -> i64 {
        let end = self.loaded_at().map_or(until, |loaded| loaded.min(until));
        let Some((days, temp_c)) = self.basket_days(end) else { return 0 };
        let rate = Development(self.species.model).mean_rate(temp_c, temp_c);
        #[expect(clippy::cast_possible_truncation, reason = "development stays below a few hatches")]
        let amount = (rate * days * PER_HATCH as f64).round() as i64;
        amount
    }

    /// First moment at which development was at least `target` (1 at the law's median hatch).
    fn when(&self, target: f64, until: Timestamp) -> Option<Timestamp> {
        #[expect(clippy::cast_possible_truncation, reason = "development stays below a few hatches")]
        let target = (target * PER_HATCH as f64).ceil() as i64;
        let mut left = target - self.basket_development(until);
        if left <= 0 {
            return self.loaded_at();
        }
        for segment in &self.content.segments {
            let to = segment.to.map_or(until, |to| to.min(until));
            if to <= segment.from {
                continue;
            }
            let found = self.in_jar(segment.jar, |best| {
                best.reached(segment.from, to, left).ok_or_else(|| best.amount(segment.from, to))
            });
            match found {
                Ok(at) => return Some(at),
                Err(amount) => left -= amount,
            }
        }
        None
    }
}

fn one(way: &Way<'_>, as_of: Timestamp, futures: &Futures) -> Option<ProgressView> {
    if way.take.fertilized_at > as_of {
        return None;
    }
    let units = way.thermal(as_of);
    let amount = way.development(as_of) as f64 / PER_HATCH as f64;
    let seen: Vec<Sighting> = way
        .content
        .seen
        .iter()
        .map(|(seen, at)| Sighting {
            stage: learning::stage_of(*seen),
            at: *at,
            or_before: *seen == Seen::Eyed,
            development: way.development(*at) as f64 / PER_HATCH as f64,
        })
        .collect();
    let when = |target: f64| way.when(target, as_of);
    let known = way.progress.lessons.station(way.species, &way.content.lot);
    let station = if way.progress.learns { known.0 } else { Station::published(way.species) };
    let lot = Lot { species: way.species, station, done: Done { amount, when: &when }, seen: &seen };
    let mut dates = stage_dates(&lot, futures, LEVEL);
    dates.warnings.extend(learning::told(way.progress.learns, known));
    Some(ProgressView {
        fertilized_at: way.take.fertilized_at,
        as_of,
        c_days: units.c_days,
        coverage: units.coverage,
        bridged_h: units.bridged_h,
        uncounted_h: units.uncounted_h,
        development: amount,
        stages: dates.stages.iter().map(stage_view).collect(),
        basis: futures.basis.clone(),
        confidence: way.species.confidence.word().to_owned(),
        warnings: dates.warnings,
    })
}

fn stage_view(date: &StageDate) -> StageView {
    StageView {
        stage: date.stage,
        at: date.at,
        seen: date.seen,
        earliest: date.earliest,
        likely: date.likely,
        latest: date.latest,
    }
}
