//! Local time of a command: the zone given, or the offset the first time was written with.

use crate::cli::failure::Failure;
use chrono::{DateTime, FixedOffset, SecondsFormat};
use nightjar_calc::time::{Day, Timestamp, Zone};

/// How times are read and written.
#[derive(Clone, Copy, Debug)]
pub struct Moments {
    /// Zone of local days. Without `--tz` the whole hours of the offset.
    pub zone: Zone,
    /// Offset to write times in when no zone was given.
    offset: Option<FixedOffset>,
}

impl Moments {
    /// From `--tz`, or else from the offset `first` is written with.
    ///
    /// # Errors
    /// When the zone is unknown, or there is neither zone nor offset.
    pub fn new(tz: Option<&str>, option: &str, first: &str) -> Result<(Self, Timestamp), Failure> {
        if let Some(name) = tz {
            let zone = Zone::named(name).map_err(|error| Failure::usage(format!("--tz: {error}")))?;
            let moments = Self { zone, offset: None };
            return Ok((moments, moments.read(option, first)?));
        }
        let local = DateTime::parse_from_rfc3339(first.trim()).map_err(|_| {
            let shown: String = first.chars().take(60).collect();
            let readable = Zone::UTC.parse(first).is_ok();
            Failure::usage(if readable {
                format!("{option}: \"{shown}\" has no offset from UTC; add one (like -05:00) or give --tz")
            } else {
                format!("{option}: \"{shown}\" is not a time; write it like 2026-04-18T14:00:00-05:00")
            })
        })?;
        let offset = *local.offset();
        let moments = Self { zone: whole_hours(offset), offset: Some(offset) };
        Ok((moments, Timestamp::from_ms(local.timestamp_millis())))
    }

    /// Reads a time given as `option`; a plain date is the beginning of that local day.
    ///
    /// # Errors
    /// When it is not a time.
    pub fn read(&self, option: &str, text: &str) -> Result<Timestamp, Failure> {
        if let Ok(day) = Day::parse(text) {
            return Ok(day.start(self.zone));
        }
        let read = if self.offset.is_some() { Timestamp::parse(text) } else { self.zone.parse(text) };
        read.map_err(|error| Failure::usage(format!("{option}: {error}")))
    }

    /// RFC 3339 in the local offset, to the second.
    #[must_use]
    pub fn text(&self, at: Timestamp) -> String {
        let at = Timestamp::from_ms((at.ms() + 500).div_euclid(1000) * 1000);
        match self.offset {
            Some(offset) => at.to_chrono().with_timezone(&offset).to_rfc3339_opts(SecondsFormat::Secs, false),
            None => self.zone.rfc3339(at),
        }
    }

    /// Local date and time for people.
    #[must_use]
    pub fn short(&self, at: Timestamp) -> String {
        self.text(at).chars().take(16).map(|c| if c == 'T' { ' ' } else { c }).collect()
    }
}

/// The zone of the nearest whole hour: names of such zones count westward.
fn whole_hours(offset: FixedOffset) -> Zone {
    let hours = (f64::from(offset.local_minus_utc()) / 3600.0).round().clamp(-12.0, 14.0);
    let name = if hours > 0.0 { format!("Etc/GMT-{hours}") } else { format!("Etc/GMT+{}", hours.abs()) };
    Zone::named(&name).unwrap_or(Zone::UTC)
}
