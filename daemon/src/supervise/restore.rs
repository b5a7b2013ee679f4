//! What a restart goes on from: stored alarms, the logbook, the temperatures still needed.

use crate::alarm::engine::{JarContext, Plan};
use crate::alarm::record::Stored;
use crate::clock::Now;
use crate::config::Config;
use crate::core::limits;
use crate::core::run::usable;
use crate::core::state::{Begin, HAND_OVER, LADDERS, State, restored};
use crate::core::water::past_ends;
use crate::logbook::Entry;
use crate::notify::route::{Directory, Router};
use crate::progress::Progress;
use crate::progress::followed::{FOLLOWED, Season};
use crate::rack::{Measure, Rack};
use crate::reading::SensorIx;
use crate::snapshot::JarState;
use crate::store::{JournalFilter, JournalKind, MessageState, Reader, StoreError, StoreHandle, past_springs};
use anyhow::{Context, Result};
use nightjar_calc::development::species::{self, Species, SpeciesOverride};
use nightjar_calc::development::{DegreeDay, Law};
use nightjar_calc::thermal::{begin_of_hour, hour_of};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Messages looked through for the last one that was taken.
const LAST_LOOKED_AT: u32 = 200;
/// Entries read back at a time: readers keep the file for a short while only.
const PAGE: u32 = 10_000;
/// Damaged entries that are named by number.
const LOST_NAMED: usize = 3;

/// What a station begins with.
pub struct Beginning {
    /// The state.
    pub state: State,
    /// Whether it is the one that was stored.
    pub was_read: bool,
    /// What of the logbook is lost, in words.
    pub lost: Option<String>,
}

/// The state a station begins with. A disk that cannot be read must not keep the station from
/// watching: every jar is then taken to hold eggs. Nor must an entry that is damaged: it is left out
/// and spoken of.
pub async fn state(config: &Config, store: &StoreHandle, now: Now) -> Result<Beginning> {
    match stored(config, store, now).await {
        Ok((state, lost)) => Ok(Beginning { state, was_read: true, lost }),
        Err(error) if store.health().failing.is_some() => {
            let error = format!("{error:#}");
            tracing::error!(error, "nothing stored can be read: every jar is watched as if it held eggs");
            Ok(Beginning { state: unread(config, now)?, was_read: false, lost: None })
        }
        Err(error) => Err(error),
    }
}

fn plan(config: &Config) -> Plan {
    let rack = &config.rack;
    Plan {
        rack: (**rack).clone(),
        sources: config.sources.iter().map(|source| source.id.to_string()).collect(),
        routes: routes(config),
        settings: limits::settings(&config.alarm),
        code_seed: seed(&rack.station),
    }
}

/// A beginning without anything stored.
fn unread(config: &Config, now: Now) -> Result<State> {
    let rack = Arc::clone(&config.rack);
    let mut progress = Progress::new(Arc::clone(&rack), species(config)?);
    progress.set_learning(config.learns);
    // Far above every number given out so far, which nobody knows: a message under a number that was
    // used before would count as sent.
    let next_event = u64::try_from(now.utc.ms() / 1000).unwrap_or(0);
    let begin = Begin {
        rack,
        plan: plan(config),
        stored: Stored { next_event, ..Stored::default() },
        off_for: None,
        progress,
        water_type: config.water_type,
        router: Router::new(Directory::new(config)),
        followed: Season::restored(BTreeMap::new()),
        last_told: None,
    };
    let mut state = State::new(begin, now);
    state.assume_loaded(JarContext { occupied: true, stage: JarState::Green, ..JarContext::default() });
    Ok(state)
}

async fn stored(config: &Config, store: &StoreHandle, now: Now) -> Result<(State, Option<String>)> {
    let rack = Arc::clone(&config.rack);
    let states = store.read(|r| r.states("engine/")).await.context("cannot read the stored alarms")?;
    let (entries, lost) = logbook(store).await.context("cannot read the logbook")?;
    let mut progress = Progress::new(Arc::clone(&rack), species(config)?);
    progress.set_learning(config.learns);
    progress.set_entries(entries);
    read_back(&mut progress, &rack, store, now.utc).await?;
    let watched = store.read(last_watched).await.unwrap_or_default();
    let off_for = watched.filter(|_| now.trusted).map(|at| now.utc.since(at));
    let begin = Begin {
        rack: Arc::clone(&rack),
        plan: plan(config),
        stored: restored(&states),
        off_for,
        progress,
        water_type: config.water_type,
        router: router(config, store, now).await?,
        followed: Season::restored(
            store.read(|r| r.states(FOLLOWED)).await.context("cannot read the outlooks of this season")?,
        ),
        last_told: last_told(config, store).await,
    };
    let (past_rack, past_ends) = (Arc::clone(&rack), past_ends(&rack, now.utc));
    let past = store
        .read(move |r| past_springs(r, &past_rack, past_ends))
        .await
        .context("cannot read the water of past springs")?;
    let mut state = State::new(begin, now);
    state.set_past_springs(past);
    Ok((state, lost))
}

