//! What must be raised for each fault, and how soon: the delays are those that the station promises for
//! each kind of alarm, with the samples it needs for them and the wait of a group for its first message.

use crate::eggs::jar_name;
use crate::script::{Cause, Fault};
use crate::water::Water;
use nightjar::alarm::condition::defaults;
use nightjar::alarm::event::{AlarmKind, Asset};
use nightjar::alarm::group::first_wait;
use nightjar::ingest::judge::stale_limit;
use nightjar_calc::time::Span;

/// The usual limit on temperature, °C, and how far below it the alarm ends.
const HIGH: f64 = 15.0;
const HIGH_MARGIN: f64 = 0.2;
/// Readings of one water lie no further from each other, °C: offsets of the jars and noise.
const SPREAD: f64 = 0.06;
/// A flow is called low or high on this many samples at least.
const DEEP_SAMPLES: i64 = 6;
/// First words about a header wait this long for the others: one pump stops all within seconds.
const OTHER_HEADERS: Span = Span::from_secs(25);
/// A reading that does not move is looked at after this time.
const STILL: Span = Span::from_minutes(10);
/// A text that was refused is tried again after this time at the latest, a mail after this.
const RETRY: Span = Span::from_minutes(19);
/// A route is known to work once it has carried something: the daily message at the latest.
const DAILY: Span = Span::from_hours(25);

/// One alarm that must be raised.
#[derive(Clone, Debug)]
pub struct Expected {
    pub kind: AlarmKind,
    /// About what: one of these.
    pub assets: Vec<Asset>,
    /// When its condition is there, and how soon it must be decided.
    pub from: Span,
    pub within: Span,
    /// When its condition is gone, and how soon that must be seen.
    pub over: Span,
    pub over_within: Span,
    /// Messages about it cannot leave before this.
    pub silent_until: Option<Span>,
    /// It comes again, as the same event.
    pub again: bool,
    /// Water that cools slowly leaves the last jars of a header beyond the limit for some minutes longer.
    pub may_leave_residue: bool,
}

impl Expected {
    /// With the delays that are promised for its kind.
    fn new(kind: AlarmKind, asset: Asset, (from, over): (Span, Span), scan: Span) -> Self {
        let default = defaults(kind);
        // Three samples must agree, and time passes scan by scan.
        let within = default.on_delay.max(scan + scan) + first_wait(default.priority) + scan + scan;
        let over_within = default.off_delay + scan + scan + scan;
        Self {
            kind,
            assets: vec![asset],
            from,
            within,
            over,
            over_within,
            silent_until: None,
            again: false,
            may_leave_residue: false,
        }
    }

    fn later(mut self, by: Span) -> Self {
        self.within += by;
        self
    }
}

