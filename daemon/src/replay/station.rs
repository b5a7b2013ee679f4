//! The station without the sensors that a trace does not hold: they would else all be silent.

use crate::rack::{Conversion, Correction, Place, Rack, Sensor};
use crate::reading::SensorIx;
use nightjar_calc::time::Span;

/// What is kept of a station.
#[derive(Debug)]
pub struct Kept {
    /// The station with the sensors of the trace only.
    pub rack: Rack,
    /// Names of the sensors left out.
    pub left_out: Vec<String>,
}

/// Keeps the sensors for which `held` is true. `measures`: the trace holds °C and L/min, which are
/// neither converted nor corrected again. `interval`: how often the trace has readings, where that
/// is not as configured.
#[must_use]
pub fn reduced(rack: &Rack, held: impl Fn(&Sensor) -> bool, measures: bool, interval: Option<Span>) -> Kept {
    let mut sensors: Vec<Sensor> = Vec::new();
    let mut moved: Vec<Option<SensorIx>> = Vec::new();
    let mut left_out = Vec::new();
    for sensor in &rack.sensors {
        if !held(sensor) {
            left_out.push(sensor.id.to_string());
            moved.push(None);
            continue;
        }
        moved.push(u16::try_from(sensors.len()).ok().map(SensorIx));
        let mut sensor = sensor.clone();
        if measures {
            sensor.conversion = Conversion::Linear { factor: 1.0, offset: 0.0 };
            sensor.correction = Correction::NONE;
        }
        sensor.interval = interval.unwrap_or(sensor.interval);
        sensors.push(sensor);
    }
    let place = |ix: Option<SensorIx>| ix.and_then(|ix| moved.get(usize::from(ix.0)).copied().flatten());
    let mut kept = rack.clone();
    for header in &mut kept.headers {
        header.temperature = place(header.temperature);
        header.flow = place(header.flow);
    }
    for jar in &mut kept.jars {
        jar.temperature = place(jar.temperature);
        jar.flow = place(jar.flow);
    }
    kept.sensors = sensors;
    Kept { rack: kept, left_out }
}

/// Where a sensor sits, in words.
#[must_use]
pub fn place(rack: &Rack, sensor: &Sensor) -> String {
    match sensor.place {
        Place::Jar(jar) => format!("jar {}", rack.jar(jar).id),
        Place::Header(header) => format!("header {}", rack.header(header).id),
        Place::Site => "site".to_owned(),
    }
}
