//! Eggs of one origin in one jar.

use super::eggs::{Eggs, apportion};
use crate::enumeration::Estimate;
use crate::proportion::Interval;

/// Where eggs come from: the eggs of one take in one lot.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Origin {
    /// Year of the season.
    pub season: i32,
    /// Key of the species.
    pub species: String,
    /// Lake or river of the parents.
    pub water: String,
    /// Take.
    pub take: String,
    /// Lot.
    pub lot: String,
}

/// Eggs there when a sample was dipped, and the share that was eyed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sampled {
    pub base: Eggs,
    pub eyed: Interval,
}

/// Eggs of one origin that are in one place.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub(super) struct Account {
    /// Poured in.
    pub put_in: Eggs,
    /// Drawn off or found dead.
    pub removed: Eggs,
    /// Settled volume when poured in, microlitres.
    pub volume_ul: i64,
    /// Errors of the count, as standard deviations in eggs.
    pub random: f64,
    pub shared: f64,
    /// Latest sample of eyed eggs.
    pub sampled: Option<Sampled>,
}

impl Account {
    /// Still there by the books; may fall a little below zero within the error of the count.
    pub fn left(&self) -> Eggs {
        self.put_in - self.removed
    }

    /// Takes a share out, to the nearest thousandth of an egg; what is left stays.
    pub fn take_out(&mut self, share: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "a share of an i64 fits one")]
        let part = |whole: i64| (whole as f64 * share).round() as i64;
        let out = Self {
            put_in: Eggs::from_thousandths(part(self.put_in.thousandths())),
            removed: Eggs::from_thousandths(part(self.removed.thousandths())),
            volume_ul: part(self.volume_ul),
            random: self.random * share,
            shared: self.shared * share,
            sampled: self.sampled.map(|sampled| Sampled {
                base: Eggs::from_thousandths(part(sampled.base.thousandths())),
                ..sampled
            }),
        };
        self.put_in -= out.put_in;
        self.removed -= out.removed;
        self.volume_ul -= out.volume_ul;
        self.random -= out.random;
        self.shared -= out.shared;
        if let (Some(own), Some(theirs)) = (&mut self.sampled, out.sampled) {
            own.base -= theirs.base;
        }
        out
    }

    /// Pours another account of the same origin in.
    pub fn pour_in(&mut self, other: Self) {
        self.put_in += other.put_in;
        self.removed += other.removed;
        self.volume_ul += other.volume_ul;
        self.random += other.random;
        self.shared += other.shared;
        self.sampled = match (self.sampled, other.sampled) {
            (Some(own), Some(theirs)) => Some(join(own, theirs)),
            (one, None) | (None, one) => one,
        };
    }

    /// Put in, with the error of the count.
    pub fn eggs_in(&self) -> Estimate {
        Estimate { value: self.put_in.get(), random: self.random, shared: self.shared }
    }

    /// Left by the siphon: an error of the count bears on what is left, that of the siphon on what was
    /// removed.
    pub fn alive_by_siphon(&self) -> Estimate {
        let left = self.left().get().max(0.0);
        let share = if self.put_in > Eggs::ZERO { left / self.put_in.get() } else { 0.0 };
        Estimate {
            value: left,
            random: (self.random * share).hypot(super::SIPHON_ERROR * self.removed.get()),
            shared: self.shared * share,
        }
    }
}

/// Two samples of the same origin as one, weighted by the eggs they stand for.
fn join(own: Sampled, theirs: Sampled) -> Sampled {
    let base = own.base + theirs.base;
    if base <= Eggs::ZERO {
        return own;
    }
    let weight = |sampled: Sampled| sampled.base.get() / base.get();
    Sampled { base, eyed: own.eyed.scaled(weight(own)).plus(theirs.eyed.scaled(weight(theirs))) }
}

/// Divides eggs over accounts by what is left in each.
pub(super) fn over_left<'a>(eggs: Eggs, accounts: impl Iterator<Item = &'a Account>) -> Vec<Eggs> {
    let weights: Vec<i64> = accounts.map(|account| account.left().or_none().thousandths()).collect();
    apportion(eggs.thousandths(), &weights).into_iter().map(Eggs::from_thousandths).collect()
}
