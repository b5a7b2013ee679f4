//! `[rack]`: headers, rows and jars, and the sensors that follow from their names.

use super::sensor::Placed;
use super::station::Station;
use super::value;
use crate::config::raw;
use crate::config::report::Problem;
use crate::ids::{HeaderId, JarId};
use crate::rack::{Header, HeaderIx, Jar, JarIx, Measure, Place, PumpIx, Rack, Sensor};
use crate::reading::SensorIx;
use std::collections::BTreeSet;

/// Most jars one monitor takes; beyond, use one monitor for each shed.
const MOST_JARS: usize = 4_000;
/// Longest name of a supply, characters.
const LONGEST_SUPPLY: usize = 40;
/// A common jar holds about seven litres (common practice, no source).
const USUAL_JAR_L: f64 = 7.0;

/// Headers and jars with their names checked; sensors are filled in later.
pub fn check(raw: &raw::Rack, problems: &mut Vec<Problem>) -> (Vec<Header>, Vec<Jar>) {
    let volume_l = value::number(raw.jar_volume_l, USUAL_JAR_L, (0.1, 1000.0), "rack.jar-volume-l", problems);
    let mut headers: Vec<Header> = Vec::new();
    let mut jars: Vec<Jar> = Vec::new();
    let mut names = BTreeSet::new();
    if raw.header.is_empty() {
        problems.push(
            Problem::at("rack", "no header is described")
                .hint("add [[rack.header]] id = \"A\" and rows = [[\"01\", \"02\"]]"),
        );
    }
    let mut row_number = 0;
    for (h, header) in raw.header.iter().enumerate() {
        let path = format!("rack.header[{h}]");
        let id =
            value::required(header.id.as_ref(), &format!("{path}.id"), "give the header a name", problems);
        match HeaderId::new(&id) {
            Ok(id) if headers.iter().any(|known| known.id == id) => {
                problems.push(Problem::at(format!("{path}.id"), format!("two headers are called \"{id}\"")));
                continue;
            }
            Ok(id) => headers.push(Header { id, temperature: None, flow: None, pump: None }),
            Err(error) => {
                if !id.is_empty() {
                    problems.push(Problem::at(format!("{path}.id"), error.to_string()));
                }
                continue;
            }
        }
        let Ok(header_ix) = u16::try_from(headers.len() - 1).map(HeaderIx) else { continue };
        if header.rows.iter().all(Vec::is_empty) {
            problems.push(Problem::at(format!("{path}.rows"), "the header feeds no jar"));
        }
        for (r, row) in header.rows.iter().enumerate() {
            for (j, name) in row.iter().enumerate() {
                let path = format!("{path}.rows[{r}][{j}]");
                match JarId::new(name) {
                    Ok(id) if names.insert(id.clone()) => jars.push(Jar {
                        id,
                        header: header_ix,
                        row: row_number,
                        place: u16::try_from(j).unwrap_or(u16::MAX),
                        temperature: None,
                        flow: None,
                        volume_l,
                    }),
                    Ok(id) => problems.push(Problem::at(path, format!("two jars are called \"{id}\""))),
                    Err(error) => problems.push(Problem::at(path, error.to_string())),
                }
            }
            row_number += 1;
        }
    }
    if jars.len() > MOST_JARS {
        problems.push(
            Problem::at("rack", format!("{} jars are more than one monitor takes ({MOST_JARS})", jars.len()))
                .hint("run one monitor for each shed"),
        );
    }
    (headers, jars)
}

