//! One cause, one message to each person: the engine with the ladder attached, counted by person.
//!
//! The crew of an invented rota: ann first, bo second, cy third, olga the owner. Everything
//! happens at noon, so that nobody's quiet hours matter. A modem that takes every text at once.

use crate::station::{Build, SET_FLOW, Signal, Station, header, person, plan};
use nightjar::alarm::engine::{Fact, Target};
use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, Priority};
use nightjar::alarm::state::What;
use nightjar::clock::Now;
use nightjar::config::checked::Rota;
use nightjar::ids::PersonId;
use nightjar::notify::message::Words;
use nightjar::notify::route::{Contact, Directory, Router, Routes};
use nightjar::notify::worker::Fate;
use nightjar::notify::{Body, TEXT};
use nightjar::store::NewMessage;
use nightjar_calc::time::{Span, Zone};
use std::collections::BTreeMap;

/// A station whose events climb the ladder.
pub struct Manned {
    pub station: Station,
    router: Router,
    seen: usize,
    /// Up-time in seconds, message.
    pub sent: Vec<(u64, NewMessage)>,
}

fn directory() -> Directory {
    let contact = |name: &str| {
        let phone = Some(format!("+1555010{}", name.len()));
        (person(name), Contact { phone, email: None, quiet_hours: None })
    };
    Directory {
        contacts: ["ann", "bo", "cy", "olga"].into_iter().map(contact).collect(),
        rota: Rota {
            starts: "2026-01-05T08:00:00".parse().unwrap(),
            weeks: vec![vec![person("ann"), person("bo"), person("cy")]],
            owner: Some(person("olga")),
            exceptions: Vec::new(),
        },
        stays: None,
        routes: Routes { text: true, mail: false, folder: false },
        receivers: Vec::new(),
        daily: false,
        digest_at: 7 * 60,
        words: Words {
            zone: Zone::named("America/Chicago").unwrap(),
            station: "Invented".into(),
            supply: "pump 1".into(),
            names: BTreeMap::new(),
            actions: BTreeMap::new(),
            page: None,
        },
    }
}

impl Manned {
    pub fn new(build: Build) -> Self {
        Self { station: Station::new(build), router: Router::new(directory()), seen: 0, sent: Vec::new() }
    }

    fn at(&self, up_ms: u64) -> Now {
        let now = self.station.now;
        let earlier = Span::from_ms(i64::try_from(now.up.ms() - up_ms).unwrap());
        Now { up: nightjar::clock::Uptime::from_ms(up_ms), utc: now.utc - earlier, ..now }
    }

    /// Lets whole seconds pass for station and ladder.
    pub fn run(&mut self, seconds: u64) {
        for _ in 0..seconds {
            self.station.run(1);
            self.follow();
        }
    }

    pub fn follow(&mut self) {
        while let Some((ms, event)) = self.station.events.get(self.seen).cloned() {
            self.seen += 1;
            let now = self.at(ms);
            self.router.handle_event(&event, now);
            self.take(now);
        }
        let now = self.station.now;
        self.router.handle_timeout(now);
        self.take(now);
    }

    fn take(&mut self, now: Now) {
        while let Some(message) = self.router.poll_output() {
            self.router.handle_fate(&message.key, Fate::Accepted, now);
            self.sent.push((now.up.ms() / 1000, message));
        }
    }

    pub fn acknowledge_last(&mut self, who: &str) {
        let id = self.station.told().last().unwrap().event;
        self.station.engine.acknowledge(&Target::Event(id), &person(who), self.station.now).unwrap();
        self.station.drain();
        self.follow();
    }

    /// Texts to each person that ask them to act, from a moment on.
    fn calls(&self, from_s: u64, until_s: u64) -> BTreeMap<PersonId, Vec<String>> {
        let mut calls: BTreeMap<PersonId, Vec<String>> = BTreeMap::new();
        for (at, message) in &self.sent {
            let text = words(message);
            let asks = !text.starts_with("ACK") && !text.starts_with("CLEARED");
            if message.key.route == TEXT && asks && (from_s..until_s).contains(at) {
                calls.entry(message.key.person.clone()).or_default().push(text);
            }
        }
        calls
    }

    fn texts_starting(&self, with: &str) -> usize {
        self.sent.iter().filter(|(_, message)| words(message).starts_with(with)).count()
    }

    fn told(&self) -> Vec<(AlarmKind, Asset, Priority, usize)> {
        let short = |e: &&AlarmEvent| (e.kind, e.asset.clone(), e.priority, e.members.len());
        self.station.told().iter().map(short).collect()
    }

