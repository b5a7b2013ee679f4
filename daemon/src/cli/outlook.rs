//! `nightjar outlook`: thermal units and stage dates from a file of temperatures, without a daemon.

mod answer;
mod moments;
mod planner;
pub(crate) mod water;

use super::failure::Failure;
use super::output::{Format, Output};
use super::temperatures::{self, Columns, Temperatures};
use crate::core::water::how_outlooks_did;
use answer::{Answer, PastOutlooks, Stage, Units};
use clap::Args;
use moments::Moments;
use nightjar_calc::development::species::{Species, find};
use nightjar_calc::development::{Development, PER_HATCH};
use nightjar_calc::outlook::{Futures, WaterKind};
use nightjar_calc::stages::{Courses, Done, Lot, StageDate, Station, stage_dates, target_date};
use nightjar_calc::thermal::{DegreesAboveZero, PER_C_DAY, Tallied, ThermalSum};
use nightjar_calc::time::{Span, Timestamp};
use planner::{Plan, Standing, Wish};
use std::path::{Path, PathBuf};

/// Longest time from fertilization to the moment asked about.
const LONGEST: Span = Span::from_hours(400 * 24);
/// Largest sum that makes sense, °C·days.
const LARGEST_SUM: f64 = 5000.0;

/// What to look at.
#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Arguments {
    /// Species, like walleye
    #[arg(long, required_unless_present = "target_c_days", requires = "fertilized")]
    species: Option<String>,
    /// Time of fertilization, like 2026-04-18T14:00:00-05:00
    #[arg(long, value_name = "TIME", requires = "species")]
    fertilized: Option<String>,
    /// Instead of a species: the day this many °C·days above 0 °C are reached
    #[arg(long, value_name = "N", requires = "from", conflicts_with_all = ["species", "fertilized"])]
    target_c_days: Option<f64>,
    /// Start of the sum of --target-c-days
    #[arg(long, value_name = "TIME", requires = "target_c_days")]
    from: Option<String>,
    /// This season's temperatures: time,temp_c or date,temp_c
    #[arg(long, value_name = "FILE")]
    temps: PathBuf,
    /// Temperatures of past springs, one or more files
    #[arg(long, value_name = "FILE", num_args = 1..)]
    history: Vec<PathBuf>,
    /// Moment to look from; later readings are not used (default: the last reading)
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Planned temperatures of coming days (heater or chiller): date,temp_c
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// Kind of water: lake-fed, lowland-river, snowmelt, spring-fed or heated
    #[arg(long, value_name = "KIND")]
    water_type: Option<String>,
    /// Time zone of times without an offset, and of the answer, like America/Chicago or UTC-7
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    tz: Option<String>,
    /// Share of probability between earliest and latest
    #[arg(long, value_name = "SHARE", default_value_t = 0.8)]
    interval: f64,
    /// Name of the column of times or dates
    #[arg(long, value_name = "NAME")]
    time_column: Option<String>,
    /// Name of the column of temperatures; …_f holds °F
    #[arg(long, value_name = "NAME")]
    temp_column: Option<String>,
    #[command(flatten)]
    wish: Wish,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// What the dates are asked for.
enum Goal {
    Species(&'static Species),
    Sum(f64),
}

/// Answers.
///
/// # Errors
/// Exit 64 when the question, 65 when a file makes no sense, 74 when a file cannot be read.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    if !(0.5..=0.99).contains(&arguments.interval) {
        return Err(Failure::usage(format!(
            "--interval {} is no share of probability; use 0.5 to 0.99",
            arguments.interval
        )));
    }
    let (goal, option, start) = goal(arguments)?;
    let (moments, start) = Moments::new(arguments.tz.as_deref(), option, start)?;
    let kind = match &arguments.water_type {
        Some(word) => Some(
            word.parse::<WaterKind>().map_err(|error| Failure::usage(format!("--water-type: {error}")))?,
        ),
        None => None,
    };
    let question = Question { arguments, goal, option, moments, start, kind };
    let (answer, title, law, plan) = question.answer()?;
    match arguments.format {
        Format::Json => output.json(&answer.with_plan(plan.map(|plan| plan.json(&moments)))),
        Format::Text => {
            answer.write(&title, law.as_deref(), output)?;
            plan.map_or(Ok(()), |plan| plan.write(&moments, output))
        }
    }
}

