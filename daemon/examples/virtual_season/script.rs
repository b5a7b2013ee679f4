//! What goes wrong in a season and what must be raised for it: drawn from the seed, and known before the
//! station sees any of it.
//!
//! Times are spans since the beginning, by a clock that nobody sets.

use crate::board::node_of;
use crate::chance::Dice;
use crate::eggs::{self, JARS};
use crate::expected::{Expected, expected};
use crate::water::Water;
use nightjar_calc::time::Span;

/// Each fault has so long for itself, so that none explains or repeats another.
const SLOT: Span = Span::from_hours(48);
/// The first fault comes when every jar has been filled.
const FIRST: Span = Span::from_hours(8 * 24);

/// Longer holes in the record of a thermometer are not bridged.
const BRIDGED: Span = Span::from_hours(2);

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cause {
    /// The pump that feeds both headers stops.
    Pump,
    /// It stops, runs, and stops again, before anybody has answered.
    PumpTwice,
    /// The valve of a header closes.
    Header(usize),
    /// One jar gets no water.
    Jar(usize),
    /// The same at night: nobody answers.
    Unanswered(usize),
    /// The same, and its meter falls silent meanwhile.
    JarThenMeter(usize),
    /// The same, and the station is started anew meanwhile.
    JarThenRestart(usize),
    /// The same, and texts do not leave for hours.
    JarWithoutTexts(usize),
    /// The same, and nothing leaves.
    JarWithoutRoutes(usize),
    /// Dirt in the valve of a jar, at once.
    Clog(usize),
    /// The same, slowly.
    SlowClog(usize),
    /// A valve opened too far.
    HighFlow(usize),
    /// A warm spell.
    Warm,
    /// A thermometer says the same for hours.
    Stuck(usize),
    /// A thermometer says nothing.
    ThermometerSilent(usize),
    /// A thermometer says what it says without its bus.
    ThermometerLost(usize),
    /// A meter says nothing.
    MeterSilent(usize),
    /// A node is gone: its connection too.
    Node(usize),
    /// A node says nothing, while its connection stands.
    NodeMute(usize),
    /// The mains fail.
    Mains,
    /// The station is started anew.
    Restart,
    /// The same four times in some hours.
    Restarts,
    /// The same without a clock that knows the time.
    RestartWithoutClock,
    /// The wall clock is set forward, and back.
    ClockSet,
    /// An empty jar gets no water.
    EmptyJar(usize),
    /// One reading in between says that nothing flows, another that the water is hot.
    Blip(usize),
}

/// One thing that goes wrong.
#[derive(Clone, Copy, Debug)]
pub struct Fault {
    pub cause: Cause,
    pub from: Span,
    pub until: Span,
    /// Time between readings.
    pub scan: Span,
}

/// A season's faults in order.
pub struct Script {
    pub faults: Vec<Fault>,
    pub expected: Vec<Expected>,
}

impl Fault {
    /// Whether it goes on at a moment.
    pub fn is_on(&self, at: Span) -> bool {
        self.from <= at && at < self.until
    }

    /// Whether texts, and whether mails, are refused while it goes on.
    pub const fn refuses(&self) -> (bool, bool) {
        let both = matches!(self.cause, Cause::JarWithoutRoutes(_));
        (both || matches!(self.cause, Cause::JarWithoutTexts(_)), both)
    }

    /// Two stretches within it with a pause between them.
    pub fn halves(&self) -> [(Span, Span); 2] {
        [(self.from, self.part(0.25)), (self.part(0.6), self.part(0.85))]
    }

    /// A stretch within it in which a meter says nothing; the water is back before its end.
    pub fn middle(&self) -> (Span, Span) {
        (self.part(0.5), self.part(0.8))
    }

    /// Part of the way through.
    pub fn part(&self, share: f64) -> Span {
        self.from + Span::from_days((self.until - self.from).days() * share)
    }
}

impl Script {
    /// From the seed, for a season of a length that is read every `scan`.
    pub fn new(seed: u64, length: Span, scan: Span, water: &mut Water) -> Self {
        let mut dice = Dice::new(seed, 2);
        let mut faults = Vec::new();
        let mut begin = FIRST;
        let mut round = Vec::new();
        while begin + SLOT < length - Span::from_hours(24) {
            if round.is_empty() {
                round = kinds();
                dice.shuffle(&mut round);
            }
            if let Some((kind, hours)) = round.pop() {
                let from = begin + on_scan(Span::from_days(dice.between(0.05, 0.3)), scan);
                let until = from + on_scan(Span::from_days(hours / 24.0), scan);
                let cause = placed(kind, from, until, length, &mut dice);
                // How long a thermometer held still once it may hold still again.
                let learnt = |cause: &Cause| faults.iter().any(|f: &Fault| f.cause == *cause);
                let known = |cause: &Cause| matches!(cause, Cause::Stuck(_)) && learnt(cause);
                if let Some(cause) = cause.filter(|cause| !known(cause)) {
                    faults.push(Fault { cause, from, until, scan });
                }
            }
            begin += SLOT;
        }
        faults.extend(empty_jars(length, scan, &mut dice));
        faults.sort_by_key(|fault| fault.from);
        for fault in faults.iter().filter(|fault| fault.cause == Cause::Warm) {
            water.warm(fault.from, fault.until);
        }
        let expected = faults.iter().flat_map(|fault| expected(fault, scan, water)).collect();
        Self { faults, expected }
    }

