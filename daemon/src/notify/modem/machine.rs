//! The dialogue with the modem as a machine without a port: [`Machine::handle_byte`] and the time go
//! in, [`Output`]s come out.
//!
//! Anything that stays unanswered leads up a ladder: ask again, abandon and ask, reset the modem,
//! close and open the port, cut its power. What was being sent is given back at once with what is
//! known about it, so that another route can be used.

mod answers;
mod recovery;

use super::fault::{Fault, Meaning};
use super::line::{Piece, Splitter};
use super::step::{HEALTH, START, Step};
use super::{ModemHealth, Registration};
use crate::clock::Uptime;
use crate::notify::gsm::Received;
use nightjar_calc::time::Span;
use std::collections::VecDeque;

const CANCEL: u8 = 0x1B;
/// Reads and deletions that may wait.
const MOST_CHORES: usize = 256;
/// Between two looks at the registration while there is none.
const LOOK_AGAIN: Span = Span::from_secs(5);
/// Longest wait for the network on each rung of the ladder.
const NETWORK_LIMIT: Span = Span::from_secs(90);
/// The same once the ladder has been climbed to its end.
const NETWORK_LIMIT_AT_TOP: Span = Span::from_minutes(10);
/// Between two checks of a modem that works.
const HEALTH_EVERY: Span = Span::from_minutes(60);
/// After the first sign of life late answers to older commands are let pass for this long.
const SETTLE: Span = Span::from_ms(300);

/// Names a job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct JobId(pub u64);

/// A text to send: its units, as hexadecimal digits with the number for the command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job {
    /// Its name.
    pub id: JobId,
    /// Its parts, in order.
    pub units: Vec<(String, usize)>,
}

/// What became of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The network took every part, under these references where it said any.
    Accepted(Vec<u8>),
    /// Nothing has left: the modem is not ready.
    NotNow(String),
    /// Nothing has left, and somebody has to do something first.
    Blocked(String),
    /// Turned away.
    Refused(Fault),
    /// It may have left or not.
    Unknown(String),
}

/// What the machine wants done or known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Write these bytes.
    Write(Vec<u8>),
    /// Open the port and say how it went.
    Open,
    /// Close the port.
    Close,
    /// Take the power from the modem for ten seconds.
    CutPower,
    /// A job has ended.
    Done(JobId, Verdict),
    /// Something arrived. Once it is safe, call [`Machine::committed`] with its place.
    Arrived {
        /// Place in the modem's store; none when it was handed over directly.
        index: Option<u16>,
        /// What it is.
        what: Received,
    },
    /// For the journal.
    Note(String),
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Phase {
    Closed { open_at: Uptime },
    Opening,
    Starting,
    Searching { until: Uptime, look_at: Uptime },
    Ready,
    Blocked { why: String, again_at: Uptime },
}

#[derive(Debug)]
struct Running {
    step: Step,
    deadline: Uptime,
    lines: Vec<String>,
}

#[derive(Debug)]
struct Work {
    job: Job,
    at: usize,
    references: Vec<u8>,
}

/// See the module.
#[derive(Debug)]
pub struct Machine {
    pin: Option<String>,
    pin_spent: bool,
    can_cut_power: bool,
    phase: Phase,
    rung: u32,
    attempts: u32,
    openings: u32,
    failures: u32,
    started_anew: bool,
    texting_refused: bool,
    running: Option<Running>,
    queue: VecDeque<Step>,
    chores: VecDeque<Step>,
    list_again: bool,
    chore_next: bool,
    work: Option<Work>,
    splitter: Splitter,
    expected: Vec<answers::Expected>,
    quiet_until: Uptime,
    health_at: Uptime,
    registrations: (Registration, Registration),
    output: VecDeque<Output>,
    health: ModemHealth,
}

