//! When something happened, without typing a date: now, a while ago, last night, or a day from a
//! row of days and a time from two lists. The last way out is the device's own calendar.
//!
//! A moment called `name` comes in as `name` (the choice) and, for the choice `pick`, as
//! `name-day`, `name-hh`, `name-mm`, or as `name-at` for a day further back.

use super::{Filled, Form, Input, Problems};
use crate::web::view::View;
use crate::web::words;
use crate::web::words::entering::{problem, when as said};
use maud::{Markup, html};
use nightjar_calc::time::{Span, Timestamp, Zone};

/// Days in the row, today among them.
const DAYS: i64 = 7;
/// Hour that "last night" stands for.
const LAST_NIGHT: &str = "20:00";

/// The name of the field that holds a day further back.
fn other_day(name: &str) -> String {
    // The moment of the entry itself had this name first, and programs know it.
    if name == "when" { "at".into() } else { format!("{name}-at") }
}

/// Reads a moment; `None` when none was chosen.
///
/// # Errors
/// When what was chosen is no moment, in words.
pub fn read(zone: Zone, now: Timestamp, filled: &Filled, name: &str) -> Result<Option<Timestamp>, String> {
    let get = |key: &str| filled.get(key).map_or("", |text| text.trim());
    let local = |text: &str| zone.parse(text).map(Some).map_err(|error| error.to_string());
    match get(name) {
        "" => Ok(None),
        "now" => Ok(Some(now)),
        "1h" => Ok(Some(now - Span::from_hours(1))),
        "3h" => Ok(Some(now - Span::from_hours(3))),
        "pick" => {
            let other = get(&other_day(name));
            if !other.is_empty() {
                return local(other);
            }
            let (day, hh, mm) =
                (get(&format!("{name}-day")), get(&format!("{name}-hh")), get(&format!("{name}-mm")));
            if day.is_empty() || hh.is_empty() || mm.is_empty() {
                return Err(said::CHOOSE.into());
            }
            local(&format!("{day}T{hh}:{mm}"))
        }
        text => {
            let plain = text.strip_prefix("at:").unwrap_or(text);
            local(plain).map_err(|error| {
                let shown: String = plain.chars().take(20).collect();
                if plain.starts_with(|c: char| c.is_ascii_digit()) {
                    error
                } else {
                    problem::no_choice(&shown)
                }
            })
        }
    }
}

/// A copy in which each moment of the form is a plain time and counts stand together, for reading
/// it as an act.
pub fn settled(view: &View, form: &Form, filled: &Filled, problems: &mut Problems) -> Filled {
    let mut plain = filled.clone();
    super::counts_together(form, &mut plain);
    for field in form.fields.iter().filter(|field| field.input == Input::Moment) {
        match read(view.zone(), view.now.utc, filled, field.name) {
            Ok(Some(at)) => {
                plain.insert(field.name.to_owned(), at.rfc3339());
            }
            Ok(None) => {
                plain.remove(field.name);
            }
            Err(error) => {
                problems.insert(field.name, problem::of(form.label(field), &error));
                plain.remove(field.name);
            }
        }
    }
    plain
}

/// Whether a moment may be left open, and what is chosen when nothing was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Leave {
    /// Chosen beforehand: now.
    Now,
    /// Nothing chosen: the person must.
    Must,
    /// May stay unknown.
    Unknown,
    /// Nothing chosen, and the browser does not insist.
    Open,
}

