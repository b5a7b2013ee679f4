//! What must hold for any sequence of events at a station.
//!
//! A failing trace prints its seed; `NIGHTJAR_ALARM_SEED` runs it again.

use crate::noise::{Dice, runs};
use crate::station::{Build, SET_FLOW, Signal, Station, person};
use nightjar::alarm::engine::{Fact, Shelving, Target};
use nightjar::alarm::event::{AlarmKind, Asset, Change, EventId, Priority};
use nightjar::alarm::record::Stored;
use nightjar::alarm::state::Reported;
use nightjar::reading::{Reason, SourceIx};
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, BTreeSet};

fn seeds(short: u64, full: u64) -> Vec<u64> {
    match std::env::var("NIGHTJAR_ALARM_SEED").ok().and_then(|seed| seed.parse().ok()) {
        Some(seed) => vec![seed],
        None => (0..runs(short, full)).collect(),
    }
}

fn secs(n: u64) -> Span {
    Span::from_secs(i64::try_from(n).unwrap())
}

/// What a jar must come to within: on-delay, wait for a cause, group wait, wait for new members,
/// settle time of a cover, of power and of a clearing that did not happen.
const TOLD_WITHIN_S: u64 = 15 + 15 + 10 + 300 + 60 + 120 + 60 + 5;

struct Watch {
    stopped_since: BTreeMap<usize, u64>,
    acknowledged_since: BTreeMap<EventId, u64>,
    told: BTreeSet<EventId>,
    seen: usize,
}

fn act(station: &mut Station, dice: &mut Dice, jars: usize) {
    let jar = usize::try_from(dice.below(jars as u64)).unwrap();
    let (flow, temp) = (station.flow_of(jar), station.temp_of(jar));
    let kim = person("kim");
    let events: Vec<EventId> = station.engine.views().iter().map(|view| view.event).collect();
    let some_event = |dice: &mut Dice| {
        let at = usize::try_from(dice.below(events.len().max(1) as u64)).unwrap();
        events.get(at).map(|id| Target::Event(*id))
    };
    let now = station.now;
    match dice.below(18) {
        0..4 => station.signals[flow] = Signal::Value(0.0),
        4 => station.signals[flow] = Signal::Value(SET_FLOW * 0.5),
        5..8 => station.signals[flow] = Signal::Value(SET_FLOW),
        8 => station.signals[flow] = Signal::Bad(Reason::NotFinite),
        9 => station.signals[flow] = Signal::Silent,
        10 => station.signals[temp] = Signal::Value(18.0),
        11 => station.signals[temp] = Signal::Value(10.0),
        12 => {
            let value = if dice.below(2) == 0 { 0.0 } else { SET_FLOW };
            (0..jars).for_each(|jar| station.set_flow(jar, value));
        }
        13 | 14 => {
            if let Some(target) = some_event(dice) {
                let _refused = station.engine.acknowledge(&target, &kim, now);
            }
        }
        15 => {
            if let Some(target) = some_event(dice) {
                let length = secs(1 + dice.below(1800));
                let shelving = Shelving { length, one_shot: dice.below(2) == 0 };
                let _refused = station.engine.shelve(&target, shelving, &kim, now);
            }
        }
        16 => {
            let name = station.plan.rack.sensors[flow].id.to_string();
            let target = Target::Asset(Asset::Sensor(name));
            if station.engine.return_to_service(&target, &kim, now).is_err() {
                let _refused = station.engine.out_of_service(&target, secs(600), "repair", &kim, now);
            }
        }
        _ => {
            let on = dice.below(2) == 0;
            let fact = Fact::Mains { on, battery_percent: None, runtime_min: None };
            station.engine.handle_fact(&fact, now);
            station.engine.handle_source_link(SourceIx(0), on, now);
        }
    }
    station.drain();
}

