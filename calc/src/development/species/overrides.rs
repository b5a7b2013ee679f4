//! A station's own numbers, and species of its own.

use super::{Bound, Confidence, Figure, LifeStage, Provenance, Species, TemperatureLimit};
use crate::development::{BadCoefficient, Law, Model};
use std::borrow::Cow;

/// What a station says differently. Nothing given means: as in the table.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct SpeciesOverride {
    /// Common name.
    pub common_name: Option<String>,
    /// Scientific name.
    pub scientific_name: Option<String>,
    /// Law of development to median hatch.
    pub law: Option<Law>,
    /// Range of trust, °C.
    pub range: Option<(f64, f64)>,
    /// Band of the true sum as shares of the law's, as (0.85, 1.25).
    pub band: Option<(f64, f64)>,
    /// Share of development at which eyes show.
    pub eyed: Option<f64>,
    /// Share at which 5 % have hatched.
    pub hatch_start: Option<f64>,
    /// Share at which 95 % have hatched.
    pub hatch_end: Option<f64>,
    /// Temperatures of best survival, °C.
    pub optimum: Option<(f64, f64)>,
    /// How far the new numbers can be believed; low unless said.
    pub confidence: Option<Confidence>,
    /// Where the numbers come from. Must be said.
    pub source: String,
}

/// An override that cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadOverride {
    /// No source.
    #[error("the numbers of \"{0}\" name no source; say where they come from")]
    NoSource(String),
    /// A new species without a law or range.
    #[error("\"{0}\" is not in the table, so it needs a law of development and a range of temperatures")]
    NoLaw(String),
    /// Shares out of order.
    #[error("the stages of \"{key}\" are out of order: {what}")]
    Shares {
        /// Which species.
        key: String,
        /// What is wrong.
        what: &'static str,
    },
    /// The law itself.
    #[error("the law of \"{key}\" cannot be")]
    Law {
        /// Which species.
        key: String,
        /// What is wrong with it.
        source: BadCoefficient,
    },
}

impl SpeciesOverride {
    /// The species of the table with these numbers instead, or a new one.
    ///
    /// ```
    /// use nightjar_calc::development::species::{self, SpeciesOverride};
    ///
    /// let walleye = species::find("walleye").unwrap();
    /// let source = "log of the station, 2021 to 2025".to_owned();
    /// let own = SpeciesOverride { eyed: Some(0.52), source, ..SpeciesOverride::default() };
    /// assert_eq!(own.apply("walleye", Some(walleye)).unwrap().eyed.likely, 0.52);
    /// // Numbers without a source are refused.
    /// let bare = SpeciesOverride { eyed: Some(0.52), ..SpeciesOverride::default() };
    /// assert!(bare.apply("walleye", Some(walleye)).is_err());
    /// ```
    ///
    /// # Errors
    /// When no source is named, a new species has no law, or the numbers contradict each other.
    pub fn apply(&self, key: &str, base: Option<&Species>) -> Result<Species, BadOverride> {
        if self.source.trim().is_empty() {
            return Err(BadOverride::NoSource(key.to_owned()));
        }
        let mut species = match base {
            Some(base) => base.clone(),
            None => self.blank(key)?,
        };
        if let Some(name) = &self.common_name {
            species.common_name = Cow::Owned(name.clone());
        }
        if let Some(name) = &self.scientific_name {
            species.scientific_name = Cow::Owned(name.clone());
        }
        if self.law.is_some() || self.range.is_some() {
            let law = self.law.unwrap_or(*species.model.law());
            let (low, high) = self.range.unwrap_or(species.model.range());
            species.model = Model::new(law, low, high)
                .map_err(|source| BadOverride::Law { key: key.to_owned(), source })?;
            species.model_source = Cow::Owned(self.source.clone());
            species.model_provenance = Provenance::Station;
            species.alternative = None;
            species.confidence = self.confidence.unwrap_or(Confidence::Low);
        }
        if let Some(confidence) = self.confidence {
            species.confidence = confidence;
        }
        self.set_shares(key, &mut species)?;
        if let Some((low, high)) = self.optimum {
            self.set_optimum(&mut species, low, high);
        }
        Ok(species)
    }

