//! Moments, days and lengths of time in words.

use super::script;
use chrono::Datelike;
use nightjar_calc::time::{Timestamp, Zone};

/// Days of the week, from Monday on; the calendar takes the first two or three letters.
const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
/// Months.
const MONTHS: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

tokio::task_local! {
    /// Whether the month stands before the day, as the person who asks likes it.
    static MONTH_FIRST: bool;
}

/// Runs one request with dates in the order its person likes.
pub async fn with_order<F: Future>(month_first: bool, work: F) -> F::Output {
    MONTH_FIRST.scope(month_first, work).await
}

/// The same for work that does not wait.
pub fn in_order<T>(month_first: bool, work: impl FnOnce() -> T) -> T {
    MONTH_FIRST.sync_scope(month_first, work)
}

/// The day before the month, or after it, by the order of the request.
fn dated(date: chrono::NaiveDate, day_first: &str, month_first: &str) -> String {
    let swapped = MONTH_FIRST.try_with(|first| *first).unwrap_or(false);
    named(date, if swapped { month_first } else { day_first })
}

/// A date in the letters of chrono, with the names of this language.
fn named(date: chrono::NaiveDate, letters: &str) -> String {
    let month = MONTHS[date.month0() as usize % MONTHS.len()];
    date.format(&letters.replace("%a", weekday(date)).replace("%b", month)).to_string()
}

/// The name of the day, short.
pub fn weekday(date: chrono::NaiveDate) -> &'static str {
    WEEKDAYS[date.weekday().num_days_from_monday() as usize % WEEKDAYS.len()]
}

/// "25 Apr", for charts.
pub fn short_date(date: chrono::NaiveDate) -> String {
    dated(date, "%-d %b", "%b %-d")
}

/// "today", "yesterday", "tomorrow" or the day with its date; the year when it is another one.
pub fn day(zone: Zone, now: Timestamp, at: Timestamp) -> String {
    let (day, today) = (zone.day_of(at), zone.day_of(now));
    match day.days_since(today) {
        0 => "today".into(),
        -1 => "yesterday".into(),
        1 => "tomorrow".into(),
        _ if day.year() == today.year() => dated(day.date(), "%a %-d %b", "%a %b %-d"),
        _ => dated(day.date(), "%a %-d %b %Y", "%a %b %-d, %Y"),
    }
}

/// Between which days something comes, when that is more than one day.
pub fn spread(zone: Zone, between: Option<(Timestamp, Timestamp)>) -> Option<String> {
    let (from, to) = between.filter(|(from, to)| zone.day_of(*from) != zone.day_of(*to))?;
    Some(range(zone, from, to))
}

/// A day within the next weeks in few letters: "today", "Sun 29"; farther away the date.
pub fn near_day(zone: Zone, now: Timestamp, at: Timestamp) -> String {
    let day = zone.day_of(at);
    match day.days_since(zone.day_of(now)) {
        -1..=1 => self::day(zone, now, at),
        2..=20 => named(day.date(), "%a %-d"),
        _ => short_date(day.date()),
    }
}

/// Day and date, never "today": for tables and charts.
pub fn date(zone: Zone, at: Timestamp) -> String {
    dated(zone.day_of(at).date(), "%a %-d %b", "%a %b %-d")
}

/// Local time, 24 hours.
pub fn time(zone: Zone, at: Timestamp) -> String {
    zone.local(at).format("%H:%M").to_string()
}

/// Date and time on one line, for paper: "28 Apr 17:38".
pub fn moment(zone: Zone, at: Timestamp) -> String {
    format!("{} {}", short_date(zone.day_of(at).date()), time(zone, at)).replace(' ', "\u{a0}")
}

/// How long ago, or how far ahead. The script on the page counts on in the same words.
pub fn ago(now: Timestamp, at: Timestamp) -> String {
    let seconds = now.since(at).ms() / 1000;
    let (length, ahead) = (seconds.unsigned_abs(), seconds < 0);
    let words = match length {
        0..45 => return if ahead { script::SOON.into() } else { script::NOW.into() },
        45..5_400 => script::MINUTES.replace("{N}", &((length + 30) / 60).to_string()),
        5_400..172_800 => script::HOURS.replace("{N}", &((length + 1_800) / 3_600).to_string()),
        _ => script::DAYS.replace("{N}", &((length + 43_200) / 86_400).to_string()),
    };
    if ahead { script::AHEAD } else { script::AGO }.replace("{LENGTH}", &words)
}

/// A day range: "Sat 25 to Tue 28 Apr".
pub fn range(zone: Zone, from: Timestamp, to: Timestamp) -> String {
    let (a, b) = (zone.day_of(from).date(), zone.day_of(to).date());
    if a == b {
        dated(a, "%a %-d %b", "%a %b %-d")
    } else if a.month() == b.month() && a.year() == b.year() {
        format!("{} to {}", dated(a, "%a %-d", "%a %b %-d"), dated(b, "%a %-d %b", "%a %-d"))
    } else {
        format!("{} to {}", dated(a, "%a %-d %b", "%a %b %-d"), dated(b, "%a %-d %b", "%a %b %-d"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).unwrap()
    }

    #[test]
    fn a_time_says_its_day_and_its_distance() {
        let zone = Zone::named("America/Chicago").unwrap();
        let now = at("2026-04-25T07:10:00-05:00");
        for (then, day_word, distance) in [
            ("2026-04-25T07:09:40-05:00", "today", "just now"),
            ("2026-04-25T02:14:00-05:00", "today", "5 h ago"),
            ("2026-04-24T23:50:00-05:00", "yesterday", "7 h ago"),
            ("2026-04-18T14:00:00-05:00", "Sat 18 Apr", "7 days ago"),
            ("2026-04-26T09:00:00-05:00", "tomorrow", "in 26 h"),
            ("2025-12-31T09:00:00-06:00", "Wed 31 Dec 2025", "115 days ago"),
        ] {
            assert_eq!(day(zone, now, at(then)), day_word);
            assert_eq!(ago(now, at(then)), distance);
        }
    }

    #[test]
    fn the_month_stands_first_for_those_who_like_it() {
        let zone = Zone::named("America/Chicago").unwrap();
        let (a, b) = (at("2026-04-25T12:00:00-05:00"), at("2026-04-28T12:00:00-05:00"));
        let words = || (date(zone, a), range(zone, a, b));
        assert_eq!(words(), ("Sat 25 Apr".into(), "Sat 25 to Tue 28 Apr".into()));
        assert_eq!(in_order(true, words), ("Sat Apr 25".into(), "Sat Apr 25 to Tue 28".into()));
    }

    /// Against chrono's own names, which are English; another language has another test.
    #[test]
    fn every_day_and_month_has_its_own_name() {
        let first = chrono::NaiveDate::from_ymd_opt(2026, 1, 1).unwrap();
        for date in first.iter_days().take(365) {
            assert_eq!(named(date, "%a %-d %b"), date.format("%a %-d %b").to_string());
        }
    }
}
