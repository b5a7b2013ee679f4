//! The fish: law, stages, limits, and how far each number can be believed.
//!
//! Every number carries where it comes from ([`Provenance`]). The published evidence is thin for several of
//! these fish, and the table says so: [`Confidence`] widens the interval of every date made from it.
//!
//! # Walleye: which law
//!
//! Two forms describe the same few published points:
//!
//! | water | published days | 175 °C·d above 0 °C | 117 °C·d above 3.3 °C |
//! |---|---|---|---|
//! | 10.0 °C (an early hatchery article, and the Pennsylvania Angler 1968: *about three weeks*) | 21 | 17.5 | 17.5 |
//! | 12.2 °C (a Minnesota hatchery, *begin to hatch after about two weeks*) | 14 to first hatch | 13.2 to first hatch | 12.1 to first hatch |
//! | 12.8 °C (1979 FAO synopsis) | 10 | 13.7 | 12.3 |
//! | 17.8 °C (1979 FAO synopsis) | 8.5 | 9.8 | 8.1 |
//!
//! The root mean square of ln(predicted / published) is 0.19 for the plain sum and 0.16 for the base form. The plain
//! sums fall from 210 to 151 °C·d as the water warms, which is what a base above zero looks like when it is
//! left out; Kamler 2002 states that sums above 0 °C are no measure independent of temperature; the published zero
//! of pike is 3.3 °C; and the equation for 65 species of temperate fresh water is as steep near 10 °C as a base of
//! 3.7 °C. All four point the same way, so **the base form is the default**, from 8 to 18 °C and with low
//! confidence. At 10 °C the two give the same date; at 8 °C the base form is 14 % later, at 15 °C 14 % earlier.
//! The keepers' sum stays at hand as the species' `alternative`, thermal units above 0 °C are shown always, and a
//! station's own hatches decide soon (module `learn`).
//!
//! The popular triple (26 days at 40 °F, 21 at 50-55 °F, 7 at 57 °F) cannot be right between 55 and 57 °F and
//! decides nothing here.
//!
//! # Cisco: refitted
//!
//! The exponential through the two points of Colby and Brooke 1970 alone misses the medians of the open
//! dataset of Stewart et al. 2021 by −14 to +10 %. The coefficients here are the least squares line of ln D on T
//! through all ten verified medians (two of 1970, eight of 2021, equal weights); all ten are met within 9 %.
//! The stocks of Lake Ontario and Lake Superior differ by 8 to 15 % at the same temperature, so nothing that
//! knows only the species can do much better.

mod limits;
mod overrides;
mod table;

pub use limits::{Bound, LifeStage, TemperatureLimit};
pub use overrides::{BadOverride, SpeciesOverride};

use super::Model;
use std::borrow::Cow;
use std::sync::LazyLock;

/// Where a number comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Provenance {
    /// Read in a published text.
    Verified,
    /// Calculated from verified numbers.
    Derived,
    /// Recalled from the literature, not checked against the text.
    Memory,
    /// By analogy with other fish, or a cautious choice of ours.
    Engineering,
    /// Given by the station.
    Station,
}

impl Provenance {
    /// One word for people.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Verified => "verified",
            Self::Derived => "derived",
            Self::Memory => "memory",
            Self::Engineering => "engineering",
            Self::Station => "station",
        }
    }
}

/// How far the law of a species can be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Confidence {
    /// Published points disagree or are few.
    Low,
    /// A published law, or points that agree, over part of the range.
    Medium,
    /// Checked against data that did not make it, or many points.
    MediumHigh,
    /// Checked against data that did not make it, near the ends of the range too.
    High,
}

impl Confidence {
    /// In words: `low`, `medium`, `medium-high`, `high`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::MediumHigh => "medium-high",
            Self::High => "high",
        }
    }

    /// Reads the word back.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Low, Self::Medium, Self::MediumHigh, Self::High].into_iter().find(|c| c.word() == word)
    }

    /// How many standard deviations the edge of the published band is taken to be from its middle: the band is
    /// read as holding 70, 80, 85 or 90 % of stations. Less confidence, wider dates (a choice of ours).
    #[must_use]
    pub const fn band_deviations(self) -> f64 {
        match self {
            Self::Low => 1.036_4,
            Self::Medium => 1.281_6,
            Self::MediumHigh => 1.439_5,
            Self::High => 1.644_9,
        }
    }
}

/// A number with a range and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// The number used.
    pub likely: f64,
    /// Low end of its range.
    pub low: f64,
    /// High end of its range.
    pub high: f64,
    /// Kind of evidence.
    pub provenance: Provenance,
    /// Which text, or what it was reasoned from.
    pub source: Cow<'static, str>,
}

/// A species, or a strain with numbers of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Species {
    /// Key in configuration and commands, as `walleye`.
    pub key: Cow<'static, str>,
    /// Common name.
    pub common_name: Cow<'static, str>,
    /// Scientific name.
    pub scientific_name: Cow<'static, str>,
    /// Law of development to median hatch, with its range of trust.
    pub model: Model,
    /// Evidence for the law.
    pub model_provenance: Provenance,
    /// Text the law comes from.
    pub model_source: Cow<'static, str>,
    /// Another law in use among keepers.
    pub alternative: Option<Model>,
    /// True sum as a share of the law's: 1, and the published band around it.
    pub band: Figure,
    /// Share of the development to median hatch at which eyes show.
    pub eyed: Figure,
    /// Share at which 5 % have hatched.
    pub hatch_start: Figure,
    /// Share at which 95 % have hatched.
    pub hatch_end: Figure,
    /// How far all this can be believed.
    pub confidence: Confidence,
    /// Temperatures to keep.
    pub limits: Vec<TemperatureLimit>,
    /// Are its eggs kept in upwelling jars, and what to know about that.
    pub in_jars: Cow<'static, str>,
    /// What to know about the numbers.
    pub note: Cow<'static, str>,
}

