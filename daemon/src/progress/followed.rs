//! The outlooks of this season as they were shown, one a day for each jar, against what happened. Pure: what must
//! survive a restart comes out as values under keys.

use crate::snapshot::{ProgressView, StageView};
use nightjar_calc::time::{Span, Timestamp, Zone};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Where they are kept among the stored states.
pub const FOLLOWED: &str = "outlook/";
/// Outlooks kept for one lot in one jar: one a day.
const MOST_DAYS: usize = 120;
/// Lots in jars followed at once; the ones longest silent are dropped.
const MOST_LOTS: usize = 400;
/// A season is over so long after its last outlook.
const SEASON: Span = Span::from_hours(200 * 24);

/// One stage as it was foreseen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Foreseen {
    /// `eyed`, `hatch_start`, `hatch_peak`, `hatch_end`.
    pub stage: String,
    /// Early end of the 80 % interval.
    pub earliest: Option<Timestamp>,
    /// Likely moment.
    pub likely: Timestamp,
    /// Late end.
    pub latest: Option<Timestamp>,
}

/// One outlook as it was shown.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Issued {
    /// When.
    pub at: Timestamp,
    /// Development by then, 1 at the median hatch.
    pub development: f64,
    /// Stages that had not come.
    pub stages: Vec<Foreseen>,
}

/// When a stage came.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Happened {
    /// When.
    pub at: Timestamp,
    /// True when a person saw it; else the sum says so.
    pub seen: bool,
}

/// The outlooks of one lot in one jar.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Followed {
    /// Lot.
    pub lot: String,
    /// Jar.
    pub jar: String,
    /// One a day, oldest first.
    pub outlooks: Vec<Issued>,
    /// Stages that came.
    pub happened: BTreeMap<String, Happened>,
}

impl Followed {
    /// Every foreseen stage that has come since: the outlook, what it said, what happened.
    pub fn pairs(&self) -> impl Iterator<Item = (&Issued, &Foreseen, Happened)> {
        self.outlooks.iter().flat_map(move |issued| {
            issued.stages.iter().filter_map(move |foreseen| {
                let happened = *self.happened.get(&foreseen.stage)?;
                (happened.at > issued.at).then_some((issued, foreseen, happened))
            })
        })
    }
}

/// How the outlooks issued in one quarter of development did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonScore {
    /// Development at issue from here, 0 to 0.75.
    pub from: f64,
    /// Outlooks compared.
    pub cases: usize,
    /// Of those, against what a person saw.
    pub seen: usize,
    /// Mean absolute error of the likely moment, days.
    pub mean_absolute_error_days: f64,
    /// Mean error, days; late outlooks are positive.
    pub bias_days: f64,
    /// Share inside the interval shown, 0 to 1.
    pub coverage: f64,
}

/// Scores by the quarter of development in which the outlook was issued; quarters without any are left out.
#[must_use]
pub fn scores(all: &[Followed]) -> Vec<SeasonScore> {
    let quarters = [0.0, 0.25, 0.5, 0.75];
    quarters
        .into_iter()
        .filter_map(|from| {
            let to = if from < 0.75 { from + 0.25 } else { f64::INFINITY };
            let (mut cases, mut seen, mut inside) = (0_usize, 0_usize, 0_usize);
            let (mut absolute, mut sum) = (0.0, 0.0);
            let pairs = all.iter().flat_map(Followed::pairs);
            for (_, foreseen, happened) in pairs.filter(|(i, ..)| (from..to).contains(&i.development)) {
                let error = foreseen.likely.since(happened.at).days();
                let within = foreseen.earliest.is_none_or(|e| e <= happened.at)
                    && foreseen.latest.is_none_or(|l| happened.at <= l);
                cases += 1;
                seen += usize::from(happened.seen);
                inside += usize::from(within);
                absolute += error.abs();
                sum += error;
            }
            let n = cases as f64;
            (cases > 0).then(|| SeasonScore {
                from,
                cases,
                seen,
                mean_absolute_error_days: absolute / n,
                bias_days: sum / n,
                coverage: inside as f64 / n,
            })
        })
        .collect()
}

/// What is to be kept under a key; `None` takes it away.
pub type Kept = (String, Option<serde_json::Value>);

