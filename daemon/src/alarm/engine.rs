//! All alarms of a station.
//!
//! Takes readings, facts and commands, gives events to tell people of, journal lines and state to
//! store. Contract: after each `handle_…` or command, drain [`Engine::poll_output`] until `None`,
//! then sleep until [`Engine::poll_timeout`] and call [`Engine::handle_timeout`].
//!
//! Each call costs work for the channel it concerns and for what that changes, never a walk over
//! all channels; deadlines wait in one ordered set.

mod announce;
mod cause;
mod command;
mod fact;
mod reading;
mod step;
mod store;
mod view;

pub use command::{Refused, Shelving, Target};
pub use fact::{EggsLast, Fact, JarContext};
pub use view::{Counts, Listed, asset_words};

use crate::alarm::code::Codes;
use crate::alarm::condition::noise::Noise;
use crate::alarm::condition::rate::Rate;
use crate::alarm::condition::stuck::Stillness;
use crate::alarm::condition::{JarLimits, Settings};
use crate::alarm::event::EventId;
use crate::alarm::group::{Event, Flood, GroupKey};
use crate::alarm::moment::Moment;
use crate::alarm::record::Output;
use crate::alarm::state::{Alarm, Step, Tuning, Verdict};
use crate::alarm::tree::{AlarmIx, Tree};
use crate::clock::{Now, Uptime};
use crate::ids::PersonId;
use crate::rack::Rack;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What does not change while the engine runs.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The station.
    pub rack: Rack,
    /// Names of sources, by [`crate::reading::SourceIx`].
    pub sources: Vec<String>,
    /// Names of routes for messages.
    pub routes: Vec<String>,
    /// Limits and delays.
    pub settings: Settings,
    /// Makes the answer codes of this station its own.
    pub code_seed: u64,
}

/// All alarms of a station.
#[derive(Debug)]
pub struct Engine {
    plan: Plan,
    tree: Tree,
    slots: Vec<Slot>,
    channels: Vec<Channel>,
    jars: Vec<JarLive>,
    headers: Vec<HeaderLive>,
    link_down: Vec<bool>,
    /// Connected again, and no data yet.
    link_doubt: Vec<bool>,
    route_failing: Vec<bool>,
    mains: fact::Mains,
    events: BTreeMap<EventId, Event>,
    open: BTreeMap<GroupKey, EventId>,
    next_event: u64,
    codes: Codes,
    flood: Flood,
    starts: Vec<Moment>,
    timers: BTreeSet<(Moment, Timer)>,
    outputs: VecDeque<Output>,
    /// Moment at up-time [`Self::began`].
    base: Moment,
    began: Uptime,
    now: Now,
    marked: Moment,
    scratch: Vec<Step>,
}

/// One alarm at work.
#[derive(Debug)]
struct Slot {
    alarm: Alarm,
    tuning: Tuning,
    deadline: Option<Moment>,
    event: Option<EventId>,
    /// Latest verdict on its own measure, where it has one beside its children.
    direct: Option<Verdict>,
    /// Latest such verdict that was not unknown.
    last_sure: Verdict,
    /// Its children point at it.
    inferred: bool,
    /// Read back from the store and not yet confirmed by what has spoken since.
    unproven: bool,
    /// Read back as on, and its measure has said nothing since.
    unheard: bool,
    /// Children pending or on, by when they began.
    children: BTreeSet<(Moment, AlarmIx)>,
    value: Option<f64>,
    limit: Option<f64>,
    /// Distance beyond the limit while pending, summed, and samples of it.
    depth: (f64, u32),
    since: Timestamp,
    /// What people wrote or the system found, for messages.
    detail: String,
}

/// One sensor at work.
#[derive(Debug)]
struct Channel {
    last_good: Moment,
    heard: bool,
    stale: bool,
    stale_after: Span,
    value: Option<f64>,
    rate: Option<Box<Rate>>,
    slope: Option<f64>,
    stillness: Stillness,
    noise: Noise,
    out: bool,
}

/// One jar as the logbook knows it.
#[derive(Debug, Default)]
struct JarLive {
    known: bool,
    context: JarContext,
    limits: JarLimits,
    treatment: Option<(Moment, PersonId)>,
}

/// One header, summed over its jars.
#[derive(Debug, Default)]
struct HeaderLive {
    limits: JarLimits,
    loaded: usize,
    loaded_with_temp: usize,
    /// Jars with a meter that are loaded or not yet known.
    counted_with_flow: usize,
    /// The same of probes.
    counted_with_temp: usize,
    /// Any of its jars is loaded or not yet known.
    may_hold_eggs: bool,
}

/// What is waited for. The order decides who goes first at the same moment: alarms before events,
/// so that a cause is on before its consequences would speak.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Timer {
    Alarm(AlarmIx),
    Stale(usize),
    Treatment(usize),
    Causes,
    Restarts,
    Flood,
    Event(EventId),
}

impl Timer {
    const fn label(self) -> &'static str {
        match self {
            Self::Alarm(_) => "alarm delay",
            Self::Stale(_) => "channel silent",
            Self::Treatment(_) => "treatment window",
            Self::Causes => "causes after restart",
            Self::Restarts => "restart count",
            Self::Flood => "flood",
            Self::Event(_) => "group wait",
        }
    }
}

impl Engine {
    /// Lets every deadline take effect that has passed.
    pub fn handle_timeout(&mut self, now: Now) {
        self.enter(now);
    }

    /// When to be called next, and why.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<(Uptime, &'static str)> {
        let (at, timer) = self.timers.first()?;
        Some((self.began.after(at.since(self.base)), timer.label()))
    }

    /// What is to be done.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// The present on the alarms' own time line, as stored with them.
    #[must_use]
    pub fn moment(&self) -> Moment {
        self.moment_at(self.now)
    }

    fn moment_at(&self, now: Now) -> Moment {
        self.base.after(now.up.since(self.began))
    }

    /// Takes the time over and does what has become due: a deadline that has passed comes before
    /// whatever arrives now.
    fn enter(&mut self, now: Now) -> Moment {
        self.watch_clock(now);
        let m = self.moment_at(now);
        while let Some((at, timer)) = self.timers.first().copied() {
            if at > m {
                break;
            }
            self.timers.pop_first();
            self.fire(timer, m);
        }
        m
    }

    fn fire(&mut self, timer: Timer, m: Moment) {
        match timer {
            Timer::Alarm(ix) => {
                self.slots[ix].deadline = None;
                self.change(ix, m, "", None, |slot, steps| {
                    slot.alarm.handle_timeout(m, &slot.tuning, steps);
                });
            }
            Timer::Stale(channel) => self.check_stale(channel, m),
            Timer::Treatment(jar) => self.end_treatment(jar, m),
            Timer::Causes => self.check_causes(m),
            Timer::Restarts => self.check_restarts(m),
            Timer::Flood => self.check_flood(m),
            Timer::Event(event) => self.event_due(event, m),
        }
    }

    /// Wall time of a moment on the alarms' own line, as far as the wall clock is known.
    fn wall(&self, moment: Moment) -> Timestamp {
        let present = self.moment();
        self.now.utc + moment.since(present) - present.since(moment)
    }
}
