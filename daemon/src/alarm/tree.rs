//! Which alarms a station has, and which explain which.
//!
//! Two trees: site → supply → pump → header → jar for the water, and monitor → source → sensor for the
//! measuring; every sensor hangs on both. A row is a place, not a cause: rows are fed by the
//! header, so five stopped jars in one row of a header of twenty-four are five stopped jars.

use crate::alarm::condition::{self, Family, Settings};
use crate::alarm::event::{AlarmKind, Asset, Priority};
use crate::alarm::state::Tuning;
use crate::rack::{HeaderIx, JarIx, Measure, Place, PumpIx, Rack};
use crate::reading::{SensorIx, SourceIx};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// Position of an alarm in [`Tree::alarms`].
pub type AlarmIx = usize;

/// Where an alarm sits in the trees.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum At {
    /// The site.
    Site,
    /// The water of the site.
    Supply,
    /// A pump or tank that feeds several headers, where the configuration says which.
    Pump(PumpIx),
    /// A header.
    Header(HeaderIx),
    /// A jar.
    Jar(JarIx),
    /// The monitor.
    Monitor,
    /// A source.
    Node(SourceIx),
    /// A sensor.
    Sensor(SensorIx),
    /// A route for messages, by its place in the plan.
    Route(u16),
}

/// How a parent is inferred from its children.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Inference {
    /// Never: only its own measure counts.
    None,
    /// At least two and at least half of the loaded jars, begun within a minute of each other.
    HalfOfJars,
    /// At least two and at least half of the headers with eggs, begun within a minute of each other.
    HalfOfHeaders,
    /// At least half of the channels in service.
    HalfOfChannels,
    /// All channels in service, at least two.
    AllChannels,
    /// Siblings that begin together: one and two more, or both where only two hold anything.
    Siblings,
}

/// One alarm of the station.
#[derive(Clone, Debug)]
pub struct Planned {
    /// Which alarm.
    pub kind: AlarmKind,
    /// Where.
    pub at: At,
    /// About what, by name.
    pub asset: Asset,
    /// Its numbers.
    pub tuning: Tuning,
    /// Parents it counts towards.
    pub counts_for: Vec<AlarmIx>,
    /// Alarms that may explain it: those of the same place first, then up the tree.
    pub coverers: Vec<AlarmIx>,
    /// The reverse: alarms it may explain.
    pub covers: Vec<AlarmIx>,
    /// How it is inferred.
    pub inference: Inference,
    /// Group its event belongs to.
    pub group: (Family, At, Level),
}

/// A cause speaks for a node, a group for several of its children.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// The node itself.
    Cause,
    /// Its children, each in its own right.
    Children,
}

/// Alarms fed by one sensor.
#[derive(Clone, Debug, Default)]
pub struct Fed {
    /// Limits on its value.
    pub limits: Vec<AlarmIx>,
    /// Its rate of change.
    pub rate: Option<AlarmIx>,
    /// Its distance from the header.
    pub disagrees: Option<AlarmIx>,
    /// Its silence.
    pub blind: Option<AlarmIx>,
    /// Its stillness.
    pub stuck: Option<AlarmIx>,
}

/// All alarms of a station.
#[derive(Clone, Debug)]
pub struct Tree {
    /// The alarms; parents before children.
    pub alarms: Vec<Planned>,
    /// By sensor.
    pub fed: Vec<Fed>,
    /// By kind and place.
    pub index: BTreeMap<(AlarmKind, At), AlarmIx>,
    /// Headers of each pump.
    pub headers_of_pump: Vec<Vec<HeaderIx>>,
    /// Jars of each header.
    pub jars_of: Vec<Vec<JarIx>>,
    /// Sensors of each source.
    pub sensors_of_source: Vec<Vec<SensorIx>>,
    /// Sensors of each header, its own and those of its jars.
    pub sensors_of_header: Vec<Vec<SensorIx>>,
}

/// Kinds a header shares with its jars, outer limit before inner.
const SHARED: [AlarmKind; 7] = [
    AlarmKind::LowFlow,
    AlarmKind::HighFlow,
    AlarmKind::TempVeryHigh,
    AlarmKind::TempVeryLow,
    AlarmKind::TempHigh,
    AlarmKind::TempLow,
    AlarmKind::TempRate,
];

