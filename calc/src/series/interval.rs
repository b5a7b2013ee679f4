//! The sampling interval, learned as the middle of the latest distances.

use crate::time::Span;
use std::collections::VecDeque;

const KEPT: usize = 31;

#[derive(Clone, Debug, Default)]
pub(super) struct Interval {
    latest: VecDeque<i64>,
    middle: Option<Span>,
}

impl Interval {
    pub(super) fn learn(&mut self, distance: Span) {
        if self.latest.len() == KEPT {
            self.latest.pop_front();
        }
        self.latest.push_back(distance.ms());
        let mut sorted: Vec<i64> = self.latest.iter().copied().collect();
        sorted.sort_unstable();
        self.middle = sorted.get(sorted.len() / 2).copied().map(Span::from_ms);
    }

    pub(super) fn usual(&self) -> Option<Span> {
        self.middle
    }
}