impl Machine {
    /// Wants the port opened at once.
    #[must_use]
    pub fn new(pin: Option<String>, can_cut_power: bool, now: Uptime) -> Self {
        let mut machine = Self {
            pin,
            pin_spent: false,
            can_cut_power,
            phase: Phase::Closed { open_at: now },
            rung: 0,
            attempts: 0,
            openings: 0,
            failures: 0,
            started_anew: false,
            texting_refused: false,
            running: None,
            queue: VecDeque::new(),
            chores: VecDeque::new(),
            list_again: false,
            chore_next: false,
            work: None,
            splitter: Splitter::default(),
            expected: Vec::new(),
            quiet_until: now,
            health_at: now,
            registrations: (Registration::Unknown, Registration::Unknown),
            output: VecDeque::new(),
            health: ModemHealth { since: now, ..ModemHealth::default() },
        };
        machine.advance(now);
        machine
    }

    /// How it fares.
    #[must_use]
    pub fn health(&self) -> &ModemHealth {
        &self.health
    }

    /// What is to be done next.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.output.pop_front()
    }

    /// When to call [`Self::handle_timeout`] at the latest.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        if let Some(running) = &self.running {
            return Some(running.deadline);
        }
        let phase = match &self.phase {
            Phase::Closed { open_at } => Some(*open_at),
            Phase::Opening => None,
            Phase::Starting => Some(self.quiet_until),
            Phase::Searching { until, look_at } => Some(*until.min(look_at)),
            Phase::Ready => Some(self.health_at),
            Phase::Blocked { again_at, .. } => Some(*again_at),
        };
        phase.map(|at| at.max(self.quiet_until))
    }

    /// The port is open.
    pub fn opened(&mut self, now: Uptime) {
        self.openings = 0;
        self.splitter.clear();
        self.expected.clear();
        self.note("port open".to_owned());
        self.begin(now);
        self.advance(now);
    }

    /// The port cannot be opened, or is gone.
    pub fn lost(&mut self, why: &str, now: Uptime) {
        let words = format!("the port is gone: {why}");
        self.give_back(&words);
        self.fail(words, now);
        self.drop_everything();
        let wait = [1, 2, 5, 10].get(usize::try_from(self.openings).unwrap_or(9)).copied().unwrap_or(10);
        self.openings += 1;
        self.phase = Phase::Closed { open_at: now.after(Span::from_secs(wait)) };
    }

    /// A text is to be sent. One at a time; its end comes as [`Output::Done`].
    pub fn send(&mut self, job: Job, now: Uptime) {
        let verdict = match (&self.phase, &self.work) {
            _ if job.units.is_empty() => Verdict::Refused(Fault::Plain),
            (Phase::Ready, None) => {
                self.work = Some(Work { job, at: 0, references: Vec::new() });
                return self.advance(now);
            }
            (Phase::Ready, Some(_)) => Verdict::NotNow("the modem is busy with another text".into()),
            (Phase::Blocked { why, .. }, _) => Verdict::Blocked(why.clone()),
            (Phase::Closed { .. } | Phase::Opening, _) => {
                Verdict::NotNow("the modem's port is closed".into())
            }
            (Phase::Starting, _) => Verdict::NotNow("the modem is starting".into()),
            (Phase::Searching { .. }, _) => Verdict::NotNow("the modem has no network".into()),
        };
        self.output.push_back(Output::Done(job.id, verdict));
    }

    /// What arrived with this place is safe: it may be deleted from the modem.
    pub fn committed(&mut self, index: u16, now: Uptime) {
        self.chore(Step::Delete(index));
        self.advance(now);
    }

    /// One byte from the port.
    pub fn handle_byte(&mut self, byte: u8, now: Uptime) {
        match self.splitter.push(byte) {
            None => {}
            Some(Piece::Overlong) => self.health.overlong = self.health.overlong.saturating_add(1),
            Some(Piece::Prompt) => self.prompt(now),
            Some(Piece::Line(line)) => self.line(&line, now),
        }
        self.advance(now);
    }

    /// Does what is due.
    pub fn handle_timeout(&mut self, now: Uptime) {
        if self.running.as_ref().is_some_and(|running| running.deadline <= now) {
            self.unanswered(now);
        }
        self.advance(now);
    }

    fn advance(&mut self, now: Uptime) {
        while self.running.is_none() && self.quiet_until <= now {
            if let Some(step) = self.queue.pop_front() {
                return self.start(step, now);
            }
            match self.phase.clone() {
                Phase::Closed { open_at } if open_at <= now => {
                    self.phase = Phase::Opening;
                    self.output.push_back(Output::Open);
                    return;
                }
                Phase::Starting => self.settle(now),
                Phase::Searching { .. } if self.health.registration.registered() => self.ready(now),
                Phase::Searching { until, .. } if until <= now => {
                    self.trouble("no network within the time for it".into(), now);
                }
                Phase::Searching { until, look_at } if look_at <= now => {
                    self.phase = Phase::Searching { until, look_at: now.after(LOOK_AGAIN) };
                    self.queue.extend([Step::Registered, Step::RegisteredLte, Step::Signal]);
                }
                Phase::Blocked { again_at, .. } if again_at <= now => self.begin(now),
                Phase::Ready => match self.next_in_ready(now) {
                    Some(step) => return self.start(step, now),
                    None => return,
                },
                Phase::Closed { .. } | Phase::Opening | Phase::Searching { .. } | Phase::Blocked { .. } => {
                    return;
                }
            }
        }
    }

    fn next_in_ready(&mut self, now: Uptime) -> Option<Step> {
        if !self.health.registration.registered() {
            self.search(now);
            return Some(Step::Attention);
        }
        // Turn and turn about: neither a flood of incoming texts holds up an alarm nor the other
        // way round.
        if self.chore_next || self.work.is_none() {
            self.chore_next = false;
            if let Some(chore) = self.chores.pop_front() {
                return Some(chore);
            }
            if std::mem::take(&mut self.list_again) {
                return Some(Step::List);
            }
        }
        if let Some(work) = &self.work {
            self.chore_next = true;
            return work.job.units.get(work.at).map(|(_, octets)| Step::Announce(*octets));
        }
        if self.health_at > now {
            return None;
        }
        self.health_at = now.after(HEALTH_EVERY);
        self.rung = 0;
        let mut steps = HEALTH.into_iter();
        let first = steps.next();
        self.queue.extend(steps);
        first
    }

    fn start(&mut self, step: Step, now: Uptime) {
        let mut bytes = match (step, &self.pin) {
            (Step::EnterPin, Some(pin)) => format!("AT+CPIN=\"{pin}\"").into_bytes(),
            _ => step.command().into_bytes(),
        };
        bytes.push(b'\r');
        self.output.push_back(Output::Write(bytes));
        self.running = Some(Running { step, deadline: now.after(step.limit()), lines: Vec::new() });
    }

    /// Begins the dialogue at its first command.
    fn begin(&mut self, now: Uptime) {
        self.phase = Phase::Starting;
        self.attempts = 0;
        self.running = None;
        self.queue = START.into();
        self.registrations = (Registration::Unknown, Registration::Unknown);
        self.health.registration = Registration::Unknown;
        self.not_ready(now);
    }

    fn settle(&mut self, now: Uptime) {
        if self.health.registration.registered() { self.ready(now) } else { self.search(now) }
    }

    fn search(&mut self, now: Uptime) {
        let limit = if self.rung > recovery::TOP { NETWORK_LIMIT_AT_TOP } else { NETWORK_LIMIT };
        self.phase = Phase::Searching { until: now.after(limit), look_at: now.after(LOOK_AGAIN) };
        self.give_back("the modem has no network");
        self.not_ready(now);
    }

    fn ready(&mut self, now: Uptime) {
        self.phase = Phase::Ready;
        self.health_at = now.after(HEALTH_EVERY);
        self.health.ready = true;
        if !self.texting_refused {
            self.health.needs_people = None;
        }
        self.health.since = now;
        self.note(format!("modem ready: {:?}, signal {:?}", self.health.registration, self.health.signal));
    }

    fn not_ready(&mut self, now: Uptime) {
        if self.health.ready {
            self.health.ready = false;
            self.health.since = now;
        }
    }

    fn chore(&mut self, step: Step) {
        if self.chores.contains(&step) {
            return;
        }
        if self.chores.len() < MOST_CHORES {
            self.chores.push_back(step);
        } else {
            self.list_again = true;
        }
    }

    fn note(&mut self, words: String) {
        self.output.push_back(Output::Note(words));
    }

    fn write(&mut self, byte: u8) {
        self.output.push_back(Output::Write(vec![byte]));
    }
}
