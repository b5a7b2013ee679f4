//! The four stages of a lot as dates.

use super::arrivals::Arrivals;
use super::normal::quantile;
use super::reach::{Courses, Reach};
use super::station::{SIGHTING_SIGMA, share_sigma};
use super::{Sighting, Stage, Station};
use crate::development::species::Species;
use crate::time::Timestamp;

/// Quantiles of the fish combined with every path.
const NODES: usize = 41;

/// What a record holds up to the moment of issue.
#[derive(Clone, Copy)]
pub struct Done<'a> {
    /// Sum up to now.
    pub amount: f64,
    /// The moment an earlier sum was reached.
    pub when: &'a dyn Fn(f64) -> Option<Timestamp>,
}

/// A lot at the moment dates are asked for.
#[derive(Clone, Copy)]
pub struct Lot<'a> {
    /// Its species.
    pub species: &'a Species,
    /// What is known about these fish here.
    pub station: Station,
    /// Development by the law up to the start of the futures.
    pub done: Done<'a>,
    /// What people saw, in any order.
    pub seen: &'a [Sighting],
}

/// One stage with its dates.
#[derive(Clone, Debug, PartialEq)]
pub struct StageDate {
    /// `eyed`, `hatch_start`, `hatch_peak`, `hatch_end`, or `target`.
    pub stage: &'static str,
    /// True when it is behind, by the likely sum or because it was seen.
    pub reached: bool,
    /// True when a person saw it.
    pub seen: bool,
    /// When it was reached or seen.
    pub at: Option<Timestamp>,
    /// Early end of the interval. May lie in the past: it may have happened unseen.
    pub earliest: Option<Timestamp>,
    /// Likely moment.
    pub likely: Option<Timestamp>,
    /// Late end of the interval; nothing when it may never come in this water.
    pub latest: Option<Timestamp>,
}

impl StageDate {
    pub(super) const fn empty(stage: &'static str) -> Self {
        Self { stage, reached: false, seen: false, at: None, earliest: None, likely: None, latest: None }
    }
}

/// All stages of a lot.
#[derive(Clone, Debug, PartialEq)]
pub struct Stages {
    /// In the order they come.
    pub stages: Vec<StageDate>,
    /// The station's multiple after what was seen in this lot.
    pub station: Station,
    /// Share of probability between earliest and latest.
    pub level: f64,
    /// Things to know.
    pub warnings: Vec<String>,
}

/// Dates of eye-up, start, peak and end of hatch of a lot, with the interval of probability `level` (0.8 unless
/// there is a reason).
///
/// ```
/// use nightjar_calc::development::species;
/// use nightjar_calc::outlook::Futures;
/// use nightjar_calc::stages::{Courses, Done, Lot, Station, stage_dates};
/// use nightjar_calc::time::{Span, Timestamp};
///
/// let walleye = species::find("walleye").unwrap();
/// let now = Timestamp::parse("2026-04-20T12:00:00Z").unwrap();
/// // A third of the way is behind. At 11 °C all of it takes 117 / (11 - 3.3) = 15.19 days.
/// let paths = vec![vec![11.0; 60]];
/// let futures = Futures { from: now, step: Span::from_hours(24), paths, basis: "steady".to_owned() };
/// let done = Done { amount: 1.0 / 3.0, when: &|_| None };
/// let lot = Lot { species: walleye, station: Station::published(walleye), done, seen: &[] };
/// let peak = &stage_dates(&lot, &Courses::new(&futures), 0.8).stages[2];
/// assert!((peak.likely.unwrap().since(now).days() - 2.0 / 3.0 * 15.19).abs() < 0.05);
/// assert!(peak.earliest < peak.likely && peak.likely < peak.latest);
/// ```
#[must_use]
pub fn stage_dates(lot: &Lot<'_>, courses: &Courses<'_>, level: f64) -> Stages {
    let level = if level > 0.0 && level < 1.0 { level } else { 0.8 };
    let station = informed(lot);
    let model = lot.species.model;
    let course = courses.course(model);
    let along = course.reach(lot.done.amount);
    let (mut held, mut never) = (false, false);
    let mut stages: Vec<StageDate> = Vec::new();
    for stage in Stage::ALL {
        let ask = Ask { lot, station, along: &along, level };
        let mut date = ask.date(stage, &mut held, &mut never);
        // Whatever the sums say, a later stage does not come before an earlier one.
        if let Some(before) = stages.last() {
            date.at = date.at.max(before.at.filter(|_| date.at.is_some() && !date.seen));
            for (later, earlier) in [
                (&mut date.earliest, before.earliest),
                (&mut date.likely, before.likely),
                (&mut date.latest, before.latest),
            ] {
                if let (Some(l), Some(e)) = (*later, earlier) {
                    *later = Some(l.max(e));
                }
            }
        }
        stages.push(date);
    }
    let mut warnings = warn(held, never);
    let (low, high) = model.range();
    let (coldest, warmest) = course.extremes();
    if coldest < low || warmest > high {
        warnings.push(format!(
            "some assumed temperatures lie outside {low} to {high} °C, where the law is trusted"
        ));
    }
    if along.len() == 1 {
        warnings
            .push("one assumed temperature only: the interval holds no uncertainty of the water".to_owned());
    }
    Stages { stages, station, level, warnings }
}

