//! Effective number of breeders.
//!
//! `Ne = 4 Nf Nm / (Nf + Nm)` for unequal numbers of females and males (BROOD), inbreeding per
//! generation `ΔF = 1/(2 Ne)` (NACA). Both suppose that every fish leaves equal shares. Pooled milt
//! does not (in 17 of 22 lots paternity was unequal, and re-used or stored males did 44 % as well,
//! MILLER), so Ne is an **upper bound** and a re-used male is never counted twice.

/// Why there is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BreedersError {
    /// One sex is missing.
    #[error("{females} females and {males} males make no eggs; both must be at least 1")]
    OneSexMissing {
        /// Females.
        females: u32,
        /// Males.
        males: u32,
    },
    /// More re-used than used.
    #[error("{reused} re-used males of {males} males used")]
    MoreReusedThanUsed {
        /// Males used.
        males: u32,
        /// Of these used before.
        reused: u32,
    },
}

/// Fish stripped for one take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spawners {
    /// Females stripped.
    pub females: u32,
    /// Males used.
    pub males: u32,
    /// Males of these that an earlier take had used already.
    pub males_reused: u32,
}

/// Breeders behind a take, lot or season.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breeders {
    /// Different females.
    pub females: u32,
    /// Different males.
    pub males: u32,
    /// Times a male was used again.
    pub males_reused: u32,
    /// Effective number; an upper bound.
    pub effective_at_most: f64,
    /// Inbreeding per generation; a lower bound. 0.01 is 1 %.
    pub inbreeding_at_least: f64,
}

/// Effective number of so many females and males.
///
/// ```
/// use nightjar_calc::breeders::effective_number;
/// assert!((effective_number(60, 90).unwrap().effective_at_most - 144.0).abs() < 1e-9);
/// // A hundred fish with a single male are worth four.
/// assert!((effective_number(99, 1).unwrap().effective_at_most - 3.96).abs() < 1e-9);
/// ```
///
/// # Errors
/// When a sex is missing.
pub fn effective_number(females: u32, males: u32) -> Result<Breeders, BreedersError> {
    if females == 0 || males == 0 {
        return Err(BreedersError::OneSexMissing { females, males });
    }
    let (f, m) = (f64::from(females), f64::from(males));
    let effective = 4.0 * f * m / (f + m);
    Ok(Breeders {
        females,
        males,
        males_reused: 0,
        effective_at_most: effective,
        inbreeding_at_least: 1.0 / (2.0 * effective),
    })
}

/// Breeders behind several takes, in the order they were made.
///
/// A male used again in a later take is taken to be one of those already counted. When the take that
/// used him first is not among the ones pooled, those re-used in the first pooled take count once; the
/// number is never below that of the single take with the most males.
///
/// ```
/// use nightjar_calc::breeders::{Spawners, pooled};
/// let first = Spawners { females: 10, males: 20, males_reused: 0 };
/// let second = Spawners { females: 10, males: 20, males_reused: 15 };
/// let both = pooled(&[first, second]).unwrap();
/// assert_eq!((both.females, both.males, both.males_reused), (20, 25, 15));
/// ```
///
/// # Errors
/// When a take re-uses more males than it used, or a sex is missing from all of them.
pub fn pooled(takes: &[Spawners]) -> Result<Breeders, BreedersError> {
    let (mut females, mut males, mut reused, mut most) = (0_u32, 0_u32, 0_u32, 0_u32);
    for (position, take) in takes.iter().enumerate() {
        let fresh = take
            .males
            .checked_sub(take.males_reused)
            .ok_or(BreedersError::MoreReusedThanUsed { males: take.males, reused: take.males_reused })?;
        females = females.saturating_add(take.females);
        males = males.saturating_add(if position == 0 { take.males } else { fresh });
        reused = reused.saturating_add(take.males_reused);
        most = most.max(take.males);
    }
    let breeders = effective_number(females, males.max(most))?;
    Ok(Breeders { males_reused: reused, ..breeders })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_take_without_males_and_a_slip_in_re_use_are_refused() {
        assert!(effective_number(3, 0).unwrap_err().to_string().contains("at least 1"));
        assert!(pooled(&[]).is_err());
        let slip = Spawners { females: 3, males: 2, males_reused: 3 };
        assert_eq!(pooled(&[slip]), Err(BreedersError::MoreReusedThanUsed { males: 2, reused: 3 }));
    }

    proptest! {
        #[test]
        fn pooling_never_makes_more_fish_than_were_used(
            takes in proptest::collection::vec((1..200u32, 1..200u32, 0.0..1.0f64), 1..12)
        ) {
            let takes: Vec<Spawners> = takes.iter().map(|&(females, males, share)| {
                let males_reused = (0..males).filter(|i| f64::from(*i) < share * f64::from(males)).count();
                Spawners { females, males, males_reused: u32::try_from(males_reused).unwrap() }
            }).collect();
            let all = pooled(&takes).unwrap();
            prop_assert!(all.males <= takes.iter().map(|t| t.males).sum());
            prop_assert!(all.males >= takes.iter().map(|t| t.males).max().unwrap());
            prop_assert!(all.effective_at_most <= f64::from(all.females + all.males) + 1e-9);
        }
    }
}
