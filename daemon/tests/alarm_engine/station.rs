//! An invented station under a manual clock: jars with a meter and a probe each, headers with or
//! without their own, one source for the meters and one for the probes of a header.

use nightjar::alarm::condition::{Settings, StageLimits, TempLimits};
use nightjar::alarm::engine::{EggsLast, Engine, Fact, JarContext, Plan};
use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Change};
use nightjar::alarm::record::{JournalLine, Output, Stored};
use nightjar::clock::{Now, Uptime};
use nightjar::ids::{HeaderId, JarId, PersonId, SensorId};
use nightjar::rack::{
    Conversion, Correction, Header, HeaderIx, Jar, JarIx, Measure, Place, PumpIx, Rack, Sensor,
};
use nightjar::reading::{Quality, Reason, SensorIx, SourceIx};
use nightjar::snapshot::JarState;
use nightjar_calc::time::{Span, Timestamp, Zone};

pub const SET_FLOW: f64 = 4.0;
pub const TEMPS: TempLimits = TempLimits {
    very_low_c: Some(4.0),
    low_c: Some(6.0),
    high_c: Some(14.0),
    very_high_c: Some(17.0),
    rate_c_per_h: Some(1.5),
};

/// How a station is built.
#[derive(Clone, Copy, Debug)]
pub struct Build {
    pub headers: u16,
    pub jars: u16,
    pub header_flow: bool,
    pub header_temp: bool,
    /// Headers that each pump is known to feed; none: unknown.
    pub headers_each: u16,
    pub interval: Span,
}

impl Default for Build {
    fn default() -> Self {
        Self {
            headers: 1,
            jars: 24,
            header_flow: false,
            header_temp: true,
            headers_each: 0,
            interval: Span::from_secs(1),
        }
    }
}

pub fn person(name: &str) -> PersonId {
    PersonId::new(name).unwrap()
}

pub fn jar(name: &str) -> Asset {
    Asset::Jar(name.into())
}

pub fn header(name: &str) -> Asset {
    Asset::Header(name.into())
}

/// One jar of a header stopped and told, 60 s after it stopped.
pub fn one_stopped_jar() -> Station {
    let mut station = Station::new(Build::default());
    station.set_flow(6, 0.0);
    station.run(60);
    assert_eq!(station.changes(), ["raised"]);
    station
}

fn sensor(name: String, measure: Measure, place: Place, source: u16, interval: Span) -> Sensor {
    Sensor {
        id: SensorId::new(&name).unwrap(),
        measure,
        place,
        source: SourceIx(source),
        interval,
        conversion: Conversion::Linear { factor: 1.0, offset: 0.0 },
        correction: Correction::NONE,
        range: (-5.0, 50.0),
    }
}

/// Sensors in the order: for each header its probe and meter, then for each jar meter and probe.
pub fn plan(build: Build) -> Plan {
    let mut rack = Rack {
        station: "Invented".into(),
        zone: Zone::named("America/Chicago").unwrap(),
        altitude_m: 200.0,
        pumps: (0..build.headers.div_ceil(build.headers_each.max(1)))
            .map(|n| format!("pump {}", n + 1))
            .filter(|_| build.headers_each > 0)
            .collect(),
        headers: Vec::new(),
        jars: Vec::new(),
        sensors: Vec::new(),
    };
    let mut sources = Vec::new();
    for h in 0..build.headers {
        let letter = char::from(b'A' + u8::try_from(h % 26).unwrap());
        let number = if h < 26 { String::new() } else { (h / 26).to_string() };
        let name = format!("{letter}{number}");
        let (flow_source, temp_source) = (2 * h, 2 * h + 1);
        sources.extend([format!("flow-{name}"), format!("temp-{name}")]);
        let place = Place::Header(HeaderIx(h));
        let add = |rack: &mut Rack, what: &str, measure, place, source| {
            let ix = SensorIx(u16::try_from(rack.sensors.len()).unwrap());
            rack.sensors.push(sensor(what.to_owned(), measure, place, source, build.interval));
            ix
        };
        let temperature = build
            .header_temp
            .then(|| add(&mut rack, &format!("H{name}T"), Measure::Temperature, place, temp_source));
        let flow = build
            .header_flow
            .then(|| add(&mut rack, &format!("H{name}F"), Measure::Flow, place, flow_source));
        let pump = h.checked_div(build.headers_each).map(PumpIx);
        rack.headers.push(Header { id: HeaderId::new(&name).unwrap(), temperature, flow, pump });
        for j in 0..build.jars {
            let jar = JarIx(u16::try_from(rack.jars.len()).unwrap());
            let id = format!("{name}-{:02}", j + 1);
            let flow = add(&mut rack, &format!("{id}F"), Measure::Flow, Place::Jar(jar), flow_source);
            let temp = add(&mut rack, &format!("{id}T"), Measure::Temperature, Place::Jar(jar), temp_source);
            rack.jars.push(Jar {
                id: JarId::new(&id).unwrap(),
                header: HeaderIx(h),
                row: j / 8,
                place: j % 8,
                temperature: Some(temp),
                flow: Some(flow),
                volume_l: 6.0,
            });
        }
    }
    let settings = Settings { stages: StageLimits::same(TEMPS), ..Settings::default() };
    Plan { rack, sources, routes: vec!["mail".into(), "text".into()], settings, code_seed: 11 }
}