/// Kinds about the site and the monitor.
const ALONE: [(AlarmKind, At); 9] = [
    (AlarmKind::MainsLost, At::Site),
    (AlarmKind::CannotSendAtAll, At::Monitor),
    (AlarmKind::ClockUntrusted, At::Monitor),
    (AlarmKind::StorageFailing, At::Monitor),
    (AlarmKind::Restarted, At::Monitor),
    (AlarmKind::RotaHole, At::Monitor),
    (AlarmKind::OutOfUseTooLong, At::Monitor),
    (AlarmKind::ConfigFallback, At::Monitor),
    (AlarmKind::Drill, At::Monitor),
];

/// Fewest nodes that let the monitor itself be the cause.
const NODES: usize = 3;
/// Fewest headers that share a supply worth an alarm of its own.
const HEADERS: usize = 2;

impl Tree {
    /// Lays the alarms of a station out.
    #[must_use]
    pub fn new(rack: &Rack, sources: &[String], routes: &[String], settings: &Settings) -> Self {
        let mut tree = Self {
            alarms: Vec::new(),
            fed: vec![Fed::default(); rack.sensors.len()],
            index: BTreeMap::new(),
            headers_of_pump: vec![Vec::new(); rack.pumps.len()],
            jars_of: vec![Vec::new(); rack.headers.len()],
            sensors_of_source: vec![Vec::new(); sources.len()],
            sensors_of_header: vec![Vec::new(); rack.headers.len()],
        };
        tree.place_sensors(rack);
        let mut builder = Builder { tree, rack, sources, routes, settings };
        builder.add_alone();
        builder.add_nodes();
        builder.add_supply_and_headers();
        builder.add_jars();
        builder.add_sensors();
        builder.link();
        builder.tree.alarms.shrink_to_fit();
        builder.tree
    }

    fn place_sensors(&mut self, rack: &Rack) {
        for (ix, header) in (0u16..).zip(&rack.headers) {
            if let Some(pump) = header.pump {
                self.headers_of_pump[usize::from(pump.0)].push(HeaderIx(ix));
            }
        }
        for (ix, jar) in (0u16..).zip(&rack.jars) {
            self.jars_of[usize::from(jar.header.0)].push(JarIx(ix));
        }
        for (ix, sensor) in (0u16..).zip(&rack.sensors) {
            if let Some(list) = self.sensors_of_source.get_mut(usize::from(sensor.source.0)) {
                list.push(SensorIx(ix));
            }
            let header = match sensor.place {
                Place::Jar(jar) => Some(rack.jar(jar).header),
                Place::Header(header) => Some(header),
                Place::Site => None,
            };
            if let Some(header) = header {
                self.sensors_of_header[usize::from(header.0)].push(SensorIx(ix));
            }
        }
    }

    /// Headers that a pump feeds.
    pub fn headers_of(&self, pump: PumpIx) -> impl Iterator<Item = HeaderIx> + '_ {
        self.headers_of_pump[usize::from(pump.0)].iter().copied()
    }

    /// An alarm by kind and place.
    #[must_use]
    pub fn find(&self, kind: AlarmKind, at: At) -> Option<AlarmIx> {
        self.index.get(&(kind, at)).copied()
    }
}

/// Name of a place.
pub fn asset_at(at: At, rack: &Rack, sources: &[String], routes: &[String]) -> Asset {
    let named = |names: &[String], at: u16| names.get(usize::from(at)).cloned().unwrap_or_default();
    match at {
        At::Site => Asset::Site,
        At::Supply => Asset::Supply,
        At::Pump(pump) => Asset::Pump(named(&rack.pumps, pump.0)),
        At::Header(header) => Asset::Header(rack.header(header).id.to_string()),
        At::Jar(jar) => Asset::Jar(rack.jar(jar).id.to_string()),
        At::Monitor => Asset::Monitor,
        At::Node(source) => Asset::Node(named(sources, source.0)),
        At::Sensor(sensor) => Asset::Sensor(rack.sensor(sensor).id.to_string()),
        At::Route(route) => Asset::Route(named(routes, route)),
    }
}

struct Builder<'a> {
    tree: Tree,
    rack: &'a Rack,
    sources: &'a [String],
    routes: &'a [String],
    settings: &'a Settings,
}

/// Number of a position; racks and lists of routes are far shorter than this can hold.
fn short(position: usize) -> u16 {
    u16::try_from(position).unwrap_or(u16::MAX)
}

