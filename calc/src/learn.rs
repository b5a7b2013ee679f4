//! Learning a station: eye-ups and hatches people saw pull the law's sum toward this water and these fish.
//!
//! Each observation compares the development `P` by the *published* law at the moment a stage was seen with the share
//! `f` at which the table expects it: `y = ln(P / f)` is the logarithm of the station's multiple `m`, seen once.
//!
//! ```text
//! prior        ln m ~ N(0, τ²)          τ² = σ_band² + 0.08²,  one σ_band below and one above
//! observation  y ~ 0.95 N(ln m, s²) + 0.05 N(0, 1)      s² = e² + v²,  e² = 0.03² + 0.02²
//! ```
//!
//! | symbol | meaning |
//! |---|---|
//! | σ_band | the published band of the sum, wider the less the law is trusted |
//! | 0.08 | what stations differ by beyond the band: probes, flow, the way of looking (a choice of ours) |
//! | e | one sighting: jars are looked at once or twice a day (0.03), lots differ (0.02); a choice of ours |
//! | v | spread of the stage's share between stations; shared by all sightings of the stage, so it does not average out |
//! | 0.05 N(0, 1) | one observation in twenty may be anything: wrong jar, wrong date, typing error |
//!
//! The second part of the mixture is what keeps a single absurd observation from ruining the estimate: far from
//! everything else it is explained by being wrong, and pulls no more. Because `v` is shared, the likelihood of each of `n`
//! sightings of a stage is raised to `s² / (e² + n v²)`, which gives the normal case its exact weight.
//! The posterior median and deviation of ln m come from a sum over a fine grid, limited to half and double the published sum.
//!
//! The result is a pure function of the list of observations: taking one out undoes it. Nothing is learnt silently:
//! [`Learned`] holds before and after and how each observation was judged.
//!
//! ```
//! # use nightjar_calc::{development::species, learn::*, stages::Stage};
//! let walleye = species::find("walleye").unwrap();
//! // Hatch peaked at 1.15 of the published sum.
//! let seen = Observation { lot: "A", stage: Stage::HatchPeak, development: 1.15, weight: 1.0 };
//! let learned = learn(walleye, &[seen]);
//! assert!((learned.after.factor - 1.15).abs() < 0.075);
//! assert_eq!(learn(walleye, &[]).after, learned.before);
//! ```

use crate::development::Law;
use crate::development::species::Species;
use crate::stages::{SIGHTING_SIGMA, Stage, Station, share_sigma};
use std::collections::BTreeMap;

/// What stations differ by beyond the published band, standard deviation of the logarithm.
const STATIONS: f64 = 0.08;
/// What lots of one station differ by.
const LOTS: f64 = 0.02;
/// Share of observations that may be anything.
const ABSURD: f64 = 0.05;
/// Prior and single-lot deviation of the logarithm of the width of the hatch window.
const WINDOW: f64 = 0.35;
/// Furthest the multiple may go: half or double.
const LIMIT: f64 = std::f64::consts::LN_2;

/// A stage seen at a lot of this station.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation<'a> {
    /// Lot it was seen at; first, peak and last hatch of one lot together tell the width of the window.
    pub lot: &'a str,
    /// What was seen.
    pub stage: Stage,
    /// Development by the published law at that moment (1 at the law's median hatch).
    pub development: f64,
    /// 1, or less for a doubtful one; not more than 1 counts.
    pub weight: f64,
}

/// How an observation was judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judgement {
    /// The multiple it says by itself.
    pub multiple: f64,
    /// Probability that it is wrong, given all of them.
    pub wrong: f64,
}

impl Judgement {
    /// True when it is more likely wrong than right; ask the person who logged it.
    #[must_use]
    pub fn doubtful(&self) -> bool {
        self.wrong > 0.5
    }
}

/// What was learnt.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    /// By the table.
    pub before: Station,
    /// With the observations.
    pub after: Station,
    /// In the order of the observations; nothing for one that could not be used (no development, no weight).
    pub judged: Vec<Option<Judgement>>,
    /// The law's sum before and after, °C·days above the law's base, when the law is such a sum.
    pub sums: Option<(f64, f64)>,
}

impl Learned {
    /// Number of observations that were used.
    #[must_use]
    pub fn used(&self) -> usize {
        self.judged.iter().flatten().filter(|j| !j.doubtful()).count()
    }
}

