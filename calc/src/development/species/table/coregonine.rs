//! Whitefish and cisco: spawn in autumn, hatch under the ice or after it.

use super::{BY_ANALOGY, JAR_YES, band, exponential, figure, incubation, tolerance, with_change};
use crate::development::BadCoefficient;
use crate::development::species::Provenance::{Derived, Engineering, Verified};
use crate::development::species::{Confidence, Figure, Provenance, Species};

/// 5 and 95 % of cisco hatch as shares of the median, from eight groups of Stewart et al. 2021 (154/180, 104/122, 70/80,
/// 49/57, 126/162, 87/106, 61/74, 39/53 days and 200/180 … 59/53): means 0.825 and 1.137, standard deviations 0.047
/// and 0.020; ranges hold 80 %.
fn window_coregonine(provenance: Provenance, source: &'static str) -> (Figure, Figure) {
    (figure(0.825, 0.765, 0.885, provenance, source), figure(1.137, 1.112, 1.163, provenance, source))
}

pub(super) fn lake_whitefish() -> Result<Species, BadCoefficient> {
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

pub(super) fn cisco() -> Result<Species, BadCoefficient> {
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
