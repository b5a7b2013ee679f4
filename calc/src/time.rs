//! Instants, lengths and local days.
//!
//! An instant is a [`Timestamp`] (UTC, milliseconds); a length is a [`Span`]; a [`Day`] is a local
//! calendar day and has its real length: 23, 24 or 25 hours. Nothing here reads a clock.

use chrono::{DateTime, Datelike, Days, LocalResult, NaiveDate, NaiveDateTime, SecondsFormat, TimeZone, Utc};
use chrono_tz::Tz;
use std::fmt;
use std::ops::{Add, AddAssign, Sub};

/// An instant: milliseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

/// A signed length of time in milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Span(i64);

/// Text that is not a time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotATime {
    /// Neither RFC 3339 nor a local date and time.
    #[error("\"{0}\" is not a time; write it like 2026-04-18T14:00:00-05:00")]
    Unreadable(String),
    /// Not a calendar date.
    #[error("\"{0}\" is not a date; write it like 2026-04-18")]
    NotADate(String),
    /// The clocks jumped over this local time.
    #[error("{0} does not exist in {1}: the clocks go forward over it")]
    Skipped(NaiveDateTime, Zone),
    /// No such zone.
    #[error("\"{0}\" is not a time zone; use a name like America/Chicago")]
    UnknownZone(String),
}

impl Timestamp {
    /// From milliseconds since 1970 (UTC).
    #[must_use]
    pub const fn from_ms(ms: i64) -> Self {
        Self(ms)
    }

    /// Milliseconds since 1970 (UTC).
    #[must_use]
    pub const fn ms(self) -> i64 {
        self.0
    }

    /// Reads RFC 3339 with an offset, as `2026-04-18T14:00:00-05:00`.
    ///
    /// # Errors
    /// When the text is not such a time.
    pub fn parse(text: &str) -> Result<Self, NotATime> {
        DateTime::parse_from_rfc3339(text.trim())
            .map(|t| Self(t.timestamp_millis()))
            .map_err(|_| NotATime::Unreadable(text.chars().take(60).collect()))
    }

    /// As RFC 3339 in UTC, whole seconds unless there are milliseconds.
    #[must_use]
    pub fn rfc3339(self) -> String {
        let format = if self.0 % 1000 == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
        self.to_chrono().to_rfc3339_opts(format, true)
    }

    /// For date arithmetic; out-of-range instants are clamped to what a calendar can hold.
    #[must_use]
    pub fn to_chrono(self) -> DateTime<Utc> {
        // Two days off the ends, so that local time in any zone still fits the calendar.
        let reach = chrono::TimeDelta::days(2);
        let (first, last) = (DateTime::<Utc>::MIN_UTC + reach, DateTime::<Utc>::MAX_UTC - reach);
        let beyond = if self.0 < 0 { first } else { last };
        DateTime::from_timestamp_millis(self.0).map_or(beyond, |at| at.clamp(first, last))
    }

    /// Length since an earlier instant (negative when `earlier` is later).
    #[must_use]
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.rfc3339())
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// From milliseconds.
    #[must_use]
    pub const fn from_ms(ms: i64) -> Self {
        Self(ms)
    }
    /// From whole seconds.
    #[must_use]
    pub const fn from_secs(seconds: i64) -> Self {
        Self(seconds.saturating_mul(1000))
    }
    /// From whole minutes.
    #[must_use]
    pub const fn from_minutes(minutes: i64) -> Self {
        Self(minutes.saturating_mul(60_000))
    }
    /// From whole hours.
    #[must_use]
    pub const fn from_hours(hours: i64) -> Self {
        Self(hours.saturating_mul(3_600_000))
    }
    /// From days of 24 hours, to the nearest millisecond.
    #[must_use]
    pub fn from_days(days: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "a float cast saturates, which is what we want")]
        Self((days * 86_400_000.0).round() as i64)
    }
    /// In milliseconds.
    #[must_use]
    pub const fn ms(self) -> i64 {
        self.0
    }
    /// In seconds.
    #[must_use]
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1000.0
    }
    /// In hours.
    #[must_use]
    pub fn hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
    /// In days of 24 hours.
    #[must_use]
    pub fn days(self) -> f64 {
        self.0 as f64 / 86_400_000.0
    }
}

