//! Shares counted in samples: fertilized, eyed, hatched of so many.
//!
//! A share is never shown without its interval. Eggs dipped from one spot of one jar are not
//! independent: live and dead eggs sort by density. So several dips are kept apart, and the interval
//! widens when they disagree more than chance would have it.

mod interval;
pub mod quantile;

pub use interval::Interval;

/// Share of repetitions in which an interval holds the truth, unless said otherwise.
pub const LEVEL: f64 = 0.95;
/// Probability below which dips are said to disagree more than chance.
const DISAGREE_P: f64 = 0.05;

/// So many of so many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    hits: u32,
    of: u32,
}

/// Why there is no share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProportionError {
    /// Nothing looked at.
    #[error("a share of 0 eggs cannot be told; count at least one")]
    Empty,
    /// More than there were.
    #[error("{hits} of {of} is more than there were")]
    MoreThanAll {
        /// Counted.
        hits: u32,
        /// Looked at.
        of: u32,
    },
    /// Not a level.
    #[error("the level of an interval lies between 0.5 and 0.999")]
    Level,
}

impl Sample {
    /// `hits` of `of`.
    ///
    /// # Errors
    /// When nothing was looked at, or more hit than were looked at.
    pub fn new(hits: u32, of: u32) -> Result<Self, ProportionError> {
        if of == 0 {
            return Err(ProportionError::Empty);
        }
        if hits > of { Err(ProportionError::MoreThanAll { hits, of }) } else { Ok(Self { hits, of }) }
    }

    /// How many hit.
    #[must_use]
    pub const fn hits(self) -> u32 {
        self.hits
    }

    /// How many were looked at.
    #[must_use]
    pub const fn of(self) -> u32 {
        self.of
    }

    /// The plain share.
    #[must_use]
    pub fn share(self) -> f64 {
        f64::from(self.hits) / f64::from(self.of)
    }
}

/// Wilson's score interval of a share.
///
/// With p the share in n and z the normal quantile of the level:
/// `(p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n)` (STAT; Wilson 1927). Never leaves 0 to 1, and
/// holds for small samples and shares near the ends, where the plain `p ± z√(p(1−p)/n)` does not.
///
/// ```
/// use nightjar_calc::proportion::{LEVEL, Sample, wilson};
/// let eyed = wilson(Sample::new(183, 200).unwrap(), LEVEL).unwrap();
/// assert!((eyed.low - 0.86810).abs() < 5e-6 && (eyed.high - 0.94625).abs() < 5e-6);
/// ```
///
/// # Errors
/// When the level is not between 0.5 and 0.999.
pub fn wilson(sample: Sample, level: f64) -> Result<Interval, ProportionError> {
    let z = two_sided(level)?;
    Ok(score(sample.share(), f64::from(sample.of), z))
}

fn two_sided(level: f64) -> Result<f64, ProportionError> {
    if (0.5..=0.999).contains(&level) {
        Ok(quantile::normal(f64::midpoint(1.0, level)))
    } else {
        Err(ProportionError::Level)
    }
}

/// The score interval with any quantile and any, even fractional, size of the sample.
fn score(p: f64, n: f64, z: f64) -> Interval {
    let z2 = z * z;
    let scale = 1.0 / (1.0 + z2 / n);
    let centre = scale * (p + z2 / (2.0 * n));
    let half = scale * z * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    Interval { low: (centre - half).max(0.0).min(p), likely: p, high: (centre + half).min(1.0).max(p) }
}

/// Several dips taken as one sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Combined {
    /// All dips together.
    pub sample: Sample,
    /// Share with its interval, widened when the dips disagree.
    pub interval: Interval,
    /// Spread of the dips over that of chance: 1 when they agree, never below.
    pub dispersion: f64,
    /// Probability of a spread as wide as this if the eggs were well mixed; 1 for a single dip.
    pub chance: f64,
    /// The dips disagree more than chance would have it: mix better and dip again.
    pub disagree: bool,
}

