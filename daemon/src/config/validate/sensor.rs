//! `[[sensor]]`: what differs from the defaults, and sensors that sit on no jar.

use super::value;
use crate::config::checked::Source;
use crate::config::raw;
use crate::config::report::{Problem, nearest};
use crate::ids::SensorId;
use crate::rack::{Conversion, Correction, Measure, Place, Sensor};
use crate::reading::SourceIx;
use nightjar_calc::quantity::LITRES_PER_GALLON;
use nightjar_calc::sensor::thermistor::{Curve, Divider};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// A sensor that follows from the name of a jar or header.
pub struct Placed {
    pub name: String,
    pub measure: Measure,
    pub place: Place,
    /// Where its name was written.
    pub path: String,
}

/// Most sensors one monitor takes.
const MOST_SENSORS: usize = 12_000;

pub fn check(
    raw: &raw::Raw,
    placed: &[Placed],
    sources: &[(Source, String)],
    problems: &mut Vec<Problem>,
) -> Vec<Sensor> {
    let mut sensors: Vec<Sensor> = Vec::new();
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    for place in placed {
        let id = match SensorId::new(&place.name) {
            Ok(id) => id,
            Err(error) => {
                problems.push(Problem::at(&place.path, error.to_string()));
                continue;
            }
        };
        if let Some(other) = seen.insert(place.name.clone(), place.path.clone()) {
            problems.push(
                Problem::at(&place.path, format!("two places share the sensor \"{id}\" (also {other})"))
                    .hint("each jar and header needs a sensor of its own; put {jar} into the pattern"),
            );
            continue;
        }
        let at = raw.sensor.iter().position(|own| own.id.as_deref() == Some(id.as_str()));
        let defaults = raw::Sensor::default();
        let own = at.map_or(&defaults, |at| &raw.sensor[at]);
        let path = at.map_or_else(|| place.path.clone(), |at| format!("sensor[{at}]"));
        sensors.extend(one(own, &path, id, place.measure, place.place, sources, problems));
    }
    for (at, own) in raw.sensor.iter().enumerate() {
        let path = format!("sensor[{at}]");
        let name =
            value::required(own.id.as_ref(), &format!("{path}.id"), "give the name its frames use", problems);
        if name.is_empty() {
            continue;
        }
        if raw.sensor[..at].iter().any(|other| other.id == own.id) {
            problems.push(Problem::at(format!("{path}.id"), format!("sensor \"{name}\" is described twice")));
        } else if !seen.contains_key(&name) {
            free_standing(own, &path, &name, sources, &mut sensors, &seen, problems);
        }
    }
    if sensors.len() > MOST_SENSORS {
        problems.push(Problem::at("sensor", format!("more than {MOST_SENSORS} sensors")));
    }
    sensors
}

/// A sensor on no jar and no header: mains and battery sense.
fn free_standing(
    own: &raw::Sensor,
    path: &str,
    name: &str,
    sources: &[(Source, String)],
    sensors: &mut Vec<Sensor>,
    seen: &BTreeMap<String, String>,
    problems: &mut Vec<Problem>,
) {
    let measure = match own.measures.as_deref() {
        Some("mains") => Measure::Mains,
        Some("battery") => Measure::Battery,
        _ => {
            let hint = match nearest(name, seen.keys().map(String::as_str)) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => "jars and headers name their sensors in [rack]; a free one measures = \"mains\" or \"battery\"".into(),
            };
            problems.push(
                Problem::at(format!("{path}.id"), format!("sensor \"{name}\" sits on no jar and no header"))
                    .hint(hint),
            );
            return;
        }
    };
    match SensorId::new(name) {
        Ok(id) => sensors.extend(one(own, path, id, measure, Place::Site, sources, problems)),
        Err(error) => problems.push(Problem::at(format!("{path}.id"), error.to_string())),
    }
}

fn one(
    own: &raw::Sensor,
    path: &str,
    id: SensorId,
    measure: Measure,
    place: Place,
    sources: &[(Source, String)],
    problems: &mut Vec<Problem>,
) -> Option<Sensor> {
    let (source, interval) = source_of(own, path, sources, problems)?;
    let interval = value::duration(
        own.interval.as_ref(),
        interval,
        (Span::from_ms(100), Span::from_hours(24)),
        &format!("{path}.interval"),
        problems,
    );
    let (low, high) = match measure {
        Measure::Temperature => (-1.0, 35.0),
        Measure::Flow => (0.0, if matches!(place, Place::Jar(_)) { 60.0 } else { 5_000.0 }),
        Measure::Mains => (0.0, 1.0),
        Measure::Battery => (0.0, 100.0),
    };
    let range = (own.low.unwrap_or(low), own.high.unwrap_or(high));
    if range.0 >= range.1 {
        problems
            .push(Problem::at(format!("{path}.low"), format!("{} is not below high ({})", range.0, range.1)));
    }
    let factor = value::number(own.factor, 1.0, (0.001, 1000.0), &format!("{path}.factor"), problems);
    let offset = value::number(own.offset, 0.0, (-1000.0, 1000.0), &format!("{path}.offset"), problems);
    let conversion = conversion(own, path, measure, interval, problems);
    Some(Sensor {
        id,
        measure,
        place,
        source,
        interval,
        conversion,
        correction: Correction { factor, offset },
        range,
    })
}

