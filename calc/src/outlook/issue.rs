//! Issuing an outlook: equally likely continuations from a moment on.

use super::Futures;
use super::climate::{Climate, Weighed, days};
use super::curve::WINDOW;
use super::departure::{Persistence, State};
use super::draws::{self, LONGEST, PAIRS, PER_DAY, PER_START};
use super::history::Recent;
use super::schedule::Schedule;
use crate::time::{Day, Span, Timestamp, Zone};

/// An outlook of the water temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// Equally likely continuations, 200 of them.
    pub futures: Futures,
    /// What it rests on and how.
    pub diagnostics: Diagnostics,
}

/// What an outlook rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnostics {
    /// Past springs used.
    pub springs: usize,
    /// Present departure from the seasonal curve, °C (warm is positive); none with a borrowed curve,
    /// whose level is fitted to the present.
    pub departure_c: Option<f64>,
    /// Share of a departure expected to be left after 14 days, as fitted, 0 to 1.
    pub left_after_14_days: f64,
    /// Factor on the intervals from hindcasts at this station; 1 with one past spring, 1.4 with none.
    pub widening: f64,
    /// Degrees of freedom of the intervals' tails; few springs, few degrees, wide tails.
    pub degrees_of_freedom: f64,
    /// Width of the interval that holds 80 % of the continuations, one week ahead, °C.
    pub width_at_7_days_c: f64,
    /// What the reader should know, in plain words.
    pub warnings: Vec<String>,
}

/// Why there is no outlook.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoOutlook {
    /// A borrowed curve has no level of its own.
    #[error(
        "no temperature of this water is known: give one daily mean of this season, a past spring, or a plan"
    )]
    NothingKnown,
    /// Too far ahead, or nothing asked for.
    #[error("{asked} days ahead cannot be forecast from {anchor}: ask for 1 to {most}")]
    Days {
        /// Days asked for.
        asked: usize,
        /// Most that can be given.
        most: usize,
        /// Date the climate was fitted around.
        anchor: Day,
    },
}

/// Coldest and warmest water a continuation may reach, °C.
const LIMITS_C: (f64, f64) = (-1.0, 38.0);