pub fn loaded(jar: usize) -> JarContext {
    JarContext {
        occupied: true,
        stage: JarState::Green,
        set_flow: Some(SET_FLOW),
        eggs_last: Some(EggsLast {
            minutes: 40.0 + jar as f64,
            minutes_short: 25.0 + jar as f64,
            stage: "green".into(),
        }),
        ..JarContext::default()
    }
}

/// What a sensor does at present.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Signal {
    Value(f64),
    Bad(Reason),
    Silent,
}

/// The station and everything it has said.
pub struct Station {
    pub engine: Engine,
    pub plan: Plan,
    pub now: Now,
    pub signals: Vec<Signal>,
    pub events: Vec<(u64, AlarmEvent)>,
    pub journal: Vec<JournalLine>,
    pub stored: Stored,
    pub floods: Vec<bool>,
    ticks: u64,
}

impl Station {
    pub fn new(build: Build) -> Self {
        Self::with_plan(plan(build))
    }

    pub fn with_plan(plan: Plan) -> Self {
        let now =
            Now { up: Uptime::from_ms(5_000), utc: Timestamp::from_ms(1_800_000_000_000), trusted: true };
        let mut station = Self::start(plan, Stored::default(), None, now);
        station.load_all();
        station.run(60);
        station.events.clear();
        station
    }

    pub fn start(plan: Plan, stored: Stored, off_for: Option<Span>, now: Now) -> Self {
        let mut signals = Vec::new();
        for sensor in &plan.rack.sensors {
            let jars = f64::from(u32::try_from(plan.rack.jars.len() / plan.rack.headers.len()).unwrap());
            signals.push(Signal::Value(match (sensor.measure, sensor.place) {
                (Measure::Flow, Place::Jar(_)) => SET_FLOW,
                (Measure::Flow, _) => SET_FLOW * jars,
                _ => 10.0,
            }));
        }
        let engine = Engine::new(plan.clone(), stored.clone(), off_for, now);
        let mut station = Self {
            engine,
            plan,
            now,
            signals,
            events: Vec::new(),
            journal: Vec::new(),
            stored,
            floods: Vec::new(),
            ticks: 0,
        };
        station.drain();
        station
    }

    pub fn load_all(&mut self) {
        for jar in 0..self.plan.rack.jars.len() {
            self.load(jar, loaded(jar));
        }
    }

    pub fn load(&mut self, jar: usize, context: JarContext) {
        self.engine.handle_jar(JarIx(u16::try_from(jar).unwrap()), context, self.now);
        self.drain();
    }