/// Pulls the species' sum and hatch window toward what was seen.
#[must_use]
pub fn learn(species: &Species, observations: &[Observation<'_>]) -> Learned {
    let before = Station::published(species);
    let points = points(species, observations);
    let used: Vec<Point> = points.iter().flatten().copied().collect();
    let mut after = before;
    let mut judged = vec![None; observations.len()];
    if !used.is_empty() {
        let prior = Prior { low: before.sigma_low.hypot(STATIONS), high: before.sigma_high.hypot(STATIONS) };
        let (mean, deviation) = posterior(prior, &used);
        // Lots go on differing, however well the station is known.
        let sigma = deviation.hypot(LOTS);
        after = Station {
            factor: mean.exp(),
            sigma_low: sigma.min(before.sigma_low),
            sigma_high: sigma.min(before.sigma_high),
            window: window(species, observations),
        };
        judged = points
            .iter()
            .map(|point| point.map(|p| Judgement { multiple: p.y.exp(), wrong: p.wrong(mean) }))
            .collect();
    }
    let sums = match species.model.law() {
        Law::DegreeDay(law) => Some((law.sum() * before.factor, law.sum() * after.factor)),
        Law::Power(_) | Law::Exponential(_) | Law::Belehradek(_) => None,
    };
    Learned { before, after, judged, sums }
}

/// An observation as the likelihood wants it.
#[derive(Clone, Copy)]
struct Point {
    y: f64,
    sigma: f64,
    power: f64,
    /// Height of the observation's likelihood when it is wrong.
    absurd: f64,
}

fn normal(x: f64, sigma: f64) -> f64 {
    (-0.5 * (x / sigma).powi(2)).exp() / (sigma * (2.0 * std::f64::consts::PI).sqrt())
}

impl Point {
    fn new(y: f64, sigma: f64, power: f64) -> Self {
        Self { y, sigma, power, absurd: ABSURD * normal(y, 1.0) }
    }

    fn likelihood(&self, mean: f64) -> f64 {
        (1.0 - ABSURD) * normal(self.y - mean, self.sigma) + self.absurd
    }

    fn wrong(&self, mean: f64) -> f64 {
        let likelihood = self.likelihood(mean);
        // So far out that both parts vanish.
        if likelihood <= 0.0 { 1.0 } else { self.absurd / likelihood }
    }
}

fn usable(o: &Observation<'_>) -> bool {
    o.development.is_finite() && o.development > 0.0 && o.weight.is_finite() && o.weight > 0.0
}

fn points(species: &Species, observations: &[Observation<'_>]) -> Vec<Option<Point>> {
    let mut counts: BTreeMap<Stage, f64> = BTreeMap::new();
    for o in observations.iter().filter(|o| usable(o)) {
        *counts.entry(o.stage).or_default() += o.weight.min(1.0);
    }
    let published = Station::published(species);
    let e2 = SIGHTING_SIGMA.powi(2) + LOTS.powi(2);
    observations
        .iter()
        .map(|o| {
            let n = usable(o).then(|| counts.get(&o.stage).copied().unwrap_or(1.0).max(1.0))?;
            let v2 = share_sigma(species, o.stage).powi(2);
            let s2 = e2 + v2;
            let y = (o.development / published.share(species, o.stage)).ln();
            Some(Point::new(y, s2.sqrt(), o.weight.min(1.0) * s2 / (e2 + n * v2)))
        })
        .collect()
}

#[derive(Clone, Copy)]
struct Prior {
    low: f64,
    high: f64,
}

/// Median and standard deviation of the posterior, from a grid.
///
/// The prior has half its probability on each side of zero, as [`Station`] has, so that observations that say nothing
/// leave the median where it was.
fn posterior(prior: Prior, points: &[Point]) -> (f64, f64) {
    const STEPS: i32 = 700;
    let density: Vec<(f64, f64)> = (0..=STEPS)
        .map(|i| {
            let mean = LIMIT * (2.0 * f64::from(i) / f64::from(STEPS) - 1.0);
            let sigma = if mean < 0.0 { prior.low } else { prior.high };
            let log = points.iter().map(|p| p.power * p.likelihood(mean).max(1e-300).ln()).sum::<f64>()
                - 0.5 * (mean / sigma).powi(2)
                - sigma.ln();
            (mean, log)
        })
        .collect();
    let top = density.iter().map(|(_, log)| *log).fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<(f64, f64)> = density.into_iter().map(|(mean, log)| (mean, (log - top).exp())).collect();
    let total: f64 = weights.iter().map(|(_, w)| w).sum();
    let step = 2.0 * LIMIT / f64::from(STEPS);
    let mut below = 0.0;
    let mut median = 0.0;
    for (mean, weight) in &weights {
        if below + weight >= total / 2.0 {
            // Each weight stands for the step around its point.
            median = mean + step * ((total / 2.0 - below) / weight - 0.5);
            break;
        }
        below += weight;
    }
    let variance = weights.iter().map(|(mean, w)| w * (mean - median).powi(2)).sum::<f64>() / total;
    (median, variance.sqrt())
}

/// Width of the hatch window as a multiple of the table's, from lots whose hatch was seen at two points or more.
fn window(species: &Species, observations: &[Observation<'_>]) -> f64 {
    let mut lots: BTreeMap<&str, BTreeMap<Stage, f64>> = BTreeMap::new();
    for o in observations.iter().filter(|o| usable(o) && o.stage != Stage::Eyed) {
        lots.entry(o.lot).or_default().entry(o.stage).or_insert(o.development);
    }
    let published = Station::published(species);
    let points: Vec<Point> = lots
        .values()
        .filter_map(|seen| {
            let ((first, a), (last, b)) = (seen.first_key_value()?, seen.last_key_value()?);
            let width = (b / a).ln();
            let expected = (published.share(species, *last) / published.share(species, *first)).ln();
            (first < last && width > 0.0).then(|| Point::new((width / expected).ln(), WINDOW, 1.0))
        })
        .collect();
    if points.is_empty() { 1.0 } else { posterior(Prior { low: WINDOW, high: WINDOW }, &points).0.exp() }
}
