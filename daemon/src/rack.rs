//! The station as it stands: headers, rows, jars and the sensors on them. Fixed while the process
//! runs; what changes during a season is in the logbook.

use crate::ids::{HeaderId, JarId, SensorId};
use crate::reading::{SensorIx, SourceIx};
use nightjar_calc::time::{Span, Zone};
use serde::Serialize;

/// Position of a jar in [`Rack::jars`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct JarIx(pub u16);

/// Position of a header in [`Rack::headers`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HeaderIx(pub u16);

/// Position of a pump in [`Rack::pumps`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PumpIx(pub u16);

/// Everything that does not change while the process runs.
#[derive(Clone, Debug)]
pub struct Rack {
    /// Name of the station, for people.
    pub station: String,
    /// Local time.
    pub zone: Zone,
    /// Height above the sea, for oxygen.
    pub altitude_m: f64,
    /// What feeds the headers, by name, where the configuration says so.
    pub pumps: Vec<String>,
    /// Manifolds.
    pub headers: Vec<Header>,
    /// Jars in the order they stand.
    pub jars: Vec<Jar>,
    /// Sensors, in the order of the configuration. Positions are the [`SensorIx`].
    pub sensors: Vec<Sensor>,
}

/// A manifold feeding a group of jars.
#[derive(Clone, Debug)]
pub struct Header {
    /// Its name.
    pub id: HeaderId,
    /// Thermometer in it.
    pub temperature: Option<SensorIx>,
    /// Meter in it.
    pub flow: Option<SensorIx>,
    /// What feeds it, if that is known.
    pub pump: Option<PumpIx>,
}

/// One incubation jar.
#[derive(Clone, Debug)]
pub struct Jar {
    /// As painted on it.
    pub id: JarId,
    /// What feeds it.
    pub header: HeaderIx,
    /// Row of the rack, counted from the top, from 0.
    pub row: u16,
    /// Place in the row, counted from the left, from 0.
    pub place: u16,
    /// Its own thermometer.
    pub temperature: Option<SensorIx>,
    /// Its own meter.
    pub flow: Option<SensorIx>,
    /// Content in litres.
    pub volume_l: f64,
}

/// What a sensor measures, in which unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// °C.
    Temperature,
    /// L/min.
    Flow,
    /// 1 on mains, 0 on battery.
    Mains,
    /// Charge of the battery, per cent.
    Battery,
}

impl Measure {
    /// Unit as shown.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Temperature => "°C",
            Self::Flow => "L/min",
            Self::Mains => "",
            Self::Battery => "%",
        }
    }
}

/// Where a sensor sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// In a jar.
    Jar(JarIx),
    /// In a header.
    Header(HeaderIx),
    /// Somewhere on the site.
    Site,
}

/// A sensor.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// As its frames name it.
    pub id: SensorId,
    /// What it measures.
    pub measure: Measure,
    /// Where it sits.
    pub place: Place,
    /// What brings its readings.
    pub source: SourceIx,
    /// How often a reading is expected.
    pub interval: Span,
    /// From the number in the frame to the measure.
    pub conversion: Conversion,
    /// Added to the converted value (ice point) and multiplied into it (bucket and watch).
    pub correction: Correction,
    /// Lowest and highest believable value.
    pub range: (f64, f64),
}

/// From the number in the frame to the measure.
#[derive(Clone, Debug, PartialEq)]
pub enum Conversion {
    /// The number is °C or L/min already; `factor` and `offset` serve other units.
    Linear {
        /// Multiplied first.
        factor: f64,
        /// Added then.
        offset: f64,
    },
    /// Resistance of a thermistor in ohms, or counts of a divider.
    Thermistor {
        /// Its curve.
        curve: nightjar_calc::sensor::thermistor::Curve,
        /// How the resistance is got from the number.
        divider: Option<nightjar_calc::sensor::thermistor::Divider>,
    },
    /// Resistance of a platinum thermometer in ohms.
    Platinum {
        /// Resistance at 0 °C: 100 or 1000.
        r0_ohm: f64,
    },
    /// Pulses counted since the last frame.
    Pulses {
        /// Pulses in a litre.
        per_litre: f64,
        /// Length they were counted over, in seconds.
        window_s: f64,
    },
    /// Current of a 4 to 20 mA transmitter in mA.
    CurrentLoop {
        /// °C or L/min at 4 mA.
        at_4_ma: f64,
        /// °C or L/min at 20 mA.
        at_20_ma: f64,
    },
}

/// A sensor's own correction, found by checking it against something known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Multiplied first.
    pub factor: f64,
    /// Added then.
    pub offset: f64,
}

impl Correction {
    /// Leaves the value as it is.
    pub const NONE: Self = Self { factor: 1.0, offset: 0.0 };
}

impl Rack {
    /// A jar by its position.
    #[must_use]
    pub fn jar(&self, ix: JarIx) -> &Jar {
        &self.jars[usize::from(ix.0)]
    }
    /// A header by its position.
    #[must_use]
    pub fn header(&self, ix: HeaderIx) -> &Header {
        &self.headers[usize::from(ix.0)]
    }
    /// A sensor by its position.
    #[must_use]
    pub fn sensor(&self, ix: SensorIx) -> &Sensor {
        &self.sensors[usize::from(ix.0)]
    }
    /// A jar by its name.
    #[must_use]
    pub fn jar_named(&self, id: &str) -> Option<JarIx> {
        self.jars
            .iter()
            .position(|jar| jar.id.as_str() == id)
            .and_then(|at| u16::try_from(at).ok())
            .map(JarIx)
    }
    /// A sensor by its name.
    #[must_use]
    pub fn sensor_named(&self, id: &str) -> Option<SensorIx> {
        self.sensors
            .iter()
            .position(|s| s.id.as_str() == id)
            .and_then(|at| u16::try_from(at).ok())
            .map(SensorIx)
    }
}
