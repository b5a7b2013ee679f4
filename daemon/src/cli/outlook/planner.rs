//! The temperatures that bring hatch to a wanted day, or the nearest that can be had.

use super::moments::Moments;
use crate::cli::failure::Failure;
use crate::cli::output::Output;
use clap::Args;
use nightjar_calc::development::species::Species;
use nightjar_calc::plan::{Equipment, Goal, Schedule, Verdict, schedule};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::json;

/// The wish.
#[derive(Debug, Args)]
pub struct Wish {
    /// Day hatch should peak: plans the temperatures that bring it there
    #[arg(long, value_name = "DATE", requires = "species")]
    pub hatch_by: Option<String>,
    /// Fastest change of temperature in the plan, °C a day (no verified safe rate is known)
    #[arg(long, value_name = "C", default_value_t = 2.0, requires = "hatch_by")]
    pub change_c_per_day: f64,
    /// Coldest temperature the plan may use (default: the species' best range)
    #[arg(long, value_name = "C", requires = "hatch_by")]
    pub coldest_c: Option<f64>,
    /// Warmest temperature the plan may use (default: the species' best range)
    #[arg(long, value_name = "C", requires = "hatch_by")]
    pub warmest_c: Option<f64>,
    /// Most the heater can warm the coming water, °C
    #[arg(long, value_name = "C", requires = "hatch_by")]
    pub heater_c: Option<f64>,
    /// Most the chiller can cool the coming water, °C
    #[arg(long, value_name = "C", requires = "hatch_by")]
    pub chiller_c: Option<f64>,
}

/// Where the eggs stand when the plan begins.
pub struct Standing<'a> {
    /// Of which species.
    pub species: &'a Species,
    /// Development so far, 1 at the median hatch.
    pub development: f64,
    /// Begin of the plan.
    pub as_of: Timestamp,
    /// Water now, °C.
    pub present_c: f64,
    /// Water to come without heater or chiller, °C, day by day.
    pub source_c: Vec<f64>,
}

/// Plans, if a day is wished for.
///
/// # Errors
/// Exit 64 when the wish makes no sense.
pub fn plan(wish: &Wish, standing: &Standing<'_>, moments: &Moments) -> Result<Option<Plan>, Failure> {
    let Some(text) = &wish.hatch_by else { return Ok(None) };
    let named = moments.read("--hatch-by", text)?;
    // A plain date means that day, so noon of it.
    let whole_day = nightjar_calc::time::Day::parse(text).is_ok();
    let wanted = if whole_day { named + Span::from_hours(12) } else { named };
    if wanted <= standing.as_of {
        return Err(Failure::usage(format!(
            "--hatch-by {} is not after {}, from when the plan would begin; are the two swapped?",
            moments.short(wanted),
            moments.short(standing.as_of)
        )));
    }
    let best = standing.species.optimum();
    let allowed_c = (wish.coldest_c.unwrap_or(best.0), wish.warmest_c.unwrap_or(best.1));
    if allowed_c.0 > allowed_c.1 {
        return Err(Failure::usage(format!(
            "the coldest allowed, {} °C, is above the warmest, {} °C; are the two swapped?",
            allowed_c.0, allowed_c.1
        )));
    }
    let equipment = (wish.heater_c.is_some() || wish.chiller_c.is_some()).then(|| Equipment {
        source_c: standing.source_c.clone(),
        heat_c: wish.heater_c.unwrap_or(0.0),
        chill_c: wish.chiller_c.unwrap_or(0.0),
    });
    let goal = Goal {
        model: standing.species.model,
        from: standing.as_of,
        development: standing.development,
        target: 1.0,
        present_c: standing.present_c,
        wanted,
        allowed_c,
        change_c_per_day: wish.change_c_per_day,
        equipment,
    };
    let schedule = schedule(&goal).map_err(|error| Failure::usage(format!("no plan: {error}")))?;
    Ok(Some(Plan { wanted, allowed_c, change_c_per_day: wish.change_c_per_day, schedule }))
}

/// A plan with what it was asked for.
pub struct Plan {
    wanted: Timestamp,
    allowed_c: (f64, f64),
    change_c_per_day: f64,
    schedule: Schedule,
}

impl Plan {
    fn verdict(&self) -> &'static str {
        match self.schedule.verdict {
            Verdict::Met => "met",
            Verdict::TooSoon => "wanted_too_soon",
            Verdict::TooLate => "wanted_too_late",
        }
    }

    /// For programs.
    #[must_use]
    pub fn json(&self, moments: &Moments) -> serde_json::Value {
        let days: Vec<_> = self
            .schedule
            .days
            .iter()
            .map(|day| json!({"from": moments.text(day.from), "temp_c": hundredths(day.set_c)}))
            .collect();
        json!({
            "wanted": moments.text(self.wanted), "verdict": self.verdict(),
            "hatch_peak": moments.text(self.schedule.reached),
            "off_days": hundredths(self.schedule.reached.since(self.wanted).days()),
            "lowest_allowed_c": self.allowed_c.0, "highest_allowed_c": self.allowed_c.1,
            "most_change_c_per_day": self.change_c_per_day,
            "days": days, "warnings": self.schedule.warnings,
        })
    }

    /// For people: the answer, then the days on which something changes.
    ///
    /// # Errors
    /// When nobody reads any more.
    pub fn write(&self, moments: &Moments, output: &mut Output) -> Result<(), Failure> {
        let (low, high) = self.allowed_c;
        let reached = moments.short(self.schedule.reached);
        let off = self.schedule.reached.since(self.wanted).days().abs();
        output.line(match self.schedule.verdict {
            Verdict::Met => format!("plan: hatch peaks {reached} as wanted"),
            Verdict::TooSoon => format!(
                "plan: cannot be done; the nearest is {off:.1} days later, {reached}, with water as warm as {high} °C"
            ),
            Verdict::TooLate => format!(
                "plan: cannot be done; the nearest is {off:.1} days earlier, {reached}, with water as cold as {low} °C"
            ),
        })?;
        let mut last = f64::NAN;
        for day in &self.schedule.days {
            let set = hundredths(day.set_c);
            if set.total_cmp(&last).is_ne() {
                output.line(format_args!("  from {}  {set:.1} °C", moments.short(day.from)))?;
            }
            last = set;
        }
        output.line(format_args!(
            "plan within {low} to {high} °C, changing at most {} °C a day (engineering choice: no verified safe rate is known)",
            self.change_c_per_day
        ))?;
        for warning in &self.schedule.warnings {
            output.line(format_args!("note: {warning}"))?;
        }
        Ok(())
    }
}

fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}
