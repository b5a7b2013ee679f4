//! What the season left behind, held against the script.

use crate::eggs::JARS;
use crate::expected::Expected;
use crate::raised::{Raised, all};
use crate::script::Cause;
use crate::season::Season;
use anyhow::{Context, Result};
use nightjar::alarm::event::{Asset, Change, Priority};
use nightjar::logbook::Act;
use nightjar_calc::time::Span;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Entries read at a time.
const PAGE: u32 = 10_000;

/// Everything that is to be held against something. Problems are added to those of the season.
pub async fn judge(season: &mut Season, scan: Span) -> Result<Value> {
    let store = season.stage.station.store.clone();
    store.flush().await.context("cannot write the last readings")?;
    let stored = store.read(|r| Ok((r.stored_readings()?, r.unplaced_readings()?))).await?;
    let mut problems = std::mem::take(&mut season.sums.problems);
    if stored != (season.stage.sent, 0) {
        problems.push(format!(
            "{} readings were sent, {} stored, {} unplaced",
            season.stage.sent, stored.0, stored.1
        ));
    }
    let health = store.health();
    if health.failing.is_some() || health.dropped_readings + health.dropped_transitions > 0 {
        problems.push(format!("the store is not well: {health:?}"));
    }
    let raised = all(&store, &season.stage.runs).await?;
    let told = told(season, &raised, scan, &mut problems);
    match_up(&season.script.expected, &raised, &mut problems);
    let on = raised.iter().filter(|raised| raised.is_on()).map(|raised| raised.event);
    let shown = season.stage.picture();
    let shown_on: BTreeSet<u64> = shown.alarms.iter().filter(|a| a.on).map(|a| a.event.0).collect();
    if on.clone().collect::<BTreeSet<_>>() != shown_on {
        let on: Vec<u64> = on.collect();
        problems.push(format!("by the journal {on:?} are on, by the picture {shown_on:?}"));
    }
    let lots = lots_by_the_logbook(season).await?;
    let shown_lots: Vec<Option<String>> = shown.jars.iter().map(|jar| jar.lot.clone()).collect();
    if lots != shown_lots {
        problems.push(format!("by the logbook {lots:?} are in the jars, by the picture {shown_lots:?}"));
    }
    season.problems.append(&mut problems);
    let kinds = raised.iter().fold(BTreeMap::<String, u32>::new(), |mut kinds, raised| {
        *kinds.entry(format!("{:?}", raised.kind)).or_default() += 1;
        kinds
    });
    Ok(json!({
        "readings_sent": season.stage.sent,
        "readings_stored": stored.0,
        "entries": season.entries,
        "starts": season.stage.runs.len(),
        "faults": season.script.faults.len(),
        "alarms_expected": season.script.expected.len(),
        "alarms": kinds,
        "messages_accepted": told,
        "sums_compared": season.sums.compared,
        "largest_thermal_unit_error_percent": season.sums.largest_error * 100.0,
    }))
}

/// Each expected alarm is raised once, in time, and ends in time; and no other is, save jars that pass a limit so
/// much before their header that they are told first, and jars that are still beyond it a minute after their header
/// is not: several of one header are told as one.
fn match_up(expected: &[Expected], raised: &[Raised], problems: &mut Vec<String>) {
    let mut left: Vec<&Raised> = raised.iter().collect();
    for wanted in expected {
        let fits = |raised: &&Raised| {
            raised.kind == wanted.kind
                && raised.covered_at.is_none()
                && wanted.assets.contains(&raised.asset)
                && matches!(raised.change, Change::Again { .. }) == wanted.again
                && raised.at >= wanted.from
                && raised.at <= wanted.from + wanted.within
        };
        let Some(place) = left.iter().position(fits) else {
            problems.push(format!("never raised in time: {}", words(wanted)));
            continue;
        };
        let found = left.remove(place);
        let over = found.cleared_at;
        if !over.is_some_and(|at| at >= wanted.over && at <= wanted.over + wanted.over_within) {
            let over = over.map(|at| at.days());
            problems.push(format!("over at {over:?}, which is not in time: {}", words(wanted)));
        }
    }
    let residue = |raised: &Raised| {
        let of = |wanted: &&Expected| wanted.kind == raised.kind && wanted.may_leave_residue;
        matches!(raised.asset, Asset::Jar(_) | Asset::Header(_))
            && expected.iter().filter(of).any(|e| raised.at >= e.over && raised.at <= e.over + e.over_within)
    };
    // The wider alarm came in time and took its place.
    let first_jars = |raised: &Raised| {
        raised.covered_at.is_some_and(|covered| {
            expected
                .iter()
                .any(|e| e.kind == raised.kind && raised.at >= e.from && covered <= e.from + e.within)
        })
    };
    left.retain(|raised| !residue(raised) && !first_jars(raised));
    for raised in left {
        problems.push(format!("raised without a cause at {:.5} d: {raised:?}", raised.at.days()));
    }
}

