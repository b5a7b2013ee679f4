//! Trouts, chars and salmons.

use super::{
    JAR_YES, band, crisp, degree_day, exponential, eyed_salmonid, figure, incubation, limit, tolerance,
    window_salmonid, with_change,
};
use crate::development::BadCoefficient;
use crate::development::species::Provenance::{Derived, Engineering, Memory, Verified};
use crate::development::species::{Bound, Confidence, LifeStage, Species};

pub(super) fn rainbow_trout() -> Result<Species, BadCoefficient> {
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

pub(super) fn brown_trout() -> Result<Species, BadCoefficient> {
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

pub(super) fn brook_trout() -> Result<Species, BadCoefficient> {
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

pub(super) fn lake_trout() -> Result<Species, BadCoefficient> {
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

pub(super) fn atlantic_salmon() -> Result<Species, BadCoefficient> {
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

pub(super) fn chinook_salmon() -> Result<Species, BadCoefficient> {
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