/// What feeds the headers, where they say it: the names in their order, and each header's place in
/// them. Headers that name the same supply stop together when it stops.
pub fn pumps(raw: &raw::Rack, headers: &mut [Header], problems: &mut Vec<Problem>) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for (h, given) in raw.header.iter().enumerate() {
        let Some(name) = given.supply.as_deref().map(str::trim) else { continue };
        let path = format!("rack.header[{h}].supply");
        if name.is_empty() || name.chars().count() > LONGEST_SUPPLY || name.chars().any(char::is_control) {
            problems.push(
                Problem::at(path, format!("a supply needs a name of 1 to {LONGEST_SUPPLY} characters"))
                    .hint("name the pump or tank that feeds this header, or leave the line out"),
            );
            continue;
        }
        let Some(header) = headers.iter_mut().find(|known| given.id.as_deref() == Some(known.id.as_str()))
        else {
            continue;
        };
        let at = names.iter().position(|known| known == name).unwrap_or_else(|| {
            names.push(name.to_owned());
            names.len() - 1
        });
        header.pump = u16::try_from(at).ok().map(PumpIx);
    }
    names
}

/// Sensors that follow from the names of jars and headers.
pub fn sensors(raw: &raw::Rack, headers: &[Header], jars: &[Jar]) -> Vec<Placed> {
    let pattern = |given: &Option<String>, default: &str| given.clone().unwrap_or_else(|| default.to_owned());
    let jar_temperature = pattern(&raw.jar_temperature, "J{jar}T");
    let jar_flow = pattern(&raw.jar_flow, "J{jar}F");
    let header_temperature = pattern(&raw.header_temperature, "");
    let header_flow = pattern(&raw.header_flow, "");
    let mut placed = Vec::new();
    let mut put = |name: String, measure, place, path: String| {
        if !name.is_empty() {
            placed.push(Placed { name, measure, place, path });
        }
    };
    for (h, header) in headers.iter().enumerate() {
        let Ok(ix) = u16::try_from(h).map(HeaderIx) else { continue };
        let own = raw.header.iter().position(|raw| raw.id.as_deref() == Some(header.id.as_str()));
        let own_name =
            |pick: fn(&raw::Header) -> &Option<String>| own.and_then(|at| pick(&raw.header[at]).clone());
        let filled = |pattern: &str| pattern.replace("{header}", header.id.as_str());
        let path = |key: &str| format!("rack.header[{}].{key}", own.unwrap_or(h));
        let temperature = own_name(|raw| &raw.temperature).unwrap_or_else(|| filled(&header_temperature));
        let flow = own_name(|raw| &raw.flow).unwrap_or_else(|| filled(&header_flow));
        put(temperature, Measure::Temperature, Place::Header(ix), path("temperature"));
        put(flow, Measure::Flow, Place::Header(ix), path("flow"));
    }
    for (j, jar) in jars.iter().enumerate() {
        let Ok(ix) = u16::try_from(j).map(JarIx) else { continue };
        let filled = |pattern: &str| pattern.replace("{jar}", jar.id.as_str());
        put(filled(&jar_temperature), Measure::Temperature, Place::Jar(ix), "rack.jar-temperature".into());
        put(filled(&jar_flow), Measure::Flow, Place::Jar(ix), "rack.jar-flow".into());
    }
    placed
}

/// Ties sensors to where they sit.
pub fn assemble(
    pumps: Vec<String>,
    mut headers: Vec<Header>,
    mut jars: Vec<Jar>,
    sensors: Vec<Sensor>,
    station: &Station,
) -> Rack {
    for (s, sensor) in sensors.iter().enumerate() {
        let Ok(ix) = u16::try_from(s).map(SensorIx) else { continue };
        let (temperature, flow) = match sensor.place {
            Place::Jar(at) => {
                let jar = &mut jars[usize::from(at.0)];
                (&mut jar.temperature, &mut jar.flow)
            }
            Place::Header(at) => {
                let header = &mut headers[usize::from(at.0)];
                (&mut header.temperature, &mut header.flow)
            }
            Place::Site => continue,
        };
        match sensor.measure {
            Measure::Temperature => *temperature = Some(ix),
            Measure::Flow => *flow = Some(ix),
            Measure::Mains | Measure::Battery => {}
        }
    }
    Rack {
        station: station.name.clone(),
        zone: station.zone,
        altitude_m: station.altitude_m,
        pumps,
        headers,
        jars,
        sensors,
    }
}