    fn set_shares(&self, key: &str, species: &mut Species) -> Result<(), BadOverride> {
        let wrong = |what| BadOverride::Shares { key: key.to_owned(), what };
        if let Some((low, high)) = self.band {
            if !(low > 0.0 && low < 1.0 && high > 1.0 && high.is_finite()) {
                return Err(wrong("the band must reach from below 1 to above 1"));
            }
            species.band = self.figure(1.0, low, high);
        }
        for (given, figure) in [
            (self.eyed, &mut species.eyed),
            (self.hatch_start, &mut species.hatch_start),
            (self.hatch_end, &mut species.hatch_end),
        ] {
            if let Some(share) = given {
                // The relative width of what it replaces.
                let (low, high) = (share * figure.low / figure.likely, share * figure.high / figure.likely);
                *figure = self.figure(share, low, high);
            }
        }
        let (eyed, start, end) = (species.eyed.likely, species.hatch_start.likely, species.hatch_end.likely);
        if !(eyed > 0.0 && eyed < start) {
            return Err(wrong("eye-up must come before the start of hatch"));
        }
        if !(start < 1.0 && end > 1.0 && end < 3.0) {
            return Err(wrong("hatch must start below 1 and end between 1 and 3"));
        }
        Ok(())
    }

    fn figure(&self, likely: f64, low: f64, high: f64) -> Figure {
        Figure { likely, low, high, provenance: Provenance::Station, source: Cow::Owned(self.source.clone()) }
    }

    fn set_optimum(&self, species: &mut Species, low: f64, high: f64) {
        let replaced = |l: &TemperatureLimit| {
            l.stage == LifeStage::Incubation && matches!(l.bound, Bound::OptimumLow | Bound::OptimumHigh)
        };
        species.limits.retain(|l| !replaced(l));
        for (bound, value) in [(Bound::OptimumLow, low), (Bound::OptimumHigh, high)] {
            species.limits.push(TemperatureLimit {
                stage: LifeStage::Incubation,
                bound,
                value,
                provenance: Provenance::Station,
                source: Cow::Owned(self.source.clone()),
            });
        }
    }

    fn blank(&self, key: &str) -> Result<Species, BadOverride> {
        let (Some(law), Some((low, high))) = (self.law, self.range) else {
            return Err(BadOverride::NoLaw(key.to_owned()));
        };
        let model =
            Model::new(law, low, high).map_err(|source| BadOverride::Law { key: key.to_owned(), source })?;
        let by_analogy = |likely, low, high| Figure {
            likely,
            low,
            high,
            provenance: Provenance::Engineering,
            source: Cow::Borrowed("by analogy with the species of the table"),
        };
        Ok(Species {
            key: Cow::Owned(key.to_owned()),
            common_name: Cow::Owned(key.to_owned()),
            scientific_name: Cow::Borrowed(""),
            model,
            model_provenance: Provenance::Station,
            model_source: Cow::Owned(self.source.clone()),
            alternative: None,
            band: by_analogy(1.0, 0.8, 1.25),
            eyed: by_analogy(0.55, 0.45, 0.65),
            hatch_start: by_analogy(0.92, 0.87, 0.96),
            hatch_end: by_analogy(1.10, 1.05, 1.16),
            confidence: Confidence::Low,
            limits: Vec::new(),
            in_jars: Cow::Borrowed(""),
            note: Cow::Borrowed("a species of this station"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::development::{DegreeDay, species};

    fn walleye() -> &'static Species {
        species::find("walleye").unwrap()
    }

    #[test]
    fn an_override_changes_what_it_names_and_says_where_from() {
        let change = SpeciesOverride {
            law: Some(Law::DegreeDay(DegreeDay::new(0.0, 168.0).unwrap())),
            eyed: Some(0.6),
            source: "own jar log 2019-2025".to_owned(),
            ..SpeciesOverride::default()
        };
        let ours = change.apply("walleye", Some(walleye())).unwrap();
        assert_eq!(ours.model.law().describe(), "168 °C·days above 0 °C");
        assert_eq!(ours.model_source, "own jar log 2019-2025");
        assert_eq!(ours.eyed.provenance, Provenance::Station);
        assert_eq!(ours.hatch_end, walleye().hatch_end);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let sourced = |o: SpeciesOverride| SpeciesOverride { source: "ours".to_owned(), ..o };
        let check = |o: SpeciesOverride, words: &str| {
            let error = o.apply("walleye", Some(walleye())).unwrap_err().to_string();
            assert!(error.contains(words), "{error}");
        };
        check(SpeciesOverride { eyed: Some(0.5), ..SpeciesOverride::default() }, "no source");
        check(sourced(SpeciesOverride { eyed: Some(0.95), ..SpeciesOverride::default() }), "out of order");
        check(
            sourced(SpeciesOverride { eyed: Some(f64::NAN), ..SpeciesOverride::default() }),
            "out of order",
        );
        check(sourced(SpeciesOverride { band: Some((1.1, 1.2)), ..SpeciesOverride::default() }), "band");
        check(
            sourced(SpeciesOverride { range: Some((12.0, 8.0)), ..SpeciesOverride::default() }),
            "cannot be",
        );
        let new = sourced(SpeciesOverride::default()).apply("saugeye", None);
        assert_eq!(new.unwrap_err(), BadOverride::NoLaw("saugeye".to_owned()));
    }
}
