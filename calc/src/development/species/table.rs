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

fn walleye() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_by_analogy();
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(9.0, 15.0, Verified, "Colby et al. 1979"));
    limits.extend(tolerance(6.0, 19.2, Verified, "Colby et al. 1979"));
    limits.push(limit(LifeStage::Fertilization, Bound::OptimumLow, 6.0, Memory, "Koenst and Smith 1976"));
    limits.push(limit(LifeStage::Fertilization, Bound::OptimumHigh, 12.0, Memory, "Koenst and Smith 1976"));
    let above = "Southeastern Association of Fish and Wildlife Agencies 1977: hatch reduced above";
    limits.push(limit(LifeStage::Fertilization, Bound::ToleranceHigh, 12.0, Verified, above));
    Ok(Species {
        key: "walleye".into(),
        common_name: "walleye".into(),
        scientific_name: "Sander vitreus".into(),
        model: degree_day(3.3, 117.0, 8.0, 18.0)?,
        model_provenance: Derived,
        model_source: "line through the rates of four published points (Colby et al. 1979, Langguth, Fergus Falls 2021)".into(),
        alternative: Some(degree_day(0.0, 175.0, 8.0, 15.0)?),
        band: band(0.85, 1.25, Derived, "spread of the published walleye points"),
        eyed: eyed_by_analogy(),
        hatch_start,
        hatch_end,
        confidence: Confidence::Low,
        limits,
        in_jars: JAR_YES.into(),
        note: "few and rough published points; log your own hatches. Keepers often count 175 °C·days (315 °F·days)".into(),
    })
}

fn sauger() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_by_analogy();
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(12.0, 15.0, Memory, "Koenst and Smith 1976"));
    limits.push(limit(LifeStage::Fertilization, Bound::OptimumLow, 9.0, Memory, "Koenst and Smith 1976"));
    limits.push(limit(LifeStage::Fertilization, Bound::OptimumHigh, 15.0, Memory, "Koenst and Smith 1976"));
    Ok(Species {
        key: "sauger".into(),
        common_name: "sauger".into(),
        scientific_name: "Sander canadensis".into(),
        model: degree_day(3.3, 117.0, 8.0, 18.0)?,
        model_provenance: Engineering,
        model_source: "the walleye's law; one field average (Nelson 1968) agrees within 12 %".into(),
        alternative: Some(degree_day(0.0, 175.0, 8.0, 15.0)?),
        band: band(0.80, 1.30, Engineering, "the walleye's band, widened"),
        eyed: eyed_by_analogy(),
        hatch_start,
        hatch_end,
        confidence: Confidence::Low,
        limits,
        in_jars: JAR_YES.into(),
        note: "the walleye's numbers for want of its own".into(),
    })
}

fn northern_pike() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(6.0, 10.0, Verified, "Bondarenko et al. 2015"));
    let flat =
        "survival flat from 8 to 16 °C (oieau.fr abstract); poor hatch at 3 °C (Bondarenko et al. 2015)";
    limits.extend(tolerance(5.0, 16.0, Derived, flat));
    limits.push(limit(LifeStage::Fry, Bound::ToleranceLow, 5.8, Verified, "Inskip 1982"));
    limits.push(limit(LifeStage::Fry, Bound::ToleranceHigh, 20.8, Verified, "Inskip 1982"));
    let window = "Bondarenko et al. 2015: 5 to 95 % within ±10 to ±16 % of the middle";
    Ok(Species {
        key: "northern-pike".into(),
        common_name: "northern pike".into(),
        scientific_name: "Esox lucius".into(),
        model: degree_day(3.3, 80.0, 6.0, 15.0)?,
        model_provenance: Derived,
        model_source: "zero from Bondarenko et al. 2015; sum set to meet about 120 °C·days at 10 °C (memory)"
            .into(),
        alternative: Some(degree_day(0.0, 120.0, 6.0, 15.0)?),
        band: band(0.81, 1.375, Derived, "spread of the published pike points, 65 to 110 °C·days"),
        eyed: eyed_by_analogy(),
        hatch_start: figure(0.89, 0.84, 0.95, Derived, window),
        hatch_end: figure(1.12, 1.06, 1.18, Derived, window),
        confidence: Confidence::Low,
        limits,
        in_jars: JAR_YES.into(),
        note: "published times at 15 to 18 °C differ by a factor of three".into(),
    })
}