impl Species {
    /// Coldest and warmest temperature of the best survival of eggs; the range of trust when none is known.
    #[must_use]
    pub fn optimum(&self) -> (f64, f64) {
        let (low, high) = self.model.range();
        (
            self.limit(LifeStage::Incubation, Bound::OptimumLow).map_or(low, |l| l.value),
            self.limit(LifeStage::Incubation, Bound::OptimumHigh).map_or(high, |l| l.value),
        )
    }

    /// The limit of a life stage, best evidence first.
    #[must_use]
    pub fn limit(&self, stage: LifeStage, bound: Bound) -> Option<&TemperatureLimit> {
        self.limits.iter().filter(|l| l.stage == stage && l.bound == bound).min_by_key(|l| l.provenance)
    }

    /// Sources named by this species' numbers, each once.
    #[must_use]
    pub fn sources(&self) -> Vec<&str> {
        let mut sources = vec![self.model_source.as_ref()];
        sources
            .extend([&self.band, &self.eyed, &self.hatch_start, &self.hatch_end].map(|f| f.source.as_ref()));
        sources.extend(self.limits.iter().map(|l| l.source.as_ref()));
        let mut seen: Vec<&str> = Vec::new();
        for source in sources {
            if !seen.contains(&source) {
                seen.push(source);
            }
        }
        seen
    }
}

/// A name that is in no table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no species is called \"{name}\"{}", .suggestion.as_ref().map(|s| format!("; did you mean \"{s}\"?")).unwrap_or_default())]
pub struct UnknownSpecies {
    /// What was asked for, shortened.
    pub name: String,
    /// The key that is written most like it.
    pub suggestion: Option<String>,
}

/// The thirteen species of the table.
#[must_use]
pub fn all() -> &'static [Species] {
    static TABLE: LazyLock<Vec<Species>> = LazyLock::new(table::species);
    &TABLE
}

/// Finds a species by key, common or scientific name, in any case, with spaces, hyphens or underscores.
///
/// # Errors
/// When there is none; the error suggests the nearest key.
///
/// ```
/// # use nightjar_calc::development::species;
/// assert_eq!(species::find("Sander vitreus").unwrap().key, "walleye");
/// assert_eq!(species::find("wallye").unwrap_err().suggestion.as_deref(), Some("walleye"));
/// ```
pub fn find(name: &str) -> Result<&'static Species, UnknownSpecies> {
    find_among(all(), name)
}

/// Finds a species by name among `species`, the table with a station's own.
///
/// # Errors
/// When there is none; the error suggests the nearest key.
pub fn find_among<'a>(species: &'a [Species], name: &str) -> Result<&'a Species, UnknownSpecies> {
    let wanted = plain(name);
    let names = |s: &'a Species| [&s.key, &s.common_name, &s.scientific_name];
    if let Some(found) = species.iter().find(|s| names(s).into_iter().any(|n| plain(n) == wanted)) {
        return Ok(found);
    }
    let nearest = species
        .iter()
        .flat_map(|s| names(s).map(|n| (strsim::damerau_levenshtein(&plain(n), &wanted), s)))
        .min_by_key(|(distance, _)| *distance)
        // Three letters wrong, or a third of a long name: further off is another word.
        .filter(|(distance, _)| *distance <= (wanted.chars().count() / 3).max(2));
    Err(UnknownSpecies {
        name: name.chars().take(60).collect(),
        suggestion: nearest.map(|(_, s)| s.key.clone().into_owned()),
    })
}

/// Letters only, small, so that names compare as people mean them. Cut short: nothing hostile gets far.
fn plain(name: &str) -> String {
    name.chars().take(60).filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_thirteen_are_there_and_in_order() {
        assert_eq!(all().len(), 13);
        for species in all() {
            let f = species.eyed.likely;
            assert!(f > 0.3 && f < species.hatch_start.likely, "{}", species.key);
            assert!(species.hatch_start.likely < 1.0 && species.hatch_end.likely > 1.0, "{}", species.key);
            for figure in [&species.band, &species.eyed, &species.hatch_start, &species.hatch_end] {
                assert!(figure.low < figure.likely && figure.likely < figure.high, "{}", species.key);
                assert!(!figure.source.is_empty());
            }
            let (low, high) = species.optimum();
            assert!(low < high, "{}", species.key);
            assert_eq!(find(&species.common_name).unwrap().key, species.key);
        }
    }

    #[test]
    fn names_are_found_as_people_write_them() {
        for (name, key) in [
            ("Lake Whitefish", "lake-whitefish"),
            ("northern_pike", "northern-pike"),
            ("SALMO SALAR", "atlantic-salmon"),
        ] {
            assert_eq!(find(name).unwrap().key, key);
        }
        assert_eq!(find("rainbow truot").unwrap_err().suggestion.as_deref(), Some("rainbow-trout"));
        assert_eq!(find("elephant").unwrap_err().suggestion, None);
        let error = find("wallaye").unwrap_err().to_string();
        assert_eq!(error, "no species is called \"wallaye\"; did you mean \"walleye\"?");
    }
}