    pub fn drain(&mut self) {
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Event(event) => self.events.push((self.now.up.ms(), *event)),
                Output::Journal(line) => self.journal.push(*line),
                Output::Persist(delta) => self.stored.apply(&delta),
                Output::Flood { on, .. } => self.floods.push(on),
            }
        }
    }

    /// Lets time pass, waking the engine exactly when it asks for it.
    pub fn pass(&mut self, span: Span) {
        let end = self.now.up.after(span);
        let mut woken = 0;
        while let Some((due, why)) = self.engine.poll_timeout().filter(|(due, _)| *due <= end) {
            self.set_up(due.max(self.now.up));
            self.engine.handle_timeout(self.now);
            self.drain();
            woken += 1;
            assert!(woken < 100_000, "woken over and over by {why}");
        }
        self.set_up(end);
    }

    /// Tells the engine a fact.
    pub fn tell(&mut self, fact: &Fact) {
        self.engine.handle_fact(fact, self.now);
        self.drain();
    }

    fn set_up(&mut self, up: Uptime) {
        let passed = up.since(self.now.up);
        self.now.up = up;
        self.now.utc = self.now.utc + passed;
    }

    /// Runs whole seconds; every sensor speaks at its interval.
    pub fn run(&mut self, seconds: u64) {
        for _ in 0..seconds {
            self.speak();
            self.pass(Span::from_secs(1));
        }
    }

    fn speak(&mut self) {
        self.ticks += 1;
        for at in 0..self.signals.len() {
            let every = u64::try_from(self.plan.rack.sensors[at].interval.ms() / 1000).unwrap().max(1);
            if self.ticks.is_multiple_of(every) {
                self.send(at, self.signals[at]);
            }
        }
    }

    pub fn send(&mut self, at: usize, signal: Signal) {
        let sensor = SensorIx(u16::try_from(at).unwrap());
        let (value, quality, reason) = match signal {
            // Real water is never perfectly still.
            Signal::Value(value) => {
                let flutter = if self.ticks.is_multiple_of(2) { 1e-6 } else { 0.0 };
                (value + flutter, Quality::Good, Reason::None)
            }
            Signal::Bad(reason) => (f64::NAN, Quality::Bad, reason),
            Signal::Silent => return,
        };
        self.engine.handle_reading(sensor, value, quality, reason, self.now);
        self.drain();
    }

    pub fn flow_of(&self, jar: usize) -> usize {
        usize::from(self.plan.rack.jars[jar].flow.unwrap().0)
    }

    pub fn temp_of(&self, jar: usize) -> usize {
        usize::from(self.plan.rack.jars[jar].temperature.unwrap().0)
    }

    pub fn set_flow(&mut self, jar: usize, value: f64) {
        let at = self.flow_of(jar);
        self.signals[at] = Signal::Value(value);
    }

    pub fn set_temp(&mut self, jar: usize, value: f64) {
        let at = self.temp_of(jar);
        self.signals[at] = Signal::Value(value);
    }

    /// Events that would be told: raised, again, worsened, grown.
    pub fn told(&self) -> Vec<&AlarmEvent> {
        self.events
            .iter()
            .map(|(_, event)| event)
            .filter(|event| {
                matches!(
                    event.change,
                    Change::Raised
                        | Change::Again { .. }
                        | Change::Worsened
                        | Change::Grew
                        | Change::Unsuppressed
                )
            })
            .collect()
    }

    /// Everything said, short.
    pub fn lines(&self) -> Vec<String> {
        let line = |(ms, e): &(u64, AlarmEvent)| {
            format!(
                "{} s {} {:?} {:?} {:?} {}",
                ms / 1000,
                name_of(&e.change),
                e.priority,
                e.kind,
                e.asset,
                e.members.len()
            )
        };
        self.events.iter().map(line).collect()
    }

    pub fn changes(&self) -> Vec<&'static str> {
        self.events.iter().map(|(_, event)| name_of(&event.change)).collect()
    }

    pub fn rows_of(&self, kind: AlarmKind, asset: &Asset) -> Vec<u8> {
        self.journal
            .iter()
            .filter(|line| line.kind == kind && line.asset == *asset)
            .map(|line| line.row)
            .collect()
    }

    /// Ends the process and begins it anew from what was stored.
    pub fn restart(&mut self, off_for: Option<Span>, down: Span) {
        let stored = self.stored.clone();
        let now = Now { up: Uptime::from_ms(1), utc: self.now.utc + down, trusted: true };
        let mut next = Self::start(self.plan.clone(), stored, off_for, now);
        next.signals.clone_from(&self.signals);
        // What the start itself said comes after what was said before.
        let mut events = std::mem::take(&mut self.events);
        events.append(&mut next.events);
        next.events = events;
        let mut journal = std::mem::take(&mut self.journal);
        journal.append(&mut next.journal);
        next.journal = journal;
        next.load_all();
        *self = next;
    }
}

pub fn name_of(change: &Change) -> &'static str {
    match change {
        Change::Raised => "raised",
        Change::Again { .. } => "again",
        Change::Worsened => "worsened",
        Change::Grew => "grew",
        Change::Acknowledged { .. } => "acknowledged",
        Change::Reminder => "reminder",
        Change::Cleared => "cleared",
        Change::Confirmed { .. } => "confirmed",
        Change::Shelved { .. } => "shelved",
        Change::Covered { .. } => "covered",
        Change::OutOfService { .. } => "out",
        Change::Unsuppressed => "unsuppressed",
    }
}