    /// Stretches of more than two hours in which the thermometer of a jar says nothing that can be used: they are
    /// not bridged, but reported as not counted. From its last reading before to its first after.
    pub fn gaps(&self, jar: usize) -> impl Iterator<Item = (Span, Span)> {
        let silent = move |cause| {
            let alone = cause == Cause::ThermometerSilent(jar) || cause == Cause::ThermometerLost(jar);
            let node = node_of(jar);
            alone || cause == Cause::Node(node) || cause == Cause::NodeMute(node)
        };
        let gaps = self.faults.iter().filter(move |fault| silent(fault.cause));
        gaps.map(|fault| (fault.from - fault.scan, fault.until))
            .filter(|(from, until)| *until - *from > BRIDGED)
    }

    /// What goes on at a moment.
    pub fn on(&self, at: Span) -> impl Iterator<Item = &Fault> {
        self.faults.iter().filter(move |fault| fault.is_on(at))
    }
}

/// Every cause with the hours it lasts; which jar, header or node is drawn later.
fn kinds() -> Vec<(Cause, f64)> {
    vec![
        (Cause::Pump, 0.5),
        (Cause::PumpTwice, 0.4),
        (Cause::Header(0), 0.3),
        (Cause::Jar(0), 0.4),
        (Cause::Unanswered(0), 1.2),
        (Cause::JarThenMeter(0), 1.0),
        (Cause::JarThenRestart(0), 0.8),
        (Cause::JarWithoutTexts(0), 4.0),
        (Cause::JarWithoutRoutes(0), 2.0),
        (Cause::Clog(0), 0.6),
        (Cause::SlowClog(0), 8.0),
        (Cause::HighFlow(0), 0.4),
        (Cause::Warm, 32.0),
        (Cause::Stuck(0), 3.0),
        (Cause::ThermometerSilent(0), 1.5),
        (Cause::ThermometerLost(0), 1.0),
        (Cause::MeterSilent(0), 0.5),
        (Cause::Node(0), 3.0),
        (Cause::NodeMute(0), 0.5),
        (Cause::Mains, 0.7),
        (Cause::Restart, 0.2),
        (Cause::Restarts, 3.0),
        (Cause::RestartWithoutClock, 1.0),
        (Cause::ClockSet, 5.0),
        (Cause::Blip(0), 1.0),
    ]
}

/// Rounded down to a scan.
const fn on_scan(span: Span, scan: Span) -> Span {
    Span::from_ms(span.ms() / scan.ms() * scan.ms())
}

/// After each emptying of a jar it gets no water for an hour: nobody is to be woken for that.
fn empty_jars(length: Span, scan: Span, dice: &mut Dice) -> Vec<Fault> {
    let jar = dice.below(JARS);
    let gaps = eggs::stays(jar, length).into_iter().map(|(_, emptied)| emptied + Span::from_hours(3));
    gaps.take_while(|from| *from + Span::from_hours(2) < length)
        .map(|from| Fault {
            cause: Cause::EmptyJar(jar),
            from: on_scan(from, scan),
            until: on_scan(from + Span::from_hours(1), scan),
            scan,
        })
        .collect()
}

/// The cause at a place drawn among those that fit.
fn placed(cause: Cause, from: Span, until: Span, length: Span, dice: &mut Dice) -> Option<Cause> {
    // An alarm may outlast its cause.
    let (early, late) = (from - Span::from_hours(2), until + Span::from_hours(2));
    let fits: Vec<usize> = (0..JARS).filter(|jar| eggs::holds_eggs(*jar, early, late, length)).collect();
    let mut jar = || (!fits.is_empty()).then(|| fits[dice.below(fits.len())]);
    Some(match cause {
        Cause::Jar(_) => Cause::Jar(jar()?),
        Cause::Unanswered(_) => Cause::Unanswered(jar()?),
        Cause::JarThenMeter(_) => Cause::JarThenMeter(jar()?),
        Cause::JarThenRestart(_) => Cause::JarThenRestart(jar()?),
        Cause::JarWithoutTexts(_) => Cause::JarWithoutTexts(jar()?),
        Cause::JarWithoutRoutes(_) => Cause::JarWithoutRoutes(jar()?),
        Cause::Clog(_) => Cause::Clog(jar()?),
        Cause::SlowClog(_) => Cause::SlowClog(jar()?),
        Cause::HighFlow(_) => Cause::HighFlow(jar()?),
        Cause::Stuck(_) => Cause::Stuck(jar()?),
        Cause::ThermometerSilent(_) => Cause::ThermometerSilent(jar()?),
        Cause::ThermometerLost(_) => Cause::ThermometerLost(jar()?),
        Cause::MeterSilent(_) => Cause::MeterSilent(jar()?),
        Cause::Blip(_) => Cause::Blip(jar()?),
        Cause::Header(_) => Cause::Header(dice.below(2)),
        Cause::Node(_) => Cause::Node(dice.below(2)),
        Cause::NodeMute(_) => Cause::NodeMute(dice.below(2)),
        Cause::Pump
        | Cause::PumpTwice
        | Cause::Warm
        | Cause::Mains
        | Cause::Restart
        | Cause::Restarts
        | Cause::RestartWithoutClock
        | Cause::ClockSet
        | Cause::EmptyJar(_) => cause,
    })
}
