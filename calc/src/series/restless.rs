//! Readings that shake more than this water does: a loose contact, or a probe in moving air.
//!
//! The roughness of three neighbours `a, b, c` is `|a − 2b + c| / 2` (°C), which slow change leaves
//! near zero. The middle roughness over nine samples is not moved by one spike or one step; it is
//! held against the usual one.

use super::{Quality, median};
use crate::time::Span;
use std::collections::VecDeque;

/// Samples looked at, and how many of them at most come later.
const SAMPLES: usize = 9;
const LATER: usize = 4;
/// Roughness that is suspicious: at least, °C, and in usual roughnesses.
const ROUGH: (f64, f64) = (0.3, 10.0);
/// What is usual follows the series over this long.
const MEMORY: Span = Span::from_hours(48);

#[derive(Clone, Debug)]
pub(super) struct Restless {
    earlier: VecDeque<f64>,
    usual: f64,
    learned: f64,
}

impl Default for Restless {
    fn default() -> Self {
        Self { earlier: VecDeque::new(), usual: 0.05, learned: 10.0 }
    }
}

impl Restless {
    /// Begins anew after an interruption.
    pub(super) fn forget(&mut self) {
        self.earlier.clear();
    }

    /// `later` gives the usable samples after this one, nearest first.
    pub(super) fn take(&mut self, value: f64, later: impl Iterator<Item = f64>, interval: Span) -> Quality {
        self.earlier.push_back(value);
        let later: Vec<f64> = later.take(LATER).collect();
        while self.earlier.len() + later.len() > SAMPLES {
            self.earlier.pop_front();
        }
        let all: Vec<f64> = self.earlier.iter().copied().chain(later.iter().copied()).collect();
        if all.len() < SAMPLES {
            return Quality::Good;
        }
        let mut rough: Vec<f64> = all
            .iter()
            .zip(all.iter().skip(1))
            .zip(all.iter().skip(2))
            .map(|((a, b), c)| (a - 2.0 * b + c).abs() / 2.0)
            .collect();
        let Some(now) = median(&mut rough) else { return Quality::Good };
        let suspicious = now > ROUGH.0.max(ROUGH.1 * self.usual);
        self.learned += 1.0;
        let pace = (interval.hours() / MEMORY.hours()).max(1.0 / self.learned).min(0.02);
        // Slower upwards, so that a fault does not become usual while it lasts.
        let most = if suspicious { 1.5 * self.usual } else { 4.0 * self.usual + 0.005 };
        self.usual += (now.min(most) - self.usual) * pace;
        if suspicious { Quality::Uncertain } else { Quality::Good }
    }
}
