//! How past outlooks of a station did, in numbers and in words.

use super::hindcast::Case;
use std::fmt;

/// How outlooks issued at one share of the sum did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Score {
    /// Share of the sum at issue, 0 to 1.
    pub share: f64,
    /// Outlooks compared.
    pub cases: usize,
    /// Mean absolute error of the middle, days.
    pub mean_absolute_error_days: f64,
    /// Mean error, days; late forecasts are positive.
    pub bias_days: f64,
    /// Share of outcomes inside the 80 % interval, 0 to 1.
    pub coverage: f64,
    /// Mean absolute error of the three plain rules of [`Case::plain`], days.
    pub plain_error_days: [f64; 3],
}

/// How past outlooks did, by share of the sum at issue.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TrackRecord {
    /// One for each share, lowest first.
    pub scores: Vec<Score>,
    /// Seasons compared.
    pub seasons: usize,
}

/// Scores outlooks against what happened.
///
/// ```
/// use nightjar_calc::outlook::{Case, track_record};
/// use nightjar_calc::time::Day;
///
/// let day = Day::parse("2025-04-15").unwrap();
/// let case = Case { start: day, target: 140.0, share: 0.5, issued_on: day.plus(9), springs: 4,
///     actual: 6.0, low: 5.0, median: 6.5, high: 8.0, plain: [8.0, 7.0, 6.8] };
/// let record = track_record(&[case]);
/// assert!((record.scores[0].mean_absolute_error_days - 0.5).abs() < 1e-12);
/// assert_eq!(record.to_string(), "issued at 50 %: off by 0.5 days on average, 100 % of 1 inside the 80 % interval");
/// ```
#[must_use]
pub fn track_record(cases: &[Case]) -> TrackRecord {
    let mut shares: Vec<f64> = cases.iter().map(|case| case.share).collect();
    shares.sort_by(f64::total_cmp);
    shares.dedup_by(|a, b| a.total_cmp(b).is_eq());
    let mut years: Vec<i32> = cases.iter().map(|case| case.start.year()).collect();
    years.sort_unstable();
    years.dedup();
    let scores = shares
        .into_iter()
        .map(|share| score(share, cases.iter().filter(|case| case.share.total_cmp(&share).is_eq())))
        .collect();
    TrackRecord { scores, seasons: years.len() }
}

fn score<'a>(share: f64, cases: impl Iterator<Item = &'a Case> + Clone) -> Score {
    let n = cases.clone().fold(0.0, |n, _| n + 1.0);
    let mean = |value: &dyn Fn(&Case) -> f64| cases.clone().map(value).sum::<f64>() / n;
    Score {
        share,
        cases: cases.clone().count(),
        mean_absolute_error_days: mean(&|c| (c.median - c.actual).abs()),
        bias_days: mean(&|c| c.median - c.actual),
        coverage: mean(&|c| f64::from(u8::from((c.low..=c.high).contains(&c.actual)))),
        plain_error_days: std::array::from_fn(|rule| mean(&|c| (c.plain[rule] - c.actual).abs())),
    }
}

impl fmt::Display for TrackRecord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.scores.is_empty() {
            return f.write_str("no past outlook to compare yet");
        }
        for (i, s) in self.scores.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(
                f,
                "issued at {:.0} %: off by {:.1} days on average, {:.0} % of {} inside the 80 % interval",
                100.0 * s.share,
                s.mean_absolute_error_days,
                100.0 * s.coverage,
                s.cases
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_outlooks_nothing_is_claimed() {
        assert_eq!(track_record(&[]).to_string(), "no past outlook to compare yet");
    }
}