/// The logbook as far as it can be read, and what is lost of it, in words.
async fn logbook(store: &StoreHandle) -> Result<(Vec<Entry>, Option<String>), StoreError> {
    let (mut entries, mut after, mut lost) = (Vec::new(), 0, Vec::new());
    loop {
        let page = store.read(move |r| r.readable_entries_after(after, PAGE)).await?;
        let Some((last, _)) = page.last() else { break };
        after = *last;
        for (number, entry) in page {
            match entry {
                Ok(entry) => entries.push(entry),
                Err(error) => {
                    tracing::error!(%error, "an entry of the logbook is left out");
                    lost.push(number.to_string());
                }
            }
        }
    }
    let words = (!lost.is_empty()).then(|| {
        let more = if lost.len() > LOST_NAMED { ", ..." } else { "" };
        let named = lost[..lost.len().min(LOST_NAMED)].join(", ");
        format!("{} logbook entries cannot be read (number {named}{more})", lost.len())
    });
    Ok((entries, words))
}

/// The ladders, where they stood.
async fn router(config: &Config, store: &StoreHandle, now: Now) -> Result<Router> {
    let states = store.read(|r| r.states(LADDERS)).await.context("cannot read the stored ladders")?;
    let read = |value: serde_json::Value| match serde_json::from_value(value) {
        Ok(saved) => Some(saved),
        Err(error) => {
            tracing::error!(%error, "a stored ladder cannot be read and is left out");
            None
        }
    };
    let mut router = Router::new(Directory::new(config));
    router.restore(states.into_values().filter_map(read).collect(), now);
    let kept = store.read(|r| r.state(HAND_OVER)).await.context("cannot read the stored hand-over")?;
    router.watch_rota(kept.and_then(|kept| serde_json::from_value(kept).ok()), now);
    Ok(router)
}

/// When the core last wrote a line, with which it keeps how far the alarms' time had come. Others write
/// into the journal too.
fn last_watched(reader: &Reader<'_>) -> Result<Option<Timestamp>, StoreError> {
    let mut newest = None;
    for kind in [JournalKind::Alarm, JournalKind::Clock, JournalKind::Source] {
        let lines = reader.journal(&JournalFilter { kind: Some(kind), ..JournalFilter::default() }, 1)?;
        newest = newest.max(lines.first().map(|line| (line.id, line.at)));
    }
    Ok(newest.map(|(_, at)| at))
}

/// When somebody was last told, and what.
async fn last_told(config: &Config, store: &StoreHandle) -> Option<(Timestamp, String)> {
    let messages = store.read(|r| r.messages(None, LAST_LOOKED_AT)).await.ok()?;
    let told = messages.into_iter().find(|message| {
        message.key.event.is_some()
            && matches!(message.state, MessageState::Accepted | MessageState::Delivered)
    })?;
    let named = config.people.iter().find(|person| person.id == told.key.person);
    let name = named.map_or_else(|| told.key.person.to_string(), |person| person.name.clone());
    Some((told.changed_at, format!("{name} by {}", told.key.route)))
}

/// Names of the routes in use.
pub fn routes(config: &Config) -> Vec<String> {
    let notify = &config.notify;
    let mut routes = Vec::new();
    routes.extend(notify.email.as_ref().map(|_| "mail".to_owned()));
    routes.extend(notify.sms.as_ref().map(|_| "text".to_owned()));
    routes.extend((!notify.webhooks.is_empty()).then(|| "webhook".to_owned()));
    routes.extend(notify.mail_folder.as_ref().map(|_| "folder".to_owned()));
    routes
}

