//! The answers the first line gives: is everything well, what needs me, what comes next. Pure.

use super::components::{needs_somebody, next_stage};
use super::words::{self, first};
use crate::alarm::event::Priority;
use crate::clock::Now;
use crate::rack::Rack;
use crate::reading::Quality;
use crate::snapshot::{JarState, Snapshot};
use nightjar_calc::time::{Span, Timestamp};

/// How the first line looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mood {
    /// Nothing needs anybody.
    Well,
    /// Somebody knows, or something is paused.
    Watched,
    /// Somebody is needed.
    Needed(Priority),
    /// Nobody can say.
    Blind,
}

/// The first line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// How it looks.
    pub mood: Mood,
    /// The line.
    pub line: String,
    /// What should be known beside it.
    pub beside: Vec<String>,
}

/// One thing that waits for a person: where to go, what it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Need {
    /// Path of the page where it can be done.
    pub path: String,
    /// What it is.
    pub what: String,
    /// How urgent, when it is an alarm.
    pub priority: Option<Priority>,
}

/// Is everything well?
pub fn answer(rack: &Rack, snap: &Snapshot, now: Now) -> Answer {
    let age = now.up.since(snap.now.up);
    if age > Span::from_secs(30) {
        return Answer {
            mood: Mood::Blind,
            line: first::no_news(age.ms() / 1_000),
            beside: vec![first::OLD_PICTURE.into()],
        };
    }
    let open: Vec<_> = snap.alarms.iter().filter(|a| needs_somebody(a)).collect();
    let known = snap.alarms.iter().filter(|a| a.suppressed.is_none() && a.acknowledged.is_some()).count();
    let paused = snap.alarms.iter().filter(|a| a.suppressed.is_some()).count();
    let blind = jars_without_word(rack, snap);
    let mut beside = Vec::new();
    if known > 0 {
        beside.push(first::known(known));
    }
    if paused > 0 {
        beside.push(first::silenced(paused));
    }
    if blind > 0 {
        beside.push(first::blind(blind));
    }
    if !now.trusted {
        beside.push(first::CLOCK.into());
    }
    if let Some(worst) = open.iter().min_by_key(|a| a.priority) {
        let line = first::worst(worst, open.len() - 1);
        return Answer { mood: Mood::Needed(worst.priority), line, beside };
    }
    let loaded = snap.jars.iter().filter(|jar| jar.state != JarState::Empty).count();
    let channels = snap.sensors.len();
    let good = snap
        .sensors
        .iter()
        .filter(|s| !s.stale && s.latest.is_some_and(|l| l.quality == Quality::Good))
        .count();
    if channels > 0 && good == 0 {
        return Answer { mood: Mood::Blind, line: first::ALL_BLIND.into(), beside };
    }
    beside.insert(0, first::watched(loaded, good, channels));
    let watched = known > 0 || paused > 0 || blind > 0 || !now.trusted;
    let line = if watched { first::NOTHING_NEW } else { first::ALL_WELL };
    Answer { mood: if watched { Mood::Watched } else { Mood::Well }, line: line.into(), beside }
}

/// Jars with eggs whose temperature nobody can give.
fn jars_without_word(rack: &Rack, snap: &Snapshot) -> usize {
    rack.jars
        .iter()
        .zip(&snap.jars)
        .filter(|(_, jar)| jar.state != JarState::Empty && jar.state != JarState::Hatched)
        .filter(|(_, jar)| jar.temperature.is_none_or(|t| t.quality == Quality::Bad))
        .count()
}

/// What needs me?
pub fn needs(rack: &Rack, snap: &Snapshot, now: Now) -> Vec<Need> {
    let mut needs: Vec<Need> = snap
        .alarms
        .iter()
        .filter(|a| needs_somebody(a))
        .map(|a| Need {
            path: format!("/alarms#e{}", a.event.0),
            what: format!(
                "{} {} {}{}",
                words::priority(a.priority).0,
                words::alarm(a.kind),
                words::asset(&a.asset),
                if a.on { "" } else { first::CLEARED }
            ),
            priority: Some(a.priority),
        })
        .collect();
    for (jar, now_jar) in rack.jars.iter().zip(&snap.jars) {
        let Some(progress) = &now_jar.progress else { continue };
        let due = |key: &str| {
            progress
                .stages
                .iter()
                .find(|s| s.stage == key)
                .is_some_and(|s| !s.seen && (s.at.is_some() || s.likely.is_some_and(|l| l <= now.utc)))
        };
        let path = format!("/jar/{}", jar.id);
        match now_jar.state {
            JarState::Green if due("eyed") => {
                needs.push(Need { path, what: first::should_be_eyed(jar.id.as_str()), priority: None });
            }
            JarState::Green | JarState::Eyed if due("hatch_start") => {
                needs.push(Need { path, what: first::should_hatch(jar.id.as_str()), priority: None });
            }
            JarState::Hatching if due("hatch_end") => {
                needs.push(Need { path, what: first::should_be_over(jar.id.as_str()), priority: None });
            }
            JarState::Empty | JarState::Green | JarState::Eyed | JarState::Hatching | JarState::Hatched => {}
        }
    }
    needs
}

/// One coming stage of one lot.
#[derive(Clone, Debug, PartialEq)]
pub struct Coming {
    /// When, likely.
    pub likely: Timestamp,
    /// Between.
    pub between: Option<(Timestamp, Timestamp)>,
    /// Which stage.
    pub stage: &'static str,
    /// Of which lot.
    pub lot: String,
    /// In which jars.
    pub jars: Vec<String>,
}

/// What comes next? Jars of one lot with the same stage are taken together.
pub fn coming(rack: &Rack, snap: &Snapshot, all: bool) -> Vec<Coming> {
    let mut list: Vec<Coming> = Vec::new();
    for (jar, now_jar) in rack.jars.iter().zip(&snap.jars) {
        let (Some(progress), Some(lot)) = (&now_jar.progress, &now_jar.lot) else { continue };
        let next = next_stage(progress).map(|s| s.stage);
        for stage in progress.stages.iter().filter(|s| s.at.is_none() && (all || Some(s.stage) == next)) {
            let Some(likely) = stage.likely else { continue };
            let between = stage.earliest.zip(stage.latest);
            match list.iter_mut().find(|c| c.lot == *lot && c.stage == stage.stage) {
                Some(known) => {
                    known.jars.push(jar.id.to_string());
                    known.likely = known.likely.min(likely);
                    known.between = match (known.between, between) {
                        (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
                        (one, other) => one.or(other),
                    };
                }
                None => list.push(Coming {
                    likely,
                    between,
                    stage: stage.stage,
                    lot: lot.clone(),
                    jars: vec![jar.id.to_string()],
                }),
            }
        }
    }
    list.sort_by_key(|c| c.likely);
    list
}