/// Draws the choice. `id` begins the ids, `name` the names.
pub fn draw(view: &View, id: &str, name: &str, label: &str, leave: Leave, filled: Option<&Filled>) -> Markup {
    let typed = |key: &str| filled.and_then(|f| f.get(key)).map_or("", String::as_str);
    let (zone, now) = (view.zone(), view.now.utc);
    let today = zone.day_of(now);
    let night = format!("at:{}T{LAST_NIGHT}", today.plus(-1));
    let mut choices = vec![
        ("now".to_owned(), said::NOW.to_owned()),
        ("1h".into(), said::ONE_HOUR.into()),
        ("3h".into(), said::THREE_HOURS.into()),
        (night, said::last_night(LAST_NIGHT)),
    ];
    if leave == Leave::Unknown {
        choices.insert(0, (String::new(), said::NOT_KNOWN.into()));
    }
    let chosen = match (typed(name), leave) {
        ("", Leave::Now) => "now".to_owned(),
        (text, _) => text.to_owned(),
    };
    // What came from elsewhere, or from a page of yesterday, stays a choice.
    if chosen != "pick"
        && !choices.iter().any(|(value, _)| *value == chosen)
        && let Ok(at) = zone.parse(chosen.strip_prefix("at:").unwrap_or(&chosen))
    {
        choices.push((chosen.clone(), format!("{} {}", words::day(zone, now, at), words::time(zone, at))));
    }
    choices.push(("pick".into(), said::ANOTHER.into()));
    html! {
        fieldset.when {
            legend { (label) }
            @for (value, label) in &choices {
                label.pill { input type="radio" name=(name) value=(value) checked[chosen == *value] required[leave == Leave::Must]; span { (label) } }
            }
            div.picked {
                (days(view, name, typed(&format!("{name}-day"))))
                div.clock {
                    (list(&format!("{id}-hh"), &format!("{name}-hh"), said::HOUR, (0..24).map(|h| format!("{h:02}")), &or(typed(&format!("{name}-hh")), &words::time(zone, now)[..2])))
                    b aria-hidden="true" { ":" }
                    (list(&format!("{id}-mm"), &format!("{name}-mm"), said::MINUTE, (0..12).map(|m| format!("{:02}", m * 5)), &or(typed(&format!("{name}-mm")), "00")))
                }
                details.earlier open[!typed(&other_day(name)).is_empty()] {
                    summary { (said::LONGER_AGO) }
                    label for=(format!("{id}-at")) { (said::DAY_AND_TIME) }
                    input id=(format!("{id}-at")) type="datetime-local" name=(other_day(name)) value=(typed(&other_day(name)));
                }
            }
        }
    }
}

fn or(typed: &str, otherwise: &str) -> String {
    if typed.is_empty() { otherwise.to_owned() } else { typed.to_owned() }
}

fn days(view: &View, name: &str, typed: &str) -> Markup {
    let (zone, now) = (view.zone(), view.now.utc);
    let today = zone.day_of(now);
    let chosen = or(typed, &today.to_string());
    html! {
        div.days role="group" aria-label=(said::DAY) {
            @for back in 0..DAYS {
                @let day = today.plus(-back);
                @let key = day.to_string();
                label.pill {
                    input type="radio" name=(format!("{name}-day")) value=(key) checked[chosen == key];
                    span { (words::day(zone, now, day.start(zone) + Span::from_hours(12))) }
                }
            }
        }
    }
}

fn list(id: &str, name: &str, label: &str, values: impl Iterator<Item = String>, chosen: &str) -> Markup {
    html! {
        label.hidden for=(id) { (label) }
        select id=(id) name=(name) {
            @for value in values { option value=(value) selected[value == chosen] { (value) } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_chosen_without_typing_a_date() {
        let zone = Zone::named("America/Chicago").unwrap();
        let now = Timestamp::parse("2026-04-25T07:10:00-05:00").unwrap();
        let read = |pairs: &[(&str, &str)]| {
            let filled = pairs.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
            super::read(zone, now, &filled, "m").map(|at| at.map(|at| zone.rfc3339(at)))
        };
        let at = |text: &str| Ok(Some(text.to_owned()));
        assert_eq!(read(&[]), Ok(None));
        assert_eq!(read(&[("m", "1h")]), at("2026-04-25T06:10:00-05:00"));
        assert_eq!(read(&[("m", "at:2026-04-24T20:00")]), at("2026-04-24T20:00:00-05:00"));
        let picked = [("m", "pick"), ("m-day", "2026-04-23"), ("m-hh", "21"), ("m-mm", "35")];
        assert_eq!(read(&picked), at("2026-04-23T21:35:00-05:00"));
        assert_eq!(read(&[("m", "pick"), ("m-at", "2026-03-31T08:00")]), at("2026-03-31T08:00:00-05:00"));
        for bad in ["yesterday", "pick", "at:", "2026-13-01T00:00", "at:2026-03-08T02:30"] {
            assert!(read(&[("m", bad)]).is_err(), "{bad}");
        }
    }
}
