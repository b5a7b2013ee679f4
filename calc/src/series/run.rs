//! Values that no longer move.
//!
//! A run of equal values is stuck when it is longer than chance and this water allow: with `p` the
//! learned share of samples equal to their predecessor, a run of `n` has the chance `pⁿ`; and it
//! must outlast the runs this series has shown before. Equal values that were reached by a jump
//! need no such patience.

use super::Quality;
use crate::time::{Span, Timestamp};

/// Logarithm of the chance below which a run is no accident.
const CHANCE: f64 = -13.8; // one in a million
/// Fewest equal samples that can be stuck, and fewest behind a jump.
const FEWEST: f64 = 6.0;
const FEWEST_AFTER_JUMP: f64 = 3.0;
/// Logarithm of the chance that is enough behind a jump.
const CHANCE_AFTER_JUMP: f64 = -6.9; // one in a thousand
/// How far a run must outlast the longest natural one
/// (and by the share of equal samples more: a coarse sensor has runs of very unequal lengths).
const OUTLAST: f64 = 1.1;
/// The longest natural run is forgotten with this half-life.
const FORGET_HOURS: f64 = 30.0 * 24.0;
/// A change over a longer silence is no jump.
const SILENCE: Span = Span::from_hours(12);
/// Freezing water stays at one value for days.
const ICE: f64 = 0.3;

/// What the rest of the detector knows.
pub(super) struct Known {
    pub(super) stuck_after: Span,
    pub(super) usual_swing: Option<f64>,
    /// A change between neighbours beyond this is a jump, °C.
    pub(super) small_step: f64,
    /// The level accepted last, °C; a jump back to it is none.
    pub(super) level: Option<f64>,
}

#[derive(Clone, Debug)]
pub(super) struct Run {
    value: Option<f64>,
    since: Timestamp,
    latest: Timestamp,
    length: f64,
    /// Entered by a jump.
    jumped: bool,
    flagged: bool,
    equal: f64,
    pairs: f64,
    longest: f64,
}

impl Default for Run {
    fn default() -> Self {
        Self {
            value: None,
            since: Timestamp::from_ms(0),
            latest: Timestamp::from_ms(0),
            length: 0.0,
            jumped: false,
            flagged: false,
            // Starts as if four of five had been equal, so that little is called stuck at first.
            equal: 16.0,
            pairs: 20.0,
            longest: 0.0,
        }
    }
}

impl Run {
    /// The judgement and the start of the run it holds for.
    pub(super) fn take(&mut self, at: Timestamp, value: f64, known: &Known) -> Option<(Quality, Timestamp)> {
        let before = self.value.replace(value);
        let apart = at.since(self.latest);
        self.longest *= 0.5_f64.powf(apart.hours().max(0.0) / FORGET_HOURS);
        self.latest = at;
        let Some(before) = before else {
            (self.since, self.length) = (at, 1.0);
            return None;
        };
        if before.to_bits() != value.to_bits() {
            let step = (value - before).abs();
            self.end(step <= known.small_step);
            self.count(0.0);
            let came_unstuck = self.flagged;
            (self.since, self.length, self.flagged) = (at, 1.0, false);
            // After a long silence any level may be right.
            let away = known.level.is_none_or(|level| (value - level).abs() > known.small_step);
            // Nor is the way out of a stuck run one.
            self.jumped = step > known.small_step && away && apart <= SILENCE && !came_unstuck;
            return None;
        }
        self.length += 1.0;
        let verdict = self.verdict(at, value, known);
        self.flagged |= verdict.is_some();
        if !self.flagged {
            self.count(1.0);
        }
        verdict.map(|quality| (quality, self.since))
    }

    fn verdict(&self, at: Timestamp, value: f64, known: &Known) -> Option<Quality> {
        let share = self.equal / self.pairs;
        if self.jumped && self.length >= (CHANCE_AFTER_JUMP / share.ln()).max(FEWEST_AFTER_JUMP) {
            return Some(Quality::Bad);
        }
        let lasted = at.since(self.since);
        if lasted < known.stuck_after || value.abs() <= ICE {
            return None;
        }
        let needed = (CHANCE / share.ln()).max(FEWEST).max(self.longest * (OUTLAST + share));
        if self.length < needed {
            return None;
        }
        let water_moves = known.usual_swing.is_some_and(|swing| swing > 0.5);
        let hopeless = water_moves && self.length >= 3.0 * needed && lasted >= Span::from_hours(12);
        Some(if hopeless { Quality::Bad } else { Quality::Uncertain })
    }

    /// A run that ends by a small step was the water's own; one that ends by a jump was not.
    fn end(&mut self, gently: bool) {
        if gently && !self.jumped {
            self.longest = self.longest.max(self.length);
        }
    }

    fn count(&mut self, equal: f64) {
        self.equal += equal;
        self.pairs += 1.0;
        if self.pairs > 3000.0 {
            self.equal /= 2.0;
            self.pairs /= 2.0;
        }
    }
}
