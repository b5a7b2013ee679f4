//! A recorded or imported trace run past the station's own judge, alarms and ladder, on the trace's
//! own time: what would have been said, to whom, when and by which route.
//!
//! [`Replay`] is pure and takes readings in order of time. It drives the very [`State`] that the
//! daemon drives; every route takes every message at once, and nobody answers unless asked for.
//! [`trace`] reads files, [`noise`] sizes deadbands and delays from a channel's own noise,
//! [`station`] leaves out what the trace does not hold.

pub mod noise;
pub mod station;
pub mod trace;

use crate::alarm::condition::Settings;
use crate::alarm::engine::{JarContext, Plan};
use crate::alarm::event::{AlarmEvent, Change, EventId};
use crate::alarm::record::Stored;
use crate::clock::{Now, Uptime};
use crate::config::Config;
use crate::core::limits;
use crate::core::state::{Begin, FromRoute, Output, State};
use crate::ids::PersonId;
use crate::logbook::Entry;
use crate::notify::Body;
use crate::notify::route::{Directory, Router};
use crate::notify::worker::{Fate, Report};
use crate::progress::Progress;
use crate::rack::Rack;
use crate::reading::{FromSource, Quality, RawReading, SourceIx};
use crate::snapshot::JarState;
use crate::store::{NewMessage, Transition};
use crate::supervise::restore;
use crate::web::backend::Command;
use nightjar_calc::time::{Span, Timestamp};
use noise::ChannelNoise;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

/// What every jar is taken to hold, when the logbook is not to say.
#[derive(Clone, Copy, Debug)]
pub struct Assumed {
    /// Flow that every jar should have, L/min.
    pub set_flow: Option<f64>,
    /// How the eggs stand: decides between limits on temperature.
    pub stage: JarState,
}

/// What a replay begins with.
#[derive(Debug)]
pub struct Setup {
    /// The station, without what the trace does not hold.
    pub rack: Rack,
    /// Lots and sums before the trace begins.
    pub progress: Progress,
    /// What all jars are taken to hold; `None`: what the logbook says.
    pub assumed: Option<Assumed>,
    /// Entries written while the trace runs.
    pub entries: Vec<Entry>,
    /// Whoever was told first acknowledges after this long.
    pub acknowledge_after: Option<Span>,
}

/// One reading of a trace.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recorded {
    /// When.
    pub at: Timestamp,
    /// Position of the sensor in the rack of the replay.
    pub sensor: u16,
    /// The number; not finite when the sensor spoke without a value.
    pub value: f64,
    /// In doubt: fills the sums, clears nothing.
    pub doubtful: bool,
}

/// Something that would have happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// An alarm changed, whether or not anybody was told.
    Event(Box<AlarmEvent>),
    /// A message left.
    Message(Box<Sent>),
}

/// A message that would have left.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// When.
    pub at: Timestamp,
    /// Which, to whom, by which route.
    pub message: NewMessage,
    /// Its words.
    pub body: Body,
}

/// Deadlines at one moment after which time is moved on: none of the machines asks for so many.
const MOST_AT_ONCE: u32 = 1_000;

/// A trace on its way past the alarms.
pub struct Replay {
    state: State,
    names: Vec<(String, SourceIx)>,
    noise: Vec<ChannelNoise>,
    start: Timestamp,
    now: Now,
    entries: VecDeque<Entry>,
    acknowledge_after: Option<Span>,
    answers: BTreeSet<(Uptime, EventId)>,
    first_told: BTreeMap<EventId, PersonId>,
    open: BTreeMap<EventId, AlarmEvent>,
    journal_lines: u64,
    output: VecDeque<Said>,
}

