//! Fault marks on a series of water temperatures.
//!
//! A [`Detector`] takes readings one by one and gives back one [`Mark`] for each, in order, once
//! its short wait is over. It uses only the past and that wait, keeps a bounded memory, and learns
//! the sampling interval, the usual change, the usual daily swing and the usual length of unchanged
//! runs from the data. What it looks for, in the order of the reasons: codes a logger sends in
//! place of a value, values that water cannot have, single spikes, short visits to another level
//! (a probe lifted out to be cleaned), lasting jumps, values that no longer move, a daily swing too
//! wide or readings too restless for this water (a probe in the air) and a slow departure from the header tank.
//!
//! *Bad* is kept for what water cannot do; *uncertain* is a reading that a person should look at.
//! The limits are common practice of environmental data checking (range, spike, rate, persistence
//! and neighbour tests); their numbers are our own choice, tried on open labelled records.
//!
//! ```
//! use nightjar_calc::series::{Quality, Reason, Settings, mark_all};
//! use nightjar_calc::time::Timestamp;
//! let rows: Vec<_> = (0..200_i32)
//!     .map(|i| {
//!         let value = if i == 100 { -9999.0 } else { 8.0 + f64::from(i % 7) / 100.0 };
//!         (Timestamp::from_ms(i64::from(i) * 900_000), Some(value))
//!     })
//!     .collect();
//! let marks = mark_all(rows, Settings::default());
//! assert_eq!(marks.len(), 200);
//! assert_eq!((marks[100].quality, marks[100].reason), (Quality::Bad, Reason::Sentinel));
//! assert_eq!(marks[101].quality, Quality::Good);
//! ```

mod beside;
mod interval;
mod level;
mod plausible;
mod restless;
mod run;
mod swing;

use crate::time::{Span, Timestamp};
use std::collections::VecDeque;
use std::fmt;

/// How far a reading can be trusted, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// Nothing against it.
    Good,
    /// A person should look at it.
    Uncertain,
    /// Not a temperature of the water.
    Bad,
}

/// Why a reading is not good.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// Nothing against it.
    None,
    /// No value was sent.
    Missing,
    /// A code in place of a value, such as −9999, or not a finite number.
    Sentinel,
    /// Outside what the water can have.
    Range,
    /// One sample far from those before and after it.
    Spike,
    /// A short stay at another level, or the first reading after an interruption.
    SiteVisit,
    /// A jump that did not come back within the wait.
    Jump,
    /// The same value for longer than this water and this sensor ever hold it.
    Stuck,
    /// A daily swing too wide for this water: the probe is probably in the air.
    OutOfWater,
    /// Departs slowly from the header tank.
    Drift,
    /// Not later than the reading before it.
    OutOfOrder,
}

impl Quality {
    /// The word used in files.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Uncertain => "uncertain",
            Self::Bad => "bad",
        }
    }
}

impl Reason {
    /// The word used in files.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Missing => "missing",
            Self::Sentinel => "sentinel",
            Self::Range => "range",
            Self::Spike => "spike",
            Self::SiteVisit => "site-visit",
            Self::Jump => "jump",
            Self::Stuck => "stuck",
            Self::OutOfWater => "out-of-water",
            Self::Drift => "drift",
            Self::OutOfOrder => "out-of-order",
        }
    }
}

impl fmt::Display for Quality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The judgement of one reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Time of the reading.
    pub at: Timestamp,
    /// The reading as given, °C; `None` when missing.
    pub value: Option<f64>,
    /// How far it can be trusted.
    pub quality: Quality,
    /// Why not, or [`Reason::None`].
    pub reason: Reason,
}

impl Mark {
    /// Keeps the worse judgement; the first reason stays between equals.
    fn worsen(&mut self, quality: Quality, reason: Reason) {
        if quality > self.quality {
            self.quality = quality;
            self.reason = reason;
        }
    }
}

/// What can be set.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// How long a reading waits for its successors. A sampling interval longer than half of it
    /// makes the wait two intervals.
    pub wait: Span,
    /// Lowest temperature the water can have, °C.
    pub low: f64,
    /// Highest temperature the water can have, °C.
    pub high: f64,
    /// Values that loggers send in place of a reading, besides repeated nines.
    pub sentinels: Vec<f64>,
    /// Shortest unchanged time that can be called stuck.
    pub stuck_after: Span,
    /// Departure from the header that makes a reading uncertain, °C; three times it, bad.
    pub drift: f64,
    /// Most readings kept waiting.
    pub most_waiting: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            wait: Span::from_hours(2),
            low: -2.0,
            high: 40.0,
            sentinels: vec![-9999.0, -999.0, 7999.0, 6999.0, -6999.0, -127.0, 85.0, -273.15],
            stuck_after: Span::from_hours(1),
            drift: 0.5,
            most_waiting: 4096,
        }
    }
}

/// Marks one series as it arrives.
#[derive(Clone, Debug)]
pub struct Detector {
    settings: Settings,
    waiting: VecDeque<Mark>,
    newest: Option<Timestamp>,
    interval: interval::Interval,
    run: run::Run,
    level: level::Level,
    swing: swing::Swing,
    restless: restless::Restless,
    beside: beside::Beside,
    /// Rows without a usable value just before the one to be judged next.
    interrupted: u32,
}

