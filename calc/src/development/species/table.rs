//! The thirteen species, number by number.
//!
//! Percent bands are the published disagreement, not a standard error. Hatch windows are shares of the thermal
//! sum, because the spread in days shrinks as water warms (Brooke and Colby 1980).

mod cool_water;
mod coregonine;
mod salmonid;

use super::Provenance::{Engineering, Verified};

use super::{Bound, Figure, LifeStage, Provenance, Species, TemperatureLimit};
use crate::development::{BadCoefficient, DegreeDay, Exponential, Law, Model, Power};
use std::borrow::Cow;

const BY_ANALOGY: &str = "by analogy with other species; no evidence for this one";
const SALMONID_EYED: &str = "Crisp 1988: half the time to median hatch, useful for most salmonids";
const SALMONID_WINDOW: &str =
    "by analogy with sea trout families (Debowski et al.) and rainbow trout (Bosma et al. 2015)";
const JAR_YES: &str = "kept in upwelling jars";

fn figure(likely: f64, low: f64, high: f64, provenance: Provenance, source: &'static str) -> Figure {
    Figure { likely, low, high, provenance, source: Cow::Borrowed(source) }
}

fn band(low: f64, high: f64, provenance: Provenance, source: &'static str) -> Figure {
    figure(1.0, low, high, provenance, source)
}

/// Eye-up of a cool-water spring spawner.
fn eyed_by_analogy() -> Figure {
    figure(0.55, 0.45, 0.65, Engineering, BY_ANALOGY)
}

fn eyed_salmonid() -> Figure {
    figure(0.50, 0.44, 0.60, Verified, SALMONID_EYED)
}

/// Hatch window by analogy: 5 % at 0.92, 95 % at 1.10 of the median sum.
fn window_by_analogy() -> (Figure, Figure) {
    (figure(0.92, 0.87, 0.96, Engineering, BY_ANALOGY), figure(1.10, 1.05, 1.16, Engineering, BY_ANALOGY))
}

fn window_salmonid() -> (Figure, Figure) {
    (
        figure(0.92, 0.88, 0.97, Engineering, SALMONID_WINDOW),
        figure(1.09, 1.04, 1.14, Engineering, SALMONID_WINDOW),
    )
}

fn limit(
    stage: LifeStage,
    bound: Bound,
    value: f64,
    p: Provenance,
    source: &'static str,
) -> TemperatureLimit {
    TemperatureLimit { stage, bound, value, provenance: p, source: Cow::Borrowed(source) }
}

fn incubation(low: f64, high: f64, p: Provenance, source: &'static str) -> [TemperatureLimit; 2] {
    [
        limit(LifeStage::Incubation, Bound::OptimumLow, low, p, source),
        limit(LifeStage::Incubation, Bound::OptimumHigh, high, p, source),
    ]
}

fn tolerance(low: f64, high: f64, p: Provenance, source: &'static str) -> [TemperatureLimit; 2] {
    [
        limit(LifeStage::Incubation, Bound::ToleranceLow, low, p, source),
        limit(LifeStage::Incubation, Bound::ToleranceHigh, high, p, source),
    ]
}

/// No safe rate of change is published for these eggs; 2 °C an hour is a cautious choice.
fn with_change(parts: Vec<TemperatureLimit>) -> Vec<TemperatureLimit> {
    let mut all = parts;
    all.push(limit(
        LifeStage::Incubation,
        Bound::ChangePerHour,
        2.0,
        Engineering,
        "a cautious choice; no safe rate of change is published",
    ));
    all
}

fn degree_day(base: f64, sum: f64, low: f64, high: f64) -> Result<Model, BadCoefficient> {
    Model::new(Law::DegreeDay(DegreeDay::new(base, sum)?), low, high)
}

fn exponential(a: f64, b: f64, low: f64, high: f64) -> Result<Model, BadCoefficient> {
    Model::new(Law::Exponential(Exponential::new(a, b)?), low, high)
}

fn crisp(b: f64, log10_a: f64, alpha: f64, low: f64, high: f64) -> Result<Model, BadCoefficient> {
    Model::new(Law::Power(Power::new(b, log10_a, alpha)?), low, high)
}

/// The whole table.
pub(super) fn species() -> Vec<Species> {
    const MADE: &str = "the coefficients of the table are constants, and a test builds all of them";
    vec![
        cool_water::walleye().expect(MADE),
        cool_water::sauger().expect(MADE),
        cool_water::northern_pike().expect(MADE),
        cool_water::muskellunge().expect(MADE),
        cool_water::yellow_perch().expect(MADE),
        coregonine::lake_whitefish().expect(MADE),
        coregonine::cisco().expect(MADE),
        salmonid::rainbow_trout().expect(MADE),
        salmonid::brown_trout().expect(MADE),
        salmonid::brook_trout().expect(MADE),
        salmonid::lake_trout().expect(MADE),
        salmonid::atlantic_salmon().expect(MADE),
        salmonid::chinook_salmon().expect(MADE),
    ]
}
