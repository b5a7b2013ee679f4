//! Intervals of shares against published ones (`data/proportions.csv`, sources in `data/SOURCES.md`) and
//! against the general statistics library `statrs`.

#[path = "data/table.rs"]
mod table;

use nightjar_calc::proportion::{Interval, LEVEL, Sample, combine, quantile, wilson};
use statrs::distribution::{Beta, ChiSquared, ContinuousCDF, Normal, StudentsT};

#[test]
fn wilson_intervals_are_the_published_ones() {
    for row in table::rows(include_str!("data/proportions.csv")) {
        let sample = Sample::new(row.text("hits").parse().unwrap(), row.text("of").parse().unwrap()).unwrap();
        let ours = wilson(sample, LEVEL).unwrap();
        let off = (ours.low - row.number("low")).abs().max((ours.high - row.number("high")).abs());
        println!(
            "{:>3}/{:<3} {:8}: {:.5} to {:.5}, off by {off:.1e} ({})",
            sample.hits(),
            sample.of(),
            row.text("source"),
            ours.low,
            ours.high,
            row.text("provenance")
        );
        // Values from memory are shown and decide nothing; their recomputed rows do.
        if row.text("provenance") != "memory" {
            assert!(off <= row.half_digit("low") + 1e-10, "{}", row.text("source"));
        }
    }
}

/// The bounds solve the equation that defines them: (p − θ)² = z² θ(1 − θ)/n, z from `statrs`.
#[test]
fn the_bounds_solve_the_score_equation() {
    let z = Normal::new(0.0, 1.0).unwrap().inverse_cdf(0.975);
    for (hits, of) in [(12, 150), (6, 32), (0, 20), (20, 20), (1, 29), (183, 200), (1, 1), (5000, 10_000)] {
        let sample = Sample::new(hits, of).unwrap();
        let interval = wilson(sample, LEVEL).unwrap();
        for bound in [interval.low, interval.high] {
            let left = (sample.share() - bound).powi(2);
            let right = z * z * bound * (1.0 - bound) / f64::from(of);
            assert!((left - right).abs() < 1e-9, "{hits}/{of} at {bound}");
        }
    }
}

/// 12 of 150: the plain interval 0.037 to 0.123 and the exact one 0.042 to 0.136 as published (STAT) stay
/// visible beside ours; the exact one by the Beta distribution of `statrs`.
#[test]
fn the_plain_and_the_exact_interval_stay_visible() {
    let (k, n): (f64, f64) = (12.0, 150.0);
    let p = k / n;
    let half = 1.959_964 * (p * (1.0 - p) / n).sqrt();
    let exact = Interval {
        low: Beta::new(k, n - k + 1.0).unwrap().inverse_cdf(0.025),
        likely: p,
        high: Beta::new(k + 1.0, n - k).unwrap().inverse_cdf(0.975),
    };
    let ours = wilson(Sample::new(12, 150).unwrap(), LEVEL).unwrap();
    println!(
        "plain {:.3} to {:.3}, exact {:.3} to {:.3}, Wilson {:.3} to {:.3}",
        p - half,
        p + half,
        exact.low,
        exact.high,
        ours.low,
        ours.high
    );
    assert!((p - half - 0.037).abs() < 0.0005 && (p + half - 0.123).abs() < 0.0005);
    assert!((exact.low - 0.042).abs() < 0.0005 && (exact.high - 0.136).abs() < 0.0005);
    assert!(exact.low < ours.low && ours.high < exact.high);
}

#[test]
fn quantiles_agree_with_a_statistics_library() {
    let normal = Normal::new(0.0, 1.0).unwrap();
    for p in [0.001, 0.1, 0.5, 0.8, 0.9, 0.975, 0.995, 0.9995] {
        assert!((quantile::normal(p) - normal.inverse_cdf(p)).abs() < 1e-7, "{p}");
    }
    for freedom in [1.0, 2.0, 3.0, 4.0, 7.0, 9.0, 30.0, 200.0] {
        let student = StudentsT::new(0.0, 1.0, freedom).unwrap();
        for p in [0.6, 0.9, 0.975, 0.995] {
            let (ours, theirs) = (quantile::student(p, freedom), student.inverse_cdf(p));
            assert!((ours / theirs - 1.0).abs() < 1e-6, "{p} {freedom}: {ours} {theirs}");
        }
        let chi = ChiSquared::new(freedom).unwrap();
        for x in [0.01, 0.5, 1.0, 3.841, 10.0, 40.0, 250.0] {
            let (ours, theirs) = (quantile::chi_square_above(x, freedom), chi.sf(x));
            assert!((ours - theirs).abs() < 1e-9, "{x} {freedom}: {ours} {theirs}");
        }
    }
}

/// A small generator of numbers, so that the run is the same everywhere (constants of Knuth's MMIX).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn binomial(&mut self, n: u32, p: f64) -> u32 {
        (0..n).map(|_| u32::from(self.next() < p)).sum()
    }
}

/// Share of runs in which the interval of five dips of 100 holds the truth, dips being drawn from places
/// where the share is `truth ± apart`; for pooled dips, and for dips kept apart.
fn coverage(apart: f64) -> (f64, f64) {
    let truth = 0.65;
    let mut dice = Dice(20_260_418);
    let runs = 400;
    let (mut pooled, mut kept_apart) = (0, 0);
    for _ in 0..runs {
        let dips: Vec<Sample> = (0..5)
            .map(|_| {
                let place = if dice.next() < 0.5 { truth - apart } else { truth + apart };
                Sample::new(dice.binomial(100, place), 100).expect("at most 100")
            })
            .collect();
        let combined = combine(&dips, LEVEL).expect("five dips");
        let plain = wilson(combined.sample, LEVEL).expect("a level");
        let holds = |i: Interval| u32::from(i.low <= truth && truth <= i.high);
        pooled += holds(plain);
        kept_apart += holds(combined.interval);
    }
    (f64::from(pooled) / f64::from(runs), f64::from(kept_apart) / f64::from(runs))
}

#[test]
fn dips_kept_apart_hold_the_truth_when_eggs_are_badly_mixed() {
    for (apart, least, most_pooled) in
        [(0.0, 0.94, 1.0), (0.05, 0.90, 0.97), (0.10, 0.90, 0.80), (0.20, 0.90, 0.55)]
    {
        let (pooled, kept_apart) = coverage(apart);
        println!("dips {apart} apart: pooled {pooled:.3}, kept apart {kept_apart:.3} (nominal 0.95)");
        assert!(kept_apart >= least && pooled <= most_pooled);
    }
}