impl Replay {
    /// Ready for readings from `start` on.
    #[must_use]
    pub fn new(config: &Config, setup: Setup, start: Timestamp) -> Self {
        let Setup { rack, progress, assumed, mut entries, acknowledge_after } = setup;
        let now = Now { up: Uptime::from_ms(0), utc: start, trusted: true };
        let settings = limits::settings(&config.alarm);
        let rack = Arc::new(rack);
        let plan = Plan {
            rack: (*rack).clone(),
            sources: config.sources.iter().map(|source| source.id.to_string()).collect(),
            routes: restore::routes(config),
            settings,
            code_seed: 0,
        };
        let begin = Begin {
            rack: Arc::clone(&rack),
            plan,
            stored: Stored::default(),
            off_for: None,
            progress,
            water_type: config.water_type,
            router: Router::new(Directory::new(config)),
            followed: crate::progress::followed::Season::default(),
            last_told: None,
        };
        let mut state = State::new(begin, now);
        if let Some(assumed) = assumed {
            state.assume_loaded(JarContext {
                occupied: true,
                stage: assumed.stage,
                set_flow: assumed.set_flow,
                ..JarContext::default()
            });
        }
        state.refresh(now);
        state.handle_timeout(now);
        entries.sort_by_key(|entry| entry.written_at);
        let mut replay = Self {
            state,
            names: rack.sensors.iter().map(|s| (s.id.to_string(), s.source)).collect(),
            noise: rack.sensors.iter().map(|s| ChannelNoise::new(s.interval)).collect(),
            start,
            now,
            entries: entries.into(),
            acknowledge_after,
            answers: BTreeSet::new(),
            first_told: BTreeMap::new(),
            open: BTreeMap::new(),
            journal_lines: 0,
            output: VecDeque::new(),
        };
        replay.drain();
        replay
    }

    /// Takes readings of the same moment. Time never goes back: what is older counts as now.
    pub fn handle_readings(&mut self, at: Timestamp, readings: &[Recorded]) {
        self.run_to(at);
        let mut by_source: BTreeMap<SourceIx, Vec<RawReading>> = BTreeMap::new();
        for reading in readings {
            let Some((name, source)) = self.names.get(usize::from(reading.sensor)) else { continue };
            by_source.entry(*source).or_default().push(RawReading {
                name: name.clone(),
                value: reading.value,
                at: Some(at),
                retained: reading.doubtful,
            });
        }
        for (source, readings) in by_source {
            let arrived = self.now;
            self.state.handle_source(FromSource::Readings { source, arrived, readings, receipt: None });
        }
        self.state.handle_timeout(self.now);
        self.drain();
    }

    /// Lets time pass, and all that is due on the way.
    pub fn run_to(&mut self, at: Timestamp) {
        let until = self.up_of(at).max(self.now.up);
        let mut rounds = 0;
        loop {
            let due = self.next_due().max(self.now.up);
            if due > until {
                break;
            }
            rounds = if due > self.now.up { 0 } else { rounds + 1 };
            if rounds > MOST_AT_ONCE {
                self.go(self.now.up.after(Span::from_ms(1)).min(until));
                if self.now.up == until {
                    break;
                }
                continue;
            }
            self.go(due);
            self.write_entries();
            self.answer();
            self.state.handle_timeout(self.now);
            self.drain();
        }
        self.go(until);
    }

    /// What would have happened next.
    pub fn poll_output(&mut self) -> Option<Said> {
        self.output.pop_front()
    }

    /// Alarms that are on or unanswered, as last told.
    pub fn open(&self) -> impl Iterator<Item = &AlarmEvent> {
        self.open.values()
    }

    /// Lines that the journal would have.
    #[must_use]
    pub const fn journal_lines(&self) -> u64 {
        self.journal_lines
    }

    /// Noise of each sensor, in the order of the rack of the replay.
    #[must_use]
    pub fn noise(&self) -> Vec<noise::Sizing> {
        self.noise.iter().map(ChannelNoise::sizing).collect()
    }

    fn up_of(&self, at: Timestamp) -> Uptime {
        Uptime::from_ms(0).after(at.since(self.start))
    }