impl Detector {
    /// A detector that has seen nothing.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            waiting: VecDeque::new(),
            newest: None,
            interval: interval::Interval::default(),
            run: run::Run::default(),
            level: level::Level::default(),
            swing: swing::Swing::default(),
            restless: restless::Restless::default(),
            beside: beside::Beside::default(),
            interrupted: 0,
        }
    }

    /// Takes a reading in °C; gives the marks whose wait is over, oldest first.
    pub fn push(&mut self, at: Timestamp, raw: Option<f64>) -> Vec<Mark> {
        self.push_beside(at, raw, None)
    }

    /// As [`push`](Self::push), with the temperature of the header tank at the same time, °C.
    pub fn push_beside(&mut self, at: Timestamp, raw: Option<f64>, header: Option<f64>) -> Vec<Mark> {
        let mut mark = Mark { at, value: raw, quality: Quality::Good, reason: Reason::None };
        if self.newest.is_some_and(|newest| at <= newest) {
            mark.worsen(Quality::Uncertain, Reason::OutOfOrder);
        } else {
            if let Some(newest) = self.newest {
                self.interval.learn(at.since(newest));
            }
            self.newest = Some(at);
        }
        let (quality, reason) = plausible::judge(raw, &self.settings);
        mark.worsen(quality, reason);
        if mark.quality == Quality::Good
            && let Some(value) = raw
        {
            self.arrive(&mut mark, value, header);
        }
        self.waiting.push_back(mark);
        self.release()
    }

    /// Judges what still waits with what is known; the detector can be used on.
    pub fn finish(&mut self) -> Vec<Mark> {
        let mut out = Vec::with_capacity(self.waiting.len());
        while let Some(mark) = self.waiting.pop_front() {
            out.push(self.judge(mark));
        }
        out
    }

    /// The sampling interval learned so far.
    #[must_use]
    pub fn interval(&self) -> Option<Span> {
        self.interval.usual()
    }

    fn arrive(&mut self, mark: &mut Mark, value: f64, header: Option<f64>) {
        let known = run::Known {
            stuck_after: self.settings.stuck_after,
            usual_swing: self.swing.usual(),
            small_step: self.level.small_step(),
            level: self.level.accepted(),
        };
        let verdict = self.run.take(mark.at, value, &known);
        if let Some((quality, since)) = verdict {
            mark.worsen(quality, Reason::Stuck);
            for earlier in self.waiting.iter_mut().rev() {
                if earlier.at < since {
                    break;
                }
                if earlier.value.is_some_and(|v| v.to_bits() == value.to_bits()) {
                    earlier.worsen(quality, Reason::Stuck);
                }
            }
        }
        if let Some(header) = header
            && plausible::judge(Some(header), &self.settings).0 == Quality::Good
        {
            mark.worsen(self.beside.take(mark.at, value - header, self.settings.drift), Reason::Drift);
        }
    }

    fn release(&mut self) -> Vec<Mark> {
        let Some(newest) = self.newest else { return Vec::new() };
        let wait = self.wait();
        let mut out = Vec::new();
        while let Some(first) = self.waiting.front() {
            if newest.since(first.at) < wait && self.waiting.len() <= self.settings.most_waiting {
                break;
            }
            let Some(mark) = self.waiting.pop_front() else { break };
            out.push(self.judge(mark));
        }
        out
    }

    fn wait(&self) -> Span {
        let two = self.interval.usual().map_or(0, |i| i.ms().saturating_mul(2));
        Span::from_ms(self.settings.wait.ms().max(two))
    }

    fn judge(&mut self, mut mark: Mark) -> Mark {
        let Some(value) =
            mark.value.filter(|_| mark.quality != Quality::Bad && mark.reason != Reason::OutOfOrder)
        else {
            self.interrupted =
                if mark.reason == Reason::OutOfOrder { self.interrupted } else { self.interrupted + 1 };
            return mark;
        };
        // A stuck value says nothing about the water: nothing is learned from it.
        if mark.reason == Reason::Stuck {
            return mark;
        }
        let surroundings = level::Surroundings {
            interval: self.interval.usual().unwrap_or(Span::from_minutes(15)),
            wait: self.wait(),
            waiting: &self.waiting,
        };
        let (quality, reason) = self.level.judge(mark.at, value, &surroundings);
        mark.worsen(quality, reason);
        // One lost sample says little about its neighbours; two or more are a visit or a failure.
        if self.interrupted >= 2 {
            mark.worsen(Quality::Uncertain, Reason::SiteVisit);
        }
        if self.interrupted > 0 {
            self.restless.forget();
        }
        self.interrupted = 0;
        let later = self.waiting.iter().filter_map(level::usable);
        let restless = self.restless.take(value, later, surroundings.interval);
        if !matches!(reason, Reason::Spike | Reason::SiteVisit) {
            mark.worsen(self.swing.take(mark.at, value, surroundings.interval), Reason::OutOfWater);
        }
        mark.worsen(restless, Reason::OutOfWater);
        mark
    }
}

/// Marks a whole series, one mark for each row, in order.
#[must_use]
pub fn mark_all(rows: impl IntoIterator<Item = (Timestamp, Option<f64>)>, settings: Settings) -> Vec<Mark> {
    let mut detector = Detector::new(settings);
    let mut marks = Vec::new();
    for (at, raw) in rows {
        marks.append(&mut detector.push(at, raw));
    }
    marks.append(&mut detector.finish());
    marks
}

/// The middle value; `None` of nothing.
fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
