//! What the eye-ups and hatches people saw say about the fish and water of this station.
//!
//! Each lot and stage counts once, at the middle of what its jars showed. The dates of a lot use what
//! the *other* lots taught; its own sightings are weighed in when its dates are made, so that nothing
//! counts twice. Taking a logbook entry back takes back what it taught.

use super::Progress;
use super::books::Seen;
use crate::ids::LotId;
use crate::snapshot::{LearningView, SightingView};
use nightjar_calc::development::species::{Species, find_among};
use nightjar_calc::learn::{Learned, Observation, learn};
use nightjar_calc::stages::{Stage, Station};
use nightjar_calc::time::Timestamp;
use std::collections::{BTreeMap, BTreeSet};

/// Share of the way from fertilization that may be without readings; with more, a sighting says too
/// little about the sum.
const MOST_UNKNOWN: f64 = 0.1;

/// One stage of one lot, seen.
#[derive(Clone, Debug, PartialEq)]
struct Taught {
    species: String,
    lot: LotId,
    stage: Stage,
    at: Timestamp,
    development: f64,
}

/// The stage a sighting of the logbook is about.
pub(super) const fn stage_of(seen: Seen) -> Stage {
    match seen {
        Seen::Eyed => Stage::Eyed,
        Seen::First => Stage::HatchStart,
        Seen::Peak => Stage::HatchPeak,
        Seen::Last => Stage::HatchEnd,
    }
}

/// All sightings that can teach something, each lot and stage once.
fn taught(progress: &Progress) -> Vec<Taught> {
    let mut all: BTreeMap<(String, LotId, Stage), Vec<(f64, Timestamp)>> = BTreeMap::new();
    for content in progress.books.contents() {
        for (seen, at) in &content.seen {
            let (at, or_before) = content.dated(*seen, *at);
            if or_before {
                continue;
            }
            let Some((species, known, development)) = super::dates::development_at(progress, content, at)
            else {
                continue;
            };
            if known >= 1.0 - MOST_UNKNOWN && development > 0.0 {
                let key = (species, content.lot.clone(), stage_of(*seen));
                all.entry(key).or_default().push((development, at));
            }
        }
    }
    all.into_iter()
        .filter_map(|((species, lot, stage), mut jars)| {
            jars.sort_by(|a, b| a.0.total_cmp(&b.0));
            let (development, at) = *jars.get((jars.len() - 1) / 2)?;
            Some(Taught { species, lot, stage, at, development })
        })
        .collect()
}

fn from(species: &Species, taught: &[&Taught]) -> Learned {
    let observations: Vec<Observation<'_>> = taught
        .iter()
        .map(|t| Observation { lot: t.lot.as_str(), stage: t.stage, development: t.development, weight: 1.0 })
        .collect();
    learn(species, &observations)
}

/// What the sightings taught, made anew with each [`Progress::settle`].
#[derive(Debug, Default)]
pub(super) struct Lessons {
    taught: Vec<Taught>,
    /// Of all lots, by species.
    species: BTreeMap<String, Known>,
    /// Without its own sightings, of each lot in a jar that has some.
    lots: BTreeMap<LotId, Known>,
    views: Vec<LearningView>,
}

/// What is known of the fish of a lot, and the number of sightings that rests on.
pub(super) type Known = (Station, usize);

impl Lessons {
    /// From everything seen so far.
    pub(super) fn draw(progress: &Progress) -> Self {
        let mut lessons = Self { taught: taught(progress), ..Self::default() };
        let keys: BTreeSet<&str> = lessons.taught.iter().map(|t| t.species.as_str()).collect();
        let mut species_known = BTreeMap::new();
        for key in keys {
            let Ok(species) = find_among(&progress.species, key) else { continue };
            let all: Vec<&Taught> = lessons.taught.iter().filter(|t| t.species == key).collect();
            let learned = from(species, &all);
            species_known.insert(key.to_owned(), (learned.after, learned.used()));
            lessons.views.push(view(progress, species, &all, &learned));
        }
        lessons.species = species_known;
        let in_jars: BTreeSet<&LotId> = progress.books.lots_in_jars().collect();
        for lot in in_jars {
            let Some(own) = lessons.taught.iter().find(|t| t.lot == *lot) else { continue };
            let Ok(species) = find_among(&progress.species, &own.species) else { continue };
            let others: Vec<&Taught> =
                lessons.taught.iter().filter(|t| t.species == own.species && t.lot != *lot).collect();
            let learned = from(species, &others);
            lessons.lots.insert(lot.clone(), (learned.after, learned.used()));
        }
        lessons
    }

    /// For the dates of a lot: from all other lots of its species.
    pub(super) fn station(&self, species: &Species, lot: &LotId) -> Known {
        let known = self.lots.get(lot).or_else(|| self.species.get(species.key.as_ref()));
        known.copied().unwrap_or_else(|| (Station::published(species), 0))
    }

    /// Before and after of every species that was seen here, with each sighting and what was thought of it.
    pub(super) fn views(&self) -> &[LearningView] {
        &self.views
    }
}

fn view(progress: &Progress, species: &Species, taught: &[&Taught], learned: &Learned) -> LearningView {
    let sightings = taught
        .iter()
        .zip(&learned.judged)
        .map(|(t, judged)| SightingView {
            lot: t.lot.to_string(),
            stage: t.stage.key(),
            at: t.at,
            multiple: judged.map(|j| j.multiple),
            doubtful: judged.is_none_or(|j| j.doubtful()),
        })
        .collect();
    LearningView {
        species: species.key.to_string(),
        name: species.common_name.to_string(),
        in_use: progress.learns,
        factor_before: learned.before.factor,
        factor_after: learned.after.factor,
        spread_before: learned.before.sigma(),
        spread_after: learned.after.sigma(),
        window_after: learned.after.window,
        hatch_c_days: learned.sums,
        sightings_used: learned.used(),
        sightings,
    }
}

/// One line about it for those who read the dates of a lot: never silently, and never without saying so.
pub(super) fn told(learns: bool, (station, used): Known) -> Option<String> {
    let percent = 100.0 * (station.factor - 1.0);
    (used > 0).then(|| {
        if learns {
            format!("learnt from {used} sightings of other lots here: the sum to hatch changes by {percent:+.1} %")
        } else {
            format!("{used} sightings of other lots here are not used: they would change the sum to hatch by {percent:+.1} %")
        }
    })
}