    fn go(&mut self, up: Uptime) {
        self.now = Now { up, utc: self.start + up.since(Uptime::from_ms(0)), trusted: true };
    }

    fn next_due(&self) -> Uptime {
        let entry = self.entries.front().map(|entry| self.up_of(entry.written_at));
        let answer = self.answers.first().map(|(at, _)| *at);
        [entry, answer].into_iter().flatten().fold(self.state.poll_timeout(), Uptime::min)
    }

    fn write_entries(&mut self) {
        while self.entries.front().is_some_and(|entry| self.up_of(entry.written_at) <= self.now.up) {
            if let Some(entry) = self.entries.pop_front() {
                self.state.entry_written(entry, self.now);
            }
        }
    }

    fn answer(&mut self) {
        while let Some((_, event)) = self.answers.first().copied().filter(|(at, _)| *at <= self.now.up) {
            self.answers.pop_first();
            let Some(by) = self.first_told.get(&event).cloned() else { continue };
            // An alarm that cleared and closed meanwhile needs no answer.
            drop(self.state.handle_command(&Command::Acknowledge { event, by }, self.now));
        }
    }

    fn drain(&mut self) {
        while let Some(output) = self.state.poll_output() {
            match output {
                Output::Readings(readings, _) => {
                    for reading in readings.iter().filter(|r| r.quality == Quality::Good) {
                        self.noise[usize::from(reading.sensor.0)]
                            .handle_value(reading.at, reading.value.get());
                    }
                }
                Output::Commit(transition) => self.take(*transition),
            }
        }
    }

    fn take(&mut self, transition: Transition) {
        self.journal_lines += transition.journal.len() as u64;
        for line in &transition.journal {
            let event = line.body.get("event").cloned();
            let Some(event) = event.and_then(|event| serde_json::from_value::<AlarmEvent>(event).ok()) else {
                continue;
            };
            self.follow(&event);
            self.output.push_back(Said::Event(Box::new(event)));
        }
        for message in transition.outbox {
            let Ok(body) = serde_json::from_value::<Body>(message.body.clone()) else { continue };
            if let Some(event) = message.key.event {
                self.first_told.entry(event).or_insert_with(|| message.key.person.clone());
            }
            let taken = FromRoute::Fate(Report { key: message.key.clone(), fate: Fate::Accepted });
            self.state.handle_route(&taken, self.now);
            let at = self.now.utc + message.delay;
            self.output.push_back(Said::Message(Box::new(Sent { at, message, body })));
        }
    }

    fn follow(&mut self, event: &AlarmEvent) {
        match &event.change {
            Change::Cleared => {
                self.open.remove(&event.event);
                self.first_told.remove(&event.event);
                return;
            }
            Change::Raised
            | Change::Again { .. }
            | Change::Worsened
            | Change::Reminder
            | Change::Unsuppressed => {
                if let Some(after) = self.acknowledge_after {
                    self.answers.insert((self.now.up.after(after), event.event));
                }
            }
            Change::Grew
            | Change::Acknowledged { .. }
            | Change::Confirmed { .. }
            | Change::Shelved { .. }
            | Change::Covered { .. }
            | Change::OutOfService { .. } => {}
        }
        self.open.insert(event.event, event.clone());
    }
}

/// What is in force for a kind of measure, to be shown beside what its noise suggests.
#[must_use]
pub fn in_force(
    settings: &Settings,
    measure: crate::rack::Measure,
    set_flow: Option<f64>,
) -> Option<(f64, Span)> {
    use crate::alarm::event::AlarmKind;
    use crate::rack::Measure;
    match measure {
        Measure::Temperature => Some((settings.temp_deadband_c, settings.delays(AlarmKind::TempHigh).0)),
        Measure::Flow => Some((settings.flow.deadband * set_flow?, settings.delays(AlarmKind::LowFlow).0)),
        Measure::Mains | Measure::Battery => None,
    }
}