fn muskellunge() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_by_analogy();
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(10.0, 17.0, Engineering, "temperatures the published times were seen at"));
    Ok(Species {
        key: "muskellunge".into(),
        common_name: "muskellunge".into(),
        scientific_name: "Esox masquinongy".into(),
        model: degree_day(0.0, 150.0, 10.0, 17.0)?,
        model_provenance: Derived,
        model_source: "St. Lawrence River study (STOREFISH reference 438): 10 days at 15 °C".into(),
        alternative: None,
        band: band(0.733, 1.267, Derived, "spread of the published times, 110 to 190 °C·days"),
        eyed: eyed_by_analogy(),
        hatch_start,
        hatch_end,
        confidence: Confidence::Low,
        limits,
        in_jars: JAR_YES.into(),
        note: "one published point; everything else is a range".into(),
    })
}

fn yellow_perch() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_by_analogy();
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(
        7.0,
        18.0,
        Engineering,
        "range of trust of the law; no optimum for eggs was found",
    ));
    Ok(Species {
        key: "yellow-perch".into(),
        common_name: "yellow perch".into(),
        scientific_name: "Perca flavescens".into(),
        model: degree_day(3.5, 97.0, 7.0, 18.0)?,
        model_provenance: Memory,
        model_source: "line through two remembered points of Hokanson and Kleiner 1974".into(),
        alternative: None,
        band: band(0.77, 1.29, Memory, "75 to 125 °C·days"),
        eyed: eyed_by_analogy(),
        hatch_start,
        hatch_end,
        confidence: Confidence::Low,
        limits,
        in_jars: "spawned as ribbons that hang together: kept in trays, or in jars only once the ribbons are cut or the jelly is removed".into(),
        note: "no verified time to hatch was found".into(),
    })
}

/// 5 and 95 % of cisco hatch as shares of the median, from eight groups of Stewart et al. 2021: means 0.82 and
/// 1.14, extremes 0.74-0.88 and 1.11-1.16.
fn window_coregonine(provenance: Provenance, source: &'static str) -> (Figure, Figure) {
    (figure(0.82, 0.74, 0.88, provenance, source), figure(1.14, 1.11, 1.17, provenance, source))
}

fn lake_whitefish() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_coregonine(Engineering, "by analogy with cisco");
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(3.2, 8.1, Verified, "Brooke 1975"));
    limits.extend(tolerance(
        0.5,
        10.0,
        Verified,
        "Brooke 1975: few hatch at 0.5 and 10 °C, most fry abnormal at 10 °C",
    ));
    Ok(Species {
        key: "lake-whitefish".into(),
        common_name: "lake whitefish".into(),
        scientific_name: "Coregonus clupeaformis".into(),
        model: exponential(196.7, -0.1551, 0.5, 10.0)?,
        model_provenance: Derived,
        model_source: "through the two published ends of Brooke 1975".into(),
        alternative: None,
        band: band(0.85, 1.15, Derived, "width kept for the middle of the range, where no point was read"),
        eyed: figure(0.50, 0.38, 0.60, Engineering, BY_ANALOGY),
        hatch_start,
        hatch_end,
        confidence: Confidence::Medium,
        limits,
        in_jars: JAR_YES.into(),
        note: "a plain degree-day sum is wrong for this fish: 91 to 417 °C·days over its range".into(),
    })
}

