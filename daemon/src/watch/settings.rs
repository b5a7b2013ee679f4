//! The watcher's own configuration file.

use crate::config::checked::Email;
use crate::config::raw;
use crate::config::report::{Problem, Refused, line_at, refuse};
use crate::config::validate::{notify, value};
use crate::heartbeat::seal::Key;
use nightjar_calc::time::{Span, Zone};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// With a sign of life every minute, people are told five and a half minutes after the last.
const USUAL_GRACE: Span = Span::from_secs(270);

/// The file as written.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct Raw {
    name: Option<String>,
    time_zone: Option<String>,
    listen: Option<String>,
    state_file: Option<String>,
    daily_at: Option<String>,
    grace: Option<String>,
    people: Vec<RawPerson>,
    station: Vec<RawStation>,
    notify: RawNotify,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct RawPerson {
    email: Option<String>,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct RawStation {
    id: Option<String>,
    secret_file: Option<String>,
    grace: Option<String>,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
struct RawNotify {
    email: Option<raw::Email>,
    mail_folder: Option<String>,
}

/// The file once it is right.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Name of the watcher in its reports.
    pub name: String,
    /// Local time of the people it tells.
    pub zone: Zone,
    /// Where it listens.
    pub listen: SocketAddr,
    /// What survives a restart.
    pub state_file: PathBuf,
    /// Local minute of day of its own report.
    pub daily_at: u16,
    /// Addresses of everybody it tells.
    pub people: Vec<String>,
    /// Stations: how long past its time a sign of life may be.
    pub grace: BTreeMap<String, Span>,
    /// Keys of the stations.
    pub keys: BTreeMap<String, Key>,
    /// Its mail server.
    pub email: Option<Email>,
    /// Folder that takes messages (drills).
    pub mail_folder: Option<PathBuf>,
}

/// What becomes of the secrets that the file names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Secrets {
    /// They are read.
    Read,
    /// They are left alone: only the service may read them.
    Leave,
}

/// Reads and checks the file, and the secrets it names if wanted.
///
/// # Errors
/// Every problem at once.
pub fn load(path: &Path, secrets: Secrets) -> Result<Settings, Refused> {
    let place = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(text) => parse(&text, &place, secrets),
        Err(error) => Err(Refused::unreadable(&place, &error)),
    }
}

/// See [`load`].
///
/// # Errors
/// Every problem at once.
pub fn parse(text: &str, place: &str, secrets: Secrets) -> Result<Settings, Refused> {
    let mut problems = Vec::new();
    let raw: Raw = match toml::from_str(text) {
        Ok(raw) => raw,
        Err(error) => {
            let line = error.span().map(|span| line_at(text, span.start));
            problems.push(Problem {
                path: String::new(),
                line,
                what: error.message().to_owned(),
                hint: None,
            });
            return Err(refuse(text, place, problems));
        }
    };
    match check(&raw, secrets, &mut problems) {
        Some(settings) if problems.is_empty() => Ok(settings),
        _ => Err(refuse(text, place, problems)),
    }
}

fn check(raw: &Raw, secrets: Secrets, problems: &mut Vec<Problem>) -> Option<Settings> {
    let zone_name = value::required(raw.time_zone.as_ref(), "time-zone", "as \"America/Chicago\"", problems);
    let zone = Zone::named(&zone_name);
    if zone.is_err() && !zone_name.is_empty() {
        problems.push(Problem::at("time-zone", format!("no time zone is called \"{zone_name}\"")));
    }
    let listen = raw.listen.as_deref().unwrap_or("0.0.0.0:8471").parse();
    if listen.is_err() {
        problems.push(Problem::at("listen", "is not an address with a port").hint("as 0.0.0.0:8471"));
    }
    let daily = raw.daily_at.as_deref().unwrap_or("07:30");
    let daily_at = value::minute_of_day(daily);
    if daily_at.is_none() {
        problems
            .push(Problem::at("daily-at", format!("\"{daily}\" is not a time of day")).hint("as \"07:30\""));
    }
    let range = (Span::from_ms(100), Span::from_hours(1));
    let usual = value::duration(raw.grace.as_ref(), USUAL_GRACE, range, "grace", problems);
    let (mut grace, mut keys) = (BTreeMap::new(), BTreeMap::new());
    for (at, station) in raw.station.iter().enumerate() {
        let path = format!("station[{at}]");
        let hint = "the short name in its heartbeat, as \"alder-creek\"";
        let id = value::required(station.id.as_ref(), &format!("{path}.id"), hint, problems);
        let own = value::duration(station.grace.as_ref(), usual, range, &format!("{path}.grace"), problems);
        let secret = format!("{path}.secret-file");
        let file = value::secret_file(station.secret_file.as_ref(), &secret, problems);
        if secrets == Secrets::Read && !file.as_os_str().is_empty() {
            match std::fs::read_to_string(&file)
                .map_err(|error| error.to_string())
                .and_then(|text| Key::parse(&text).map_err(|error| error.to_string()))
            {
                Ok(key) => drop(keys.insert(id.clone(), key)),
                Err(why) => problems.push(Problem::at(secret, format!("{}: {why}", file.display()))),
            }
        }
        if grace.insert(id.clone(), own).is_some() {
            problems.push(Problem::at(format!("{path}.id"), format!("\"{id}\" is there twice")));
        }
    }
    if grace.is_empty() {
        problems.push(
            Problem::at("station", "no station is named").hint("add a [[station]] with id and secret-file"),
        );
    }
    let people: Vec<String> = raw.people.iter().filter_map(|person| person.email.clone()).collect();
    if people.is_empty() || people.iter().any(|address| !address.contains('@')) {
        problems.push(
            Problem::at("people", "somebody with an e-mail address is needed")
                .hint("add [[people]] with email = \"…\", best at another provider than the station's"),
        );
    }
    if raw.notify.email.is_none() && raw.notify.mail_folder.is_none() {
        problems.push(Problem::at("notify", "has no route").hint("add [notify.email]"));
    }
    Some(Settings {
        name: raw.name.clone().unwrap_or_else(|| "Watcher".into()),
        zone: zone.ok()?,
        listen: listen.ok()?,
        state_file: raw.state_file.as_deref().unwrap_or("/var/lib/nightjar-watch/state.json").into(),
        daily_at: daily_at?,
        people,
        grace,
        keys,
        email: raw.notify.email.as_ref().map(|given| notify::email(given, problems)),
        mail_folder: raw.notify.mail_folder.as_ref().map(PathBuf::from),
    })
}
