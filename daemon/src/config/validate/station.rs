//! `[station]`

use super::value;
use crate::config::checked::WaterType;
use crate::config::raw;
use crate::config::report::Problem;
use nightjar_calc::quantity::Metres;
use nightjar_calc::time::Zone;

/// Checked `[station]`.
pub struct Station {
    pub name: String,
    pub zone: Zone,
    pub altitude_m: f64,
    pub water_type: WaterType,
    pub country_code: String,
    pub supply: String,
    pub learns: bool,
}

/// Longest station name shown in a mail subject.
const LONGEST_STATION_NAME: usize = 40;

pub fn check(raw: &raw::Station, problems: &mut Vec<Problem>) -> Station {
    let name = value::required(
        raw.name.as_ref(),
        "station.name",
        "add [station] name = \"Alder Creek field station\"",
        problems,
    );
    if name.chars().count() > LONGEST_STATION_NAME || name.chars().any(char::is_control) {
        problems.push(
            Problem::at("station.name", "is too long, or holds control characters")
                .hint(format!("use at most {LONGEST_STATION_NAME} plain characters")),
        );
    }
    let zone_name = value::required(
        raw.time_zone.as_ref(),
        "station.time-zone",
        "add time-zone = \"America/Chicago\"",
        problems,
    );
    let zone = if zone_name.is_empty() {
        Zone::UTC
    } else {
        Zone::named(&zone_name).unwrap_or_else(|error| {
            problems.push(
                Problem::at("station.time-zone", error.to_string())
                    .hint("the names are those of the zone database, as in timedatectl list-timezones"),
            );
            Zone::UTC
        })
    };
    let altitude_m =
        value::number(raw.altitude_m, 0.0, (Metres::LOW, Metres::HIGH), "station.altitude-m", problems);
    let water_type = value::word(
        raw.water_type.as_ref(),
        WaterType::LakeFed,
        &[
            ("lake-fed", WaterType::LakeFed),
            ("lowland-river", WaterType::LowlandRiver),
            ("snowmelt", WaterType::Snowmelt),
            ("spring-fed", WaterType::SpringFed),
            ("heated", WaterType::Heated),
        ],
        "station.water-type",
        problems,
    );
    let country_code = raw.country_code.clone().unwrap_or_else(|| "1".into());
    if country_code.is_empty() || country_code.len() > 3 || !country_code.bytes().all(|b| b.is_ascii_digit())
    {
        problems.push(
            Problem::at("station.country-code", format!("\"{country_code}\" is not a country calling code"))
                .hint("write the digits alone, as \"1\" or \"358\""),
        );
    }
    let supply = raw.supply.clone().unwrap_or_else(|| "supply".into());
    Station { name, zone, altitude_m, water_type, country_code, supply, learns: raw.learns.unwrap_or(true) }
}