    fn stop(&mut self, jars: std::ops::Range<usize>, spread_s: usize) {
        for second in 0..=spread_s {
            for jar in jars.clone() {
                let due = (jar - jars.start) * spread_s / (jars.len() - 1).max(1);
                if due == second {
                    self.station.set_flow(jar, 0.0);
                }
            }
            self.run(1);
        }
    }
}

fn words(message: &NewMessage) -> String {
    serde_json::from_value::<Body>(message.body.clone()).unwrap().text
}

/// Runs ten minutes from a moment, with somebody answering after two.
fn ten_minutes(manned: &mut Manned, began_s: u64) {
    let passed = manned.station.now.up.ms() / 1000 - began_s;
    manned.run(120 - passed.min(119));
    manned.acknowledge_last("ann");
    manned.run(480);
}

#[test]
fn one_pump_and_twenty_four_jars_are_one_text_for_each_person() {
    let mut manned = Manned::new(Build::default());
    let began = manned.station.now.up.ms() / 1000;
    manned.stop(0..24, 18);
    ten_minutes(&mut manned, began);
    let calls = manned.calls(began, began + 600);
    assert_eq!(calls.len(), 1, "only the first contact: {calls:?}");
    let text = &calls[&person("ann")];
    assert_eq!(text.len(), 1, "{text:?}");
    assert!(text[0].contains("24 of 24"), "{text:?}");
    let lines = manned.station.journal.iter();
    let jars = lines.filter(|l| l.kind == AlarmKind::NoFlow && matches!(l.what, What::Activated { .. }));
    assert_eq!(jars.count(), 24, "one journal line for each jar");
    let first = manned.sent.first().unwrap().0;
    println!("one pump, 24 jars: text at +{} s, {} person, 1 text: {}", first - began, calls.len(), text[0]);
    // Everything runs again: one word to those who were told.
    for jar in 0..24 {
        manned.station.set_flow(jar, SET_FLOW);
    }
    manned.run(400);
    assert_eq!(manned.texts_starting("CLEARED"), 1);
}

#[test]
fn one_pump_that_feeds_two_headers_is_one_event_about_the_supply() {
    for (spread_s, interval_s, lag_s) in [(18, 1, 0), (4, 1, 6), (18, 5, 3), (10, 10, 0), (6, 10, 8)] {
        let interval = Span::from_secs(interval_s);
        let mut manned = Manned::new(Build { headers: 2, jars: 12, interval, ..Build::default() });
        let began = manned.station.now.up.ms() / 1000;
        for second in 0..40 {
            for jar in 0..24 {
                let (own, late) = (jar % 12, if jar >= 12 { lag_s } else { 0 });
                if own * spread_s / 11 + late == second {
                    manned.station.set_flow(jar, 0.0);
                }
            }
            manned.run(1);
        }
        ten_minutes(&mut manned, began);
        let told = manned.told();
        assert_eq!(
            told,
            [(AlarmKind::NoFlowHeader, Asset::Supply, Priority::P1, 24)],
            "{:?}",
            manned.station.lines()
        );
        let calls = manned.calls(began, began + 600);
        assert_eq!(calls.len(), 1);
        assert_eq!(calls[&person("ann")].len(), 1, "{calls:?}");
        println!("one pump, two headers, a reading each {interval_s} s: {:?}", calls[&person("ann")]);
    }
}

#[test]
fn two_pumps_forty_seconds_apart_are_two_texts() {
    for (headers, interval_s) in [(2, 1), (2, 10), (4, 5)] {
        let interval = Span::from_secs(interval_s);
        let mut manned = Manned::new(Build { headers, jars: 12, interval, ..Build::default() });
        let began = manned.station.now.up.ms() / 1000;
        manned.stop(0..12, 10);
        manned.run(29);
        manned.stop(12..24, 10);
        manned.run(60);
        let told = manned.told();
        let assets: Vec<_> = told.iter().map(|(_, asset, ..)| asset.clone()).collect();
        assert_eq!(assets, [header("A"), header("B")], "{:?}", manned.station.lines());
        for event in manned.station.told().iter().map(|e| e.event).collect::<Vec<_>>() {
            let now = manned.station.now;
            manned.station.engine.acknowledge(&Target::Event(event), &person("ann"), now).unwrap();
        }
        manned.station.drain();
        manned.run(500);
        let calls = manned.calls(began, began + 600);
        assert_eq!(calls[&person("ann")].len(), 2, "{calls:?}");
        assert_eq!(calls.len(), 1);
    }
}

