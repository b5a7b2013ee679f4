//! `[[people]]` and `[rota]`

use super::value;
use crate::config::checked::{Person, Role, Rota, RotaException, Secret};
use crate::config::raw;
use crate::config::report::{Problem, nearest};
use crate::ids::PersonId;
use crate::notify::gateway::is_mail_to_text_gateway;
use chrono::{Datelike, NaiveDate, NaiveDateTime, NaiveTime, Weekday};
use nightjar_calc::time::Zone;

pub fn check(raw: &[raw::Person], country_code: &str, problems: &mut Vec<Problem>) -> Vec<Person> {
    let mut people: Vec<Person> = Vec::new();
    for (at, given) in raw.iter().enumerate() {
        let path = format!("people[{at}]");
        let id =
            value::required(given.id.as_ref(), &format!("{path}.id"), "a short name, as \"kim\"", problems);
        match PersonId::new(&id) {
            Ok(id) if people.iter().any(|person| person.id == id) => {
                problems.push(Problem::at(format!("{path}.id"), format!("two people are called \"{id}\"")));
            }
            Ok(id) => people.push(person(given, id, &path, country_code, problems)),
            Err(error) if !id.is_empty() => {
                problems.push(Problem::at(format!("{path}.id"), error.to_string()))
            }
            Err(_) => {}
        }
    }
    people
}

fn person(
    given: &raw::Person,
    id: PersonId,
    path: &str,
    country_code: &str,
    problems: &mut Vec<Problem>,
) -> Person {
    let name = given.name.clone().unwrap_or_else(|| id.to_string());
    if name.chars().count() > 40 || name.chars().any(char::is_control) {
        problems.push(Problem::at(format!("{path}.name"), "is too long, or holds control characters"));
    }
    let phone = given.phone.as_ref().and_then(|text| {
        let number = international(text, country_code);
        if number.is_none() {
            problems.push(
                Problem::at(format!("{path}.phone"), format!("\"{text}\" is not a telephone number"))
                    .hint("write it in full with its country code, as \"+12025550143\""),
            );
        }
        number
    });
    let email = given.email.as_ref().and_then(|text| {
        let address = text.trim();
        let plausible = address.len() <= 254
            && address.is_ascii()
            && !address.chars().any(|c| c.is_whitespace() || c.is_control() || "<>,;\"()".contains(c))
            && address.split_once('@').is_some_and(|(local, domain)| {
                !local.is_empty() && !domain.is_empty() && !domain.contains('@')
            });
        if !plausible {
            problems
                .push(Problem::at(format!("{path}.email"), format!("\"{text}\" is not an e-mail address")));
        }
        plausible.then(|| address.to_owned())
    });
    let gateway_address = email.as_deref().is_some_and(is_mail_to_text_gateway);
    let role = value::word(
        given.role.as_ref(),
        Role::Operator,
        &[("viewer", Role::Viewer), ("operator", Role::Operator), ("manager", Role::Manager)],
        &format!("{path}.role"),
        problems,
    );
    let quiet_hours = given.quiet_hours.as_ref().and_then(|text| {
        let parsed = text
            .split_once('-')
            .and_then(|(from, until)| Some((value::minute_of_day(from)?, value::minute_of_day(until)?)));
        if parsed.is_none() {
            problems.push(
                Problem::at(format!("{path}.quiet-hours"), format!("\"{text}\" is not a stretch of the day"))
                    .hint("write it like \"22:00-06:30\""),
            );
        }
        parsed
    });
    let hash = |given: &Option<String>, key: &str, problems: &mut Vec<Problem>| {
        given.as_ref().and_then(|text| {
            let right = text.starts_with("$argon2id$");
            if !right {
                problems.push(
                    Problem::at(format!("{path}.{key}"), "is not an argon2id hash")
                        .hint("make one with: nightjar hash-secret"),
                );
            }
            right.then(|| Secret(text.clone()))
        })
    };
    let password_hash = hash(&given.password_hash, "password-hash", problems);
    let pin_hash = hash(&given.pin_hash, "pin-hash", problems);
    Person { id, name, phone, email, quiet_hours, role, password_hash, pin_hash, gateway_address }
}

/// `+` and 8 to 15 digits (ITU-T E.164); national forms get the country code.
fn international(text: &str, country_code: &str) -> Option<String> {
    let kept: String = text.chars().filter(|c| !" -().".contains(*c)).collect();
    let digits = match kept.strip_prefix('+') {
        Some(digits) => digits.to_owned(),
        None => format!("{country_code}{}", kept.trim_start_matches('0')),
    };
    let fits = (8..=15).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
    fits.then(|| format!("+{digits}"))
}

