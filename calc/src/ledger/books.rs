//! What was done, entered in the order it happened.

use super::account::{Account, Origin, Sampled, over_left};
use super::eggs::{Eggs, apportion};
use super::error::{BookError, unknown};
use crate::breeders::Spawners;
use crate::enumeration::Estimate;
use crate::proportion::{Combined, Interval, LEVEL, Sample, combine};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A take as the books need it.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeRecord {
    /// Year of the season.
    pub season: i32,
    /// Key of the species.
    pub species: String,
    /// Lake or river of the parents.
    pub water: String,
    /// Fish stripped.
    pub spawners: Spawners,
    /// Eggs taken, if counted.
    pub eggs: Option<Estimate>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct TakeBook {
    pub record: TakeRecord,
    /// Order of entry, for males used again.
    pub order: usize,
    pub fertilized: Option<Combined>,
}

/// What became of the fry of a lot.
#[derive(Clone, Debug, PartialEq, Default)]
pub(super) struct LotBook {
    pub takes: Vec<String>,
    /// Counted, by the jar they came out of; the empty name when not kept apart.
    pub fry: BTreeMap<String, Estimate>,
    pub stocked: BTreeMap<String, Eggs>,
    pub held: Eggs,
    pub dead: Eggs,
}

/// Eggs of one place. Most places hold one account, and a node of the map has room for eleven: behind pointers that
/// is two hundred bytes instead of two thousand.
pub(super) type Accounts = BTreeMap<Arc<Origin>, Box<Account>>;

/// Eggs in a jar.
#[derive(Clone, Debug, PartialEq, Default)]
pub(super) struct Jar {
    pub accounts: Accounts,
    pub hatching: bool,
}

/// The books of one or more seasons.
#[derive(Clone, Debug, PartialEq)]
pub struct Books {
    pub(super) eyed_to_hatch: Interval,
    pub(super) takes: BTreeMap<String, TakeBook>,
    pub(super) lots: BTreeMap<String, LotBook>,
    pub(super) jars: BTreeMap<String, Jar>,
    /// What was in jars when they were emptied.
    pub(super) emptied: BTreeMap<String, Accounts>,
    loaded: Eggs,
    removed: Eggs,
}

impl Default for Books {
    fn default() -> Self {
        Self::new(super::EYED_TO_HATCH)
    }
}

impl Books {
    /// Empty books; `eyed_to_hatch` is the share of eyed eggs that hatch at this station
    /// ([`super::EYED_TO_HATCH`] when it has no own number).
    #[must_use]
    pub const fn new(eyed_to_hatch: Interval) -> Self {
        Self {
            eyed_to_hatch,
            takes: BTreeMap::new(),
            lots: BTreeMap::new(),
            jars: BTreeMap::new(),
            emptied: BTreeMap::new(),
            loaded: Eggs::ZERO,
            removed: Eggs::ZERO,
        }
    }

    /// A take was made.
    ///
    /// # Errors
    /// When its name is in use.
    pub fn take(&mut self, name: &str, record: TakeRecord) -> Result<(), BookError> {
        if self.takes.contains_key(name) {
            return Err(BookError::Again { what: "take", name: name.to_owned() });
        }
        let order = self.takes.len();
        self.takes.insert(name.to_owned(), TakeBook { record, order, fertilized: None });
        Ok(())
    }

    /// Fertilized eggs of a take were counted in dips.
    ///
    /// # Errors
    /// When there is no such take or the dips make no sense.
    pub fn fertilized(&mut self, take: &str, dips: &[Sample]) -> Result<(), BookError> {
        let combined = combine(dips, LEVEL)?;
        let book = self.takes.get_mut(take).ok_or_else(|| unknown("take", take))?;
        book.fertilized = Some(combined);
        Ok(())
    }

    /// A lot was put together from takes.
    ///
    /// # Errors
    /// When its name is in use, it has no takes, or one of them is unknown.
    pub fn lot(&mut self, name: &str, takes: &[String]) -> Result<(), BookError> {
        if self.lots.contains_key(name) {
            return Err(BookError::Again { what: "lot", name: name.to_owned() });
        }
        if takes.is_empty() {
            return Err(BookError::LotOfNothing(name.to_owned()));
        }
        if let Some(missing) = takes.iter().find(|take| !self.takes.contains_key(*take)) {
            return Err(unknown("take", missing));
        }
        let mut takes = takes.to_vec();
        takes.sort();
        takes.dedup();
        self.lots.insert(name.to_owned(), LotBook { takes, ..LotBook::default() });
        Ok(())
    }

    /// Eggs of a lot were poured into a jar: settled volume in litres, and eggs with their error. The
    /// eggs are put down to the takes of the lot by the eggs of each, equally when those were not counted.
    ///
    /// # Errors
    /// When there is no such lot or a number makes no sense.
    pub fn load(&mut self, jar: &str, lot: &str, volume_l: f64, eggs: Estimate) -> Result<(), BookError> {
        let book = self.lots.get(lot).ok_or_else(|| unknown("lot", lot))?;
        let total = Eggs::new(eggs.value)?;
        if total == Eggs::ZERO {
            return Err(BookError::Number { what: "a number of eggs", value: 0.0 });
        }
        if !(volume_l > 0.0 && volume_l <= 1.0e6) {
            return Err(BookError::Number { what: "a volume in L", value: volume_l });
        }
        #[expect(clippy::cast_possible_truncation, reason = "at most 10^12, checked above")]
        let volume_ul = (volume_l * 1.0e6).round() as i64;
        let weights = self.take_weights(&book.takes);
        let parts = apportion(total.thousandths(), &weights);
        let volumes = apportion(volume_ul, &weights);
        let takes = book.takes.clone();
        let jar = self.jars.entry(jar.to_owned()).or_default();
        for ((take, part), volume_ul) in takes.iter().zip(parts).zip(volumes) {
            let Some(TakeBook { record, .. }) = self.takes.get(take) else { continue };
            let origin = Origin {
                season: record.season,
                species: record.species.clone(),
                water: record.water.clone(),
                take: take.clone(),
                lot: lot.to_owned(),
            };
            let put_in = Eggs::from_thousandths(part);
            let share = put_in.get() / total.get();
            jar.accounts.entry(Arc::new(origin)).or_default().pour_in(Account {
                put_in,
                volume_ul,
                random: eggs.random * share,
                shared: eggs.shared * share,
                ..Account::default()
            });
        }
        self.loaded += total;
        Ok(())
    }

    fn take_weights(&self, takes: &[String]) -> Vec<i64> {
        let counted: Option<Vec<i64>> = takes
            .iter()
            .map(|take| Some(Eggs::new(self.takes.get(take)?.record.eggs?.value).ok()?.thousandths()))
            .collect();
        counted.unwrap_or_else(|| vec![1; takes.len()])
    }

    /// All eggs of a jar were poured into an empty one.
    ///
    /// # Errors
    /// When the first is empty or the second is not.
    pub fn move_all(&mut self, from: &str, to: &str) -> Result<(), BookError> {
        self.check_empty(to)?;
        self.pour(from, to, None)
    }

    /// A share of a jar's eggs was poured into an empty one.
    ///
    /// # Errors
    /// When the share is not above 0 and below 1, the first is empty or the second is not.
    pub fn split(&mut self, from: &str, to: &str, share: f64) -> Result<(), BookError> {
        if !(share > 0.0 && share < 1.0) {
            return Err(BookError::Share(share));
        }
        self.check_empty(to)?;
        self.pour(from, to, Some(share))
    }

    /// All eggs of a jar were poured to those of another.
    ///
    /// # Errors
    /// When the first is empty.
    pub fn pool(&mut self, from: &str, into: &str) -> Result<(), BookError> {
        self.pour(from, into, None)
    }

    fn check_empty(&self, jar: &str) -> Result<(), BookError> {
        if self.jars.get(jar).is_some_and(|jar| !jar.accounts.is_empty()) {
            return Err(BookError::JarFull(jar.to_owned()));
        }
        Ok(())
    }

    fn pour(&mut self, from: &str, to: &str, share: Option<f64>) -> Result<(), BookError> {
        if from == to {
            return Err(BookError::SameJar(from.to_owned()));
        }
        let source = self.filled(from)?;
        let hatching = source.hatching;
        let moved: Accounts = match share {
            None => {
                source.hatching = false;
                std::mem::take(&mut source.accounts)
            }
            Some(share) => source
                .accounts
                .iter_mut()
                .map(|(origin, account)| (Arc::clone(origin), Box::new(account.take_out(share))))
                .collect(),
        };
        let target = self.jars.entry(to.to_owned()).or_default();
        target.hatching |= hatching;
        for (origin, account) in moved {
            target.accounts.entry(origin).or_default().pour_in(*account);
        }
        Ok(())
    }

    fn filled(&mut self, jar: &str) -> Result<&mut Jar, BookError> {
        let book = self.jars.get_mut(jar).ok_or_else(|| BookError::JarEmpty(jar.to_owned()))?;
        if book.accounts.is_empty() { Err(BookError::JarEmpty(jar.to_owned())) } else { Ok(book) }
    }

    /// A jar was emptied, after hatch or for another reason. Its eggs stay in the books under its name.
    ///
    /// # Errors
    /// When it is empty.
    pub fn empty(&mut self, jar: &str) -> Result<(), BookError> {
        let book = self.filled(jar)?;
        book.hatching = false;
        let accounts = std::mem::take(&mut book.accounts);
        let shelf = self.emptied.entry(jar.to_owned()).or_default();
        for (origin, account) in accounts {
            shelf.entry(origin).or_default().pour_in(*account);
        }
        Ok(())
    }

    /// Dead eggs were siphoned off: `volume · eggs per volume · dead share`, eggs per volume as loaded.
    ///
    /// # Errors
    /// When the jar is empty, a number makes no sense, or more is removed than there is by more than the
    /// error of the count.
    pub fn siphon(&mut self, jar: &str, volume_l: f64, dead_share: f64) -> Result<Eggs, BookError> {
        if !(volume_l >= 0.0 && volume_l.is_finite()) {
            return Err(BookError::Number { what: "a siphoned volume in L", value: volume_l });
        }
        if !(0.0..=1.0).contains(&dead_share) {
            return Err(BookError::Share(dead_share));
        }
        let book = self.filled(jar)?;
        let put_in: Eggs = book.accounts.values().map(|account| account.put_in).sum();
        let litres: f64 = book.accounts.values().map(|account| account.volume_ul as f64 / 1.0e6).sum();
        let eggs = Eggs::new(volume_l * put_in.get() / litres * dead_share)?;
        self.remove(jar, None, eggs)?;
        Ok(eggs)
    }

    /// Eggs found dead in a jar, or fry of a lot found dead outside the jars.
    ///
    /// # Errors
    /// When there is no such lot or jar, or more died than there were.
    pub fn mortality(&mut self, lot: &str, jar: Option<&str>, number: f64) -> Result<(), BookError> {
        let number = Eggs::new(number)?;
        if let Some(jar) = jar {
            return self.remove(jar, Some(lot), number);
        }
        self.check_fry(lot, number)?;
        self.lot_book(lot)?.dead += number;
        Ok(())
    }

    fn remove(&mut self, jar: &str, lot: Option<&str>, eggs: Eggs) -> Result<(), BookError> {
        let book = self.filled(jar)?;
        let mut accounts: Vec<&mut Account> = book
            .accounts
            .iter_mut()
            .filter(|(origin, _)| lot.is_none_or(|lot| origin.lot == lot))
            .map(|(_, account)| &mut **account)
            .collect();
        if accounts.is_empty() {
            let lot = lot.unwrap_or_default().to_owned();
            return Err(BookError::LotNotInJar { jar: jar.to_owned(), lot });
        }
        let left: Eggs = accounts.iter().map(|account| account.left()).sum();
        let slack: f64 = accounts.iter().map(|account| 2.0 * account.eggs_in().error()).sum();
        if eggs.get() > left.get().max(0.0) + slack {
            return Err(BookError::MoreThanLeft { jar: jar.to_owned(), asked: eggs, left: left.or_none() });
        }
        let parts = over_left(eggs, accounts.iter().map(|account| &**account));
        for (account, part) in accounts.iter_mut().zip(parts) {
            account.removed += part;
        }
        self.removed += eggs;
        Ok(())
    }

    /// Eyed eggs of a jar were counted in dips.
    ///
    /// # Errors
    /// When the jar is empty, hatching was seen already, or the dips make no sense.
    pub fn eye_up(&mut self, jar: &str, dips: &[Sample]) -> Result<Combined, BookError> {
        let combined = combine(dips, LEVEL)?;
        let book = self.filled(jar)?;
        if book.hatching {
            return Err(BookError::EyeUpAfterHatch(jar.to_owned()));
        }
        for account in book.accounts.values_mut() {
            account.sampled = Some(Sampled { base: account.left().or_none(), eyed: combined.interval });
        }
        Ok(combined)
    }

    /// Hatching was seen in a jar.
    ///
    /// # Errors
    /// When it is empty.
    pub fn hatch_seen(&mut self, jar: &str) -> Result<(), BookError> {
        self.filled(jar)?.hatching = true;
        Ok(())
    }

    /// Every account with the jar it is in or was in when emptied.
    pub(super) fn places(&self) -> impl Iterator<Item = (&str, &Origin, &Account)> {
        let here = self.jars.iter().map(|(name, jar)| (name, &jar.accounts));
        here.chain(self.emptied.iter()).flat_map(|(name, accounts)| {
            accounts.iter().map(move |(origin, account)| (name.as_str(), &**origin, &**account))
        })
    }

    /// Proof that nothing was created or lost: loaded and removed against the sum over all places.
    ///
    /// # Errors
    /// With both pairs when they differ, which would be a mistake of this module.
    pub fn audit(&self) -> Result<(), [Eggs; 4]> {
        let put_in: Eggs = self.places().map(|(_, _, account)| account.put_in).sum();
        let removed: Eggs = self.places().map(|(_, _, account)| account.removed).sum();
        if (put_in, removed) == (self.loaded, self.removed) {
            Ok(())
        } else {
            Err([self.loaded, put_in, self.removed, removed])
        }
    }
}