impl Add<Span> for Timestamp {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}
impl Sub<Span> for Timestamp {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}
impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}
impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}
impl AddAssign for Span {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

/// A time zone of the zone database, with its daylight-saving rules.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone(Tz);

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.name())
    }
}

/// A local calendar day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(NaiveDate);

impl Zone {
    /// UTC.
    pub const UTC: Self = Self(Tz::UTC);

    /// Looks a zone up by its name, as `America/Chicago`; or an offset of whole hours from UTC that holds all
    /// year, as loggers keep it: `UTC-7`, `-07:00`.
    ///
    /// # Errors
    /// When the zone database has no such name.
    ///
    /// ```
    /// # use nightjar_calc::time::Zone;
    /// let noon = Zone::named("UTC-7").unwrap().parse("2026-07-01T12:00").unwrap();
    /// assert_eq!(noon.to_string(), "2026-07-01T19:00:00Z");
    /// assert_eq!(Zone::named("-07:00"), Zone::named("UTC-7"));
    /// ```
    pub fn named(name: &str) -> Result<Self, NotATime> {
        let fixed = || whole_hours(name.trim())?.parse::<Tz>().ok();
        let zone = name.parse::<Tz>().ok().or_else(fixed);
        zone.map(Self).ok_or_else(|| NotATime::UnknownZone(name.chars().take(60).collect()))
    }

    /// The local day an instant falls on.
    #[must_use]
    pub fn day_of(self, at: Timestamp) -> Day {
        Day(self.local(at).date())
    }

    /// Local date and time of an instant.
    #[must_use]
    pub fn local(self, at: Timestamp) -> NaiveDateTime {
        at.to_chrono().with_timezone(&self.0).naive_local()
    }

    /// RFC 3339 with the offset in force at that instant.
    #[must_use]
    pub fn rfc3339(self, at: Timestamp) -> String {
        let format = if at.ms() % 1000 == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
        at.to_chrono().with_timezone(&self.0).to_rfc3339_opts(format, false)
    }

    /// The instant of a local date and time. Of a time that happens twice (autumn) the first is
    /// taken.
    ///
    /// # Errors
    /// When the clocks jumped over it (spring).
    pub fn instant(self, local: NaiveDateTime) -> Result<Timestamp, NotATime> {
        match self.0.from_local_datetime(&local) {
            LocalResult::Single(t) | LocalResult::Ambiguous(t, _) => Ok(Timestamp(t.timestamp_millis())),
            LocalResult::None => Err(NotATime::Skipped(local, self)),
        }
    }

    /// Like [`Zone::instant`], but a skipped time becomes the first instant after the jump. Used
    /// for rotas and reports, which must have no hole.
    #[must_use]
    pub fn instant_or_next(self, local: NaiveDateTime) -> Timestamp {
        let mut candidate = local;
        for _ in 0..=16 {
            if let Ok(at) = self.instant(candidate) {
                return at;
            }
            candidate += chrono::TimeDelta::minutes(15);
        }
        // No zone has skipped four hours except by dropping a whole day; noon UTC of it will do.
        Timestamp(local.and_utc().timestamp_millis())
    }

    /// Reads RFC 3339, or a local date and time without offset in this zone.
    ///
    /// # Errors
    /// When the text is neither, or names a skipped local time.
    pub fn parse(self, text: &str) -> Result<Timestamp, NotATime> {
        let text = text.trim();
        if let Ok(at) = Timestamp::parse(text) {
            return Ok(at);
        }
        for format in ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"] {
            if let Ok(local) = NaiveDateTime::parse_from_str(text, format) {
                return self.instant(local);
            }
        }
        Err(NotATime::Unreadable(text.chars().take(60).collect()))
    }
}

/// Name in the zone database of an offset of whole hours east of UTC. Names of such zones count westward.
fn whole_hours(text: &str) -> Option<String> {
    let text = text.strip_prefix("UTC").unwrap_or(text);
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => ('-', rest),
        ("-", rest) => ('+', rest),
        _ => return None,
    };
    let hours = rest.strip_suffix(":00").unwrap_or(rest);
    let count: u8 = hours.parse().ok().filter(|_| hours.len() <= 2)?;
    Some(format!("Etc/GMT{sign}{count}"))
}

impl Day {
    /// From a calendar date.
    #[must_use]
    pub const fn from_date(date: NaiveDate) -> Self {
        Self(date)
    }