#[test]
fn where_the_configuration_names_the_pumps_nobody_guesses() {
    let pump = |n: u16| Asset::Pump(format!("pump {n}"));
    let four = Build { headers: 4, jars: 6, headers_each: 2, ..Build::default() };

    // One of two pumps: two headers of four, told once, though a guess would want three.
    let mut manned = Manned::new(four);
    let began = manned.station.now.up.ms() / 1000;
    manned.stop(0..12, 18);
    ten_minutes(&mut manned, began);
    assert_eq!(manned.told(), [(AlarmKind::NoFlowHeader, pump(1), Priority::P1, 12)]);
    let calls = manned.calls(began, began + 600);
    assert_eq!(calls[&person("ann")].len(), 1, "{calls:?}");
    assert!(calls[&person("ann")][0].starts_with("P1 NO FLOW supply pump 1: 12 of 12 jars"), "{calls:?}");
    for jar in 0..12 {
        manned.station.set_flow(jar, SET_FLOW);
    }
    manned.run(400);
    assert_eq!(manned.texts_starting("CLEARED"), 1);

    // Both in the same second are two causes.
    let mut manned = Manned::new(four);
    manned.stop(0..24, 0);
    manned.run(300);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [pump(1), pump(2)], "{:?}", manned.station.lines());

    // One clogged header of a pump that runs is that header.
    let mut manned = Manned::new(four);
    manned.stop(0..6, 4);
    manned.run(300);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [header("A")]);

    // A header each, stopping together: a guess would take them for one pump.
    let mut manned = Manned::new(Build { headers: 2, jars: 12, headers_each: 1, ..Build::default() });
    manned.stop(0..24, 0);
    manned.run(300);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [header("A"), header("B")]);

    // Three pumps at once share something.
    let mut manned = Manned::new(Build { headers: 6, jars: 4, headers_each: 2, ..Build::default() });
    manned.stop(0..24, 0);
    manned.run(300);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [Asset::Supply], "{:?}", manned.station.lines());
}

#[test]
fn a_pump_and_its_jars_survive_a_restart_and_leave_an_empty_header_out() {
    let build = Build { headers: 2, jars: 6, headers_each: 2, ..Build::default() };
    let mut manned = Manned::new(build);
    manned.stop(0..12, 3);
    manned.run(60);
    let before = manned.station.changes().len();
    manned.station.restart(None, Span::from_secs(5));
    manned.run(300);
    assert_eq!(manned.station.changes().len(), before, "{:?}", manned.station.lines());
    for jar in 0..12 {
        manned.station.set_flow(jar, SET_FLOW);
    }
    manned.run(300);
    assert_eq!(manned.station.changes(), ["raised", "cleared"], "{:?}", manned.station.lines());

    let mut manned = Manned::new(build);
    for jar in 6..12 {
        manned.station.load(jar, nightjar::alarm::engine::JarContext::default());
    }
    manned.stop(0..12, 3);
    manned.run(120);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [header("A")], "one header with eggs does not point at its pump");
}

#[test]
fn five_jars_are_one_grouped_text() {
    let mut manned = Manned::new(Build::default());
    let began = manned.station.now.up.ms() / 1000;
    manned.stop(3..8, 8);
    ten_minutes(&mut manned, began);
    assert_eq!(manned.told(), [(AlarmKind::NoFlow, header("A"), Priority::P1, 5)]);
    let calls = manned.calls(began, began + 600);
    assert_eq!(calls.len(), 1);
    assert_eq!(calls[&person("ann")].len(), 1, "{calls:?}");
    assert!(calls[&person("ann")][0].contains("5 of 24"), "{calls:?}");
}

#[test]
fn a_header_that_clogs_slowly_is_low_flow_before_no_flow() {
    let mut manned = Manned::new(Build::default());
    let began = manned.station.now.up.ms() / 1000;
    for minute in 0..40 {
        let flow = SET_FLOW * (1.0 - f64::from(minute) / 38.0).max(0.0);
        for jar in 0..24 {
            manned.station.set_flow(jar, flow);
        }
        manned.run(60);
        let raised = manned.station.told().len();
        let answered =
            manned.station.events.iter().filter(|(_, e)| matches!(e.change, Change::Acknowledged { .. }));
        if raised > answered.count() {
            manned.acknowledge_last("ann");
        }
    }
    let told = manned.told();
    let kinds: Vec<_> = told.iter().map(|(kind, _, priority, _)| (*kind, *priority)).collect();
    assert_eq!(kinds, [(AlarmKind::LowFlow, Priority::P2), (AlarmKind::NoFlowHeader, Priority::P1)]);
    let calls = manned.calls(began, began + 2_400);
    assert_eq!(calls[&person("ann")].len(), 2, "{calls:?}");
    let codes: std::collections::BTreeSet<_> = manned.station.told().iter().map(|e| e.code.clone()).collect();
    assert_eq!(codes.len(), 1, "one event");
}

