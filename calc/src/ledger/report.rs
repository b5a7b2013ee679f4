//! What the books say, by jar, lot, take, water, species or season.

use super::SIPHON_ERROR;
use super::account::{Account, Origin};
use super::books::Books;
use super::eggs::{Eggs, apportion};
use crate::breeders::{Breeders, Spawners, pooled};
use crate::enumeration::Estimate;
use crate::proportion::Interval;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Share of the eggs in from which a gap between the two estimates is worth a word (own choice).
const GAP_WORTH_A_WORD: f64 = 0.05;
/// Share of the eggs that samples must stand for before a forecast is made from them (own choice).
const ENOUGH_SAMPLED: f64 = 0.5;

/// What the lines of a report are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Jars; eggs count where they are or were when emptied.
    Jar,
    /// Lots.
    Lot,
    /// Takes.
    Take,
    /// Waters the parents came from.
    Water,
    /// Species.
    Species,
    /// Seasons.
    Season,
}

/// One line of a report.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Put into jars, with the error of the count.
    pub eggs_in: Estimate,
    /// The same number as the books have it, exact.
    pub eggs_in_exact: Eggs,
    /// Siphoned off or found dead.
    pub removed: Eggs,
    /// First estimate of the living: in less removed.
    pub alive_by_siphon: Estimate,
    /// Second estimate: eggs there when dipped × share eyed; `None` before a sample.
    pub alive_by_eye_up: Option<Interval>,
    /// Share of the eggs in whose jar was dipped.
    pub sampled_share: f64,
    /// The two estimates differ by more than their errors.
    pub gap: Option<Gap>,
    /// Share fertilized, over the takes where it was counted.
    pub fertilized: Option<Interval>,
    /// Share eyed in the dips.
    pub eye_up: Option<Interval>,
    /// Fry to expect: alive by eye-up × eyed that hatch.
    pub fry_expected: Option<Interval>,
    /// Fry counted.
    pub fry_out: Option<Estimate>,
    /// Fry counted over eggs in.
    pub hatch: Option<Interval>,
    /// Put into waters.
    pub stocked: Eggs,
    /// Held back.
    pub held: Eggs,
    /// Fry found dead.
    pub fry_dead: Eggs,
    /// Parents; the effective number is an upper bound.
    pub breeders: Option<Breeders>,
}

/// The two estimates of the living do not agree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// By siphon less by eye-up, eggs.
    pub eggs: f64,
    /// The same as a share of the eggs in.
    pub share: f64,
    /// What it may mean.
    pub meaning: Meaning,
}

/// What a gap may mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// More left by the siphon than the samples say live.
    DeadInJar,
    /// More live by the samples than the siphon has left.
    TooMuchSiphoned,
}

impl fmt::Display for Gap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let about = crate::enumeration::group_digits(crate::enumeration::round_known(
            self.eggs.abs(),
            0.2 * self.eggs.abs(),
        ));
        match self.meaning {
            Meaning::DeadInJar => write!(
                f,
                "the two estimates differ by about {about} eggs: dead eggs still in the jar, or eggs lost over the lip"
            ),
            Meaning::TooMuchSiphoned => write!(
                f,
                "the two estimates differ by about {about} eggs: live eggs siphoned off with the dead, or dips not well mixed"
            ),
        }
    }
}

impl Books {
    /// The books line by line; every egg is in exactly one line.
    #[must_use]
    pub fn report(&self, level: Level) -> BTreeMap<String, Line> {
        let fry = self.fry(level);
        let mut groups: BTreeMap<String, Vec<(&Origin, &Account)>> = BTreeMap::new();
        for (jar, origin, account) in self.places() {
            groups.entry(key(level, jar, origin)).or_default().push((origin, account));
        }
        groups
            .into_iter()
            .map(|(name, accounts)| {
                let fry = fry.get(&name).copied().unwrap_or_default();
                let line = self.line(&accounts, fry);
                (name, line)
            })
            .collect()
    }

    /// Stocked by the water it went into.
    #[must_use]
    pub fn stocked_by_water(&self) -> BTreeMap<String, Eggs> {
        let mut sums: BTreeMap<String, Eggs> = BTreeMap::new();
        for (water, fry) in self.lots.values().flat_map(|lot| &lot.stocked) {
            *sums.entry(water.clone()).or_default() += *fry;
        }
        sums
    }

