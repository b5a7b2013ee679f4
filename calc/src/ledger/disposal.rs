//! What became of the fry.

use super::books::{Books, LotBook};
use super::eggs::Eggs;
use super::error::{BookError, unknown};
use crate::enumeration::Estimate;

impl Books {
    /// Fry of a lot were counted ([`super::fry_count`]), out of one jar when kept apart. Counts of
    /// different tanks add up.
    ///
    /// # Errors
    /// When there is no such lot, the jar never held it, or the number makes no sense.
    pub fn fry_out(&mut self, lot: &str, jar: Option<&str>, fry: Estimate) -> Result<(), BookError> {
        Eggs::new(fry.value)?;
        if let Some(jar) = jar {
            let here = self.jars.get(jar).map(|book| &book.accounts);
            let before = self.emptied.get(jar);
            let held_it = here
                .into_iter()
                .chain(before)
                .any(|accounts| accounts.keys().any(|origin| origin.lot == lot));
            if !held_it {
                return Err(BookError::LotNotInJar { jar: jar.to_owned(), lot: lot.to_owned() });
            }
        }
        let sum = self.lot_book(lot)?.fry.entry(jar.unwrap_or_default().to_owned()).or_insert(Estimate::ZERO);
        *sum = sum.plus(fry);
        Ok(())
    }

    /// Fry of a lot were put into a water.
    ///
    /// # Errors
    /// When there is no such lot, or there were not so many by more than the error of the count.
    pub fn stocked(&mut self, lot: &str, water: &str, fry: f64) -> Result<(), BookError> {
        let fry = Eggs::new(fry)?;
        self.check_fry(lot, fry)?;
        *self.lot_book(lot)?.stocked.entry(water.to_owned()).or_default() += fry;
        Ok(())
    }

    /// Fry of a lot were held back.
    ///
    /// # Errors
    /// As [`Books::stocked`].
    pub fn held(&mut self, lot: &str, fry: f64) -> Result<(), BookError> {
        let fry = Eggs::new(fry)?;
        self.check_fry(lot, fry)?;
        self.lot_book(lot)?.held += fry;
        Ok(())
    }

    pub(super) fn check_fry(&self, lot: &str, asked: Eggs) -> Result<(), BookError> {
        let book = self.lots.get(lot).ok_or_else(|| unknown("lot", lot))?;
        let total = book.stocked.values().copied().sum::<Eggs>() + book.held + book.dead + asked;
        let (available, counted) = if book.fry.is_empty() {
            let eggs = self.places().filter(|(_, origin, _)| origin.lot == lot);
            let eggs = eggs.map(|(_, _, account)| account.eggs_in()).fold(Estimate::ZERO, Estimate::plus);
            (eggs, "put in as eggs")
        } else {
            (book.fry.values().copied().fold(Estimate::ZERO, Estimate::plus), "counted")
        };
        let available = Eggs::new(available.interval().high)?;
        if total > available {
            let lot = lot.to_owned();
            return Err(BookError::MoreFryThanCounted { lot, asked, total, available, counted });
        }
        Ok(())
    }

    pub(super) fn lot_book(&mut self, lot: &str) -> Result<&mut LotBook, BookError> {
        self.lots.get_mut(lot).ok_or_else(|| unknown("lot", lot))
    }
}
