//! `[web]`, `[store]`, `[export]`, `[species]`

use super::value;
use crate::config::checked::{Export, Influx, MqttOut, Species, Store, Tls, Web};
use crate::config::raw;
use crate::config::report::Problem;
use crate::export::slug;
use nightjar_calc::time::Span;
use std::collections::BTreeMap;
use std::path::PathBuf;

pub fn check_web(raw: &raw::Web, problems: &mut Vec<Problem>) -> Option<Web> {
    let listen = raw.listen.as_deref().unwrap_or("127.0.0.1:8080");
    let parsed = listen.parse();
    if parsed.is_err() {
        problems.push(
            Problem::at("web.listen", format!("\"{listen}\" is not an address with a port"))
                .hint("write it like 127.0.0.1:8080, or 0.0.0.0:8080 for the whole local network"),
        );
    }
    let open_reading = value::word(
        raw.reading.as_ref(),
        true,
        &[("open", true), ("signed-in", false)],
        "web.reading",
        problems,
    );
    let own_authority = value::word(
        raw.encryption.as_ref(),
        false,
        &[("none", false), ("own-authority", true)],
        "web.encryption",
        problems,
    );
    if own_authority && raw.certificate_file.is_some() {
        problems.push(
            Problem::at(
                "web.encryption",
                "the station's own authority and a certificate-file exclude each other",
            )
            .hint("keep one of the two"),
        );
    }
    let tls = match (&raw.certificate_file, &raw.key_file) {
        (Some(certificate), Some(key)) => {
            Some(Tls::Files { certificate: PathBuf::from(certificate), key: PathBuf::from(key) })
        }
        (None, None) => own_authority.then_some(Tls::OwnAuthority),
        _ => {
            problems.push(Problem::at("web", "certificate-file and key-file belong together"));
            None
        }
    };
    Some(Web { listen: parsed.ok()?, open_reading, public_url: raw.public_url.clone(), tls })
}

pub fn check_store(raw: &raw::Store, problems: &mut Vec<Problem>) -> Option<Store> {
    let folder = raw.folder.clone().unwrap_or_else(|| "/var/lib/nightjar".into());
    if folder.trim().is_empty() {
        problems
            .push(Problem::at("store.folder", "is empty").hint("name a folder, as \"/var/lib/nightjar\""));
    }
    let commit_every = value::duration(
        raw.commit_every.as_ref(),
        Span::from_secs(10),
        (Span::from_ms(100), Span::from_minutes(5)),
        "store.commit-every",
        problems,
    );
    let backup_folder = raw.backup_folder.as_ref().map(PathBuf::from);
    if backup_folder.as_ref().is_some_and(|backup| backup.as_os_str() == folder.as_str()) {
        problems.push(
            Problem::at("store.backup-folder", "is the folder of the database itself")
                .hint("put copies on another medium"),
        );
    }
    let keep_raw_days = raw
        .keep_raw_days
        .map(|days| value::whole(Some(days), 0, (1, 36_500), "store.keep-raw-days", problems));
    Some(Store { folder: PathBuf::from(folder), commit_every, backup_folder, keep_raw_days })
}

pub fn check_export(raw: &raw::Export, station: &str, problems: &mut Vec<Problem>) -> Export {
    let influx = raw.influx.as_ref().map(|given| {
        let url = value::required(
            given.url.as_ref(),
            "export.influx.url",
            "as \"http://localhost:8086\"",
            problems,
        );
        if !url.is_empty() && !url.starts_with("http://") && !url.starts_with("https://") {
            problems.push(Problem::at("export.influx.url", format!("\"{url}\" is not a web address")));
        }
        Influx {
            url,
            organisation: value::required(
                given.organisation.as_ref(),
                "export.influx.organisation",
                "the organisation on that server",
                problems,
            ),
            bucket: value::required(
                given.bucket.as_ref(),
                "export.influx.bucket",
                "the bucket to fill",
                problems,
            ),
            token_file: value::secret_file(given.token_file.as_ref(), "export.influx.token-file", problems),
            station_id: station_id(given.station_id.as_ref(), station, "export.influx.station-id", problems),
        }
    });
    let mqtt = raw.mqtt.as_ref().map(|given| {
        let station_id = station_id(given.station_id.as_ref(), station, "export.mqtt.station-id", problems);
        MqttOut {
            host: value::required(given.host.as_ref(), "export.mqtt.host", "name the broker", problems),
            port: value::whole(given.port, 1883, (1, 65_535), "export.mqtt.port", problems),
            client_id: given.client_id.clone().unwrap_or_else(|| format!("nightjar-out-{station_id}")),
            sign_in: value::sign_in(
                given.username.as_ref(),
                given.password_file.as_ref(),
                "export.mqtt",
                problems,
            ),
            station_id,
        }
    });
    Export { influx, mqtt }
}

/// A short name for topics and tags: as given, or made from the name of the station.
fn station_id(given: Option<&String>, station: &str, path: &str, problems: &mut Vec<Problem>) -> String {
    let Some(id) = given else { return slug(station) };
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '-' | '_');
    if id.is_empty() || id.len() > 32 || !id.chars().all(fits) {
        problems.push(
            Problem::at(path, format!("\"{id}\" cannot stand in a topic or tag"))
                .hint("use 1 to 32 small letters, digits, '-' or '_', unique among the stations"),
        );
    }
    id.clone()
}

pub fn check_species(
    raw: &BTreeMap<String, raw::Species>,
    problems: &mut Vec<Problem>,
) -> BTreeMap<String, Species> {
    let mut species = BTreeMap::new();
    for (key, given) in raw {
        let path = format!("species.{key}");
        let source = value::required(
            given.source.as_ref(),
            &format!("{path}.source"),
            "say where the numbers come from, as \"own hatches 2021-2025\"",
            problems,
        );
        let mut bounded = |given: Option<f64>, range: (f64, f64), name: &str| {
            given.map(|value| value::number(Some(value), range.0, range, &format!("{path}.{name}"), problems))
        };
        let hatch_c_days = bounded(given.hatch_c_days, (10.0, 2_000.0), "hatch-c-days");
        let base_c = bounded(given.base_c, (-10.0, 15.0), "base-c");
        let eyed_share = bounded(given.eyed_share, (0.1, 0.95), "eyed-share");
        species.insert(
            key.clone(),
            Species { common_name: given.common_name.clone(), hatch_c_days, base_c, eyed_share, source },
        );
    }
    species
}
