//! What really happened: the yardstick for everything that is predicted, summed or alarmed.

use crate::crew::CrewEvent;
use nightjar_calc::time::Timestamp;
use serde::Serialize;

/// The whole truth of a season, up to now.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    /// Name of the scenario.
    pub scenario: String,
    /// Its seed.
    pub seed: u64,
    /// First moment.
    pub begins_at: Timestamp,
    /// The last moment told of.
    pub until: Timestamp,
    /// Jars that have or had eggs.
    pub jars: Vec<JarTruth>,
    /// Mishaps whose beginning has passed.
    pub faults: Vec<FaultTruth>,
    /// When the true water crossed the watched limits.
    pub excursions: Vec<Excursion>,
    /// Excursions beyond the number kept.
    pub excursions_dropped: u64,
    /// Errors of the thermometers.
    pub thermometers: Vec<ThermometerTruth>,
    /// What the crew did.
    pub crew: Vec<CrewEvent>,
}

/// A jar's eggs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JarTruth {
    /// The jar.
    pub jar: String,
    /// The take its eggs are of.
    pub take: String,
    /// Moment of fertilization.
    pub fertilized_at: Timestamp,
    /// When they were poured in.
    pub loaded_at: Option<Timestamp>,
    /// When the jar was emptied.
    pub emptied_at: Option<Timestamp>,
    /// Exact integral of the water temperature above 0 °C since fertilization, °C·days: hardening
    /// basket, then jar, until it is emptied.
    pub thermal_units_c_days: f64,
    /// The part from the hardening basket.
    pub hardening_c_days: f64,
    /// Eggs poured in.
    pub eggs: f64,
    /// Share of them that died.
    pub dead_share: f64,
    /// Share of them that hatched.
    pub hatched_share: f64,
    /// True pace of the lot: 1 is the average, above is slow.
    pub slowness: f64,
    /// Half of the survivors eyed.
    pub eyed_at: Option<Timestamp>,
    /// A twentieth hatched.
    pub hatch_first_at: Option<Timestamp>,
    /// Half hatched.
    pub hatch_peak_at: Option<Timestamp>,
    /// All but a twentieth hatched.
    pub hatch_last_at: Option<Timestamp>,
    /// Coldest and warmest water while the eggs were in, °C.
    pub water_range_c: Option<[f64; 2]>,
}

/// A mishap.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FaultTruth {
    /// What, as the scenario calls it.
    pub cause: String,
    /// Jars that it touches.
    pub jars: Vec<String>,
    /// Sensors that it touches, if it is in the measuring.
    pub sensors: Vec<String>,
    /// Beginning of the cause.
    pub begins_at: Timestamp,
    /// Its repair.
    pub ends_at: Timestamp,
}

/// What kind of limit the water crossed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Crossing {
    /// Above the warm limit.
    TooWarm,
    /// Below the cold limit.
    TooCold,
    /// Hardly any flow.
    NoFlow,
    /// Flow below the low share of the set-point.
    LowFlow,
}

/// A stretch of time beyond a limit, in a jar with eggs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Excursion {
    /// The jar.
    pub jar: String,
    /// Which limit.
    pub crossing: Crossing,
    /// First moment beyond.
    pub begins_at: Timestamp,
    /// Back again; open if it lasts.
    pub ends_at: Option<Timestamp>,
}

/// A thermometer's constant error.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ThermometerTruth {
    /// Which.
    pub sensor: String,
    /// What it reads too much, °C.
    pub bias_c: f64,
    /// Standard deviation of its noise, °C.
    pub noise_sd_c: f64,
}

/// Excursions as they come and go; memory is bounded.
#[derive(Clone, Debug, Default)]
pub(crate) struct Excursions {
    pub(crate) kept: Vec<Excursion>,
    pub(crate) dropped: u64,
}

/// More than any season that is worth a look has.
const KEPT: usize = 2000;

impl Excursions {
    /// Notes whether a limit is crossed: `over` begins an excursion, `back` ends it, between the
    /// two nothing changes.
    pub(crate) fn note(&mut self, jar: &str, crossing: Crossing, over: bool, back: bool, at: Timestamp) {
        let same = |e: &&mut Excursion| e.ends_at.is_none() && e.crossing == crossing && e.jar == jar;
        if let Some(open) = self.kept.iter_mut().rev().find(same) {
            if back {
                open.ends_at = Some(at);
            }
        } else if over && self.kept.len() < KEPT {
            self.kept.push(Excursion { jar: jar.to_owned(), crossing, begins_at: at, ends_at: None });
        } else if over {
            self.dropped += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_excursion_begins_over_the_limit_and_ends_only_when_back() {
        let mut seen = Excursions::default();
        let at = Timestamp::from_ms;
        for (second, (over, back)) in
            [(true, false), (false, false), (true, false), (false, true), (true, false)]
                .into_iter()
                .enumerate()
        {
            seen.note("01", Crossing::TooWarm, over, back, at(i64::try_from(second).unwrap()));
        }
        let times: Vec<_> =
            seen.kept.iter().map(|e| (e.begins_at.ms(), e.ends_at.map(Timestamp::ms))).collect();
        assert_eq!(times, [(0, Some(3)), (4, None)]);
    }
}