fn look(station: &Station, watch: &mut Watch, jars: usize, seed: u64) {
    let now_s = station.now.up.ms() / 1000;
    for (_, event) in &station.events[watch.seen..] {
        watch.told.insert(event.event);
    }
    watch.seen = station.events.len();
    let views = station.engine.views();
    let of_jars = station.engine.jar_events();
    for (jar, of_jar) in of_jars.iter().enumerate().take(jars) {
        let stopped = station.signals[station.flow_of(jar)] == Signal::Value(0.0);
        if !stopped {
            watch.stopped_since.remove(&jar);
            continue;
        }
        let since = *watch.stopped_since.entry(jar).or_insert(now_s);
        let told = of_jar.iter().any(|id| watch.told.contains(id));
        if told {
            // When the cause that was told ends, what stays has its settle time and waits again.
            watch.stopped_since.insert(jar, now_s);
            continue;
        }
        if now_s - since <= TOLD_WITHIN_S {
            continue;
        }
        // I1: told, or visibly paused, covered or out of use.
        let name = station.plan.rack.jars[jar].id.to_string();
        let said = station.engine.reported(AlarmKind::NoFlow, &Asset::Jar(name.clone())).unwrap();
        match said {
            Reported::Unacknowledged | Reported::Acknowledged | Reported::Suppressed => {
                panic!("seed {seed}: jar {name} is {said:?} and nobody was told at {now_s} s");
            }
            // What is put back into use earns its full delay from fresh samples.
            Reported::Shelved | Reported::OutOfService => {
                watch.stopped_since.insert(jar, now_s);
            }
            Reported::Normal
            | Reported::Returned
            | Reported::LatchedUnacknowledged
            | Reported::LatchedAcknowledged => {
                panic!("seed {seed}: jar {name} stands still since {since} and is {said:?}")
            }
        }
    }
    for view in &views {
        // I8: an urgent alarm that is acknowledged is reminded of within half an hour.
        if view.on && view.priority == Priority::P1 && view.acknowledged.is_some() {
            let since = *watch.acknowledged_since.entry(view.event).or_insert(now_s);
            assert!(now_s - since <= 1802, "seed {seed}: acknowledged for ever");
        } else {
            watch.acknowledged_since.remove(&view.event);
        }
    }
    let codes: BTreeSet<_> = views.iter().map(|view| view.code.clone()).collect();
    assert_eq!(codes.len(), views.len(), "seed {seed}: a code answers to two events");
}

fn trace(seed: u64) {
    let mut dice = Dice(seed);
    let jars = 2 + usize::try_from(dice.below(6)).unwrap();
    let build = Build {
        jars: u16::try_from(jars).unwrap(),
        header_flow: dice.below(2) == 0,
        interval: Span::from_secs(5),
        ..Build::default()
    };
    let mut station = Station::new(build);
    let mut watch = Watch {
        stopped_since: BTreeMap::new(),
        acknowledged_since: BTreeMap::new(),
        told: BTreeSet::new(),
        seen: 0,
    };
    for _ in 0..20 + dice.below(20) {
        act(&mut station, &mut dice, jars);
        let rest = if dice.below(6) == 0 { 600 } else { 40 };
        for _ in 0..1 + dice.below(rest) / 5 {
            station.run(5);
            look(&station, &mut watch, jars, seed);
        }
        // I7: what was persisted is the state.
        let expected = Stored { moment: station.stored.moment, ..station.engine.stored() };
        same(&station.stored, &expected, seed);
    }
}

fn same(stored: &Stored, expected: &Stored, seed: u64) {
    for pair in stored.alarms.iter().zip(&expected.alarms) {
        assert_eq!(pair.0, pair.1, "seed {seed}");
    }
    for pair in stored.events.iter().zip(&expected.events) {
        assert_eq!(pair.0, pair.1, "seed {seed}");
    }
    assert_eq!(stored, expected, "seed {seed}");
}

#[test]
fn random_days_at_a_station_leave_nobody_untold() {
    for seed in seeds(120, 4_000) {
        trace(seed);
    }
}