/// Several dips together, the interval widened when they disagree more than chance.
///
/// Dips i with kᵢ of nᵢ; P the pooled share. `X² = Σ (kᵢ − nᵢP)²/(nᵢP(1−P))` has m − 1 degrees of
/// freedom when the eggs are well mixed (Pearson). The dispersion `φ = max(1, X²/(m−1))` makes n count
/// as `n/φ` in Wilson's interval (quasi-binomial). When X² is beyond its 5 % point, the normal quantile
/// is replaced by Student's with m − 1 degrees of freedom, since φ itself rests on few dips.
///
/// ```
/// use nightjar_calc::proportion::{LEVEL, Sample, combine};
/// let dip = |hits, of| Sample::new(hits, of).unwrap();
/// let agree = combine(&[dip(62, 100), dip(60, 100), dip(65, 100)], LEVEL).unwrap();
/// let disagree = combine(&[dip(90, 100), dip(62, 100), dip(35, 100)], LEVEL).unwrap();
/// assert!(!agree.disagree && disagree.disagree);
/// let width = |c: nightjar_calc::proportion::Combined| c.interval.high - c.interval.low;
/// assert!(width(disagree) > 4.0 * width(agree));
/// ```
///
/// # Errors
/// When there is no dip, or the level is not between 0.5 and 0.999.
pub fn combine(dips: &[Sample], level: f64) -> Result<Combined, ProportionError> {
    let hits = dips.iter().fold(0_u32, |sum, dip| sum.saturating_add(dip.hits));
    let of = dips.iter().fold(0_u32, |sum, dip| sum.saturating_add(dip.of));
    let sample = Sample::new(hits, of)?;
    let p = sample.share();
    let z = two_sided(level)?;
    let freedom = (dips.len() - 1) as f64;
    let spread: f64 = dips
        .iter()
        .map(|dip| (f64::from(dip.hits) - f64::from(dip.of) * p).powi(2) / f64::from(dip.of))
        .sum::<f64>();
    let chance_spread = p * (1.0 - p);
    if dips.len() < 2 || chance_spread <= 0.0 {
        let interval = score(p, f64::from(of), z);
        return Ok(Combined { sample, interval, dispersion: 1.0, chance: 1.0, disagree: false });
    }
    let x2 = spread / chance_spread;
    let dispersion = (x2 / freedom).max(1.0);
    let chance = quantile::chi_square_above(x2, freedom);
    let disagree = chance < DISAGREE_P;
    let reach = if disagree { quantile::student(f64::midpoint(1.0, level), freedom) } else { z };
    let interval = score(p, f64::from(of) / dispersion, reach);
    Ok(Combined { sample, interval, dispersion, chance, disagree })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nonsense_is_refused() {
        assert_eq!(Sample::new(0, 0), Err(ProportionError::Empty));
        assert!(Sample::new(3, 2).unwrap_err().to_string().contains("3 of 2"));
        assert_eq!(wilson(Sample::new(1, 2).unwrap(), 1.0), Err(ProportionError::Level));
        assert_eq!(combine(&[], LEVEL), Err(ProportionError::Empty));
    }

    #[test]
    fn one_dip_and_agreeing_dips_give_the_plain_interval() {
        let dip = Sample::new(50, 100).unwrap();
        let plain = wilson(Sample::new(200, 400).unwrap(), LEVEL).unwrap();
        let four = combine(&[dip; 4], LEVEL).unwrap();
        assert_eq!((four.interval, four.dispersion, four.disagree), (plain, 1.0, false));
        let all_eyed = combine(&[Sample::new(100, 100).unwrap(); 3], LEVEL).unwrap();
        assert!(all_eyed.interval.high >= 1.0 && all_eyed.interval.low > 0.98);
    }

    proptest! {
        #[test]
        fn an_interval_holds_its_share_inside_zero_to_one(
            dips in proptest::collection::vec((0..500u32, 1..500u32), 1..8)
        ) {
            let dips: Vec<Sample> = dips.iter().map(|&(k, n)| Sample::new(k.min(n), n).unwrap()).collect();
            let c = combine(&dips, LEVEL).unwrap();
            prop_assert!(0.0 <= c.interval.low && c.interval.low <= c.interval.likely);
            prop_assert!(c.interval.likely <= c.interval.high && c.interval.high <= 1.0);
            let plain = wilson(c.sample, LEVEL).unwrap();
            prop_assert!(c.interval.low <= plain.low + 1e-12 && c.interval.high >= plain.high - 1e-12);
        }
    }
}
