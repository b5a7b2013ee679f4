//! Thermal units and stage dates of the eggs of one jar: the pan, the basket, the way to the jars, then each jar
//! they were in. [`super::way`] says which water that was.

use super::books::Content;
use super::way::Way;
use super::{Progress, learning, unite};
use crate::snapshot::{ClockView, ProgressView, StageView};
use nightjar_calc::development::PER_HATCH;
use nightjar_calc::development::species::find_among;
use nightjar_calc::stages::{Courses, Done, Lot, Sighting, StageDate, Station, stage_dates};
use nightjar_calc::time::Timestamp;

/// Share of probability between the ends of an interval.
const LEVEL: f64 = 0.8;

/// The view of one jar's eggs. Pooled takes keep their own clocks: the window is their union.
pub fn view(
    progress: &Progress,
    content: &Content,
    as_of: Timestamp,
    courses: &Courses<'_>,
) -> Option<ProgressView> {
    let lot = progress.books.lots().get(&content.lot)?;
    let species = find_among(&progress.species, &lot.species).ok()?;
    let mut views = progress
        .books
        .takes_of(lot)
        .filter_map(|take| one(&Way::of(progress, content, take, species), as_of, courses));
    let mut first = views.next()?;
    for other in views {
        unite(&mut first, other);
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
    let way = Way::of(progress, content, take, species);
    let known = 1.0 - way.thermal(at).uncounted_h / hours;
    Some((species.key.to_string(), known, way.development(at) as f64 / PER_HATCH as f64))
}

fn one(way: &Way<'_>, as_of: Timestamp, courses: &Courses<'_>) -> Option<ProgressView> {
    if way.take.fertilized_at > as_of {
        return None;
    }
    let units = way.thermal(as_of);
    let amount = way.development(as_of) as f64 / PER_HATCH as f64;
    let seen: Vec<Sighting> = way
        .content
        .seen
        .iter()
        .map(|(seen, at)| {
            let (at, or_before) = way.content.dated(*seen, *at);
            let development = way.development(at) as f64 / PER_HATCH as f64;
            Sighting { stage: learning::stage_of(*seen), at, or_before, development }
        })
        .collect();
    let when = |target: f64| way.when(target, as_of);
    let known = way.progress.lessons.station(way.species, &way.content.lot);
    let station = if way.progress.learns { known.0 } else { Station::published(way.species) };
    let lot = Lot { species: way.species, station, done: Done { amount, when: &when }, seen: &seen };
    let mut dates = stage_dates(&lot, courses, LEVEL);
    dates.warnings.extend(learning::told(way.progress.learns, known));
    let stages: Vec<StageView> = dates.stages.iter().map(stage_view).collect();
    let clock = ClockView {
        take: way.take.take.to_string(),
        fertilized_at: way.take.fertilized_at,
        c_days: units.c_days,
        development: amount,
        stages: stages.clone(),
    };
    Some(ProgressView {
        fertilized_at: way.take.fertilized_at,
        as_of,
        c_days: units.c_days,
        coverage: units.coverage,
        bridged_h: units.bridged_h,
        uncounted_h: units.uncounted_h,
        development: amount,
        stages,
        clocks: vec![clock],
        basis: courses.futures().basis.clone(),
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