impl Climate {
    /// Issues an outlook for `count` days from `issued_at`.
    ///
    /// Nothing after `issued_at` is used: of `recent`, complete days before the local day of issue,
    /// and that day's promise if it was made from readings. Values of a path are means over 24 hours
    /// from the moment of issue; a day of 23 or 25 hours is not told apart.
    ///
    /// # Errors
    /// When there is nothing to give a level, or the days asked for are none or too many.
    ///
    /// ```
    /// use nightjar_calc::outlook::{Climate, DailyMeans, Recent, WaterKind};
    /// use nightjar_calc::time::{Day, Zone};
    ///
    /// // Two springs that warmed by 0.1 °C a day from 5 °C on 1 April; this one runs 1 °C colder.
    /// let mut past = DailyMeans::default();
    /// let mut present = DailyMeans::default();
    /// for n in -30..90_i32 {
    ///     let usual = 5.0 + 0.1 * f64::from(n);
    ///     for year in [2024, 2025] {
    ///         past.insert(Day::from_ymd(year, 4, 1).unwrap().plus(n.into()), usual);
    ///     }
    ///     present.insert(Day::from_ymd(2026, 4, 1).unwrap().plus(n.into()), usual - 1.0);
    /// }
    /// let today = Day::from_ymd(2026, 4, 15).unwrap();
    /// let climate = Climate::fit(&past, None, today);
    /// let recent = Recent::from_days(present.before(today));
    /// let outlook = climate.outlook(&recent, today.start(Zone::UTC), Zone::UTC, 60, None).unwrap();
    /// assert_eq!(outlook.futures.basis, "station history, 2 springs");
    /// assert_eq!(outlook.futures.paths.len(), 200);
    /// // Tomorrow lies near 5.4 °C: the usual 6.4 °C and the present departure.
    /// let mean = outlook.futures.paths.iter().map(|path| path[0]).sum::<f64>() / 200.0;
    /// assert!((mean - 5.4).abs() < 0.2, "{mean}");
    /// ```
    pub fn outlook(
        &self,
        recent: &Recent,
        issued_at: Timestamp,
        zone: Zone,
        count: usize,
        plan: Option<&Schedule>,
    ) -> Result<Outlook, NoOutlook> {
        let today = zone.day_of(issued_at);
        let issue = self.index(today).unwrap_or(WINDOW);
        let most = LONGEST.saturating_sub(2).min(WINDOW.saturating_sub(issue + 2));
        if count == 0 || count > most {
            return Err(NoOutlook::Days { asked: count, most, anchor: self.anchor });
        }
        let planned: Vec<Option<f64>> =
            (0..=count).map(|k| plan.and_then(|plan| plan.on(today.plus(days(k))))).collect();
        let (start, season) = self.season_so_far(recent, today);
        let known = season.iter().any(|c| c.is_finite());
        if self.springs == 0 && !known && planned.iter().any(Option::is_none) {
            return Err(NoOutlook::NothingKnown);
        }
        let weighed = self.weigh(start, &season);
        let mut by_day = self.continuations(&weighed, start + season.len(), count + 1);
        if let Some(expected) = recent.expected(today) {
            by_day.iter_mut().for_each(|path| path.insert(0, expected));
        }
        let elapsed = issued_at.since(today.start(zone)).hours() / today.length(zone).hours();
        let paths: Vec<Vec<f64>> = by_day
            .iter_mut()
            .map(|path| {
                for (value, set) in path.iter_mut().zip(&planned) {
                    *value = set.unwrap_or(*value);
                }
                path.windows(2).take(count).map(|w| (1.0 - elapsed) * w[0] + elapsed * w[1]).collect()
            })
            .collect();
        let basis = self.basis(&planned);
        let diagnostics = self.diagnose(&weighed, start, &season, &paths);
        let futures = Futures { from: issued_at, step: Span::from_days(1.0), paths, basis };
        Ok(Outlook { futures, diagnostics })
    }

    /// Daily means of `count` days from the index `from` on, for each path, °C.
    fn continuations(&self, weighed: &[Weighed], from: usize, count: usize) -> Vec<Vec<f64>> {
        let mut paths = Vec::with_capacity(2 * PAIRS);
        // Pairs are dealt out in proportion to belief.
        let mut which = weighed.iter().zip(&self.candidates);
        let mut current = which.next();
        let mut believed = current.map_or(1.0, |(w, _)| w.weight);
        for (pair, middle) in (0..PAIRS).zip(middles()) {
            while believed < middle {
                let Some(next) = which.next() else { break };
                believed += next.0.weight;
                current = Some(next);
            }
            let Some((w, candidate)) = current else { break };
            // Scales of neighbours are spread by the golden ratio over their posterior.
            let quantile = (middle * GOLDEN_STEPS).fract();
            let sigma = self.widening * scale(w, quantile.clamp(0.005, 0.995));
            let root = w.state.root();
            for sign in [sigma, -sigma] {
                paths.push(draw(
                    &candidate.persistence,
                    &w.state,
                    &root,
                    &candidate.curve[from.min(WINDOW)..(from + count).min(WINDOW)],
                    self.curve_factor,
                    sign,
                    draws::of_pair(pair),
                ));
            }
        }
        paths
    }

    fn basis(&self, planned: &[Option<f64>]) -> String {
        let water = match (self.springs, self.kind_given) {
            (0, true) => format!("borrowed curve, {}", self.kind),
            (0, false) => "borrowed curve, kind of water not given".to_owned(),
            (1, _) => "station history, 1 spring".to_owned(),
            (n, _) => format!("station history, {n} springs"),
        };
        let set = planned.iter().filter(|set| set.is_some()).count();
        if set == 0 {
            water
        } else if set + 1 >= planned.len() {
            "planned schedule".to_owned()
        } else {
            format!("planned schedule, other days {water}")
        }
    }