fn goal(arguments: &Arguments) -> Result<(Goal, &'static str, &str), Failure> {
    if let (Some(sum), Some(from)) = (arguments.target_c_days, &arguments.from) {
        if !(sum > 0.0 && sum <= LARGEST_SUM) {
            return Err(Failure::usage(format!(
                "--target-c-days {sum} is no sum to wait for; use more than 0 and at most {LARGEST_SUM} °C·days"
            )));
        }
        return Ok((Goal::Sum(sum), "--from", from));
    }
    match (&arguments.species, &arguments.fertilized) {
        (Some(name), Some(at)) => {
            let species = find(name).map_err(|error| Failure::usage(format!("--species: {error}")))?;
            Ok((Goal::Species(species), "--fertilized", at))
        }
        _ => Err(Failure::usage("give --species and --fertilized, or --target-c-days and --from")),
    }
}

struct Question<'a> {
    arguments: &'a Arguments,
    goal: Goal,
    option: &'static str,
    moments: Moments,
    start: Timestamp,
    kind: Option<WaterKind>,
}

impl Question<'_> {
    fn answer(&self) -> Result<(Answer, String, Option<String>, Option<Plan>), Failure> {
        let zone = self.moments.zone;
        let mut warnings = Vec::new();
        let file = self.read(&self.arguments.temps, &mut warnings)?;
        let as_of = self.as_of(&file)?;
        let season = water::season(&file, zone, as_of)?;
        let (history, not_past) = self.history(as_of, &mut warnings)?;
        if not_past > 0 {
            warnings.push(format!(
                "{not_past} days of the history belong to this season or come later; not used"
            ));
        }
        let plan = match &self.arguments.plan {
            Some(path) => Some(self.plan(path, as_of, &mut warnings)?),
            None => None,
        };
        let ahead = water::ahead(&season, &history, self.kind, plan.as_ref(), &self.moments, as_of)?;
        let units = self.units(&season, as_of, &mut warnings);
        let (dates, more) = self.dates(&season, as_of, &ahead);
        warnings.extend(ahead.warnings.iter().cloned());
        warnings.extend(more);
        if file.is_empty() && history.is_empty() && plan.is_none() {
            return Err(Failure::data(format!("{} holds no temperature", self.arguments.temps.display())));
        }
        let plan = self.planned(&season, as_of, &ahead)?;
        let (species, confidence, title, law) = match &self.goal {
            Goal::Species(species) => {
                if species.confidence.word() == "low" {
                    warnings
                        .push(format!("published sums of {} are thin: low confidence", species.common_name));
                }
                (
                    Some(species.key.clone().into_owned()),
                    species.confidence.word(),
                    format!("{} fertilized {}:", species.common_name, self.moments.short(self.start)),
                    Some(format!("{} ({})", species.model.law().describe(), species.model_source)),
                )
            }
            Goal::Sum(sum) => {
                // A plain sum has no biology to doubt, only the water.
                let confidence = match ahead.springs {
                    0 => "low",
                    1..4 => "medium",
                    _ => "high",
                };
                let title = format!("{sum} °C·days above 0 °C from {}:", self.moments.short(self.start));
                (None, confidence, title, None)
            }
        };
        let answer = Answer {
            plan: None,
            past_outlooks: how_outlooks_did(&history, self.kind).map(PastOutlooks::from),
            species,
            fertilized_at: self.moments.text(self.start),
            as_of: self.moments.text(as_of),
            thermal_units: Units::from(&units),
            stages: dates.iter().map(|date| Stage::new(date, &self.moments)).collect(),
            interval: self.arguments.interval,
            temperature_basis: ahead.futures.basis,
            confidence: confidence.to_owned(),
            warnings,
        };
        Ok((answer, title, law, plan))
    }

    /// The plan for a wanted day of hatch.
    fn planned(
        &self,
        season: &water::Season,
        as_of: Timestamp,
        ahead: &water::Ahead,
    ) -> Result<Option<Plan>, Failure> {
        let Goal::Species(species) = &self.goal else { return Ok(None) };
        let source_c = middle_path(&ahead.futures);
        let law = Development(species.model);
        let sums = season.record.under(&law);
        let done = Sums { sums: &sums, unit: PER_HATCH, start: self.start, as_of };
        let last_day = season.record.under(&DegreesAboveZero).tally(as_of - Span::from_hours(24), as_of);
        let counted = (last_day.measured + last_day.bridged).days();
        let mean = last_day.sum as f64 / PER_C_DAY as f64 / counted;
        let present_c = if mean.is_finite() { mean } else { source_c.first().copied().unwrap_or(mean) };
        let standing = Standing { species, development: done.amount(), as_of, present_c, source_c };
        planner::plan(&self.arguments.wish, &standing, &self.moments)
    }

    fn read(&self, path: &Path, warnings: &mut Vec<String>) -> Result<Temperatures, Failure> {
        let zone = self.arguments.tz.is_some().then_some(self.moments.zone);
        let columns = Columns {
            time: self.arguments.time_column.as_deref(),
            temp: self.arguments.temp_column.as_deref(),
            zone,
        };
        let file = temperatures::read(path, &columns)?;
        if file.impossible > 0 {
            warnings.push(format!(
                "{}: {} rows hold no temperature of water (a logger's mark or not a number) and were left out, the first in line {}",
                path.display(),
                file.impossible,
                file.first_impossible
            ));
        }
        Ok(file)
    }

    /// The moment of issue, inside what makes sense.
    fn as_of(&self, file: &Temperatures) -> Result<Timestamp, Failure> {
        let last = water::last_moment(file, self.moments.zone);
        let as_of = match &self.arguments.as_of {
            Some(text) => self.moments.read("--as-of", text)?,
            None => last.ok_or_else(|| {
                Failure::data(format!(
                    "{} holds no temperature; give readings, or say with --as-of from when to look",
                    self.arguments.temps.display()
                ))
            })?,
        };
        let (option, start) = (self.option, self.moments.text(self.start));
        if as_of < self.start {
            let at = self.moments.text(as_of);
            return Err(if self.arguments.as_of.is_some() {
                Failure::usage(format!("--as-of {at} is before {option} {start}; are the two swapped?"))
            } else {
                Failure::data(format!(
                    "{}: the last reading, {at}, is before {option} {start}; check the date and the file",
                    self.arguments.temps.display()
                ))
            });
        }
        if as_of.since(self.start) > LONGEST {
            return Err(Failure::usage(format!(
                "{option} {start} is {:.0} days before {}; check the year",
                as_of.since(self.start).days(),
                self.moments.text(as_of)
            )));
        }
        Ok(as_of)
    }

    fn history(
        &self,
        as_of: Timestamp,
        warnings: &mut Vec<String>,
    ) -> Result<(nightjar_calc::outlook::DailyMeans, usize), Failure> {
        let files: Vec<Temperatures> =
            self.arguments.history.iter().map(|path| self.read(path, warnings)).collect::<Result<_, _>>()?;
        water::history(&files, self.moments.zone, self.start, as_of)
    }

    fn plan(
        &self,
        path: &Path,
        as_of: Timestamp,
        warnings: &mut Vec<String>,
    ) -> Result<nightjar_calc::outlook::Schedule, Failure> {
        let file = self.read(path, &mut Vec::new())?;
        if file.impossible > 0 {
            return Err(Failure::data(format!(
                "{} line {}: no water has the planned temperature; write °C between -3 and 40",
                path.display(),
                file.first_impossible
            )));
        }
        if file.is_empty() {
            return Err(Failure::data(format!("{} plans no temperature; write date,temp_c", path.display())));
        }
        if water::last_moment(&file, self.moments.zone).is_some_and(|last| last <= as_of) {
            warnings.push("the plan ends before the moment asked about and changes nothing".to_owned());
        }
        Ok(water::plan(&file, self.moments.zone))
    }

    /// The sum so far; tells what it lacks.
    fn units(&self, season: &water::Season, as_of: Timestamp, warnings: &mut Vec<String>) -> ThermalSum {
        let mut tally = season.record.under(&DegreesAboveZero).tally(self.start, as_of);
        let held = season.held.min(as_of.since(self.start)).min(tally.measured);
        if held > Span::ZERO {
            tally.measured = tally.measured - held;
            tally.bridged += held;
            warnings.push(format!(
                "the day asked about is not over: the mean of the day before is held for its {:.1} hours",
                held.hours()
            ));
        }
        let sum = ThermalSum::from(tally);
        if sum.uncounted_h >= 0.1 {
            let gap = sum.gaps.iter().max_by_key(|gap| gap.length());
            let longest = gap.map_or(String::new(), |gap| {
                format!(
                    " (the longest from {} to {})",
                    self.moments.short(gap.from),
                    self.moments.short(gap.to)
                )
            });
            warnings.push(format!(
                "{:.1} hours without readings are not counted{longest}: the sum is short and dates come out late",
                sum.uncounted_h
            ));
        }
        if season.used == 0 {
            warnings.push("no reading up to the moment asked about".to_owned());
        }
        sum
    }

    fn dates(
        &self,
        season: &water::Season,
        as_of: Timestamp,
        ahead: &water::Ahead,
    ) -> (Vec<StageDate>, Vec<String>) {
        let level = self.arguments.interval;
        match &self.goal {
            Goal::Species(species) => {
                let law = Development(species.model);
                let sums = season.record.under(&law);
                let done = Sums { sums: &sums, unit: PER_HATCH, start: self.start, as_of };
                let when = |target: f64| done.when(target);
                let lot = Lot {
                    species,
                    station: Station::published(species),
                    done: Done { amount: done.amount(), when: &when },
                    seen: &[],
                };
                let stages = stage_dates(&lot, &Courses::new(&ahead.futures), level);
                (stages.stages, stages.warnings)
            }
            Goal::Sum(target) => {
                let sums = season.record.under(&DegreesAboveZero);
                let done = Sums { sums: &sums, unit: PER_C_DAY, start: self.start, as_of };
                let when = |target: f64| done.when(target);
                let done = Done { amount: done.amount(), when: &when };
                let (date, warnings) = target_date(*target, &done, &|t| t.max(0.0), &ahead.futures, level);
                (vec![date], warnings)
            }
        }
    }
}

/// Mean of all continuations, °C, step by step.
fn middle_path(futures: &Futures) -> Vec<f64> {
    let steps = futures.paths.iter().map(Vec::len).min().unwrap_or(0);
    let paths = futures.paths.len() as f64;
    (0..steps).map(|k| futures.paths.iter().filter_map(|path| path.get(k)).sum::<f64>() / paths).collect()
}

/// A sum over the record in units people use.
struct Sums<'a> {
    sums: &'a dyn Tallied,
    unit: i64,
    start: Timestamp,
    as_of: Timestamp,
}

impl Sums<'_> {
    fn amount(&self) -> f64 {
        self.sums.amount(self.start, self.as_of) as f64 / self.unit as f64
    }

    fn when(&self, target: f64) -> Option<Timestamp> {
        #[expect(clippy::cast_possible_truncation, reason = "a sum of a season fits by far")]
        let whole = (target * self.unit as f64).ceil() as i64;
        self.sums.reached(self.start, self.as_of, whole)
    }
}
