//! Exact numbers of eggs.

use super::BookError;
use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Sub, SubAssign};

/// Eggs or fry in exact thousandths, so that shares of shares add up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Eggs(i64);

/// More eggs than any station has; keeps sums far from overflow.
const MOST: f64 = 1.0e12;

impl Eggs {
    /// None.
    pub const ZERO: Self = Self(0);

    /// From a number of eggs, to the nearest thousandth.
    ///
    /// # Errors
    /// When it is negative, not a number, or more than 10¹².
    pub fn new(number: f64) -> Result<Self, BookError> {
        if (0.0..=MOST).contains(&number) {
            #[expect(clippy::cast_possible_truncation, reason = "at most 10^15, which an i64 holds")]
            Ok(Self((number * 1000.0).round() as i64))
        } else {
            Err(BookError::Number { what: "a number of eggs or fry", value: number })
        }
    }

    /// From thousandths.
    #[must_use]
    pub const fn from_thousandths(thousandths: i64) -> Self {
        Self(thousandths)
    }

    /// In thousandths.
    #[must_use]
    pub const fn thousandths(self) -> i64 {
        self.0
    }

    /// As a number of eggs.
    #[must_use]
    pub fn get(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// Not less than none.
    #[must_use]
    pub fn or_none(self) -> Self {
        self.max(Self::ZERO)
    }
}

impl fmt::Display for Eggs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&crate::enumeration::group_digits(self.get()))
    }
}

impl Add for Eggs {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}
impl Sub for Eggs {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}
impl AddAssign for Eggs {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}
impl SubAssign for Eggs {
    fn sub_assign(&mut self, other: Self) {
        self.0 -= other.0;
    }
}
impl Sum for Eggs {
    fn sum<I: Iterator<Item = Self>>(eggs: I) -> Self {
        eggs.fold(Self::ZERO, Add::add)
    }
}

/// Divides a total by weights so that the parts add up to it exactly: whole thousandths by the weights,
/// what is left one by one to the largest remainders, the earlier first. Weights below zero count as
/// zero; all zero means equal parts.
///
/// ```
/// use nightjar_calc::ledger::apportion;
/// assert_eq!(apportion(10, &[1, 1, 1]), [4, 3, 3]);
/// assert_eq!(apportion(7, &[0, 0]), [4, 3]);
/// ```
#[must_use]
pub fn apportion(total: i64, weights: &[i64]) -> Vec<i64> {
    let mut weights: Vec<i128> = weights.iter().map(|&w| i128::from(w.max(0))).collect();
    if weights.iter().sum::<i128>() == 0 {
        weights.fill(1);
    }
    let sum: i128 = weights.iter().sum();
    if sum == 0 {
        return Vec::new();
    }
    let shares = weights.iter().map(|w| i128::from(total) * w);
    let mut parts: Vec<i128> = shares.clone().map(|share| share.div_euclid(sum)).collect();
    let mut order: Vec<(usize, i128)> = shares.map(|share| share.rem_euclid(sum)).enumerate().collect();
    order.sort_by(|(i, a), (j, b)| b.cmp(a).then(i.cmp(j)));
    let mut left = i128::from(total) - parts.iter().sum::<i128>();
    for (at, _) in order {
        if left == 0 {
            break;
        }
        parts[at] += 1;
        left -= 1;
    }
    parts.into_iter().map(|part| i64::try_from(part).unwrap_or(i64::MAX)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn no_number_of_eggs_is_refused() {
        for bad in [-1.0, f64::NAN, f64::INFINITY, 1e13] {
            assert!(Eggs::new(bad).is_err());
        }
        assert_eq!(Eggs::new(312_500.000_4).unwrap().thousandths(), 312_500_000);
        assert_eq!(Eggs::new(1_234_567.8).unwrap().to_string(), "1,234,568");
    }

    proptest! {
        #[test]
        fn parts_add_up_and_follow_their_weights(
            total in 0..1_000_000_000_000_i64,
            weights in proptest::collection::vec(0..1_000_000_000_i64, 1..10)
        ) {
            let parts = apportion(total, &weights);
            prop_assert_eq!(parts.iter().sum::<i64>(), total);
            let sum: i64 = weights.iter().sum();
            if sum > 0 {
                for (part, weight) in parts.iter().zip(&weights) {
                    let exact = i128::from(total) * i128::from(*weight) / i128::from(sum);
                    prop_assert!((i128::from(*part) - exact).abs() <= 1);
                }
            }
        }
    }
}