fn source_of(
    own: &raw::Sensor,
    path: &str,
    sources: &[(Source, String)],
    problems: &mut Vec<Problem>,
) -> Option<(SourceIx, Span)> {
    let position = match &own.source {
        None if sources.is_empty() => None,
        None => Some(0),
        Some(name) => {
            let found = sources.iter().position(|(source, _)| source.id.as_str() == name);
            if found.is_none() {
                let known = sources.iter().map(|(source, _)| source.id.as_str());
                let hint = nearest(name, known).map_or_else(
                    || "name one of [[source.serial]], [[source.mqtt]] or [[source.modbus]]".into(),
                    |near| format!("did you mean \"{near}\"?"),
                );
                problems.push(
                    Problem::at(format!("{path}.source"), format!("no source is called \"{name}\""))
                        .hint(hint),
                );
            }
            found
        }
    }?;
    Some((SourceIx(u16::try_from(position).ok()?), sources[position].0.interval))
}

fn conversion(
    own: &raw::Sensor,
    path: &str,
    measure: Measure,
    interval: Span,
    problems: &mut Vec<Problem>,
) -> Conversion {
    let linear = |factor, offset| Conversion::Linear { factor, offset };
    let signal_path = format!("{path}.signal");
    match own.signal.as_deref() {
        None | Some("celsius" | "l-per-min" | "plain") => linear(1.0, 0.0),
        Some("fahrenheit") => linear(1.0 / 1.8, -32.0 / 1.8),
        Some("gpm") => linear(LITRES_PER_GALLON, 0.0),
        Some("l-per-s") => linear(60.0, 0.0),
        Some("milliamps") => match (own.value_at_4_ma, own.value_at_20_ma) {
            (Some(low), Some(high)) if (high - low).abs() > 0.0 => {
                let factor = (high - low) / 16.0;
                linear(factor, low - 4.0 * factor)
            }
            _ => {
                problems.push(
                    Problem::at(signal_path, "a 4-20 mA signal needs its two ends")
                        .hint("add value-at-4-ma and value-at-20-ma"),
                );
                linear(1.0, 0.0)
            }
        },
        Some("thermistor") => thermistor(own, path, problems),
        Some("platinum") => Conversion::Platinum {
            r0_ohm: value::number(own.r0_ohm, 100.0, (10.0, 10_000.0), &format!("{path}.r0-ohm"), problems),
        },
        Some("pulses") => match own.pulses_per_litre {
            Some(per_litre) if per_litre > 0.0 && per_litre < 1e6 => {
                Conversion::Pulses { per_litre, window_s: interval.secs() }
            }
            _ => {
                problems
                    .push(Problem::at(signal_path, "a pulse meter needs pulses-per-litre").hint(
                        "measure it with a bucket and a watch; small meters differ by a factor of two",
                    ));
                linear(1.0, 0.0)
            }
        },
        Some(other) => {
            let known = match measure {
                Measure::Temperature => "celsius, fahrenheit, thermistor, platinum, milliamps",
                Measure::Flow => "l-per-min, l-per-s, gpm, pulses, milliamps",
                Measure::Mains | Measure::Battery => "plain",
            };
            problems.push(
                Problem::at(signal_path, format!("\"{other}\" is not a signal"))
                    .hint(format!("known here: {known}")),
            );
            linear(1.0, 0.0)
        }
    }
}

fn thermistor(own: &raw::Sensor, path: &str, problems: &mut Vec<Problem>) -> Conversion {
    let curve = match (&own.curve, &own.steinhart_hart, own.r25_ohm, own.beta_k) {
        (Some(name), None, None, None) => named_curve(name, path, problems),
        (None, Some(k), None, None) if k.len() == 3 || k.len() == 4 => {
            Some(Curve::SteinhartHart { a: k[0], b: k[1], c: k[2], d: k.get(3).copied().unwrap_or(0.0) })
        }
        (None, None, Some(r25_ohm), Some(beta_k)) if r25_ohm > 0.0 && beta_k > 0.0 => {
            Some(Curve::Beta { r25_ohm, beta_k })
        }
        _ => {
            problems.push(
                Problem::at(
                    format!("{path}.curve"),
                    "a thermistor needs exactly one description of its curve",
                )
                .hint(
                    "give curve = \"10K3\", or steinhart-hart = [A, B, C], or r25-ohm and beta-k; \
                     \"10k at 25 °C\" alone does not say which curve",
                ),
            );
            None
        }
    };
    let divider = match (own.reference_ohm, own.full_scale) {
        (Some(reference_ohm), Some(full_scale)) if reference_ohm > 0.0 && full_scale > 0.0 => {
            Some(Divider { reference_ohm, full_scale, thermistor_low: own.thermistor_low.unwrap_or(true) })
        }
        (None, None) => None,
        _ => {
            problems.push(
                Problem::at(format!("{path}.reference-ohm"), "a divider needs reference-ohm and full-scale")
                    .hint("leave both out when the frame carries ohms"),
            );
            None
        }
    };
    Conversion::Thermistor {
        curve: curve.unwrap_or(Curve::Beta { r25_ohm: 10_000.0, beta_k: 3_950.0 }),
        divider,
    }
}

fn named_curve(name: &str, path: &str, problems: &mut Vec<Problem>) -> Option<Curve> {
    let found = Curve::named(name).ok();
    if found.is_none() {
        problems.push(
            Problem::at(format!("{path}.curve"), format!("no curve is called \"{name}\""))
                .hint(format!("known: {}", Curve::NAMES.join(", "))),
        );
    }
    found
}
