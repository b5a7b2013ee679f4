//! When amounts are gained along many paths, by rank. Each amount is put into the step in which its path gains it;
//! moments are worked out only for the steps in which a rank falls.

use super::reach::Reach;

/// Stands for the step of what is never gained.
const NEVER: usize = usize::MAX;

/// Moments at which each of some amounts is gained along each path.
pub(super) struct Arrivals<'a> {
    along: &'a Reach<'a>,
    /// Amounts still missing, rising, all above 0.
    missing: Vec<f64>,
    /// The step in which each is gained, one path after the other.
    steps: Vec<usize>,
    /// How many are gained in each step.
    gained_in: Vec<usize>,
    /// A last value had to be held for one of them.
    pub(super) held: bool,
    /// The step that was looked at last, and the days from the issue of all that is gained in it.
    looked_at: (usize, Vec<f64>),
}

impl<'a> Arrivals<'a> {
    /// Of amounts that rise and lie ahead.
    pub(super) fn new(along: &'a Reach<'a>, missing: Vec<f64>) -> Self {
        let mut steps = Vec::with_capacity(missing.len() * along.len());
        let mut gained_in = Vec::new();
        let mut held = false;
        for path in 0..along.len() {
            let gained = along.gained(path);
            let mut at = 0;
            for missing in &missing {
                while gained.get(at).is_some_and(|sum| sum < missing) {
                    at += 1;
                }
                let step = if at < gained.len() { Some(at) } else { along.step_beyond(path, *missing) };
                held |= at == gained.len() && step.is_some();
                steps.push(step.unwrap_or(NEVER));
                if let Some(step) = step {
                    if gained_in.len() <= step {
                        gained_in.resize(step + 1, 0);
                    }
                    gained_in[step] += 1;
                }
            }
        }
        Self { along, missing, steps, gained_in, held, looked_at: (NEVER, Vec::new()) }
    }

    /// How many there are.
    pub(super) const fn len(&self) -> usize {
        self.steps.len()
    }

    /// Whether some never come.
    pub(super) fn some_never(&self) -> bool {
        self.gained_in.iter().sum::<usize>() < self.len()
    }

    /// Days from the issue of the moment with a rank, the earliest being 0; nothing when it never comes.
    pub(super) fn days(&mut self, rank: usize) -> Option<f64> {
        let mut within = rank;
        let step = self.gained_in.iter().position(|count| {
            let here = within < *count;
            within -= if here { 0 } else { *count };
            here
        })?;
        if self.looked_at.0 != step {
            self.look_at(step);
        }
        let (_, days, _) = self.looked_at.1.select_nth_unstable_by(within, f64::total_cmp);
        Some(*days)
    }

    fn look_at(&mut self, step: usize) {
        let (amounts, along) = (self.missing.len(), self.along);
        let gained = self.steps.iter().enumerate().filter(|(_, in_step)| **in_step == step);
        let days = gained.filter_map(|(at, _)| {
            let path = at / amounts;
            along.days_to(path, self.missing[at % amounts], step.min(along.gained(path).len()))
        });
        self.looked_at = (step, days.collect());
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
            prop_assert_eq!(arrivals.some_never(), sorted.len() < arrivals.len());
            prop_assert_eq!(arrivals.held, moments().flatten().any(|(_, held)| held));
        }
    }
}
