//! Perches and pikes: spawn in spring, hatch within weeks.

use super::{
    JAR_YES, band, degree_day, eyed_by_analogy, figure, incubation, limit, tolerance, window_by_analogy,
    with_change,
};
use crate::development::BadCoefficient;
use crate::development::species::Provenance::{Derived, Engineering, Memory, Verified};
use crate::development::species::{Bound, Confidence, LifeStage, Species};

pub(super) fn walleye() -> Result<Species, BadCoefficient> {
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

pub(super) fn sauger() -> Result<Species, BadCoefficient> {
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

pub(super) fn northern_pike() -> Result<Species, BadCoefficient> {
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

pub(super) fn muskellunge() -> Result<Species, BadCoefficient> {
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

pub(super) fn yellow_perch() -> Result<Species, BadCoefficient> {
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