pub fn check_rota(raw: &raw::Rota, people: &[Person], zone: Zone, problems: &mut Vec<Problem>) -> Rota {
    let known = |name: &str, path: String, problems: &mut Vec<Problem>| -> Option<PersonId> {
        let found = people.iter().find(|person| person.id.as_str() == name);
        match found {
            Some(person) if person.phone.is_none() && (person.email.is_none() || person.gateway_address) => {
                problems.push(
                    Problem::at(path, format!("\"{name}\" cannot be reached"))
                        .hint("give this person a phone or an e-mail address of their own in [[people]]"),
                );
                None
            }
            Some(person) => Some(person.id.clone()),
            None => {
                let problem = Problem::at(path, format!("nobody is called \"{name}\""));
                problems.push(match nearest(name, people.iter().map(|person| person.id.as_str())) {
                    Some(near) => problem.hint(format!("did you mean \"{near}\"?")),
                    None => problem.hint("describe the person in [[people]]"),
                });
                None
            }
        }
    };
    let mut weeks = Vec::new();
    for (w, week) in raw.weeks.iter().enumerate() {
        let named: Vec<PersonId> = week
            .iter()
            .enumerate()
            .filter_map(|(p, name)| known(name, format!("rota.weeks[{w}][{p}]"), problems))
            .collect();
        if week.is_empty() {
            problems.push(
                Problem::at(format!("rota.weeks[{w}]"), "nobody is on call in this week")
                    .hint("name a first and a second contact"),
            );
        }
        weeks.push(named);
    }
    if raw.weeks.is_empty() && !people.is_empty() {
        let reachable =
            |person: &&Person| person.phone.is_some() || (person.email.is_some() && !person.gateway_address);
        let everybody: Vec<PersonId> =
            people.iter().filter(reachable).map(|person| person.id.clone()).collect();
        if everybody.is_empty() {
            problems.push(
                Problem::at("people", "nobody can be reached")
                    .hint("give at least one person a phone or an e-mail address"),
            );
        }
        weeks.push(everybody);
    }
    let owner = raw.owner.as_deref().and_then(|name| known(name, "rota.owner".into(), problems));
    let starts = first_hand_over(raw, problems);
    let mut exceptions = Vec::new();
    for (at, given) in raw.exception.iter().enumerate() {
        let path = format!("rota.exception[{at}]");
        exceptions.extend(exception(given, &path, zone, &known, problems));
    }
    Rota { starts, weeks, owner, exceptions }
}

fn exception(
    given: &raw::Exception,
    path: &str,
    zone: Zone,
    known: &impl Fn(&str, String, &mut Vec<Problem>) -> Option<PersonId>,
    problems: &mut Vec<Problem>,
) -> Option<RotaException> {
    let mut time = |text: &Option<String>, key: &str| {
        let text =
            value::required(text.as_ref(), &format!("{path}.{key}"), "as \"2026-04-20 08:00\"", problems);
        if text.is_empty() {
            return None;
        }
        zone.parse(&text)
            .map_err(|error| problems.push(Problem::at(format!("{path}.{key}"), error.to_string())))
            .ok()
    };
    let (from, until) = (time(&given.from, "from")?, time(&given.until, "until")?);
    if from >= until {
        problems.push(Problem::at(format!("{path}.until"), "is not after from"));
    }
    if given.agreed_by.len() < 2 {
        problems.push(
            Problem::at(format!("{path}.agreed-by"), "a swap needs both names")
                .hint("agreed-by = [\"kim\", \"lee\"]"),
        );
    }
    let on_call: Vec<PersonId> = given
        .on_call
        .iter()
        .enumerate()
        .filter_map(|(at, name)| known(name, format!("{path}.on-call[{at}]"), problems))
        .collect();
    if given.on_call.is_empty() {
        problems.push(Problem::at(format!("{path}.on-call"), "nobody is on call"));
    }
    Some(RotaException { from, until, on_call })
}

fn first_hand_over(raw: &raw::Rota, problems: &mut Vec<Problem>) -> NaiveDateTime {
    const DAYS: [(&str, Weekday); 7] = [
        ("mon", Weekday::Mon),
        ("tue", Weekday::Tue),
        ("wed", Weekday::Wed),
        ("thu", Weekday::Thu),
        ("fri", Weekday::Fri),
        ("sat", Weekday::Sat),
        ("sun", Weekday::Sun),
    ];
    let hand_over = raw.hand_over.as_deref().unwrap_or("mon 08:00").to_lowercase();
    let parsed = hand_over.split_once(' ').and_then(|(day, time)| {
        let day = DAYS.iter().find(|(name, _)| day.starts_with(name)).map(|(_, day)| *day)?;
        let minute = u32::from(value::minute_of_day(time)?);
        Some((day, NaiveTime::from_hms_opt(minute / 60, minute % 60, 0)?))
    });
    let (day, time) = parsed.unwrap_or_else(|| {
        problems.push(
            Problem::at("rota.hand-over", format!("\"{hand_over}\" is not a weekday and a time"))
                .hint("write it like \"mon 08:00\""),
        );
        (Weekday::Mon, NaiveTime::MIN)
    });
    let starts = raw.starts.as_ref().map(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d"));
    let date = match starts {
        Some(Ok(date)) => date,
        Some(Err(_)) => {
            problems.push(Problem::at("rota.starts", "is not a date").hint("write it like \"2026-04-06\""));
            NaiveDate::default()
        }
        // Any fixed date will do: the weeks repeat.
        None => NaiveDate::default(),
    };
    let back = i64::from((7 + date.weekday().num_days_from_monday() - day.num_days_from_monday()) % 7);
    (date - chrono::TimeDelta::days(back)).and_time(time)
}