/// Everything that one fault must raise.
pub fn expected(fault: &Fault, scan: Span, water: &Water) -> Vec<Expected> {
    let when = (fault.from, fault.until);
    let of = |kind, asset, when| Expected::new(kind, asset, when, scan);
    let jar = |jar: usize| Asset::Jar(jar_name(jar));
    let thermometer = |jar: usize| Asset::Sensor(format!("{}T", jar_name(jar)));
    let silent = stale_limit(scan);
    let deep = Span::from_ms(scan.ms() * DEEP_SAMPLES);
    match fault.cause {
        Cause::Pump => {
            vec![of(AlarmKind::NoFlowHeader, Asset::Pump("pump".into()), when).later(OTHER_HEADERS)]
        }
        Cause::PumpTwice => {
            let [first, second] = fault.halves();
            let pump =
                |when| of(AlarmKind::NoFlowHeader, Asset::Pump("pump".into()), when).later(OTHER_HEADERS);
            vec![pump(first), Expected { again: true, ..pump(second) }]
        }
        Cause::Header(header) => {
            let header = Asset::Header(["A", "B"][header].into());
            vec![of(AlarmKind::NoFlowHeader, header, when).later(OTHER_HEADERS)]
        }
        Cause::Jar(n) | Cause::Unanswered(n) | Cause::JarThenRestart(n) => {
            vec![of(AlarmKind::NoFlow, jar(n), when)]
        }
        Cause::JarThenMeter(n) => {
            // What nobody can verify is not over: only the meter's first words end it.
            let mute = fault.middle();
            vec![
                of(AlarmKind::NoFlow, jar(n), (fault.from, mute.1)),
                of(AlarmKind::BlindFlow, Asset::Sensor(format!("{}F", jar_name(n))), mute).later(silent),
            ]
        }
        Cause::JarWithoutTexts(n) => {
            let told = of(AlarmKind::NoFlow, jar(n), when);
            let unsent = of(AlarmKind::CannotSend, Asset::Route("text".into()), when).later(told.within);
            vec![told, Expected { over_within: DAILY, ..unsent }]
        }
        Cause::JarWithoutRoutes(n) => {
            let told = of(AlarmKind::NoFlow, jar(n), when);
            let unsent = |kind, asset| {
                let unsent = of(kind, asset, when).later(told.within);
                Expected { over_within: DAILY, silent_until: Some(fault.until + RETRY), ..unsent }
            };
            let all = unsent(AlarmKind::CannotSendAtAll, Asset::Monitor);
            vec![Expected { silent_until: Some(fault.until + RETRY), ..told.clone() }, all]
        }
        Cause::Clog(n) => vec![of(AlarmKind::LowFlow, jar(n), when).later(deep)],
        Cause::SlowClog(n) => {
            // 30 % less after 60 % of the way; noise reaches that half an hour earlier and later.
            let half_hour = Span::from_minutes(30);
            let crossing = fault.part(0.6);
            let low = of(AlarmKind::LowFlow, jar(n), (crossing - half_hour, fault.until));
            vec![low.later(half_hour + half_hour + half_hour)]
        }
        Cause::HighFlow(n) => vec![of(AlarmKind::HighFlow, jar(n), when).later(deep)],
        Cause::Warm => {
            let from = water.first_above(HIGH - SPREAD, fault.from, fault.until);
            let sure = water.first_above(HIGH + SPREAD, fault.from, fault.until);
            let over = water.last_above(HIGH - HIGH_MARGIN + SPREAD, fault.from, fault.until);
            let gone = water.last_above(HIGH - HIGH_MARGIN - SPREAD, fault.from, fault.until);
            let high = of(AlarmKind::TempHigh, Asset::Supply, (from, over)).later(sure - from);
            // One event, named after both headers when they pass the limit together, else after the first.
            let headers = ["A", "B"].map(|header| Asset::Header(header.into()));
            let assets = high.assets.iter().cloned().chain(headers).collect();
            let over_within = high.over_within + (gone - over);
            vec![Expected { over_within, assets, may_leave_residue: true, ..high }]
        }
        Cause::Stuck(n) => vec![of(AlarmKind::Stuck, thermometer(n), when).later(STILL)],
        Cause::ThermometerSilent(n) | Cause::ThermometerLost(n) => {
            vec![of(AlarmKind::BlindTemp, thermometer(n), when).later(silent)]
        }
        Cause::MeterSilent(n) => {
            vec![of(AlarmKind::BlindFlow, Asset::Sensor(format!("{}F", jar_name(n))), when).later(silent)]
        }
        Cause::Node(node) => {
            vec![of(AlarmKind::BlindHeader, Asset::Node(["node-a", "node-b"][node].into()), when)]
        }
        Cause::NodeMute(node) => {
            let node = Asset::Node(["node-a", "node-b"][node].into());
            vec![of(AlarmKind::BlindHeader, node, when).later(silent)]
        }
        Cause::Mains => vec![of(AlarmKind::MainsLost, Asset::Site, when)],
        Cause::RestartWithoutClock => vec![of(AlarmKind::ClockUntrusted, Asset::Monitor, when)],
        Cause::Restarts => {
            // The third start within a day, and a day after the first of them.
            let over = fault.from + Span::from_hours(24);
            let often = of(AlarmKind::Restarted, Asset::Monitor, (fault.part(0.5), over));
            vec![Expected { over_within: Span::from_hours(4), ..often }]
        }
        Cause::Restart | Cause::ClockSet | Cause::EmptyJar(_) | Cause::Blip(_) => Vec::new(),
    }
}