#[test]
fn mains_lost_and_then_the_pump_are_one_text_each() {
    let mut manned = Manned::new(Build { headers: 2, jars: 12, ..Build::default() });
    let began = manned.station.now.up.ms() / 1000;
    let fact = Fact::Mains { on: false, battery_percent: Some(90.0), runtime_min: Some(120.0) };
    manned.station.engine.handle_fact(&fact, manned.station.now);
    manned.run(100);
    manned.acknowledge_last("ann");
    manned.stop(0..24, 12);
    manned.run(40);
    manned.acknowledge_last("ann");
    manned.run(440);
    let kinds: Vec<_> = manned.told().iter().map(|(kind, asset, ..)| (*kind, asset.clone())).collect();
    assert_eq!(kinds, [(AlarmKind::MainsLost, Asset::Site), (AlarmKind::NoFlowHeader, Asset::Supply)]);
    let calls = manned.calls(began, began + 600);
    assert_eq!(calls[&person("ann")].len(), 2, "one and one: {calls:?}");
}

#[test]
fn a_lost_node_is_one_text_and_no_jar_by_itself() {
    let mut manned = Manned::new(Build::default());
    let began = manned.station.now.up.ms() / 1000;
    for jar in 0..24 {
        let at = manned.station.flow_of(jar);
        manned.station.signals[at] = Signal::Silent;
    }
    ten_minutes(&mut manned, began);
    assert_eq!(manned.told(), [(AlarmKind::BlindHeader, Asset::Node("flow-A".into()), Priority::P1, 24)]);
    let calls = manned.calls(began, began + 600);
    assert_eq!(calls[&person("ann")].len(), 1, "{calls:?}");
}

#[test]
fn when_nobody_answers_each_step_says_it_once() {
    let mut manned = Manned::new(Build { headers: 2, jars: 12, ..Build::default() });
    let began = manned.station.now.up.ms() / 1000;
    manned.stop(0..24, 12);
    manned.run(25 * 60);
    let first = manned.sent.first().unwrap().0;
    let mut steps: BTreeMap<u64, Vec<&str>> = BTreeMap::new();
    for (at, message) in &manned.sent {
        steps.entry(at - first).or_default().push(message.key.person.as_str());
    }
    for people in steps.values_mut() {
        people.sort_unstable();
    }
    let expected = [
        (0, vec!["ann"]),
        (300, vec!["ann"]),
        (600, vec!["ann", "bo"]),
        (1200, vec!["ann", "bo", "cy", "olga"]),
    ];
    assert_eq!(steps.into_iter().collect::<Vec<_>>(), expected);
    assert!(first - began <= 45, "first words after {} s", first - began);
    assert_eq!(manned.station.told().len(), 1, "{:?}", manned.station.lines());
}

#[test]
fn a_restart_in_the_middle_says_nothing_again() {
    let mut manned = Manned::new(Build { headers: 2, jars: 12, ..Build::default() });
    manned.stop(0..24, 12);
    manned.run(100);
    let before = manned.station.changes().len();
    manned.station.restart(None, Span::from_secs(5));
    manned.run(300);
    assert_eq!(manned.station.changes().len(), before, "{:?}", manned.station.lines());
    let said = manned.station.engine.reported(AlarmKind::NoFlowHeader, &Asset::Supply);
    assert_eq!(said.map(|r| r.letter()), Some('B'));
    for jar in 0..24 {
        manned.station.set_flow(jar, SET_FLOW);
    }
    manned.run(300);
    assert_eq!(manned.station.changes(), ["raised", "cleared"], "{:?}", manned.station.lines());
    assert_eq!(manned.station.engine.counts().p1, 0);
}

#[test]
fn the_supply_is_not_the_cause_while_only_one_header_holds_eggs() {
    let mut manned =
        Manned { station: Station::with_plan(plan(two_headers())), ..Manned::new(two_headers()) };
    for jar in 12..24 {
        manned.station.load(jar, nightjar::alarm::engine::JarContext::default());
    }
    manned.stop(0..24, 8);
    manned.run(120);
    let assets: Vec<_> = manned.told().iter().map(|(_, asset, ..)| asset.clone()).collect();
    assert_eq!(assets, [header("A")]);
}

fn two_headers() -> Build {
    Build { headers: 2, jars: 12, ..Build::default() }
}
