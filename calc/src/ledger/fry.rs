//! Fry counted by sub-samples of a tank.

use crate::enumeration::Estimate;
use crate::proportion::quantile;

/// Smallest sub-sample worth counting, mL (MATLOCK11).
pub const FRY_SAMPLE_ML: f64 = 15.0;
/// Sub-samples to take; eight are nearly as good as ten, extremes are kept (MATLOCK11).
pub const FRY_SAMPLES: usize = 8;

/// Why there is no number of fry.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FryError {
    /// None counted.
    #[error("a count of fry needs at least one sub-sample")]
    NoSample,
    /// A count that is none.
    #[error("{0} is no count of fry")]
    Count(f64),
    /// A volume that is none, or a sample larger than the tank.
    #[error(
        "sub-samples of {sample_ml} mL from a tank of {tank_l} L cannot be; both above zero, the sample the smaller"
    )]
    Volume {
        /// Sub-sample.
        sample_ml: f64,
        /// Tank.
        tank_l: f64,
    },
}

/// Fry in a tank: `N = x̄/v · V`, standard error `s/√m / v · V`, x̄ mean and s standard deviation of m
/// counts in sub-samples of v, V the tank (common practice; MATLOCK11 for the number and size of
/// sub-samples). The spread is never taken smaller than that of chance (`s² ≥ x̄`), and for few
/// sub-samples it is widened by Student's quantile. All counts are kept, the extremes too.
///
/// ```
/// use nightjar_calc::ledger::fry_count;
/// let fry = fry_count(&[30.0, 42.0, 36.0, 24.0, 48.0, 36.0, 30.0, 42.0], 20.0, 400.0).unwrap();
/// // Mean 36, s 7.86 in 20 mL of 400 L; Student's 2.365 for eight counts.
/// assert!((fry.value - 720_000.0).abs() < 1e-6);
/// assert_eq!(fry.to_string(), "720,000 (590,000 to 850,000)");
/// ```
///
/// # Errors
/// When there is no count or a number makes no sense.
pub fn fry_count(counts: &[f64], sample_ml: f64, tank_l: f64) -> Result<Estimate, FryError> {
    if counts.is_empty() {
        return Err(FryError::NoSample);
    }
    if let Some(&bad) = counts.iter().find(|count| !(count.is_finite() && **count >= 0.0)) {
        return Err(FryError::Count(bad));
    }
    let positive = |x: f64| x.is_finite() && x > 0.0;
    if !(positive(sample_ml) && positive(tank_l) && sample_ml <= tank_l * 1000.0) {
        return Err(FryError::Volume { sample_ml, tank_l });
    }
    let m = counts.len() as f64;
    let mean = counts.iter().sum::<f64>() / m;
    let (variance, reach) = if counts.len() < 2 {
        (mean, 1.0)
    } else {
        let spread = counts.iter().map(|count| (count - mean).powi(2)).sum::<f64>() / (m - 1.0);
        (spread.max(mean), quantile::student(0.975, m - 1.0) / quantile::normal(0.975))
    };
    let samples_in_tank = tank_l * 1000.0 / sample_ml;
    Ok(Estimate {
        value: mean * samples_in_tank,
        random: (variance / m).sqrt() * reach * samples_in_tank,
        shared: 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_is_refused() {
        assert_eq!(fry_count(&[], 20.0, 400.0), Err(FryError::NoSample));
        assert_eq!(fry_count(&[3.0, -1.0], 20.0, 400.0), Err(FryError::Count(-1.0)));
        for (sample, tank) in [(0.0, 400.0), (20.0, 0.0), (500_000.0, 400.0), (f64::NAN, 400.0)] {
            assert!(matches!(fry_count(&[3.0], sample, tank), Err(FryError::Volume { .. })));
        }
    }

    #[test]
    fn counts_that_agree_by_luck_are_not_taken_for_certain() {
        let lucky = fry_count(&[36.0; 8], 20.0, 400.0).unwrap();
        // Chance alone: √(36/8) of 36 is 5.9 %, Student's 2.365 for 1.96 makes it 7.1 %.
        assert!((lucky.random / lucky.value - 0.0711).abs() < 0.0002);
    }
}
