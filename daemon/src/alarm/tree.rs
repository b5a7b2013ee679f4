//! Which alarms a station has, and which explain which.
//!
//! Two trees: site → supply → header → jar for the water, and monitor → source → sensor for the
//! measuring; every sensor hangs on both. A row is a place, not a cause: rows are fed by the
//! header, so five stopped jars in one row of a header of twenty-four are five stopped jars.

mod build;

use crate::alarm::condition::{Family, Settings};
use crate::alarm::event::{AlarmKind, Asset};
use crate::alarm::state::Tuning;
use crate::rack::{HeaderIx, JarIx, Place, Rack};
use crate::reading::{SensorIx, SourceIx};
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
    /// Jars of each header.
    pub jars_of: Vec<Vec<JarIx>>,
    /// Sensors of each source.
    pub sensors_of_source: Vec<Vec<SensorIx>>,
    /// Sensors of each header, its own and those of its jars.
    pub sensors_of_header: Vec<Vec<SensorIx>>,
}

impl Tree {
    /// Lays the alarms of a station out.
    #[must_use]
    pub fn new(rack: &Rack, sources: &[String], routes: &[String], settings: &Settings) -> Self {
        let mut tree = Self {
            alarms: Vec::new(),
            fed: vec![Fed::default(); rack.sensors.len()],
            index: BTreeMap::new(),
            jars_of: vec![Vec::new(); rack.headers.len()],
            sensors_of_source: vec![Vec::new(); sources.len()],
            sensors_of_header: vec![Vec::new(); rack.headers.len()],
        };
        tree.place_sensors(rack);
        build::built(tree, rack, sources, routes, settings)
    }

    fn place_sensors(&mut self, rack: &Rack) {
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

    /// An alarm by kind and place.
    #[must_use]
    pub fn find(&self, kind: AlarmKind, at: At) -> Option<AlarmIx> {
        self.index.get(&(kind, at)).copied()
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
