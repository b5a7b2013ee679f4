//! A daily swing too wide for this water.
//!
//! Water is slow; air is not. The swing (highest minus lowest value) of the latest 24 hours is
//! held against the middle of the swings of the latest days.

use super::{Quality, median};
use crate::time::{Span, Timestamp};
use std::collections::VecDeque;

const DAY: Span = Span::from_hours(24);
/// Length of the parts in which the latest day is kept.
const PART: Span = Span::from_minutes(15);
/// Days remembered, and days needed before anything is said.
const DAYS: usize = 21;
const NEEDED: usize = 3;
/// Swing that is suspicious: times the usual and °C above it, both.
const WIDE: (f64, f64) = (2.0, 3.0);
/// The suspicion ends under this many times the usual.
const CALM: f64 = 1.6;
/// Swing that is suspicious before the usual one is known, °C.
const UNKNOWN: f64 = 12.0;
/// Swing that water does not have, and least distance from the usual level, °C.
const ABSURD: (f64, f64) = (3.0, 8.0);

#[derive(Clone, Copy, Debug)]
struct Part {
    start: Timestamp,
    low: f64,
    high: f64,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Swing {
    parts: VecDeque<Part>,
    /// Swing and middle of each of the latest days.
    days: VecDeque<(f64, f64)>,
    usual: Option<f64>,
    day_start: Option<Timestamp>,
    suspicious: bool,
}

impl Swing {
    /// The usual swing, °C, once enough days are known.
    pub(super) fn usual(&self) -> Option<f64> {
        self.usual
    }

    pub(super) fn take(&mut self, at: Timestamp, value: f64, interval: Span) -> Quality {
        if interval > Span::from_hours(3) {
            return Quality::Good;
        }
        self.add(at, value);
        self.close_day(at, interval);
        let (low, high) = self.span();
        let swing = high - low;
        let Some(usual) = self.usual() else {
            return if swing > UNKNOWN { Quality::Uncertain } else { Quality::Good };
        };
        let wide = (WIDE.0 * usual).max(usual + WIDE.1);
        let calm = (CALM * usual).max(usual + WIDE.1 * 0.6);
        self.suspicious = swing > wide || (self.suspicious && swing > calm);
        if !self.suspicious {
            return Quality::Good;
        }
        let absurd = (ABSURD.0 * usual).max(usual + ABSURD.1);
        let level =
            median(&mut self.days.iter().rev().take(7).map(|d| d.1).collect::<Vec<_>>()).unwrap_or(value);
        let far = (value - level).abs() > (1.5 * usual).max(ABSURD.1 * 0.75);
        if swing > absurd && far { Quality::Bad } else { Quality::Uncertain }
    }

    fn add(&mut self, at: Timestamp, value: f64) {
        while self.parts.front().is_some_and(|p| at.since(p.start) >= DAY) {
            self.parts.pop_front();
        }
        if let Some(part) = self.parts.back_mut()
            && at.since(part.start) < PART
        {
            part.low = part.low.min(value);
            part.high = part.high.max(value);
            return;
        }
        self.parts.push_back(Part { start: at, low: value, high: value });
    }

    fn span(&self) -> (f64, f64) {
        self.parts.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p.low), h.max(p.high)))
    }

    /// Remembers a day that was measured through.
    fn close_day(&mut self, at: Timestamp, interval: Span) {
        let start = *self.day_start.get_or_insert(at);
        if at.since(start) < DAY {
            return;
        }
        self.day_start = Some(at);
        let step = interval.ms().max(PART.ms());
        let expected = DAY.ms() / step;
        let seen = i64::try_from(self.parts.len()).unwrap_or(i64::MAX);
        if seen * 4 >= expected * 3 {
            let (low, high) = self.span();
            if self.days.len() == DAYS {
                self.days.pop_front();
            }
            self.days.push_back((high - low, f64::midpoint(high, low)));
            if self.days.len() >= NEEDED {
                self.usual = median(&mut self.days.iter().map(|d| d.0).collect::<Vec<_>>());
            }
        }
    }
}
