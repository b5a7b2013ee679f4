//! A temperature for each day, so that hatch peaks when it is wanted.
//!
//! The plan moves from the present temperature toward one target, no faster than allowed, and stays there. Warmer
//! water never slows development, so the date moves one way with the target, and halving finds the target that meets
//! the wanted moment. Targets outside the species' best temperatures are not tried: when the wanted day lies
//! beyond what they allow, the answer is no, with the nearest day.

use crate::development::Model;
use crate::time::{Span, Timestamp};

/// What is wanted, from where, within which limits.
#[derive(Clone, Debug, PartialEq)]
pub struct Goal {
    /// Law of the species.
    pub model: Model,
    /// Start of the plan; day `n` of it begins `n` times 24 hours later.
    pub from: Timestamp,
    /// Development by now.
    pub development: f64,
    /// Development at the wanted moment: 1 for the published peak of hatch, the station's multiple of it otherwise.
    pub target: f64,
    /// Temperature of the water now, °C.
    pub present_c: f64,
    /// When it should be reached.
    pub wanted: Timestamp,
    /// Lowest and highest temperature allowed, °C; as a rule [`Species::optimum`](crate::development::species::Species::optimum).
    pub allowed_c: (f64, f64),
    /// Fastest change from one day to the next, °C.
    pub change_c_per_day: f64,
    /// What heater and chiller can do; nothing means whatever is asked.
    pub equipment: Option<Equipment>,
}

/// What heater and chiller can do with the water that comes in.
#[derive(Clone, Debug, PartialEq)]
pub struct Equipment {
    /// Water coming in, °C, day by day from the start; the last value goes on.
    pub source_c: Vec<f64>,
    /// Most it can be warmed, °C.
    pub heat_c: f64,
    /// Most it can be chilled, °C.
    pub chill_c: f64,
}

/// One day of a plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetDay {
    /// When the set-point holds from, for 24 hours.
    pub from: Timestamp,
    /// Temperature to set, °C.
    pub set_c: f64,
}

/// Whether the wanted day can be met.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Yes, to the hour.
    Met,
    /// No: the nearest is later, with water as warm as allowed.
    TooSoon,
    /// No: the nearest is earlier, with water as cold as allowed.
    TooLate,
}

/// A plan, and whether it does what was wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct Schedule {
    /// Set-points day by day, to the day of hatch.
    pub days: Vec<SetDay>,
    /// When the target is reached by it.
    pub reached: Timestamp,
    /// Whether that is what was wanted.
    pub verdict: Verdict,
    /// Things to know.
    pub warnings: Vec<String>,
}

/// A goal that cannot be planned for.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Impossible {
    /// Numbers that make no sense.
    #[error("{0} must be a number that makes sense, not {1}")]
    Number(&'static str, f64),
    /// Wanted before the plan begins.
    #[error("the wanted day {0} is not after the start of the plan {1}")]
    Past(Timestamp, Timestamp),
    /// Already there.
    #[error("the eggs are already that far")]
    Behind,
    /// Not within the longest plan.
    #[error("hatch would not come within {0} days even in the warmest water allowed")]
    Never(usize),
}

/// Longest plan, days.
const LONGEST: usize = 400;
/// How near the wanted moment counts as met.
const NEAR: Span = Span::from_hours(1);
const DAY: Span = Span::from_hours(24);

/// Plans the daily set-points.
///
/// # Errors
/// When the goal makes no sense, is behind, or out of reach at any time.
///
/// ```
/// # use nightjar_calc::development::species;
/// # use nightjar_calc::plan::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// let from = Timestamp::parse("2026-04-20T00:00:00Z").unwrap();
/// let walleye = species::find("walleye").unwrap();
/// let plan = schedule(&Goal {
///     model: walleye.model, from, development: 0.2, target: 1.0, present_c: 9.0,
///     wanted: from + Span::from_days(12.0), allowed_c: walleye.optimum(), change_c_per_day: 1.0, equipment: None,
/// }).unwrap();
/// assert_eq!(plan.verdict, Verdict::Met);
/// assert!((plan.reached.since(from).days() - 12.0).abs() < 0.05);
/// ```
pub fn schedule(goal: &Goal) -> Result<Schedule, Impossible> {
    check(goal)?;
    let (low, high) = goal.allowed_c;
    let warmest = goal.run(high).ok_or(Impossible::Never(LONGEST))?;
    if warmest.reached > goal.wanted + NEAR {
        return Ok(goal.with_warnings(warmest, Verdict::TooSoon));
    }
    if let Some(coldest) = goal.run(low)
        && coldest.reached + NEAR < goal.wanted
    {
        return Ok(goal.with_warnings(coldest, Verdict::TooLate));
    }
    let (mut cold, mut warm, mut best) = (low, high, warmest);
    for _ in 0..50 {
        let middle = f64::midpoint(cold, warm);
        match goal.run(middle) {
            Some(plan) if plan.reached <= goal.wanted => {
                warm = middle;
                best = plan;
            }
            Some(_) | None => cold = middle,
        }
    }
    // With equipment at its limits the date may jump past the wanted moment; say what it is.
    let verdict = if goal.wanted.since(best.reached) <= NEAR { Verdict::Met } else { Verdict::TooLate };
    Ok(goal.with_warnings(best, verdict))
}

