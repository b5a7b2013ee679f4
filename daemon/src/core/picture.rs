//! The snapshot that everybody else looks at.

use super::state::State;
use crate::alarm::engine::EggsLast;
use crate::clock::Now;
use crate::ids::LotId;
use crate::ingest::SourceCounters;
use crate::notify::message::Standing;
use crate::rack::JarIx;
use crate::reading::{Quality, SensorIx};
use crate::snapshot::{HeaderView, JarState, JarView, Latest, LotView, SensorView, Snapshot, SourceView};
use nightjar_calc::oxygen::{Bed, StageForOxygen, stopped_minutes};
use nightjar_calc::quantity::{Celsius, Metres};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Minutes that eggs would last without flow; `None` when that cannot be said.
#[must_use]
pub fn eggs_last(litres: f64, temp_c: f64, altitude_m: f64, stage: JarState) -> Option<EggsLast> {
    let (for_oxygen, word) = match stage {
        JarState::Empty => return None,
        JarState::Green => (StageForOxygen::Green, "green"),
        JarState::Eyed => (StageForOxygen::Eyed, "eyed"),
        JarState::Hatching => (StageForOxygen::NearHatch, "hatching"),
        JarState::Hatched => (StageForOxygen::Fry, "fry"),
    };
    let bed = Bed::of_volume(litres).ok()?;
    let temperature = Celsius::new(temp_c.clamp(0.0, 40.0)).ok()?;
    let minutes = stopped_minutes(bed, temperature, Metres::new(altitude_m).ok()?, for_oxygen).ok()?;
    Some(EggsLast { minutes: minutes.likely, minutes_short: minutes.short, stage: word.to_owned() })
}

/// Takes the picture.
#[must_use]
pub fn snapshot(state: &State, counters: &[Arc<SourceCounters>], version: u64, now: Now) -> Snapshot {
    let latest = |sensor: Option<SensorIx>| latest(state, sensor?, now);
    let events = state.engine.jar_events();
    let jars = (0..state.rack.jars.len())
        .filter_map(|at| Some((at, JarIx(u16::try_from(at).ok()?))))
        .map(|(at, ix)| {
            jar_view(state, ix, latest(state.rack.jar(ix).flow), events.get(at).cloned().unwrap_or_default())
        })
        .collect();
    let headers = state
        .rack
        .headers
        .iter()
        .map(|header| HeaderView { temperature: latest(header.temperature), flow: latest(header.flow) })
        .collect();
    let sensors = state
        .sensors
        .iter()
        .map(|live| SensorView {
            latest: live.latest,
            stale: live.expectation.is_stale(now.up),
            readings: live.readings,
            rejected: live.rejected,
        })
        .collect();
    Snapshot {
        now,
        version,
        jars,
        headers,
        sensors,
        lots: lots(state),
        alarms: state.engine.views(),
        sources: sources(state, counters),
        learning: state.progress.learning().to_vec(),
        past_outlooks: state.water.past_outlooks().cloned(),
        season_outlooks: state.followed.shared(),
        last_told: state.last_told.clone(),
        hand_over: state.router.hand_over().cloned(),
    }
}

/// How the station stands at this moment, in numbers.
#[must_use]
pub fn standing_of(state: &State, now: Now) -> Standing {
    standing(&snapshot(state, &[], 0, now), None)
}

/// How the station stands, in numbers.
#[must_use]
pub fn standing(picture: &Snapshot, dbm: Option<i16>) -> Standing {
    let good = |sensor: &&SensorView| {
        !sensor.stale && sensor.latest.is_some_and(|latest| latest.quality != Quality::Bad)
    };
    let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
    Standing {
        channels_good: count(picture.sensors.iter().filter(good).count()),
        channels: count(picture.sensors.len()),
        alarms: count(picture.alarms.iter().filter(|alarm| alarm.on).count()),
        silenced: count(picture.alarms.iter().filter(|alarm| alarm.suppressed.is_some()).count()),
        dbm,
        ..Standing::default()
    }
}

/// The last reading of a sensor, as far as it is still believed.
pub(super) fn latest(state: &State, sensor: SensorIx, now: Now) -> Option<Latest> {
    state.sensors[usize::from(sensor.0)].latest.map(|l| aged(state, Some(sensor), l, now))
}

/// A value that has been silent for too long is no longer good.
fn aged(state: &State, sensor: Option<SensorIx>, latest: Latest, now: Now) -> Latest {
    let stale = sensor.is_some_and(|s| state.sensors[usize::from(s.0)].expectation.is_stale(now.up));
    if stale {
        Latest { quality: Quality::Bad, reason: crate::reading::Reason::Stale, ..latest }
    } else {
        latest
    }
}

fn jar_view(
    state: &State,
    ix: JarIx,
    flow: Option<Latest>,
    alarms: Vec<crate::alarm::event::EventId>,
) -> JarView {
    let books = state.progress.books();
    let content = books.in_jar(ix);
    let context = state.contexts[usize::from(ix.0)].as_ref();
    let temperature = state.temperature(ix);
    JarView {
        state: state.stage(ix),
        lot: content.map(|c| c.lot.to_string()),
        species: content.and_then(|c| books.lots().get(&c.lot)).map(|lot| lot.species.clone()),
        loaded_at: content.and_then(|c| c.segments.last()).map(|segment| segment.from),
        eggs: content.and_then(|c| c.eggs),
        eggs_l: content.map(|c| c.litres),
        temperature: temperature.map(|(latest, _)| latest),
        temperature_borrowed: temperature.is_some_and(|(_, borrowed)| borrowed),
        flow,
        set_flow: books.set_flow(ix),
        progress: state.views[usize::from(ix.0)].clone(),
        alarms,
        minutes_without_flow: context
            .and_then(|context| context.eggs_last.as_ref())
            .map(|last| (last.minutes, last.minutes_short)),
    }
}

fn lots(state: &State) -> Vec<LotView> {
    let books = state.progress.books();
    let mut jars: BTreeMap<&LotId, Vec<String>> = BTreeMap::new();
    for (at, jar) in (0_u16..).map(JarIx).zip(&state.rack.jars) {
        if let Some(content) = books.in_jar(at) {
            jars.entry(&content.lot).or_default().push(jar.id.to_string());
        }
    }
    books
        .lots()
        .iter()
        .map(|(id, lot)| LotView {
            id: id.to_string(),
            species: lot.species.clone(),
            jars: jars.remove(id).unwrap_or_default(),
            takes: lot.takes.iter().map(ToString::to_string).collect(),
        })
        .collect()
}

fn sources(state: &State, counters: &[Arc<SourceCounters>]) -> Vec<SourceView> {
    state
        .sources
        .iter()
        .enumerate()
        .map(|(at, live)| SourceView {
            id: at.to_string(),
            up: live.up,
            since: live.since,
            detail: live.detail.clone(),
            frames: counters.get(at).map_or(0, |c| c.frames_taken()),
            refused: counters.get(at).map_or(0, |c| c.refused_total()),
        })
        .collect()
}