#[test]
fn whatever_the_order_jars_stop_in_one_message_leaves_within_the_window() {
    for seed in seeds(60, 2_000) {
        let mut dice = Dice(seed ^ 0x13);
        let stopping = 1 + usize::try_from(dice.below(24)).unwrap();
        let mut station = Station::new(Build::default());
        let mut jars: Vec<usize> = (0..24).collect();
        for n in (1..24).rev() {
            jars.swap(n, usize::try_from(dice.below(n as u64 + 1)).unwrap());
        }
        let when: Vec<u64> = (0..stopping).map(|_| dice.below(9)).collect();
        for second in 0..200 {
            for n in 0..stopping {
                if when[n] == second {
                    station.set_flow(jars[n], 0.0);
                }
            }
            station.run(1);
        }
        let told = station.told();
        assert_eq!(told.len(), 1, "seed {seed}, {stopping} jars: {:?}", station.lines());
        assert_eq!(told[0].members.len(), stopping, "seed {seed}");
        let parent = told[0].kind == AlarmKind::NoFlowHeader;
        assert_eq!(parent, stopping >= 12, "seed {seed}, {stopping} jars");
    }
}

#[test]
fn every_event_is_raised_first_counted_from_one_and_cleared_at_most_once_a_time() {
    for seed in seeds(40, 1_000) {
        let mut dice = Dice(seed ^ 0x77);
        let mut station = Station::new(Build { jars: 5, interval: Span::from_secs(5), ..Build::default() });
        for _ in 0..60 {
            act(&mut station, &mut dice, 5);
            station.run(1 + dice.below(120));
        }
        let mut by_event: BTreeMap<EventId, Vec<(u32, Change)>> = BTreeMap::new();
        for (_, event) in &station.events {
            by_event.entry(event.event).or_default().push((event.seq, event.change.clone()));
        }
        for (id, changes) in by_event {
            let seqs: Vec<u32> = changes.iter().map(|(seq, _)| *seq).collect();
            let from_one: Vec<u32> = (1..=u32::try_from(seqs.len()).unwrap()).collect();
            assert_eq!(seqs, from_one, "seed {seed} {id:?}");
            let mut cleared = false;
            for (_, change) in &changes {
                let clears = *change == Change::Cleared;
                assert!(!(clears && cleared), "seed {seed} {id:?} {changes:?}");
                cleared = clears
                    || (cleared && matches!(change, Change::Acknowledged { .. } | Change::Confirmed { .. }));
            }
        }
    }
}

#[test]
fn a_restart_at_any_moment_reports_what_was_reported() {
    for seed in seeds(30, 1_000) {
        let mut dice = Dice(seed ^ 0x99);
        let mut station = Station::new(Build { jars: 5, interval: Span::from_secs(5), ..Build::default() });
        for _ in 0..20 {
            act(&mut station, &mut dice, 5);
            station.run(1 + dice.below(60));
        }
        let letters = |station: &Station| -> Vec<(String, char)> {
            let kinds = nightjar::alarm::condition::ALL;
            let jars = (0..5).map(|jar| Asset::Jar(station.plan.rack.jars[jar].id.to_string()));
            let assets: Vec<_> =
                jars.chain([Asset::Header("A".into()), Asset::Node("flow-A".into())]).collect();
            kinds
                .iter()
                .flat_map(|kind| assets.iter().map(move |asset| (kind, asset)))
                .filter_map(|(kind, asset)| {
                    let said = station.engine.reported(*kind, asset)?;
                    Some((format!("{kind:?} {asset:?}"), said.letter()))
                })
                .collect()
        };
        let before = letters(&station);
        station.stored.moment = station.engine.moment();
        station.restart(None, Span::from_secs(3));
        for (was, is) in before.iter().zip(&letters(&station)) {
            assert_eq!(was, is, "seed {seed}");
        }
    }
}
