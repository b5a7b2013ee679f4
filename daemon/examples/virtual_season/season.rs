//! Plays a season: time moves scan by scan, the script does its harm, the crew does its work.

use crate::board::{Board, NODES};
use crate::eggs::{self, JARS};
use crate::script::{Cause, Fault, Script};
use crate::stage::{Stage, person};
use crate::sums::Sums;
use crate::water::Water;
use anyhow::Result;
use nightjar::alarm::engine::Fact;
use nightjar::alarm::event::AlarmKind;
use nightjar::clock::Clock;
use nightjar::logbook::{Act, Entry, EntryId};
use nightjar::notify::worker::Handed;
use nightjar::snapshot::{AlarmView, Snapshot};
use nightjar::web::backend::{Command, Reply};
use nightjar_calc::time::Span;
use std::collections::{BTreeMap, VecDeque};

/// A start takes this long.
const OFF_FOR: Span = Span::from_minutes(3);
/// The crew answers after this time, or after that when nobody wakes.
const ANSWERED_AFTER: Span = Span::from_minutes(4);
const UNANSWERED_FOR: Span = Span::from_minutes(50);
/// A clock without battery goes on where it was saved last.
const BEHIND: Span = Span::from_minutes(-50);
/// A time server sets the clock by this much; no two readings fall on one moment.
const SET_BY: Span = Span::from_ms(37_123);
/// Sums are looked at this often.
const LOOK_EVERY: Span = Span::from_hours(24);

/// A season under way.
pub struct Season {
    pub stage: Stage,
    pub script: Script,
    pub water: Water,
    pub sums: Sums,
    pub problems: Vec<String>,
    /// What was handed to a route, and when.
    pub handed: Vec<(Span, Handed)>,
    pub entries: u64,
    board: Board,
    acts: VecDeque<(Span, Act)>,
    links: [bool; NODES],
    mains: bool,
    clock_set: bool,
    restarts: VecDeque<(Span, bool)>,
    look_at: Span,
    asked_on_call: Option<Span>,
    /// Since when the crew sees each event.
    seen: BTreeMap<u64, Span>,
}

impl Season {
    /// Everything ready.
    pub fn new(seed: u64, length: Span, scan: Span, stage: Stage) -> Result<Self> {
        let mut water = Water::new(seed, JARS);
        let script = Script::new(seed, length, scan, &mut water);
        let acts = eggs::acts(length, |at| stage.wall(at))?.into();
        Ok(Self {
            board: Board::new(seed),
            acts,
            links: [true; NODES],
            mains: true,
            clock_set: false,
            restarts: restarts(&script),
            look_at: LOOK_EVERY,
            asked_on_call: None,
            seen: BTreeMap::new(),
            sums: Sums::default(),
            problems: Vec::new(),
            handed: Vec::new(),
            entries: 0,
            stage,
            script,
            water,
        })
    }

    /// One scan, and all that happens until the next.
    pub async fn step(mut self, at: Span) -> Result<Self> {
        if let Some((_, knows_the_time)) = next_due(&mut self.restarts, at) {
            self = self.restart(knows_the_time).await?;
        }
        if at <= self.stage.at {
            // The station is off.
            return Ok(self);
        }
        self.stage.advance(at);
        self.harm(at).await?;
        let said = self.board.scan(at, &self.water, &self.script);
        self.stage.feed(said).await?;
        if self.stage.clock.now().trusted {
            self.write(at).await?;
        }
        self.crew(at).await?;
        let handed = self.stage.take_handed();
        self.handed.extend(handed.into_iter().map(|handed| (at, handed)));
        if at >= self.look_at {
            self.look_at = at + LOOK_EVERY;
            for jar in 0..JARS {
                self.sums.look(jar, &self.stage, &self.water, &self.script);
            }
        }
        Ok(self)
    }

    /// What the script does to the outside of the station.
    async fn harm(&mut self, at: Span) -> Result<()> {
        let on: Vec<Fault> = self.script.on(at).copied().collect();
        let refused =
            on.iter().map(|fault| fault.refuses()).fold((false, false), |a, b| (a.0 || b.0, a.1 || b.1));
        self.stage.refuse(refused.0, refused.1);
        for node in 0..NODES {
            let up = !on.iter().any(|fault| fault.cause == Cause::Node(node));
            if up != std::mem::replace(&mut self.links[node], up) {
                self.stage.link(node, up).await?;
            }
        }
        let mains = !on.iter().any(|fault| fault.cause == Cause::Mains);
        if mains != std::mem::replace(&mut self.mains, mains) {
            self.stage.tell(Fact::Mains { on: mains, battery_percent: None, runtime_min: None }).await?;
        }
        let set = on.iter().any(|fault| fault.cause == Cause::ClockSet);
        if set != std::mem::replace(&mut self.clock_set, set) {
            self.stage.set_wall(if set { SET_BY } else { Span::ZERO });
        }
        let unset = on.iter().any(|fault| fault.cause == Cause::RestartWithoutClock);
        if !unset && !self.stage.clock.now().trusted {
            self.stage.set_wall(Span::ZERO);
            self.stage.clock.set_trusted(true);
        }
        Ok(())
    }