/// Species of the table with the station's own numbers, and its own species.
pub fn species(config: &Config) -> Result<Vec<Species>> {
    let mut known: Vec<Species> = species::all().to_vec();
    for (key, own) in &config.species {
        let base = known.iter().find(|species| species.key == key.as_str()).cloned();
        let law = own.hatch_c_days.map(|sum| DegreeDay::new(own.base_c.unwrap_or(0.0), sum)).transpose();
        let change = SpeciesOverride {
            common_name: own.common_name.clone(),
            law: law.with_context(|| format!("species.{key}.hatch-c-days"))?.map(Law::DegreeDay),
            // A new species needs a range of trust; the one of cool-water spawners is assumed.
            range: base.is_none().then_some((5.0, 18.0)),
            eyed: own.eyed_share,
            source: own.source.clone(),
            ..SpeciesOverride::default()
        };
        let made = change.apply(key, base.as_ref()).with_context(|| format!("species.{key}"))?;
        known.retain(|species| species.key != key.as_str());
        known.push(made);
    }
    Ok(known)
}

/// Temperatures since the oldest eggs in jars were poured in, a day at a time: a season at once is a hundred
/// megabytes. To the last of them: a clock that begins in the past says nothing about how far the record goes.
async fn read_back(progress: &mut Progress, rack: &Rack, store: &StoreHandle, now: Timestamp) -> Result<()> {
    let Some(since) = progress.needed_since() else { return Ok(()) };
    let days = (hour_of(since)..=hour_of(now).max(hour_of(since))).step_by(24);
    let mut windows: Vec<_> =
        days.map(|day| (begin_of_hour(day).max(since), begin_of_hour(day + 24))).collect();
    let known = windows.last().map_or(since, |(_, end)| *end);
    windows.push((known, Timestamp::from_ms(i64::MAX)));
    for (from, to) in windows {
        for (at, sensor) in rack.sensors.iter().enumerate() {
            let Ok(ix) = u16::try_from(at).map(SensorIx) else { continue };
            if sensor.measure != Measure::Temperature {
                continue;
            }
            let id = sensor.id.clone();
            let samples = store
                .read(move |r| r.samples_between(&id, from, to))
                .await
                .context("cannot read the temperatures back")?;
            progress.set_hours(ix, [], usable(&samples));
            progress.condense_one(ix);
        }
    }
    progress.settle();
    Ok(())
}

/// Answer codes of two stations should not be the same all the time.
fn seed(station: &str) -> u64 {
    station
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{Clock, ManualClock};
    use crate::ids::PersonId;
    use crate::logbook::{Act, EntryId, Note};
    use crate::store::{StoreOptions, import_entries, open};

    #[tokio::test]
    async fn a_long_logbook_is_read_back_whole() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("nightjar.sqlite");
        let at = Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap();
        let written: Vec<Entry> = (0..2 * PAGE + 5)
            .map(|n| Entry {
                id: EntryId(format!("entry-{n:06}")),
                happened_at: at,
                written_at: at,
                who: PersonId::new("kim").unwrap(),
                act: Act::Note(Note { jar: None, text: n.to_string() }),
            })
            .collect();
        import_entries(&file, &written).unwrap();
        let options = StoreOptions { ballast_bytes: 0, ..StoreOptions::new(file, Vec::new()) };
        let store = open(options, Arc::new(ManualClock::new(at)) as Arc<dyn Clock>).unwrap();
        assert!(logbook(&store).await.unwrap() == (written, None), "the last ones are there too");
    }

    #[tokio::test]
    async fn a_damaged_entry_is_left_out_and_named_and_the_others_are_there() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("nightjar.sqlite");
        let at = Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap();
        let note = |n: u32| Entry {
            id: EntryId(format!("entry-{n}")),
            happened_at: at,
            written_at: at,
            who: PersonId::new("kim").unwrap(),
            act: Act::Note(Note { jar: None, text: n.to_string() }),
        };
        import_entries(&file, &(1..=5).map(note).collect::<Vec<_>>()).unwrap();
        let db = rusqlite::Connection::open(&file).unwrap();
        db.execute("UPDATE entry SET body = substr(body, 1, 20) WHERE seq = 2", []).unwrap();
        db.execute("UPDATE entry SET body = CAST(x'ff00fe' AS TEXT) WHERE seq = 4", []).unwrap();
        drop(db);
        let options = StoreOptions { ballast_bytes: 0, ..StoreOptions::new(file, Vec::new()) };
        let store = open(options, Arc::new(ManualClock::new(at)) as Arc<dyn Clock>).unwrap();
        let (entries, lost) = logbook(&store).await.unwrap();
        assert_eq!(entries, [note(1), note(3), note(5)]);
        assert_eq!(lost.as_deref(), Some("2 logbook entries cannot be read (number 2, 4)"));
    }
}
