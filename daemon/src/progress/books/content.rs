//! Eggs in one jar, with the way they came.

use crate::ids::LotId;
use crate::rack::JarIx;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;

/// A stretch of time in one jar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Where.
    pub jar: JarIx,
    /// Since when.
    pub from: Timestamp,
    /// Until when; `None` while it lasts.
    pub to: Option<Timestamp>,
}

/// A stage somebody saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// At least half of the live eggs eyed.
    Eyed,
    /// First fry.
    First,
    /// Most hatching.
    Peak,
    /// Last fry.
    Last,
}

/// Work at a jar that comes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Work {
    /// Dead eggs drawn off.
    Siphon,
    /// Any treatment.
    Treatment,
    /// Peroxide, which has a rest of its own.
    Peroxide,
    /// Set-point of the flow given.
    Flow,
    /// Sample of eyed eggs dipped.
    EyeUpSample,
    /// Read by hand.
    HandReading,
}

/// Eggs of one lot in one jar, with their way there.
#[derive(Clone, Debug, PartialEq)]
pub struct Content {
    /// Of which lot.
    pub lot: LotId,
    /// Where they have been since they were first poured into a jar.
    pub segments: Vec<Segment>,
    /// Eggs poured in, less those drawn off.
    pub eggs: Option<f64>,
    /// Settled litres poured in, less those drawn off.
    pub litres: f64,
    /// Stages seen by people.
    pub seen: BTreeMap<Seen, Timestamp>,
    /// When work was last done at the jar of these eggs.
    pub done: BTreeMap<Work, Timestamp>,
    /// Latest sample: when, eyed, of how many.
    pub sampled: Option<(Timestamp, u64, u64)>,
    /// Eye-up as two samples bracket it: the last without, the first with half of the eggs eyed.
    pub eyed_between: Option<(Timestamp, Timestamp)>,
    /// Eggs that were poured to these, each with its own way; their number is in `eggs` as well.
    pub poured_in: Vec<Content>,
}

/// Two samples further apart than this date no eye-up.
const BRACKET: Span = Span::from_hours(48);

impl Content {
    /// The moment a stage was seen, as good as it is known, or whether it may have come at any time
    /// before. A sample of eyed eggs says that eyes are there, not since when, unless another not
    /// long before found none.
    #[must_use]
    pub fn dated(&self, seen: Seen, at: Timestamp) -> (Timestamp, bool) {
        if seen != Seen::Eyed {
            return (at, false);
        }
        match self.eyed_between.filter(|(without, with)| with.since(*without) <= BRACKET) {
            Some((without, with)) => (without + Span::from_ms(with.since(without).ms() / 2), false),
            None => (at, true),
        }
    }

    /// These eggs and those poured to them, each with its own way.
    pub fn parts(&self) -> impl Iterator<Item = &Self> {
        std::iter::once(self).chain(&self.poured_in)
    }

    fn each(&mut self, mut act: impl FnMut(&mut Self)) {
        self.poured_in.iter_mut().for_each(&mut act);
        act(self);
    }

    /// The eggs leave their jar.
    pub(super) fn leave(&mut self, at: Timestamp) {
        self.each(|part| {
            if let Some(last) = part.segments.last_mut() {
                last.to = Some(at);
            }
        });
    }

    /// The eggs come into a jar.
    pub(super) fn arrive(&mut self, jar: JarIx, at: Timestamp) {
        self.each(|part| part.segments.push(Segment { jar, from: at, to: None }));
    }

    /// A stage was seen in the jar; the first sighting of a stage stays.
    pub(super) fn see(&mut self, seen: Seen, at: Timestamp) {
        self.each(|part| {
            part.seen.entry(seen).or_insert(at);
        });
    }

    /// A share is taken out; what is left stays.
    pub(super) fn take_out(&mut self, share: f64) -> Self {
        let mut out = self.clone();
        out.each(|part| part.scale(share));
        self.each(|part| part.scale(1.0 - share));
        out
    }

    /// All numbers times a factor.
    pub(super) fn scale(&mut self, factor: f64) {
        self.eggs = self.eggs.map(|eggs| eggs * factor);
        self.litres *= factor;
    }

    /// Eggs already here get others poured to them.
    pub(super) fn pour_in(&mut self, mut other: Self) {
        self.litres += other.litres;
        self.eggs = self.eggs.zip(other.eggs).map(|(a, b)| a + b);
        for (work, at) in &other.done {
            let here = self.done.entry(*work).or_insert(*at);
            *here = (*here).max(*at);
        }
        let before = std::mem::take(&mut other.poured_in);
        self.poured_in.push(other);
        self.poured_in.extend(before);
    }
}
