//! From the file as written to values that cannot be wrong. Collects every problem.

mod alarm;
mod export;
pub mod notify;
mod people;
mod rack;
mod sensor;
mod source;
mod station;
pub mod value;

use super::checked::Config;
use super::raw::Raw;
use super::report::Problem;
use std::sync::Arc;

/// Checks everything. `None` when something that the rest depends on is missing; problems are in
/// `problems` either way.
#[must_use]
pub fn validate(raw: &Raw, problems: &mut Vec<Problem>) -> Option<Config> {
    let station = station::check(&raw.station, problems);
    let sources = source::check(&raw.source, problems);
    let (mut headers, jars) = rack::check(&raw.rack, problems);
    let pumps = rack::pumps(&raw.rack, &mut headers, problems);
    let placed = rack::sensors(&raw.rack, &headers, &jars);
    let sensors = sensor::check(raw, &placed, &sources, problems);
    source::check_names(&raw.source, &sensors, problems);
    let rack = rack::assemble(pumps, headers, jars, sensors, &station);
    let alarm = alarm::check(&raw.alarm, problems);
    let people = people::check(&raw.people, &station.country_code, problems);
    let rota = people::check_rota(&raw.rota, &people, station.zone, problems);
    let notify = notify::check(&raw.notify, problems);
    let web = export::check_web(&raw.web, problems);
    let store = export::check_store(&raw.store, problems);
    let export = export::check_export(&raw.export, &rack.station, problems);
    let species = export::check_species(&raw.species, problems);
    Some(Config {
        rack: Arc::new(rack),
        supply: station.supply,
        water_type: station.water_type,
        learns: station.learns,
        country_code: station.country_code,
        sources: sources.into_iter().map(|(source, _)| source).collect(),
        alarm,
        people,
        rota,
        notify,
        web: web?,
        store: store?,
        export,
        species,
    })
}