    fn diagnose(&self, weighed: &[Weighed], start: usize, season: &[f64], paths: &[Vec<f64>]) -> Diagnostics {
        let known = season.iter().any(|c| c.is_finite());
        let sum = |value: &dyn Fn(&Weighed, &super::climate::Candidate) -> f64| {
            weighed.iter().zip(&self.candidates).map(|(w, c)| w.weight * value(w, c)).sum::<f64>()
        };
        let last = (start + season.len()).saturating_sub(1).min(WINDOW - 1);
        let departure = sum(&|w, c| {
            let usual = c.curve[last];
            let u = self.curve_factor * (w.state.mean[0] + w.state.mean[2] + w.state.mean[3]);
            c.persistence.measure.celsius(usual + u) - c.persistence.measure.celsius(usual)
        });
        let mut warnings = Vec::new();
        if !known {
            warnings.push("no reading of this season: the usual curve stands alone".to_owned());
        }
        if self.springs == 0 {
            warnings.push("no past springs of this water: the seasonal slope is borrowed".to_owned());
        } else if self.springs < 4 {
            warnings.push("few past springs: intervals are wide and rough".to_owned());
        }
        Diagnostics {
            springs: self.springs,
            departure_c: (self.springs > 0 && known).then_some(departure),
            left_after_14_days: sum(&|_, c| c.persistence.left_after(14.0)),
            widening: self.widening,
            degrees_of_freedom: sum(&|w, _| 2.0 * w.shape),
            width_at_7_days_c: width(paths, 7),
            warnings,
        }
    }
}

/// The middles of `PAIRS` equal parts of 0 to 1.
fn middles() -> impl Iterator<Item = f64> {
    let part = 1.0 / f64::from(u32::try_from(PAIRS).unwrap_or(u32::MAX));
    (0..).map(move |i| part * (f64::from(i) + 0.5))
}

/// `PAIRS` times the golden ratio: from one pair to the next the fraction moves on by 0.618.
const GOLDEN_STEPS: f64 = 100.0 * 1.618_033_988_75;

/// Quantile of `σ` under its inverse gamma posterior: `σ² = 2B / χ²`, the chi-square quantile by
/// E. B. Wilson and M. M. Hilferty (1931, Proc. Natl. Acad. Sci. 17, 684-688):
/// `χ² ≈ ν (1 − 2/(9ν) + z √(2/(9ν)))³`, `ν = 2A`.
fn scale(weighed: &Weighed, quantile: f64) -> f64 {
    let nu = 2.0 * weighed.shape;
    let z = draws::normal_quantile(1.0 - quantile);
    let chi = nu * (1.0 - 2.0 / (9.0 * nu) + z * (2.0 / (9.0 * nu)).sqrt()).max(0.1).powi(3);
    (2.0 * weighed.rate / chi).sqrt()
}

/// One continuation: the state drawn from what is known, then driven by its shocks.
fn draw(
    persistence: &Persistence,
    state: &State,
    root: &[[f64; 4]; 4],
    curve: &[f64],
    factor: f64,
    sigma: f64,
    normal: &[f32],
) -> Vec<f64> {
    let decay = persistence.decay();
    let shocks = persistence.shocks().map(|q| sigma * q.sqrt());
    let mut parts: [f64; 4] = std::array::from_fn(|i| {
        state.mean[i] + sigma * (0..=i).map(|j| root[i][j] * f64::from(normal[j])).sum::<f64>()
    });
    let days = normal[PER_START..].chunks_exact(PER_DAY);
    curve
        .iter()
        .zip(days)
        .map(|(usual, day)| {
            Persistence::advance(&mut parts, &decay);
            for i in 1..4 {
                parts[i] += shocks[i] * f64::from(day[i - 1]);
            }
            let y = usual + factor * (parts[0] + parts[2] + parts[3]);
            persistence.measure.celsius(y).clamp(LIMITS_C.0, LIMITS_C.1)
        })
        .collect()
}

/// Width of the middle 80 % on the day after `day` days, °C; 0 when the paths are shorter.
fn width(paths: &[Vec<f64>], day: usize) -> f64 {
    let mut values: Vec<f64> = paths.iter().filter_map(|path| path.get(day)).copied().collect();
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n < 10 { 0.0 } else { values[n - 1 - n / 10] - values[n / 10] }
}