fn cisco() -> Result<Species, BadCoefficient> {
    let (hatch_start, hatch_end) = window_coregonine(Verified, "Stewart et al. 2021, eight groups");
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(2.0, 8.0, Verified, "Colby and Brooke 1970"));
    limits.extend(tolerance(0.5, 10.0, Verified, "Colby and Brooke 1970: none hatch at 0 and 12.1 °C"));
    Ok(Species {
        key: "cisco".into(),
        common_name: "cisco".into(),
        scientific_name: "Coregonus artedi".into(),
        model: exponential(252.35, -0.182_03, 0.5, 10.0)?,
        model_provenance: Derived,
        model_source: "least squares through ten medians (Colby and Brooke 1970, Stewart et al. 2021)".into(),
        alternative: Some(exponential(259.9, -0.193, 0.5, 10.0)?),
        band: band(0.85, 1.15, Derived, "spread between stocks (Stewart et al. 2021)"),
        eyed: figure(0.50, 0.38, 0.60, Engineering, BY_ANALOGY),
        hatch_start,
        hatch_end,
        confidence: Confidence::MediumHigh,
        limits,
        in_jars: JAR_YES.into(),
        note: "stocks differ by 8 to 15 % on the same water".into(),
    })
}

fn rainbow_trout() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(7.0, 12.0, Verified, "Great Lakes Fishery Commission habitat database"));
    limits.extend(tolerance(3.0, 15.0, Verified, "Kwain 1975, near the thresholds"));
    limits.push(limit(LifeStage::Fertilization, Bound::ToleranceLow, 5.0, Verified, "Weber et al. 2016"));
    let window = "Bosma et al. 2015: 317 to 382 °C·days from start to end";
    Ok(Species {
        key: "rainbow-trout".into(),
        common_name: "rainbow trout".into(),
        scientific_name: "Oncorhynchus mykiss".into(),
        model: crisp(-2.0961, 4.0313, -6.0, 3.2, 15.5)?,
        model_provenance: Memory,
        model_source: "Crisp 1981; within 9 % of eight verified points".into(),
        alternative: Some(degree_day(0.94, 275.0, 4.8, 15.5)?),
        band: band(0.90, 1.10, Derived, "spread of the published points"),
        eyed: figure(0.60, 0.55, 0.70, Derived, "222 °C·days (Bosma et al. 2015) over the published hatch sums"),
        hatch_start: figure(0.92, 0.88, 0.96, Derived, window),
        hatch_end: figure(1.09, 1.05, 1.14, Derived, window),
        confidence: Confidence::MediumHigh,
        limits,
        in_jars: JAR_YES.into(),
        note: "light and strain change the time; 25 to 26 days at 15 °C were seen in the dark against 18 by the law".into(),
    })
}

fn brown_trout() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(8.0, 10.0, Verified, "Ojanguren and Brana 2003, best survival"));
    limits.push(limit(
        LifeStage::Incubation,
        Bound::ToleranceHigh,
        15.0,
        Verified,
        "Ojanguren and Brana 2003",
    ));
    let window = "Debowski et al.: families from 304 to 376 °C·days";
    Ok(Species {
        key: "brown-trout".into(),
        common_name: "brown trout".into(),
        scientific_name: "Salmo trutta".into(),
        model: crisp(-13.9306, 28.8392, -80.0, 1.67, 10.0)?,
        model_provenance: Memory,
        model_source: "Crisp 1981".into(),
        alternative: None,
        band: band(0.90, 1.10, Derived, "spread of the published points"),
        eyed: eyed_salmonid(),
        hatch_start: figure(0.91, 0.87, 0.96, Derived, window),
        hatch_end: figure(1.09, 1.04, 1.13, Derived, window),
        confidence: Confidence::Medium,
        limits,
        in_jars: "usually kept in trays; jars work for eyed eggs".into(),
        note: "".into(),
    })
}

