//! When a sum is reached along each future.

use super::dates::{Done, StageDate, quantile_of, sorted};
use crate::development::Model;
use crate::outlook::Futures;
use crate::time::{Span, Timestamp};
use std::cell::RefCell;
use std::rc::Rc;

/// How far beyond the end of the paths their last value is held, at most.
const LONGEST_HOLD: Span = Span::from_hours(24 * 400);

/// What a rate gains along each future of a water: the same for all lots of one species in it. Where a path is
/// shorter than the others its last value is held.
#[derive(Clone, Debug)]
pub struct Course {
    from: Timestamp,
    step: Span,
    /// Amounts gained by the end of each step: of all paths, step by step.
    gained: Vec<f64>,
    paths: Vec<Path>,
    /// Steps of the longest path.
    steps: usize,
    /// The coldest and the warmest value of all paths, °C.
    extremes: (f64, f64),
}

/// What one path is beside what it gains.
#[derive(Clone, Copy, Debug)]
struct Path {
    /// Its own steps.
    steps: usize,
    /// Rate per day of its last value.
    last: f64,
}

impl Course {
    /// Integrates a rate (per day, of a temperature in °C) along each path.
    ///
    /// The rate must not be negative. Each value of a path holds for one step.
    #[must_use]
    pub fn along(rate: &dyn Fn(f64) -> f64, futures: &Futures) -> Self {
        let days = futures.step.days();
        let steps = futures.paths.iter().map(Vec::len).max().unwrap_or(0);
        let count = futures.paths.len();
        let mut gained = vec![0.0; steps * count];
        let mut paths = Vec::with_capacity(count);
        for (at, path) in futures.paths.iter().enumerate() {
            let (mut sum, mut last) = (0.0, 0.0);
            for step in 0..steps {
                if let Some(t) = path.get(step) {
                    last = rate(*t).max(0.0);
                }
                sum += last * days;
                gained[step * count + at] = sum;
            }
            paths.push(Path { steps: path.len(), last });
        }
        let all = futures.paths.iter().flatten().copied();
        let extremes = (all.clone().fold(f64::INFINITY, f64::min), all.fold(f64::NEG_INFINITY, f64::max));
        Self { from: futures.from, step: futures.step, gained, paths, steps, extremes }
    }

    /// What a path has gained before a step.
    fn before(&self, step: usize, path: usize) -> f64 {
        step.checked_sub(1).map_or(0.0, |before| self.gained[before * self.paths.len() + path])
    }

    /// For a lot that has come to `start`.
    #[must_use]
    pub const fn reach(&self, start: f64) -> Reach<'_> {
        Reach { course: self, start }
    }

    /// The coldest and the warmest value of all paths, °C.
    pub(super) const fn extremes(&self) -> (f64, f64) {
        self.extremes
    }
}

/// The futures of a water, with the courses of the species that were asked for: made once for all their lots.
#[derive(Debug)]
pub struct Courses<'a> {
    futures: &'a Futures,
    courses: RefCell<Vec<(Model, Rc<Course>)>>,
}

impl<'a> Courses<'a> {
    /// Nothing asked for yet.
    #[must_use]
    pub const fn new(futures: &'a Futures) -> Self {
        Self { futures, courses: RefCell::new(Vec::new()) }
    }

    /// The futures.
    #[must_use]
    pub const fn futures(&self) -> &'a Futures {
        self.futures
    }

    /// What development by a law gains.
    pub(super) fn course(&self, law: Model) -> Rc<Course> {
        let mut courses = self.courses.borrow_mut();
        if let Some((_, course)) = courses.iter().find(|(known, _)| *known == law) {
            return Rc::clone(course);
        }
        let course = Rc::new(Course::along(&|t| law.rate_at(t), self.futures));
        courses.push((law, Rc::clone(&course)));
        course
    }
}

/// Sums along the futures of one lot.
#[derive(Clone, Copy, Debug)]
pub struct Reach<'a> {
    course: &'a Course,
    start: f64,
}

impl Reach<'_> {
    /// The moment one path comes to `target`, and whether its last value had to be held for that. Nothing when
    /// it stands still before. The moment of issue when the target is behind.
    #[must_use]
    pub fn moment(&self, path: usize, target: f64) -> Option<(Timestamp, bool)> {
        let own_steps = self.course.paths.get(path)?.steps;
        let missing = target - self.start;
        if missing <= 0.0 {
            return Some((self.course.from, false));
        }
        let days = self.days(path, missing)?;
        Some((self.after(days), missing > self.course.before(own_steps, path)))
    }

    /// Steps of the longest path.
    pub(super) const fn steps(&self) -> usize {
        self.course.steps
    }

    /// What each path has gained by the end of a step.
    pub(super) fn by_end_of(&self, step: usize) -> &[f64] {
        let count = self.len();
        &self.course.gained[step * count..(step + 1) * count]
    }

    /// What a path has gained when its own values end.
    pub(super) fn gained_at_own_end(&self, path: usize) -> f64 {
        self.course.before(self.course.paths[path].steps, path)
    }

    /// Days until a path has gained an amount; nothing when it stands still before.
    pub(super) fn days(&self, path: usize, missing: f64) -> Option<f64> {
        let step = first_step(self.steps(), |step| self.course.before(step + 1, path) >= missing);
        self.days_in(step, path, missing)
    }

    /// The same for an amount that is gained in a step known to the caller, or after the last.
    pub(super) fn days_in(&self, step: usize, path: usize, missing: f64) -> Option<f64> {
        let before = self.course.before(step, path);
        let step_days = self.course.step.days();
        if step < self.steps() {
            let share = (missing - before) / (self.course.before(step + 1, path) - before);
            return Some(step_days * (step as f64 + share));
        }
        let last = self.course.paths[path].last;
        if last <= 0.0 {
            return None;
        }
        let beyond = (missing - before) / last;
        (Span::from_days(beyond) <= LONGEST_HOLD).then(|| step_days * self.steps() as f64 + beyond)
    }

    /// A moment so many days from the issue.
    pub(super) fn after(&self, days: f64) -> Timestamp {
        self.course.from + Span::from_days(days)
    }

    /// Number of paths.
    #[must_use]
    pub fn len(&self) -> usize {
        self.course.paths.len()
    }

    /// True when there is no path.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.course.paths.is_empty()
    }
}