    fn line(&self, accounts: &[(&Origin, &Account)], fry: Fry) -> Line {
        let eggs_in = total(accounts, Account::eggs_in);
        let alive_by_siphon = total(accounts, Account::alive_by_siphon);
        let eggs_in_exact: Eggs = accounts.iter().map(|(_, account)| account.put_in).sum();
        let removed: Eggs = accounts.iter().map(|(_, account)| account.removed).sum();
        let eyed = Eyed::of(accounts, eggs_in);
        let enough = |eyed: &&Eyed| eyed.sampled_share >= ENOUGH_SAMPLED;
        let fry_expected = eyed
            .as_ref()
            .filter(enough)
            .map(|eyed| eyed.alive.scaled(1.0 / eyed.sampled_share).times(self.eyed_to_hatch));
        let takes: BTreeSet<&str> = accounts.iter().map(|(origin, _)| origin.take.as_str()).collect();
        Line {
            gap: eyed.as_ref().and_then(|eyed| eyed.gap(eggs_in_exact, removed)),
            alive_by_eye_up: eyed.as_ref().map(|eyed| eyed.alive),
            sampled_share: eyed.as_ref().map_or(0.0, |eyed| eyed.sampled_share),
            eye_up: eyed.as_ref().map(|eyed| eyed.share),
            fertilized: self.fertilized_share(accounts),
            fry_expected,
            hatch: fry.out.map(|out| out.interval().over(eggs_in.interval())),
            fry_out: fry.out,
            stocked: fry.stocked,
            held: fry.held,
            fry_dead: fry.dead,
            breeders: self.breeders(&takes),
            eggs_in,
            eggs_in_exact,
            removed,
            alive_by_siphon,
        }
    }

    fn fertilized_share(&self, accounts: &[(&Origin, &Account)]) -> Option<Interval> {
        let known: Vec<(f64, Interval)> = accounts
            .iter()
            .filter_map(|(origin, account)| {
                Some((account.put_in.get(), self.takes.get(&origin.take)?.fertilized?.interval))
            })
            .collect();
        weighted(&known)
    }

    fn breeders(&self, takes: &BTreeSet<&str>) -> Option<Breeders> {
        let mut books: Vec<(usize, Spawners)> = takes
            .iter()
            .filter_map(|take| self.takes.get(*take))
            .map(|book| (book.order, book.record.spawners))
            .collect();
        books.sort_by_key(|(order, _)| *order);
        let spawners: Vec<Spawners> = books.into_iter().map(|(_, spawners)| spawners).collect();
        pooled(&spawners).ok()
    }