fn check(goal: &Goal) -> Result<(), Impossible> {
    let (low, high) = goal.allowed_c;
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let water = |x: f64| (-5.0..=50.0).contains(&x);
    for (what, value, good) in [
        ("the lowest temperature allowed", low, water(low)),
        ("the highest temperature allowed", high, water(high) && high >= low),
        ("the present temperature", goal.present_c, water(goal.present_c)),
        ("the change per day", goal.change_c_per_day, positive(goal.change_c_per_day)),
        ("the development so far", goal.development, goal.development.is_finite() && goal.development >= 0.0),
        ("the development wanted", goal.target, positive(goal.target)),
    ] {
        if !good {
            return Err(Impossible::Number(what, value));
        }
    }
    if let Some(e) = &goal.equipment {
        for (what, value) in [("what the heater can do", e.heat_c), ("what the chiller can do", e.chill_c)] {
            if !(value.is_finite() && value >= 0.0) {
                return Err(Impossible::Number(what, value));
            }
        }
        if let Some(bad) = e.source_c.iter().find(|t| !water(**t)) {
            return Err(Impossible::Number("the source water", *bad));
        }
    }
    if goal.wanted <= goal.from {
        return Err(Impossible::Past(goal.wanted, goal.from));
    }
    if goal.development >= goal.target { Err(Impossible::Behind) } else { Ok(()) }
}

impl Goal {
    /// Set-points toward one temperature, and when they bring hatch.
    fn run(&self, toward: f64) -> Option<Schedule> {
        let mut days = Vec::new();
        let (mut set, mut development) = (self.present_c, self.development);
        for n in 0..LONGEST {
            let wish = set + (toward - set).clamp(-self.change_c_per_day, self.change_c_per_day);
            set = self.can(n, wish);
            let from = self.from + Span::from_days(n as f64);
            days.push(SetDay { from, set_c: set });
            let gained = self.model.rate_at(set) * DAY.days();
            if development + gained >= self.target {
                let part = (self.target - development) / gained;
                let reached = from + Span::from_days(part);
                return Some(Schedule { days, reached, verdict: Verdict::Met, warnings: Vec::new() });
            }
            development += gained;
        }
        None
    }

    /// The wish, as far as heater and chiller can fulfil it on day `n`.
    fn can(&self, n: usize, wish: f64) -> f64 {
        let Some(equipment) = &self.equipment else { return wish };
        match equipment.source_c.get(n).or(equipment.source_c.last()) {
            Some(source) => wish.clamp(source - equipment.chill_c, source + equipment.heat_c),
            None => wish,
        }
    }

    fn with_warnings(&self, plan: Schedule, verdict: Verdict) -> Schedule {
        let mut warnings = Vec::new();
        let (low, high) = self.allowed_c;
        let slack = 1e-6;
        let outside = plan.days.iter().filter(|d| d.set_c < low - slack || d.set_c > high + slack).count();
        if outside > 0 {
            warnings.push(format!("{outside} days lie outside {low} to {high} °C"));
        }
        let mut before = self.present_c;
        let mut fast = 0;
        for day in &plan.days {
            if (day.set_c - before).abs() > self.change_c_per_day + slack {
                fast += 1;
            }
            before = day.set_c;
        }
        if fast > 0 {
            let allowed = self.change_c_per_day;
            warnings.push(format!("on {fast} days the source forces a change of more than {allowed} °C"));
        }
        let (trust_low, trust_high) = self.model.range();
        if plan.days.iter().any(|d| d.set_c < trust_low || d.set_c > trust_high) {
            warnings.push(format!("the law is trusted from {trust_low} to {trust_high} °C only"));
        }
        Schedule { verdict, warnings, ..plan }
    }
}
