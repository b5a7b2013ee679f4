//! Spikes, short visits to another level, and jumps.
//!
//! A sample is compared with the middle of the accepted past and the middle of the last part of
//! its wait. Where it lies beyond both on the same side, the smaller distance is its *excursion*.
//! The usual excursion of the series is learned, so a lively creek and a calm tank each get their
//! own limit.

use super::{Mark, Quality, Reason, median};
use crate::time::{Span, Timestamp};
use std::collections::VecDeque;

/// Values of the past kept, thinned to this many in the window.
const KEPT: i64 = 16;
/// Excursion that is uncertain and that is bad: at least, °C, and in usual excursions.
const UNCERTAIN: (f64, f64) = (0.8, 15.0);
const BAD: (f64, f64) = (3.5, 40.0);
/// Step between neighbours that is a jump: at least, °C, and in usual steps.
const JUMP: (f64, f64) = (3.0, 15.0);
/// Step that, with unchanged values behind it, is no step of the water.
const ENTRY: (f64, f64) = (1.0, 12.0);
/// A new level is believed after this long.
const BELIEVED_AFTER: Span = Span::from_hours(12);
/// What is learned follows the series over this long; at first over all that was seen.
const MEMORY: Span = Span::from_hours(48);

/// The neighbourhood of the sample to be judged.
pub(super) struct Surroundings<'a> {
    pub(super) interval: Span,
    pub(super) wait: Span,
    pub(super) waiting: &'a VecDeque<Mark>,
}

#[derive(Clone, Debug)]
pub(super) struct Level {
    past: VecDeque<(Timestamp, f64)>,
    middle: Option<f64>,
    usual_excursion: f64,
    usual_step: f64,
    before: Option<(Timestamp, f64)>,
    learned: f64,
    /// When the series left its level.
    left: Option<Timestamp>,
    visiting: bool,
}

impl Default for Level {
    fn default() -> Self {
        Self {
            past: VecDeque::new(),
            middle: None,
            usual_excursion: 0.05,
            usual_step: 0.1,
            before: None,
            learned: 10.0,
            left: None,
            visiting: false,
        }
    }
}

impl Level {
    /// A change between neighbours beyond this is a jump, °C.
    pub(super) fn small_step(&self) -> f64 {
        ENTRY.0.max(ENTRY.1 * self.usual_step)
    }

    fn step_limit(&self) -> f64 {
        JUMP.0.max(JUMP.1 * self.usual_step)
    }

    pub(super) fn judge(
        &mut self,
        at: Timestamp,
        value: f64,
        around: &Surroundings<'_>,
    ) -> (Quality, Reason) {
        let window = Span::from_ms((around.interval.ms() * 3).max(Span::from_minutes(30).ms()));
        let stale = Span::from_ms((around.interval.ms() * 4).max(Span::from_hours(12).ms()));
        if self.past.back().is_some_and(|(last, _)| at.since(*last) > stale) {
            self.forget();
        }
        let future = future(at, around);
        let Some(past) = self.middle else {
            // The first reading of a series must not set the level when its successors disagree.
            if future.is_some_and(|f| (value - f).abs() > self.step_limit() * scarce(around.interval)) {
                return (Quality::Uncertain, Reason::Spike);
            }
            self.accept(at, value, window, around.interval);
            return (Quality::Good, Reason::None);
        };
        let beyond = |v: f64| excursion(v, past, future.unwrap_or(v));
        let next = around.waiting.iter().find_map(usable);
        // On a steep flank the wide comparison hides a single sample; its neighbours do not.
        let single = self.before.zip(next).map_or(0.0, |((_, before), next)| excursion(value, before, next));
        let excursion = beyond(value).max(single);
        let bad = BAD.0.max(BAD.1 * self.usual_excursion);
        let uncertain = (UNCERTAIN.0 * scarce(around.interval)).max(UNCERTAIN.1 * self.usual_excursion);
        // A long visit must not become usual while it lasts.
        let most = if excursion > uncertain {
            1.5 * self.usual_excursion
        } else {
            4.0 * self.usual_excursion + 0.01
        };
        self.usual_excursion += (excursion.min(most) - self.usual_excursion) * self.pace(around.interval);
        if excursion > uncertain {
            let stays = next.is_some_and(|v| beyond(v) > uncertain);
            let reason = if stays || self.visiting { Reason::SiteVisit } else { Reason::Spike };
            self.visiting = true;
            return (if excursion > bad { Quality::Bad } else { Quality::Uncertain }, reason);
        }
        self.visiting = false;
        if (value - past).abs() > self.step_limit() * scarce(around.interval) {
            let left = *self.left.get_or_insert(at);
            if at.since(left) <= BELIEVED_AFTER {
                return (Quality::Uncertain, Reason::Jump);
            }
            self.forget();
        }
        self.left = None;
        self.accept(at, value, window, around.interval);
        (Quality::Good, Reason::None)
    }

    /// The middle of the accepted past, °C.
    pub(super) fn accepted(&self) -> Option<f64> {
        self.middle
    }

    fn forget(&mut self) {
        self.past.clear();
        self.middle = None;
        self.left = None;
        self.before = None;
    }

    /// Share by which a new value moves what is learned.
    fn pace(&self, interval: Span) -> f64 {
        (interval.hours() / MEMORY.hours()).max(1.0 / self.learned).min(0.02)
    }

    fn accept(&mut self, at: Timestamp, value: f64, window: Span, interval: Span) {
        self.learned += 1.0;
        if let Some((then, before)) = self.before.replace((at, value))
            && at.since(then) <= window
        {
            let step = (value - before).abs();
            self.usual_step +=
                (step.min(4.0 * self.usual_step + 0.01) - self.usual_step) * self.pace(interval);
        }
        if self.past.back().is_some_and(|(last, _)| at.since(*last).ms() < window.ms() / KEPT) {
            return;
        }
        self.past.push_back((at, value));
        while self.past.front().is_some_and(|(first, _)| at.since(*first) > window) {
            self.past.pop_front();
        }
        self.middle = median(&mut self.past.iter().map(|(_, v)| *v).collect::<Vec<_>>());
    }
}

/// Readings many hours apart differ more: the square root of the hours, as in a random walk.
fn scarce(interval: Span) -> f64 {
    interval.hours().sqrt().max(1.0)
}

/// How far `value` lies beyond both others on the same side, °C.
fn excursion(value: f64, past: f64, future: f64) -> f64 {
    (value - past.max(future)).max(past.min(future) - value).max(0.0)
}

pub(super) fn usable(mark: &Mark) -> Option<f64> {
    mark.value.filter(|_| mark.quality != Quality::Bad && mark.reason != Reason::OutOfOrder)
}

/// The middle of the last quarter of the wait, or of all of it where that is empty.
fn future(at: Timestamp, around: &Surroundings<'_>) -> Option<f64> {
    let from = around.wait.ms() / 4 * 3;
    let late = around.waiting.iter().rev().take_while(|m| m.at.since(at).ms() >= from).count();
    let thin = |count: usize| (count / 16).max(1);
    let mut values: Vec<f64> =
        around.waiting.iter().rev().take(late).step_by(thin(late)).filter_map(usable).collect();
    if values.is_empty() {
        values = around.waiting.iter().step_by(thin(around.waiting.len())).filter_map(usable).collect();
    }
    median(&mut values)
}