    /// Fry of each line. Those of a lot are put down to its places by the eggs put in, those counted out
    /// of one jar to that jar's.
    fn fry(&self, level: Level) -> BTreeMap<String, Fry> {
        let mut sums: BTreeMap<String, Fry> = BTreeMap::new();
        for (lot, book) in &self.lots {
            let places: Vec<(&str, &Origin, &Account)> =
                self.places().filter(|(_, origin, _)| origin.lot == *lot).collect();
            let all: Vec<i64> = places.iter().map(|(_, _, account)| account.put_in.thousandths()).collect();
            let divided = |eggs: Eggs| apportion(eggs.thousandths(), &all);
            let stocked = divided(book.stocked.values().copied().sum());
            let (held, dead) = (divided(book.held), divided(book.dead));
            for (i, (jar, origin, _)) in places.iter().enumerate() {
                let sum = sums.entry(key(level, jar, origin)).or_default();
                sum.stocked += Eggs::from_thousandths(stocked[i]);
                sum.held += Eggs::from_thousandths(held[i]);
                sum.dead += Eggs::from_thousandths(dead[i]);
            }
            for (from, counted) in &book.fry {
                let weight = |(jar, _, account): &(&str, &Origin, &Account)| {
                    if from.is_empty() || jar == from { account.put_in.get() } else { 0.0 }
                };
                let whole: f64 = places.iter().map(weight).sum();
                // One count is one error: its shares are added up by line before lines are made.
                let mut shares: BTreeMap<String, f64> = BTreeMap::new();
                for place in &places {
                    *shares.entry(key(level, place.0, place.1)).or_default() += weight(place) / whole;
                }
                for (name, share) in shares.into_iter().filter(|(_, share)| *share > 0.0) {
                    let sum = sums.entry(name).or_default();
                    sum.out = Some(sum.out.unwrap_or(Estimate::ZERO).plus(counted.scaled(share)));
                }
            }
        }
        sums
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct Fry {
    out: Option<Estimate>,
    stocked: Eggs,
    held: Eggs,
    dead: Eggs,
}

/// What the eye-up samples of a line say.
struct Eyed {
    alive: Interval,
    /// The same without the error of the egg count, which both estimates share.
    alive_as_counted: Interval,
    share: Interval,
    sampled_share: f64,
}

impl Eyed {
    fn of(accounts: &[(&Origin, &Account)], eggs_in: Estimate) -> Option<Self> {
        let samples: Vec<(f64, Interval)> = accounts
            .iter()
            .filter_map(|(_, account)| account.sampled.map(|sampled| (sampled.base.get(), sampled.eyed)))
            .collect();
        let share = weighted(&samples)?;
        let base: f64 = samples.iter().map(|(base, _)| base).sum();
        let put_in: f64 = accounts.iter().map(|(_, account)| account.put_in.get()).sum();
        let stood_for: f64 = accounts
            .iter()
            .filter(|(_, account)| account.sampled.is_some())
            .map(|(_, account)| account.put_in.get())
            .sum();
        let count = eggs_in.interval();
        let there = count.scaled(base / count.likely);
        Some(Self {
            alive: there.times(share),
            alive_as_counted: share.scaled(base),
            share,
            sampled_share: stood_for / put_in,
        })
    }

    /// A gap beyond the errors of dips and siphon. Both estimates rest on the same count of eggs, so its
    /// error plays no part.
    fn gap(&self, put_in: Eggs, removed: Eggs) -> Option<Gap> {
        if self.sampled_share < 0.999 {
            return None;
        }
        let left = (put_in - removed).get();
        let slack = 1.96 * SIPHON_ERROR * removed.get();
        let siphon = Interval { low: left - slack, likely: left, high: left + slack };
        let eggs = left - self.alive_as_counted.likely;
        let share = eggs / put_in.get();
        if siphon.meets(self.alive_as_counted) || share.abs() < GAP_WORTH_A_WORD {
            return None;
        }
        let meaning = if eggs > 0.0 { Meaning::DeadInJar } else { Meaning::TooMuchSiphoned };
        Some(Gap { eggs, share, meaning })
    }
}

/// Mean of intervals by weight; `None` when there is nothing to weigh.
fn weighted(parts: &[(f64, Interval)]) -> Option<Interval> {
    let whole: f64 = parts.iter().map(|(weight, _)| weight).sum();
    (whole > 0.0).then(|| {
        parts.iter().fold(Interval::exactly(0.0), |sum, (weight, part)| sum.plus(part.scaled(weight / whole)))
    })
}

/// Sum over accounts: plain within a take, whose eggs share one count, else as independent counts.
fn total(accounts: &[(&Origin, &Account)], of: impl Fn(&Account) -> Estimate) -> Estimate {
    let mut by_take: BTreeMap<&str, Estimate> = BTreeMap::new();
    for (origin, account) in accounts {
        let sum = by_take.entry(origin.take.as_str()).or_insert(Estimate::ZERO);
        let add = of(account);
        *sum = Estimate {
            value: sum.value + add.value,
            random: sum.random + add.random,
            shared: sum.shared + add.shared,
        };
    }
    by_take.into_values().fold(Estimate::ZERO, Estimate::plus)
}

fn key(level: Level, jar: &str, origin: &Origin) -> String {
    match level {
        Level::Jar => jar.to_owned(),
        Level::Lot => origin.lot.clone(),
        Level::Take => origin.take.clone(),
        Level::Water => origin.water.clone(),
        Level::Species => origin.species.clone(),
        Level::Season => origin.season.to_string(),
    }
}