impl Builder<'_> {
    fn add(&mut self, kind: AlarmKind, at: At, inference: Inference, interval: Span) -> AlarmIx {
        let ix = self.tree.alarms.len();
        let asset = self.asset(at);
        let tuning = tuning(kind, self.settings, interval);
        let group = self.group(kind, at);
        self.tree.alarms.push(Planned {
            kind,
            at,
            asset,
            tuning,
            counts_for: Vec::new(),
            coverers: Vec::new(),
            covers: Vec::new(),
            inference,
            group,
        });
        self.tree.index.insert((kind, at), ix);
        ix
    }

    fn asset(&self, at: At) -> Asset {
        asset_at(at, self.rack, self.sources, self.routes)
    }

    fn group(&self, kind: AlarmKind, at: At) -> (Family, At, Level) {
        let family = condition::family(kind);
        match at {
            At::Jar(jar) => (family, At::Header(self.rack.jar(jar).header), Level::Children),
            At::Sensor(sensor) => (family, At::Node(self.rack.sensor(sensor).source), Level::Children),
            // One water feeds all headers: a warm spell that reaches them one after the other is one event.
            At::Header(_) if matches!(family, Family::TempHigh | Family::TempLow) => {
                (family, At::Supply, Level::Children)
            }
            At::Site
            | At::Supply
            | At::Pump(_)
            | At::Header(_)
            | At::Monitor
            | At::Node(_)
            | At::Route(_) => (family, at, Level::Cause),
        }
    }

    fn add_alone(&mut self) {
        for (kind, at) in ALONE {
            self.add(kind, at, Inference::None, Span::ZERO);
        }
        for route in 0..short(self.routes.len()) {
            self.add(AlarmKind::CannotSend, At::Route(route), Inference::None, Span::ZERO);
        }
    }

    fn add_nodes(&mut self) {
        let nodes = self.tree.sensors_of_source.iter().filter(|sensors| sensors.len() > 1).count();
        if nodes >= NODES {
            self.add(AlarmKind::BlindHeader, At::Monitor, Inference::Siblings, Span::ZERO);
        }
        for source in 0..self.tree.sensors_of_source.len() {
            if self.tree.sensors_of_source[source].len() > 1 {
                let at = At::Node(SourceIx(short(source)));
                self.add(AlarmKind::BlindHeader, at, Inference::AllChannels, Span::ZERO);
            }
        }
    }

    fn add_supply_and_headers(&mut self) {
        let headers = self.rack.headers.len();
        if headers >= HEADERS {
            for kind in std::iter::once(AlarmKind::NoFlowHeader).chain(SHARED) {
                self.add(kind, At::Supply, Inference::Siblings, Span::ZERO);
            }
        }
        for pump in 0..self.rack.pumps.len() {
            // A pump with one header is that header.
            if self.tree.headers_of_pump[pump].len() >= HEADERS {
                for kind in
                    std::iter::once(AlarmKind::NoFlowHeader).chain(SHARED).filter(|kind| is_flow(*kind))
                {
                    self.add(kind, At::Pump(PumpIx(short(pump))), Inference::HalfOfHeaders, Span::ZERO);
                }
            }
        }
        for (ix, header) in self.rack.headers.iter().enumerate() {
            let at = At::Header(HeaderIx(short(ix)));
            let flow = header.flow.map(|sensor| self.rack.sensor(sensor).interval);
            let temp = header.temperature.map(|sensor| self.rack.sensor(sensor).interval);
            self.add(AlarmKind::NoFlowHeader, at, Inference::HalfOfJars, flow.unwrap_or_default());
            for kind in SHARED {
                let interval = if is_flow(kind) { Span::ZERO } else { temp.unwrap_or_default() };
                self.add(kind, at, Inference::HalfOfJars, interval);
            }
            if self.tree.sensors_of_header[ix].len() > 1 {
                self.add(AlarmKind::BlindHeader, at, Inference::HalfOfChannels, Span::ZERO);
            }
            self.feed(header.flow, at, &[AlarmKind::NoFlowHeader]);
            self.feed(header.temperature, at, &SHARED[2..]);
        }
    }

    /// Lets a sensor feed alarms that exist.
    fn feed(&mut self, sensor: Option<SensorIx>, at: At, kinds: &[AlarmKind]) {
        let Some(sensor) = sensor else { return };
        for kind in kinds {
            let Some(ix) = self.tree.find(*kind, at) else { continue };
            let fed = &mut self.tree.fed[usize::from(sensor.0)];
            match kind {
                AlarmKind::TempRate => fed.rate = Some(ix),
                AlarmKind::Disagrees => fed.disagrees = Some(ix),
                AlarmKind::BlindFlow | AlarmKind::BlindTemp => fed.blind = Some(ix),
                AlarmKind::Stuck => fed.stuck = Some(ix),
                AlarmKind::NoFlowHeader
                | AlarmKind::NoFlow
                | AlarmKind::LowFlow
                | AlarmKind::HighFlow
                | AlarmKind::TempVeryHigh
                | AlarmKind::TempVeryLow
                | AlarmKind::TempHigh
                | AlarmKind::TempLow => fed.limits.push(ix),
                AlarmKind::BlindHeader
                | AlarmKind::MainsLost
                | AlarmKind::CannotSend
                | AlarmKind::CannotSendAtAll
                | AlarmKind::ClockUntrusted
                | AlarmKind::StorageFailing
                | AlarmKind::Restarted
                | AlarmKind::RotaHole
                | AlarmKind::OutOfUseTooLong
                | AlarmKind::ConfigFallback
                | AlarmKind::Drill => {}
            }
        }
    }

    fn add_jars(&mut self) {
        for (ix, jar) in self.rack.jars.iter().enumerate() {
            let at = At::Jar(JarIx(short(ix)));
            if let Some(sensor) = jar.flow {
                let kinds = [AlarmKind::NoFlow, AlarmKind::LowFlow, AlarmKind::HighFlow];
                self.add_fed(sensor, at, &kinds);
            }
            if let Some(sensor) = jar.temperature {
                self.add_fed(sensor, at, &SHARED[2..]);
                if self.rack.header(jar.header).temperature.is_some() {
                    self.add_fed(sensor, at, &[AlarmKind::Disagrees]);
                }
            }
        }
    }

    fn add_sensors(&mut self) {
        for (ix, sensor) in self.rack.sensors.iter().enumerate() {
            let blind = match sensor.measure {
                Measure::Temperature => AlarmKind::BlindTemp,
                Measure::Flow => AlarmKind::BlindFlow,
                Measure::Mains | Measure::Battery => continue,
            };
            if sensor.place != Place::Site {
                let sensor = SensorIx(short(ix));
                self.add_fed(sensor, At::Sensor(sensor), &[blind, AlarmKind::Stuck]);
            }
        }
    }

    fn add_fed(&mut self, sensor: SensorIx, at: At, kinds: &[AlarmKind]) {
        let interval = self.rack.sensor(sensor).interval;
        for kind in kinds {
            self.add(*kind, at, Inference::None, interval);
        }
        self.feed(Some(sensor), at, kinds);
    }

    /// Ties children to the parents they count for and to the alarms that may explain them.
    fn link(&mut self) {
        for ix in 0..self.tree.alarms.len() {
            let Planned { kind, at, .. } = self.tree.alarms[ix];
            let counts_for: Vec<_> = self.parents(kind, at);
            let coverers: Vec<_> =
                self.explanations(kind, at).into_iter().filter(|cause| *cause != ix).collect();
            for cause in &coverers {
                self.tree.alarms[*cause].covers.push(ix);
            }
            self.tree.alarms[ix].counts_for = counts_for;
            self.tree.alarms[ix].coverers = coverers;
        }
    }

    /// What feeds a header, nearest first.
    fn feeding(&self, header: HeaderIx) -> impl Iterator<Item = At> + use<> {
        self.rack.header(header).pump.map(At::Pump).into_iter().chain([At::Supply])
    }

    fn parents(&self, kind: AlarmKind, at: At) -> Vec<AlarmIx> {
        let named = |kind, at| self.tree.find(kind, at);
        let as_header = if kind == AlarmKind::NoFlow { AlarmKind::NoFlowHeader } else { kind };
        match at {
            At::Jar(jar) => {
                let header = At::Header(self.rack.jar(jar).header);
                named(as_header, header).into_iter().collect()
            }
            // What feeds it has no alarm about silence, so that a silent header counts for none.
            At::Header(header) => self.feeding(header).find_map(|at| named(kind, at)).into_iter().collect(),
            At::Pump(_) => named(kind, At::Supply).into_iter().collect(),
            At::Node(_) => named(AlarmKind::BlindHeader, At::Monitor).into_iter().collect(),
            At::Sensor(sensor) if condition::family(kind) == Family::Blind => self.blind_parents(sensor),
            At::Site | At::Supply | At::Monitor | At::Sensor(_) | At::Route(_) => Vec::new(),
        }
    }

    fn blind_parents(&self, sensor: SensorIx) -> Vec<AlarmIx> {
        let planned = self.rack.sensor(sensor);
        let header = match planned.place {
            Place::Jar(jar) => Some(self.rack.jar(jar).header),
            Place::Header(header) => Some(header),
            Place::Site => None,
        };
        let places = [Some(At::Node(planned.source)), header.map(At::Header)];
        places.into_iter().flatten().filter_map(|at| self.tree.find(AlarmKind::BlindHeader, at)).collect()
    }

    /// Alarms that may explain one, nearest first.
    fn explanations(&self, kind: AlarmKind, at: At) -> Vec<AlarmIx> {
        let family = condition::family(kind);
        if kind == AlarmKind::CannotSend {
            return self.tree.find(AlarmKind::CannotSendAtAll, At::Monitor).into_iter().collect();
        }
        let mut places = vec![at];
        match at {
            At::Jar(jar) => {
                let header = self.rack.jar(jar).header;
                places.push(At::Header(header));
                places.extend(self.feeding(header));
            }
            At::Header(header) if family == Family::Blind => {
                let sources = self.tree.sensors_of_header[usize::from(header.0)]
                    .iter()
                    .map(|sensor| self.rack.sensor(*sensor).source);
                let sources: std::collections::BTreeSet<_> = sources.collect();
                places.extend(sources.into_iter().map(At::Node));
                places.push(At::Monitor);
            }
            At::Header(header) => places.extend(self.feeding(header)),
            At::Pump(_) => places.push(At::Supply),
            At::Node(_) => places.push(At::Monitor),
            At::Sensor(sensor) if family == Family::Blind => {
                let found = self.blind_parents(sensor);
                return found
                    .into_iter()
                    .chain(self.tree.find(AlarmKind::BlindHeader, At::Monitor))
                    .collect();
            }
            At::Sensor(_) | At::Site | At::Supply | At::Monitor | At::Route(_) => {}
        }
        let kinds = outer_first(family);
        let mut found = Vec::new();
        for place in places {
            let upto = if place == at { kinds.iter().position(|k| *k == kind) } else { Some(kinds.len()) };
            for kind in &kinds[..upto.unwrap_or(0)] {
                found.extend(self.tree.find(*kind, place));
            }
        }
        found
    }
}

