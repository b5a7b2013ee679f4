//! How noisy a channel is, measured while it runs.
//!
//! The standard deviation within a minute, averaged over about a quarter of an hour. A step of
//! the true value within a minute counts for little, because no minute may count for more than
//! four times what was known.

use crate::alarm::moment::Moment;

const BLOCK_MS: u64 = 60_000;
/// Minutes with fewer samples say nothing about their spread.
const ENOUGH: u32 = 4;
/// Weight of one more minute.
const WEIGHT: f64 = 1.0 / 16.0;
/// No minute counts for more than this many times the known variance.
const AT_MOST: f64 = 4.0;

/// A channel that is perfectly still has to begin somewhere: a thousandth, squared.
const LEAST: f64 = 1e-6;

/// The noise of one channel.
#[derive(Clone, Debug, Default)]
pub struct Noise {
    block: u64,
    count: u32,
    mean: f64,
    squares: f64,
    variance: Option<f64>,
}

impl Noise {
    /// Takes a good sample.
    pub fn handle_value(&mut self, value: f64, now: Moment) {
        let block = now.0 / BLOCK_MS;
        if block != self.block {
            self.finish();
            self.block = block;
        }
        // Welford 1962.
        self.count += 1;
        let before = value - self.mean;
        self.mean += before / f64::from(self.count);
        self.squares += before * (value - self.mean);
    }

    fn finish(&mut self) {
        if self.count >= ENOUGH {
            let fresh = self.squares / f64::from(self.count - 1);
            self.variance = Some(match self.variance {
                None => fresh.max(LEAST),
                Some(known) => known + WEIGHT * (fresh.clamp(LEAST, AT_MOST * known) - known),
            });
        }
        (self.count, self.mean, self.squares) = (0, 0.0, 0.0);
    }

    /// Standard deviation; zero until a minute is known.
    #[must_use]
    pub fn deviation(&self) -> f64 {
        self.variance.unwrap_or(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sample variance of 1, 2, 3, 4: 5/3 (by hand); three samples say nothing.
    #[test]
    fn a_minute_of_four_samples_has_the_spread_of_the_textbook() {
        let mut noise = Noise::default();
        for (value, ms) in [(1.0, 0), (2.0, 1000), (3.0, 2000), (9.0, 60_000), (9.0, 120_000)] {
            noise.handle_value(value, Moment(ms));
            assert_eq!(noise.deviation().to_bits(), 0_f64.to_bits());
        }
        let mut noise = Noise::default();
        for (value, ms) in [(1.0, 0), (2.0, 1000), (3.0, 2000), (4.0, 3000), (4.0, 60_000)] {
            noise.handle_value(value, Moment(ms));
        }
        assert!((noise.deviation().powi(2) - 5.0 / 3.0).abs() < 1e-12, "{}", noise.deviation());
    }

    #[test]
    fn a_step_of_the_true_value_is_not_noise() {
        let mut noise = Noise::default();
        for second in 0..3600u32 {
            let wiggle = if second.is_multiple_of(2) { 0.1 } else { -0.1 };
            let step = if second > 1830 { 3.0 } else { 0.0 };
            noise.handle_value(10.0 + wiggle + step, Moment(u64::from(second) * 1000));
        }
        assert!((noise.deviation() - 0.1).abs() < 0.01, "{}", noise.deviation());
    }
}