fn words(wanted: &Expected) -> String {
    format!(
        "{:?} {:?}{} from {:.5} d within {} s, over {:.5} d within {} s",
        wanted.kind,
        wanted.assets,
        if wanted.again { " again" } else { "" },
        wanted.from.days(),
        wanted.within.secs(),
        wanted.over.days(),
        wanted.over_within.secs()
    )
}

/// Every urgent alarm reached somebody, no message left twice, and what nobody answers reaches more
/// people. Answers how many messages left.
fn told(season: &Season, raised: &[Raised], scan: Span, problems: &mut Vec<String>) -> usize {
    let mut accepted: BTreeMap<&str, Span> = BTreeMap::new();
    for (at, handed) in season.handed.iter().filter(|(_, handed)| handed.accepted) {
        if accepted.insert(&handed.key, *at).is_some() {
            problems.push(format!("a message left twice: {}", handed.key));
        }
    }
    for urgent in raised.iter().filter(|raised| raised.priority == Priority::P1) {
        let about = format!("event-{}/", urgent.event);
        let first = accepted.iter().filter(|(key, at)| key.starts_with(&about) && **at >= urgent.at);
        let first = first.map(|(_, at)| *at).min();
        let silent = season
            .script
            .expected
            .iter()
            .filter(|e| e.kind == urgent.kind && e.assets.contains(&urgent.asset));
        let silent =
            silent.filter(|e| e.from <= urgent.at && urgent.at <= e.over).find_map(|e| e.silent_until);
        let latest = (urgent.at + scan + scan).max(silent.unwrap_or(Span::ZERO));
        if first.is_none_or(|at| at > latest) {
            let first = first.map(|at| at.days());
            problems.push(format!("told at {first:?}, which is not in time: {urgent:?}"));
        }
    }
    for fault in season.script.faults.iter().filter(|fault| matches!(fault.cause, Cause::Unanswered(_))) {
        let within = raised.iter().filter(|raised| fault.is_on(raised.at)).map(|raised| raised.event);
        let abouts: Vec<String> = within.map(|event| format!("event-{event}/")).collect();
        let people: BTreeSet<&str> = accepted
            .keys()
            .filter(|key| abouts.iter().any(|about| key.starts_with(about)))
            .filter_map(|key| key.split('/').nth(2))
            .collect();
        if people.len() < 2 {
            problems.push(format!("nobody answered, and only {people:?} were told: {fault:?}"));
        }
    }
    accepted.len()
}

/// Which lot is in each jar, by the entries alone.
async fn lots_by_the_logbook(season: &Season) -> Result<Vec<Option<String>>> {
    let mut lots = vec![None; JARS];
    let place = |jar: &str| (0..JARS).find(|n| crate::eggs::jar_name(*n) == jar);
    let mut after = 0;
    loop {
        let page = season.stage.station.store.read(move |r| r.entries_after(after, PAGE)).await?;
        let Some((last, _)) = page.last() else { return Ok(lots) };
        after = *last;
        for (_, entry) in page {
            let (jar, lot) = if let Act::Load(load) = &entry.act {
                (&load.jar, Some(load.lot.to_string()))
            } else if let Act::Empty(empty) = &entry.act {
                (&empty.jar, None)
            } else {
                continue;
            };
            if let Some(jar) = place(jar.as_str()) {
                lots[jar] = lot;
            }
        }
    }
}