/// The station's multiple after the sightings of this lot.
fn informed(lot: &Lot<'_>) -> Station {
    let mut station = lot.station;
    let mut seen: Vec<&Sighting> = lot.seen.iter().filter(|s| s.development > 0.0).collect();
    seen.sort_by(|a, b| (a.stage, a.at).cmp(&(b.stage, b.at)).then(a.development.total_cmp(&b.development)));
    // The first sighting of a stage counts; later ones of the same stage say nothing new.
    seen.dedup_by_key(|s| s.stage);
    for sighting in seen {
        let share = lot.station.share(lot.species, sighting.stage);
        let sigma = SIGHTING_SIGMA.hypot(share_sigma(lot.species, sighting.stage));
        let observed = (sighting.development / share).ln();
        // A bound that the prior keeps already says nothing new.
        if !(sighting.or_before && observed >= station.factor.ln()) {
            station = station.with(observed, sigma);
        }
    }
    station
}

struct Ask<'a> {
    lot: &'a Lot<'a>,
    station: Station,
    along: &'a Reach<'a>,
    level: f64,
}

impl Ask<'_> {
    fn date(&self, stage: Stage, held: &mut bool, never: &mut bool) -> StageDate {
        let mut date = StageDate::empty(stage.key());
        let share = self.station.share(self.lot.species, stage);
        let likely = self.station.factor * share;
        let seen = self.lot.seen.iter().filter(|s| s.stage == stage).min_by_key(|s| s.at);
        if let Some(seen) = seen {
            // Seen late, it is dated by the sum.
            let at = if seen.or_before {
                (self.lot.done.when)(likely).map_or(seen.at, |by_sum| by_sum.min(seen.at))
            } else {
                seen.at
            };
            return StageDate { reached: true, seen: true, at: Some(at), likely: Some(at), ..date };
        }
        // A later stage was seen, so this one is behind.
        let overtaken = self.lot.seen.iter().filter(|s| s.stage > stage).map(|s| s.at).min();
        if likely <= self.lot.done.amount || overtaken.is_some() {
            let by_sum = (self.lot.done.when)(likely);
            let at = match (by_sum, overtaken) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            return StageDate { reached: true, at, likely: at, ..date };
        }
        let mut moments = self.moments(share, share_sigma(self.lot.species, stage));
        let (some_held, some_never) = moments.ahead.held_and_never();
        *held |= some_held;
        *never |= some_never;
        date.earliest = moments.quantile((1.0 - self.level) / 2.0);
        date.likely = moments.quantile(0.5);
        date.latest = moments.quantile(f64::midpoint(1.0, self.level));
        date
    }

    /// Moments of the stage over all paths and quantiles of the fish.
    fn moments(&self, share: f64, share_sigma: f64) -> Moments<'_> {
        let spread = Station {
            sigma_low: self.station.sigma_low.hypot(share_sigma),
            sigma_high: self.station.sigma_high.hypot(share_sigma),
            ..self.station
        };
        let target = |node: usize| share * spread.multiple(quantile((node as f64 + 0.5) / NODES as f64));
        let (behind, targets): (Vec<f64>, Vec<f64>) =
            (0..NODES).map(target).partition(|target| *target <= self.lot.done.amount);
        let missing: Vec<f64> = targets.iter().map(|target| target - self.lot.done.amount).collect();
        Moments { done: self.lot.done, along: self.along, behind, ahead: Arrivals::new(self.along, missing) }
    }
}

/// When a stage comes, over all paths and quantiles of the fish. What is behind is the same on all paths and came
/// earlier the smaller its sum: it is dated only when a quantile falls on it.
struct Moments<'a> {
    done: Done<'a>,
    along: &'a Reach<'a>,
    /// Sums that are behind, rising.
    behind: Vec<f64>,
    ahead: Arrivals<'a>,
}

impl Moments<'_> {
    /// Quantile, linear between neighbours; nothing where it falls on "never".
    fn quantile(&mut self, p: f64) -> Option<Timestamp> {
        let (behind, paths) = (self.behind.len() * self.along.len(), self.along.len());
        let place = p.clamp(0.0, 1.0) * (behind + self.ahead.len()).checked_sub(1)? as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between 0 and the length"
        )]
        let below = place.floor() as usize;
        let share = place - below as f64;
        let low = self.at(below, behind, paths)?;
        if share <= 0.0 {
            return Some(low);
        }
        let high = self.at(below + 1, behind, paths)?;
        Some(between(low, high, share))
    }

    /// The moment of a rank.
    fn at(&mut self, rank: usize, behind: usize, paths: usize) -> Option<Timestamp> {
        if rank < behind {
            return (self.done.when)(*self.behind.get(rank / paths)?);
        }
        self.ahead.days(rank - behind).map(|days| self.along.after(days))
    }
}

fn between(low: Timestamp, high: Timestamp, share: f64) -> Timestamp {
    low + crate::time::Span::from_days(high.since(low).days() * share)
}

/// In order, with "never" at the end.
pub(super) fn sorted(moments: impl Iterator<Item = Option<Timestamp>>) -> Vec<Option<Timestamp>> {
    let mut all: Vec<Option<Timestamp>> = moments.collect();
    all.sort_unstable_by_key(|m| m.map_or(i64::MAX, Timestamp::ms));
    all
}

/// Quantile of moments in order, linear between neighbours; nothing where it falls on "never".
pub(super) fn quantile_of(moments: &[Option<Timestamp>], p: f64) -> Option<Timestamp> {
    let place = p.clamp(0.0, 1.0) * moments.len().checked_sub(1)? as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the length")]
    let below = place.floor() as usize;
    let low = (*moments.get(below)?)?;
    let share = place - below as f64;
    if share <= 0.0 {
        return Some(low);
    }
    let high = (*moments.get(below + 1)?)?;
    Some(between(low, high, share))
}

pub(super) fn warn(held: bool, never: bool) -> Vec<String> {
    let mut warnings = Vec::new();
    if held {
        warnings.push("the assumed temperatures end before some dates; their last value was held".to_owned());
    }
    if never {
        warnings.push(
            "in some of the assumed futures the water is too cold for a stage to come at all".to_owned(),
        );
    }
    warnings
}