    /// From year, month and day of month.
    #[must_use]
    pub fn from_ymd(year: i32, month: u32, day: u32) -> Option<Self> {
        NaiveDate::from_ymd_opt(year, month, day).map(Self)
    }

    /// Reads `2026-04-18`.
    ///
    /// # Errors
    /// When the text is not a date.
    pub fn parse(text: &str) -> Result<Self, NotATime> {
        NaiveDate::parse_from_str(text.trim(), "%Y-%m-%d")
            .map(Self)
            .map_err(|_| NotATime::NotADate(text.chars().take(60).collect()))
    }

    /// The calendar date.
    #[must_use]
    pub const fn date(self) -> NaiveDate {
        self.0
    }

    /// Day of the year, 1 to 366.
    #[must_use]
    pub fn of_year(self) -> u32 {
        self.0.ordinal()
    }

    /// Calendar year.
    #[must_use]
    pub fn year(self) -> i32 {
        self.0.year()
    }

    /// `n` calendar days later (earlier when negative), clamped at the ends of the calendar.
    #[must_use]
    pub fn plus(self, n: i64) -> Self {
        let step = Days::new(n.unsigned_abs());
        let moved = if n < 0 { self.0.checked_sub_days(step) } else { self.0.checked_add_days(step) };
        Self(moved.unwrap_or(if n < 0 { NaiveDate::MIN } else { NaiveDate::MAX }))
    }

    /// Calendar days from `earlier` to this day.
    #[must_use]
    pub fn days_since(self, earlier: Self) -> i64 {
        (self.0 - earlier.0).num_days()
    }

    /// The instant the day begins in `zone`.
    #[must_use]
    pub fn start(self, zone: Zone) -> Timestamp {
        zone.instant_or_next(self.0.and_time(chrono::NaiveTime::MIN))
    }

    /// The instant the next day begins in `zone`.
    #[must_use]
    pub fn end(self, zone: Zone) -> Timestamp {
        self.plus(1).start(zone)
    }

    /// Real length of the day in `zone`: 23, 24 or 25 hours, rarely something else.
    #[must_use]
    pub fn length(self, zone: Zone) -> Span {
        self.end(zone).since(self.start(zone))
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.format("%Y-%m-%d"))
    }
}

#[cfg(feature = "serde")]
mod text {
    //! Instants as RFC 3339 text in UTC.
    use super::Timestamp;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    impl Serialize for Timestamp {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            s.serialize_str(&self.rfc3339())
        }
    }

    impl<'de> Deserialize<'de> for Timestamp {
        fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
            let text = String::deserialize(d)?;
            Self::parse(&text).map_err(serde::de::Error::custom)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chicago() -> Zone {
        Zone::named("America/Chicago").unwrap()
    }

    /// Dates of the change of clocks in the United States: Energy Policy Act of 2005, second
    /// Sunday of March and first Sunday of November.
    #[test]
    fn days_have_their_real_length() {
        let hours = |text| Day::parse(text).unwrap().length(chicago()).hours();
        for (day, expected) in [("2026-03-08", 23.0), ("2026-04-18", 24.0), ("2026-11-01", 25.0)] {
            assert!((hours(day) - expected).abs() < 1e-12, "{day}");
        }
    }

    #[test]
    fn a_skipped_local_time_is_refused_and_a_doubled_one_is_the_first() {
        assert!(matches!(chicago().parse("2026-03-08 02:30"), Err(NotATime::Skipped(..))));
        assert_eq!(chicago().parse("2026-11-01 01:30").unwrap().rfc3339(), "2026-11-01T06:30:00Z");
    }

    #[test]
    fn the_ends_of_time_have_a_local_day_in_every_zone() {
        for zone in ["Pacific/Kiritimati", "Etc/GMT+12", "America/Chicago"] {
            let zone = Zone::named(zone).unwrap();
            for ms in [i64::MIN, i64::MIN + 5, -8_334_601_228_800_000, 8_210_266_876_799_999, i64::MAX] {
                let at = Timestamp::from_ms(ms);
                let _no_panic = (zone.day_of(at), zone.rfc3339(at), at.rfc3339());
            }
        }
    }

    #[test]
    fn text_without_sense_is_refused_with_the_way_to_write_it() {
        let error = Timestamp::parse("yesterday").unwrap_err();
        assert!(error.to_string().contains("2026-04-18T14:00:00-05:00"));
    }
}