/// Kinds of a family, the outer limit before the inner.
fn outer_first(family: Family) -> &'static [AlarmKind] {
    match family {
        Family::FlowLow => &[AlarmKind::NoFlowHeader, AlarmKind::NoFlow, AlarmKind::LowFlow],
        Family::FlowHigh => &[AlarmKind::HighFlow],
        Family::TempHigh => &[AlarmKind::TempVeryHigh, AlarmKind::TempHigh],
        Family::TempLow => &[AlarmKind::TempVeryLow, AlarmKind::TempLow],
        Family::TempRate => &[AlarmKind::TempRate],
        Family::Blind => &[AlarmKind::BlindHeader],
        Family::Disagrees | Family::Stuck | Family::Own(_) => &[],
    }
}

/// True for alarms about flow.
#[must_use]
pub const fn is_flow(kind: AlarmKind) -> bool {
    matches!(kind, AlarmKind::NoFlowHeader | AlarmKind::NoFlow | AlarmKind::LowFlow | AlarmKind::HighFlow)
}

/// Alarms about the water itself, which an empty jar does not have.
#[must_use]
pub const fn is_process(kind: AlarmKind) -> bool {
    is_flow(kind)
        || matches!(
            kind,
            AlarmKind::TempVeryHigh
                | AlarmKind::TempVeryLow
                | AlarmKind::TempHigh
                | AlarmKind::TempLow
                | AlarmKind::TempRate
        )
}

/// Slowest sampling that still asks for three samples.
const THREE_SAMPLES_UP_TO: Span = Span::from_secs(10);

fn tuning(kind: AlarmKind, settings: &Settings, interval: Span) -> Tuning {
    let (on_delay, off_delay) = settings.delays(kind);
    // The rate is said once a minute.
    let interval = if kind == AlarmKind::TempRate { Span::from_minutes(1) } else { interval };
    let measured = is_process(kind) || kind == AlarmKind::Disagrees;
    let min_good: u8 = match (measured, interval > THREE_SAMPLES_UP_TO) {
        (false, _) => 1,
        (true, true) => 2,
        (true, false) => 3,
    };
    // A slow sensor needs time for its samples.
    let samples = Span::from_ms(interval.ms().saturating_mul(i64::from(min_good) - 1));
    let escalates = (kind == AlarmKind::LowFlow).then_some((settings.low_flow_escalates_after, Priority::P1));
    Tuning {
        on_delay: on_delay.max(samples),
        off_delay,
        min_good,
        latched: settings.latched.contains(&kind),
        priority: condition::defaults(kind).priority,
        escalates,
        settle: settings.settle,
    }
}