/// All outlooks of this season.
#[derive(Debug, Default)]
pub struct Season {
    lots: BTreeMap<String, Followed>,
    shared: Arc<Vec<Followed>>,
}

impl Season {
    /// As stored; what cannot be read is left out.
    #[must_use]
    pub fn restored(states: BTreeMap<String, serde_json::Value>) -> Self {
        let mut season = Self::default();
        for (key, value) in states {
            match serde_json::from_value(value) {
                Ok(followed) => drop(season.lots.insert(key, followed)),
                Err(error) => {
                    tracing::error!(%key, %error, "stored outlooks cannot be read and are left out");
                }
            }
        }
        season.share();
        season
    }

    /// For everybody else.
    #[must_use]
    pub fn shared(&self) -> Arc<Vec<Followed>> {
        Arc::clone(&self.shared)
    }

    fn share(&mut self) {
        self.shared = Arc::new(self.lots.values().cloned().collect());
    }

    /// Notes what is shown about the eggs of jars (jar, lot, view): the first outlook of each local day, and the
    /// stages that came. Answers what has changed.
    pub fn note<'a>(
        &mut self,
        shown: impl IntoIterator<Item = (&'a str, &'a str, &'a ProgressView)>,
        zone: Zone,
    ) -> Vec<Kept> {
        let mut changed: BTreeMap<String, Option<serde_json::Value>> = BTreeMap::new();
        let mut newest = None;
        for (jar, lot, view) in shown {
            newest = newest.max(Some(view.as_of));
            let key = format!("{FOLLOWED}{lot}/{jar}");
            let followed = self.lots.entry(key.clone()).or_insert_with(|| Followed {
                lot: lot.to_owned(),
                jar: jar.to_owned(),
                outlooks: Vec::new(),
                happened: BTreeMap::new(),
            });
            if followed.take_in(view, zone) {
                changed.insert(key, serde_json::to_value(&*followed).ok());
            }
        }
        if changed.is_empty() {
            return Vec::new();
        }
        for gone in self.outdated(newest) {
            self.lots.remove(&gone);
            changed.insert(gone, None);
        }
        self.share();
        changed.into_iter().collect()
    }

    /// Keys of past seasons, and of the longest silent ones when there are too many.
    fn outdated(&self, now: Option<Timestamp>) -> Vec<String> {
        let mut by_age: Vec<(Option<Timestamp>, &String)> =
            self.lots.iter().map(|(key, f)| (f.outlooks.last().map(|o| o.at), key)).collect();
        by_age.sort();
        let too_many = by_age.len().saturating_sub(MOST_LOTS);
        let old = |at: Option<Timestamp>| at.zip(now).is_some_and(|(at, now)| now.since(at) > SEASON);
        by_age
            .into_iter()
            .enumerate()
            .filter(|(place, (at, _))| *place < too_many || old(*at))
            .map(|(_, (_, key))| key.clone())
            .collect()
    }
}

impl Followed {
    /// Whether anything changed.
    fn take_in(&mut self, view: &ProgressView, zone: Zone) -> bool {
        let happened: BTreeMap<String, Happened> = view
            .stages
            .iter()
            .filter_map(|s| Some((s.stage.to_owned(), Happened { at: s.at?, seen: s.seen })))
            .collect();
        let coming: Vec<Foreseen> =
            view.stages.iter().filter(|s| s.at.is_none()).filter_map(foreseen).collect();
        let today = zone.day_of(view.as_of);
        let new_day = self.outlooks.last().is_none_or(|last| zone.day_of(last.at) < today);
        let issue = new_day && !coming.is_empty();
        if issue {
            let development = view.development;
            self.outlooks.push(Issued { at: view.as_of, development, stages: coming });
            if self.outlooks.len() > MOST_DAYS {
                self.outlooks.remove(0);
            }
        }
        let changed = self.happened != happened;
        self.happened = happened;
        issue || (changed && !self.outlooks.is_empty())
    }
}

fn foreseen(stage: &StageView) -> Option<Foreseen> {
    Some(Foreseen {
        stage: stage.stage.to_owned(),
        earliest: stage.earliest,
        likely: stage.likely?,
        latest: stage.latest,
    })
}
