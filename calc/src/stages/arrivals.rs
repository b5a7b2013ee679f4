//! When amounts are gained along many paths, by rank. The step in which a rank falls is found by halving; moments
//! are worked out only for what is gained in that step.

use super::reach::{Reach, first_step};

/// Moments at which each of some amounts is gained along each path.
pub(super) struct Arrivals<'a> {
    along: &'a Reach<'a>,
    /// Amounts still missing, rising, all above 0.
    missing: Vec<f64>,
    /// For each step: how much is gained by its end, as far as it was looked at.
    by_end: Vec<Option<Gained>>,
    /// The step that was looked into last, and the days from the issue of all that is gained in it.
    inside: Option<(usize, Vec<f64>)>,
}

/// How many amounts each path has gained, and all paths together.
#[derive(Clone)]
struct Gained {
    by_path: Vec<usize>,
    all: usize,
}

impl<'a> Arrivals<'a> {
    /// Of amounts that rise and lie ahead.
    pub(super) fn new(along: &'a Reach<'a>, missing: Vec<f64>) -> Self {
        Self { along, missing, by_end: vec![None; along.steps()], inside: None }
    }

    /// How many there are, with those that never come.
    pub(super) fn len(&self) -> usize {
        self.missing.len() * self.along.len()
    }

    /// Whether a last value has to be held for some that come, and whether some never come.
    pub(super) fn held_and_never(&self) -> (bool, bool) {
        let (mut held, mut never) = (false, false);
        let Some(last) = self.missing.last() else { return (held, never) };
        for path in 0..self.along.len() {
            let at_end = self.along.gained_at_own_end(path);
            if let Some(first) = self.missing.get(self.missing.partition_point(|amount| *amount <= at_end)) {
                held |= self.along.days(path, *first).is_some();
                never |= self.along.days(path, *last).is_none();
            }
        }
        (held, never)
    }

    /// Days from the issue of the moment with a rank, the earliest being 0; nothing when it never comes.
    pub(super) fn days(&mut self, rank: usize) -> Option<f64> {
        let step = first_step(self.by_end.len(), |step| self.gained_by_end_of(step).all > rank);
        let before = step.checked_sub(1).map_or(0, |before| self.gained_by_end_of(before).all);
        if self.inside.as_ref().is_none_or(|(looked, _)| *looked != step) {
            self.inside = Some((step, self.look_into(step)));
        }
        let days = &mut self.inside.as_mut()?.1;
        let within = rank - before;
        (within < days.len()).then(|| *days.select_nth_unstable_by(within, f64::total_cmp).1)
    }

    fn gained_by_end_of(&mut self, step: usize) -> &Gained {
        let (along, missing) = (self.along, &self.missing);
        self.by_end[step].get_or_insert_with(|| {
            let gained = along.by_end_of(step).iter();
            let by_path: Vec<usize> =
                gained.map(|sum| missing.partition_point(|amount| amount <= sum)).collect();
            Gained { all: by_path.iter().sum(), by_path }
        })
    }

    /// Days from the issue of all that is gained in a step; the one after the last holds all that comes later.
    fn look_into(&self, step: usize) -> Vec<f64> {
        let count = |step: usize, path: usize| {
            self.by_end
                .get(step)
                .and_then(Option::as_ref)
                .map_or(self.missing.len(), |by_end| by_end.by_path[path])
        };
        let mut days = Vec::new();
        for path in 0..self.along.len() {
            let from = step.checked_sub(1).map_or(0, |before| count(before, path));
            let amounts = &self.missing[from..count(step, path)];
            days.extend(amounts.iter().filter_map(|amount| self.along.days_in(step, path, *amount)));
        }
        days
    }
}

#[cfg(test)]
mod tests {
    use super::Arrivals;
    use crate::outlook::Futures;
    use crate::stages::reach::Course;
    use crate::time::{Span, Timestamp};
    use proptest::collection::vec;
    use proptest::prelude::*;

    proptest! {
        /// Held against all moments in order, path by path. Paths may end early and may stand still.
        #[test]
        fn every_rank_is_that_of_all_moments_in_order(
            paths in vec(vec(prop_oneof![Just(0.0), 0.0..20.0], 1..9), 1..8),
            mut amounts in vec(0.01..90.0, 1..12),
        ) {
            amounts.sort_unstable_by(f64::total_cmp);
            let futures = Futures {
                from: Timestamp::from_ms(0),
                step: Span::from_hours(24),
                paths,
                basis: String::new(),
            };
            let course = Course::along(&|t| t, &futures);
            let along = course.reach(0.0);
            let mut arrivals = Arrivals::new(&along, amounts.clone());
            let moments = || {
                let each = |path| amounts.iter().map(move |amount| (path, *amount));
                (0..along.len()).flat_map(each).map(|(path, amount)| along.moment(path, amount))
            };
            let mut sorted: Vec<Timestamp> = moments().flatten().map(|(at, _)| at).collect();
            sorted.sort_unstable();
            for (rank, at) in sorted.iter().enumerate() {
                prop_assert_eq!(arrivals.days(rank).map(|days| along.after(days)), Some(*at));
            }
            prop_assert_eq!(arrivals.days(sorted.len()), None);
            let held = moments().flatten().any(|(_, held)| held);
            prop_assert_eq!(arrivals.held_and_never(), (held, sorted.len() < arrivals.len()));
        }
    }
}