fn brook_trout() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(
        4.0,
        8.0,
        Engineering,
        "survival better at 5.1 than at 9.4 °C (Baird et al. 2002)",
    ));
    let (hatch_start, hatch_end) = window_salmonid();
    Ok(Species {
        key: "brook-trout".into(),
        common_name: "brook trout".into(),
        scientific_name: "Salvelinus fontinalis".into(),
        model: exponential(179.3, -0.1325, 1.7, 13.0)?,
        model_provenance: Derived,
        model_source: "fitted to five handbook rows, two of them verified (Piper et al. 1982)".into(),
        alternative: None,
        band: band(0.80, 1.20, Verified, "strains differ by up to 20 % in one water (Baird et al. 2002)"),
        eyed: figure(
            0.60,
            0.52,
            0.68,
            Derived,
            "245 over 415 °C·days in one study (Turkish J. Vet. Anim. Sci.)",
        ),
        hatch_start,
        hatch_end,
        confidence: Confidence::Medium,
        limits,
        in_jars: "usually kept in trays; jars work for eyed eggs".into(),
        note: "strain matters".into(),
    })
}

fn lake_trout() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(2.0, 8.0, Engineering, "a cautious choice inside the range of the law"));
    let (hatch_start, hatch_end) = window_salmonid();
    Ok(Species {
        key: "lake-trout".into(),
        common_name: "lake trout".into(),
        scientific_name: "Salvelinus namaycush".into(),
        model: exponential(208.3, -0.1439, 1.8, 10.0)?,
        model_provenance: Derived,
        model_source: "fitted to the points of the Great Lakes Fishery Commission habitat database".into(),
        alternative: None,
        band: band(0.85, 1.15, Derived, "scatter of the published points"),
        eyed: eyed_salmonid(),
        hatch_start,
        hatch_end,
        confidence: Confidence::MediumHigh,
        limits,
        in_jars: "usually kept in trays; jars work for eyed eggs".into(),
        note: "".into(),
    })
}

fn atlantic_salmon() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(0.5, 8.0, Engineering, "range in which the law was checked"));
    let (hatch_start, hatch_end) = window_salmonid();
    Ok(Species {
        key: "atlantic-salmon".into(),
        common_name: "Atlantic salmon".into(),
        scientific_name: "Salmo salar".into(),
        model: crisp(-2.6562, 5.1908, -11.0, 0.15, 8.0)?,
        model_provenance: Memory,
        model_source: "Crisp 1981; meets Wallace and Heggberget 1988 near 0 and 1 °C".into(),
        alternative: None,
        band: band(0.92, 1.08, Derived, "agreement with checks at 0.15 to 8 °C"),
        eyed: eyed_salmonid(),
        hatch_start,
        hatch_end,
        confidence: Confidence::High,
        limits,
        in_jars: "usually kept in trays; jars work for eyed eggs".into(),
        note: "".into(),
    })
}

fn chinook_salmon() -> Result<Species, BadCoefficient> {
    let mut limits = with_change(Vec::new());
    limits.extend(incubation(5.0, 12.5, Engineering, "temperatures of Rombough 1985"));
    let (_, hatch_end) = window_salmonid();
    Ok(Species {
        key: "chinook-salmon".into(),
        common_name: "Chinook salmon".into(),
        scientific_name: "Oncorhynchus tshawytscha".into(),
        model: degree_day(0.0, 520.0, 8.0, 13.0)?,
        model_provenance: Derived,
        model_source: "46 to 49 days at 11 °C (Krebs et al. 2018)".into(),
        alternative: None,
        band: band(0.92, 1.08, Derived, "agreement of two sources near 11 °C"),
        eyed: eyed_salmonid(),
        hatch_start: figure(
            0.96,
            0.92,
            0.985,
            Derived,
            "first hatch at 900 °F·days (ybeep.org 2012) over 520 °C·days",
        ),
        hatch_end,
        confidence: Confidence::Medium,
        limits,
        in_jars: "usually kept in trays; jars work for eyed eggs".into(),
        note: "known near 10 to 11 °C only; much colder water needs fewer °C·days".into(),
    })
}