/// The first of some steps from which on something holds, or their number when it never does.
pub(super) fn first_step(steps: usize, mut holds: impl FnMut(usize) -> bool) -> usize {
    let (mut low, mut high) = (0, steps);
    while low < high {
        let middle = usize::midpoint(low, high);
        if holds(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

/// The day a plain sum (of °C·days, say) is reached: no uncertainty but the water's.
///
/// `done` tells what the record holds, `rate` is per day of a temperature in °C, `level` the share of futures
/// between earliest and latest.
///
/// ```
/// # use nightjar_calc::outlook::Futures;
/// # use nightjar_calc::stages::{target_date, Done};
/// # use nightjar_calc::time::{Span, Timestamp};
/// // 100 °C·days are there, 144 are wanted, the water stays at 11 °C: four days.
/// let from = Timestamp::parse("2026-04-25T00:00:00Z").unwrap();
/// let futures = Futures { from, step: Span::from_hours(24), paths: vec![vec![11.0; 10]], basis: String::new() };
/// let done = Done { amount: 100.0, when: &|_| None };
/// let (date, warnings) = target_date(144.0, &done, &|t| t.max(0.0), &futures, 0.8);
/// assert_eq!(date.likely, Some(from + Span::from_hours(96)));
/// assert!(warnings.is_empty());
/// ```
#[must_use]
pub fn target_date(
    target: f64,
    done: &Done<'_>,
    rate: &dyn Fn(f64) -> f64,
    futures: &Futures,
    level: f64,
) -> (StageDate, Vec<String>) {
    let mut date = StageDate::empty("target");
    if target <= done.amount {
        date.reached = true;
        date.at = (done.when)(target);
        date.likely = date.at;
        return (date, Vec::new());
    }
    let course = Course::along(rate, futures);
    let along = course.reach(done.amount);
    let moments: Vec<_> = (0..along.len()).map(|path| along.moment(path, target)).collect();
    let held = moments.iter().flatten().any(|(_, held)| *held);
    let moments = sorted(moments.into_iter().map(|m| m.map(|(at, _)| at)));
    date.earliest = quantile_of(&moments, (1.0 - level) / 2.0);
    date.likely = quantile_of(&moments, 0.5);
    date.latest = quantile_of(&moments, f64::midpoint(1.0, level));
    (date, super::dates::warn(held, moments.iter().any(Option::is_none)))
}

#[cfg(test)]
mod tests {
    use super::{Course, Courses};
    use crate::development::species;
    use crate::outlook::Futures;
    use crate::time::{Span, Timestamp};

    fn futures(step_h: i64, paths: Vec<Vec<f64>>) -> Futures {
        Futures { from: Timestamp::from_ms(0), step: Span::from_hours(step_h), paths, basis: String::new() }
    }

    #[test]
    fn a_rate_is_by_the_day_however_long_a_step_is() {
        let course = Course::along(&|t| t, &futures(6, vec![vec![8.0, 12.0, 16.0, 20.0]]));
        let moment = |target| course.reach(1.0).moment(0, target).unwrap();
        // A quarter of a day at 8, then at 12 a day.
        assert_eq!(moment(3.0), (Timestamp::from_ms(0) + Span::from_hours(6), false));
        assert_eq!(moment(4.5), (Timestamp::from_ms(0) + Span::from_hours(9), false));
        // To the end 14 are gained; what is missing then comes at 20 a day.
        assert_eq!(moment(15.0), (Timestamp::from_ms(0) + Span::from_hours(24), false));
        assert_eq!(moment(20.0), (Timestamp::from_ms(0) + Span::from_hours(30), true));
    }

    #[test]
    fn the_coldest_and_the_warmest_of_all_paths_are_known() {
        let course = Course::along(&|t| t, &futures(24, vec![vec![8.0, 12.5], vec![9.0, 3.25]]));
        assert!(course.extremes().0.total_cmp(&3.25).is_eq());
        assert!(course.extremes().1.total_cmp(&12.5).is_eq());
    }

    #[test]
    fn each_law_has_its_own_course() {
        let futures = futures(24, vec![vec![10.0; 3]]);
        let courses = Courses::new(&futures);
        for key in ["walleye", "lake_whitefish", "walleye"] {
            let law = species::find(key).unwrap().model;
            let gained = courses.course(law).reach(0.0).gained_at_own_end(0);
            assert!((gained - 3.0 * law.rate_at(10.0)).abs() < 1e-12, "{key}: {gained}");
        }
    }
}
