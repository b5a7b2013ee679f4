//! Random numbers that are the same everywhere and every time.
//!
//! An outlook must not jitter from hour to hour or differ between machines, so the "random" shocks
//! of its continuations are a fixed table. SplitMix64 (G. L. Steele, D. Lea and C. H. Flood, 2014,
//! OOPSLA, doi:10.1145/2660193.2660195) turned normal by G. E. P. Box and M. E. Muller (1958, Ann.
//! Math. Stat. 29, 610-611).

use std::sync::LazyLock;

/// Pairs of continuations; each pair mirrors its shocks, so the middle has no sampling error.
pub(super) const PAIRS: usize = 100;
/// Longest continuation, days.
pub(super) const LONGEST: usize = 220;
/// Standard normal numbers per day: slope, slow, fast.
pub(super) const PER_DAY: usize = 3;
/// Standard normal numbers for the state at the issue.
pub(super) const PER_START: usize = 4;

/// The table of one pair: first the start, then the days.
const ROW: usize = PER_START + LONGEST * PER_DAY;

static TABLE: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let mut state = 0x6E69_6768_746A_6172_u64;
    let mut uniform = || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        // The upper 32 bits, moved off zero.
        (f64::from(u32::try_from(z >> 32).unwrap_or(0)) + 0.5) / 4_294_967_296.0
    };
    let mut table = Vec::with_capacity(PAIRS * ROW + 1);
    while table.len() < PAIRS * ROW {
        let radius = (-2.0 * uniform().ln()).sqrt();
        let angle = std::f64::consts::TAU * uniform();
        #[expect(clippy::cast_possible_truncation, reason = "shocks need no sixteen digits, memory counts")]
        table.extend([(radius * angle.cos()) as f32, (radius * angle.sin()) as f32]);
    }
    table
});

/// Standard normal numbers of a pair: those of the start, then `PER_DAY` for each day.
pub(super) fn of_pair(pair: usize) -> &'static [f32] {
    let row = (pair % PAIRS) * ROW;
    &TABLE[row..row + ROW]
}

/// Standard normal quantile of `p`, 0 < p < 1. Abramowitz and Stegun (1964) formula 26.2.23, error
/// below 0.00045: used for spreading scales, where that is plenty.
pub(super) fn normal_quantile(p: f64) -> f64 {
    let tail = p.min(1.0 - p).max(1e-12);
    let t = (-2.0 * tail.ln()).sqrt();
    let z = t
        - (2.515_517 + 0.802_853 * t + 0.010_328 * t * t)
            / (1.0 + 1.432_788 * t + 0.189_269 * t * t + 0.001_308 * t * t * t);
    if p < 0.5 { -z } else { z }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_standard_normal() {
        let all: Vec<f64> = (0..PAIRS).flat_map(of_pair).map(|z| f64::from(*z)).collect();
        let n = all.iter().fold(0.0, |n, _| n + 1.0);
        let mean = all.iter().sum::<f64>() / n;
        let variance = all.iter().map(|z| (z - mean).powi(2)).sum::<f64>() / n;
        let outside = all.iter().filter(|z| z.abs() > 1.959_964).fold(0.0, |n, _| n + 1.0) / n;
        assert!(mean.abs() < 0.015 && (variance - 1.0).abs() < 0.02 && (outside - 0.05).abs() < 0.004);
    }

    /// Quantiles from the usual printed tables of the normal distribution.
    #[test]
    fn quantiles_agree_with_the_printed_table() {
        for (p, z) in [(0.5, 0.0), (0.9, 1.281_552), (0.975, 1.959_964), (0.01, -2.326_348)] {
            assert!((normal_quantile(p) - z).abs() < 5e-4, "{p}");
        }
    }
}
