//! How much wider or narrower the intervals must be at this station: hindcasts of its own past.
//!
//! Each past spring in turn is forecast from the others, at three moments around the anchor, for the
//! mean temperature of the next 7, 14 and 28 days. With `z` the error in units of the forecast's own
//! standard deviation, the factor on all spreads is
//! `λ = √((n₀ + Σ z̄²) / (n₀ + n))`, `z̄²` the mean square of a spring, `n` springs, `n₀ = 2`
//! (so that two or three springs cannot persuade anybody that the water is tame).

use super::climate::{Climate, LOOK_BACK, MEASURES, Weighed, curve_factor, curves, weigh};
use super::curve::{BEFORE, Spring};
use super::departure::{Measure, Persistence, SEEN};

/// `n₀`.
const DOUBT: f64 = 2.0;
/// Limits of the factor.
const LOWEST: f64 = 0.7;
const HIGHEST: f64 = 2.0;
/// Moments of issue, days after the anchor.
const ISSUES: [usize; 3] = [BEFORE - 7, BEFORE + 7, BEFORE + 21];
/// Lengths forecast, days.
const LENGTHS: [usize; 3] = [7, 14, 28];

/// The factor `λ`; 1 with fewer than two past springs.
pub(super) fn widening(climate: &Climate, springs: &[Spring]) -> f64 {
    if springs.len() < 2 {
        return 1.0;
    }
    let (mut sum, mut n) = (DOUBT, DOUBT);
    for (i, spring) in springs.iter().enumerate() {
        let others: Vec<&Spring> =
            springs.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, other)| other).collect();
        let curves = curves(&others, climate.kind, climate.first);
        let mut squares = Vec::new();
        for issue in ISSUES {
            squares.extend(errors(climate, &curves, curve_factor(others.len()), spring, issue));
        }
        if !squares.is_empty() {
            sum += super::curve::mean(squares.into_iter());
            n += 1.0;
        }
    }
    (sum / n).sqrt().clamp(LOWEST, HIGHEST)
}

/// Squared errors of one spring forecast at one moment, in units of the forecast variance.
fn errors(climate: &Climate, curves: &[Vec<f64>; 2], factor: f64, spring: &Spring, issue: usize) -> Vec<f64> {
    let start = issue.saturating_sub(LOOK_BACK);
    let season = &spring[start..issue];
    if season.iter().rev().take(30).filter(|c| c.is_finite()).count() < 3 {
        return Vec::new();
    }
    let own: Vec<&[f64]> =
        climate
            .candidates
            .iter()
            .map(|c| {
                if c.persistence.measure == MEASURES[0] { curves[0].as_slice() } else { curves[1].as_slice() }
            })
            .collect();
    let weighed = weigh(&climate.candidates, &own, factor, start, season);
    let mut squares = Vec::new();
    for length in LENGTHS {
        let actual = &spring[issue..issue + length];
        let seen = actual.iter().filter(|c| c.is_finite()).count();
        if 5 * seen < 4 * length {
            continue;
        }
        let (mut mean, mut square) = (0.0, 0.0);
        for ((candidate, w), curve) in climate.candidates.iter().zip(&weighed).zip(&own) {
            let (m, v) = of_mean(&candidate.persistence, w, &curve[issue..issue + length], factor);
            mean += w.weight * m;
            square += w.weight * (v + m * m);
        }
        let variance = square - mean * mean;
        if variance > 0.0 {
            squares.push((super::curve::mean(actual.iter().copied()) - mean).powi(2) / variance);
        }
    }
    squares
}

/// Expectation (°C) and variance (°C²) of the mean temperature over the days of `curve`.
///
/// The temperature is linearised about its expectation; the variance then is exact, by going
/// backwards: with `g` the weights of the parts, `g ← g F + w`, each day's shocks add `g² q`.
fn of_mean(persistence: &Persistence, weighed: &Weighed, curve: &[f64], factor: f64) -> (f64, f64) {
    let decay = persistence.decay();
    let shocks = persistence.shocks();
    let mut expected = weighed.state.mean;
    let mut weights = Vec::with_capacity(curve.len());
    let (mut sum, mut n) = (0.0, 0.0);
    for usual in curve {
        Persistence::advance(&mut expected, &decay);
        let y = usual + factor * (expected[0] + expected[2] + expected[3]);
        let celsius = persistence.measure.celsius(y);
        sum += celsius.max(0.0);
        n += 1.0;
        weights.push(match persistence.measure {
            Measure::Plain => factor,
            Measure::Proportional => factor * persistence.measure.degrees_per_step(celsius),
        });
    }
    let mut g = [0.0; 4];
    let mut variance = 0.0;
    for weight in weights.iter().rev() {
        for i in 0..4 {
            g[i] += weight / n * SEEN[i];
            variance += g[i] * g[i] * shocks[i];
        }
        g[1] = g[0] + g[1] * decay[1];
        g[2] *= decay[2];
        g[3] *= decay[3];
    }
    for i in 0..4 {
        for j in 0..4 {
            variance += g[i] * g[j] * weighed.state.covariance[i][j];
        }
    }
    // Expectation of σ² under its inverse gamma posterior.
    (sum / n, variance * weighed.rate / (weighed.shape - 1.0))
}
