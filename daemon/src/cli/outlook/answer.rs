//! The answer of `nightjar outlook`, for programs and for people.

use super::moments::Moments;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use nightjar_calc::outlook::TrackRecord;
use nightjar_calc::stages::StageDate;
use nightjar_calc::thermal::ThermalSum;
use nightjar_calc::time::Timestamp;
use serde::Serialize;

/// The whole answer; the keys are part of the stable interface.
#[derive(Clone, Debug, Serialize)]
pub struct Answer {
    /// Key of the species; nothing for a plain sum.
    pub species: Option<String>,
    /// Start of the sum.
    pub fertilized_at: String,
    /// Moment the outlook was issued for.
    pub as_of: String,
    /// The sum so far.
    pub thermal_units: Units,
    /// In the order they come.
    pub stages: Vec<Stage>,
    /// Share of probability between earliest and latest.
    pub interval: f64,
    /// Temperatures assumed.
    pub temperature_basis: String,
    /// How far the dates can be believed.
    pub confidence: String,
    /// What to know.
    pub warnings: Vec<String>,
    /// How outlooks issued after the fact in the past springs given did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub past_outlooks: Option<PastOutlooks>,
    /// Temperatures for a wanted day of hatch, when one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<serde_json::Value>,
}

/// The sum so far and what it rests on.
#[derive(Clone, Debug, Serialize)]
pub struct Units {
    c_days: f64,
    f_days: f64,
    coverage: f64,
    bridged_hours: f64,
}

impl From<&ThermalSum> for Units {
    fn from(sum: &ThermalSum) -> Self {
        Self {
            c_days: round(sum.c_days, 1000.0),
            f_days: round(sum.f_days(), 1000.0),
            coverage: round(sum.coverage, 10_000.0),
            bridged_hours: round(sum.bridged_h, 100.0),
        }
    }
}

/// How past outlooks did: 140 °C·days from 15 April, each spring forecast from the others.
#[derive(Clone, Debug, Serialize)]
pub struct PastOutlooks {
    springs: usize,
    issued: Vec<PastScore>,
    #[serde(skip)]
    words: String,
}

/// Outlooks issued at one share of the sum.
#[derive(Clone, Debug, Serialize)]
struct PastScore {
    at_share: f64,
    mean_absolute_error_days: f64,
    bias_days: f64,
    inside_80_percent_interval: f64,
    holding_present_error_days: f64,
}

impl From<TrackRecord> for PastOutlooks {
    fn from(record: TrackRecord) -> Self {
        let words = record.to_string();
        let issued = record.scores.iter().map(|score| PastScore {
            at_share: score.share,
            mean_absolute_error_days: round(score.mean_absolute_error_days, 100.0),
            bias_days: round(score.bias_days, 100.0),
            inside_80_percent_interval: round(score.coverage, 1000.0),
            holding_present_error_days: round(score.plain_error_days[0], 100.0),
        });
        Self { springs: record.seasons, issued: issued.collect(), words }
    }
}

fn round(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

/// One stage.
#[derive(Clone, Debug, Serialize)]
pub struct Stage {
    stage: &'static str,
    reached: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    at: Option<String>,
    earliest: Option<String>,
    likely: Option<String>,
    latest: Option<String>,
    #[serde(skip)]
    line: String,
}

impl Stage {
    /// With times in the local offset.
    #[must_use]
    pub fn new(date: &StageDate, moments: &Moments) -> Self {
        let text = |at: Option<Timestamp>| at.map(|at| moments.text(at));
        let name = date.stage.replace('_', " ");
        let short =
            |at: Option<Timestamp>| at.map_or("never in this water".to_owned(), |at| moments.short(at));
        let line = if date.reached {
            format!(
                "  {name:<11} reached {}",
                date.at.map_or("before the record".to_owned(), |at| moments.short(at))
            )
        } else {
            format!(
                "  {name:<11} {}   ({} to {})",
                short(date.likely),
                short(date.earliest),
                short(date.latest)
            )
        };
        Self {
            stage: date.stage,
            reached: date.reached,
            at: text(date.at),
            earliest: text(date.earliest),
            likely: text(date.likely),
            latest: text(date.latest),
            line,
        }
    }
}

impl Answer {
    /// With the plan that was asked for.
    #[must_use]
    pub fn with_plan(self, plan: Option<serde_json::Value>) -> Self {
        Self { plan, ..self }
    }

    /// Writes it for people: the dates first, then what they rest on.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn write(&self, title: &str, source: Option<&str>, output: &mut Output) -> Result<(), Failure> {
        output.line(title)?;
        for stage in &self.stages {
            output.line(&stage.line)?;
        }
        let units = &self.thermal_units;
        output.line(format_args!(
            "thermal units: {:.1} °C·days ({:.1} °F·days) from {} to {}; {:.1} % measured, {:.1} h bridged",
            units.c_days,
            units.f_days,
            self.fertilized_at,
            self.as_of,
            100.0 * units.coverage,
            units.bridged_hours
        ))?;
        output.line(format_args!("temperatures ahead: {}", self.temperature_basis))?;
        output.line(format_args!(
            "interval: {:.0} of 100; confidence: {}",
            100.0 * self.interval,
            self.confidence
        ))?;
        if let Some(past) = &self.past_outlooks {
            for line in past.words.lines() {
                output.line(format_args!("past outlooks here: {line}"))?;
            }
        }
        if let Some(source) = source {
            output.line(format_args!("law: {source}"))?;
        }
        for warning in &self.warnings {
            output.line(format_args!("note: {warning}"))?;
        }
        output.line("An aid, not a guarantee: look at the jars.")
    }
}