    async fn restart(mut self, knows_the_time: bool) -> Result<Self> {
        let before = self.stage.picture();
        let off_by = if knows_the_time { self.stage.off_by } else { BEHIND };
        self.stage = self.stage.restart(OFF_FOR, off_by, knows_the_time).await?;
        let after = self.stage.picture();
        let at = self.stage.wall(self.stage.at);
        for (what, before, after) in
            [("alarms", alarms(&before), alarms(&after)), ("jars", jars(&before), jars(&after))]
        {
            if before != after {
                self.problems.push(format!("restart of {at}: {what} were {before:?} and are {after:?}"));
            }
        }
        Ok(self)
    }

    /// What people write down.
    async fn write(&mut self, at: Span) -> Result<()> {
        while let Some((_, act)) = next_due(&mut self.acts, at) {
            if let Act::Empty(empty) = &act {
                let jar = (0..JARS).find(|jar| eggs::jar_name(*jar) == empty.jar.as_str());
                jar.into_iter().for_each(|jar| self.sums.look(jar, &self.stage, &self.water, &self.script));
            }
            self.entries += 1;
            let happened_at = self.stage.clock.now().utc;
            let id = EntryId(format!("season-{:06}", self.entries));
            let entry = Entry { id, happened_at, written_at: happened_at, who: person("kim")?, act };
            let words = format!("{:?}", entry.act);
            let reply = self.stage.ask(Command::Entry(Box::new(entry))).await?;
            if reply != Reply::Done {
                self.problems.push(format!("{}: {reply:?} to {words}", self.stage.wall(at)));
            }
        }
        Ok(())
    }

    /// Somebody says that they know, and who comes on call answers.
    async fn crew(&mut self, at: Span) -> Result<()> {
        let picture = self.stage.picture();
        let asleep = self.script.on(at).any(|fault| {
            let unanswered = matches!(fault.cause, Cause::Unanswered(_)) && at < fault.from + UNANSWERED_FOR;
            unanswered || fault.cause == Cause::PumpTwice
        });
        let seen: BTreeMap<u64, Span> = picture
            .alarms
            .iter()
            .map(|alarm| (alarm.event.0, *self.seen.get(&alarm.event.0).unwrap_or(&at)))
            .collect();
        let waits = |alarm: &&AlarmView| {
            let answered = alarm.acknowledged.is_some() || alarm.suppressed.is_some() || asleep;
            !answered && at >= seen[&alarm.event.0] + ANSWERED_AFTER
        };
        for alarm in picture.alarms.iter().filter(waits) {
            let command = Command::Acknowledge { event: alarm.event, by: person("kim")? };
            // What is not told yet is not there to be answered; it is asked again at the next scan.
            self.stage.ask(command).await?;
        }
        self.seen = seen;
        match picture.hand_over.as_ref().and_then(|hand_over| hand_over.asked()) {
            None => self.asked_on_call = None,
            Some(by) => {
                let asked = *self.asked_on_call.get_or_insert(at);
                if at >= asked + ANSWERED_AFTER {
                    let reply = self.stage.ask(Command::OnCall { by: by.clone() }).await?;
                    if reply != Reply::Done {
                        self.problems.push(format!("{}: {reply:?} to who is on call", self.stage.wall(at)));
                    }
                }
            }
        }
        Ok(())
    }
}

/// The first of what is waited for, once its moment has come.
fn next_due<T>(waiting: &mut VecDeque<(Span, T)>, at: Span) -> Option<(Span, T)> {
    waiting.front().is_some_and(|(due, _)| *due <= at).then(|| waiting.pop_front()).flatten()
}

/// When the station is started anew, and whether it knows the time then.
fn restarts(script: &Script) -> VecDeque<(Span, bool)> {
    let of = |fault: &Fault| {
        let once = matches!(fault.cause, Cause::Restart | Cause::RestartWithoutClock);
        let shares: &[f64] = if once {
            &[0.0]
        } else if matches!(fault.cause, Cause::JarThenRestart(_)) {
            &[0.3]
        } else if fault.cause == Cause::Restarts {
            &[0.0, 0.25, 0.5, 0.75]
        } else {
            &[]
        };
        let knows_the_time = fault.cause != Cause::RestartWithoutClock;
        shares.iter().map(|share| (fault.part(*share), knows_the_time)).collect::<Vec<_>>()
    };
    script.faults.iter().flat_map(of).collect()
}

/// Alarms as a restart must leave them.
fn alarms(picture: &Snapshot) -> Vec<String> {
    let words = |alarm: &AlarmView| {
        let acknowledged = alarm.acknowledged.as_ref().map(|(by, _)| by);
        format!("{:?} {:?} {:?} on {} by {acknowledged:?}", alarm.event, alarm.kind, alarm.asset, alarm.on)
    };
    // That it was started too often is what the start adds.
    let stay = |alarm: &&AlarmView| alarm.kind != AlarmKind::Restarted;
    let mut all: Vec<String> = picture.alarms.iter().filter(stay).map(words).collect();
    all.sort();
    all
}

/// Jars as a restart must leave them. Sums grow meanwhile, and are looked at elsewhere.
fn jars(picture: &Snapshot) -> Vec<String> {
    let words = |jar: &nightjar::snapshot::JarView| {
        let fertilized = jar.progress.as_ref().map(|progress| progress.fertilized_at);
        format!("{:?} {:?} {:?} {:?} {fertilized:?}", jar.lot, jar.eggs, jar.eggs_l, jar.set_flow)
    };
    picture.jars.iter().map(words).collect()
}
