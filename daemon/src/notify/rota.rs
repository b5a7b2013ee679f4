//! Who is on call. Weeks repeat and hand over at the same local time, whatever daylight saving
//! does: each hand-over is one instant, so there is neither gap nor overlap.

use crate::config::checked::Rota;
use crate::ids::PersonId;
use chrono::{NaiveDateTime, TimeDelta};
use nightjar_calc::time::{Span, Timestamp, Zone};

/// The people on call at a moment.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OnCall {
    /// Told first.
    pub first: Option<PersonId>,
    /// Told when the first does not answer.
    pub second: Option<PersonId>,
    /// Everyone on the list, in order, and the owner last.
    pub everyone: Vec<PersonId>,
}

/// A stretch without a first or second contact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hole {
    /// When it begins.
    pub from: Timestamp,
    /// Nobody at all, not even a first contact.
    pub nobody: bool,
}

/// Who is on call at a moment. Before the first hand-over nobody is, except through exceptions;
/// the owner is on the list always.
#[must_use]
pub fn on_call(rota: &Rota, zone: Zone, at: Timestamp) -> OnCall {
    let exception = rota.exceptions.iter().rev().find(|e| e.from <= at && at < e.until);
    let list: &[PersonId] = match exception {
        Some(exception) => &exception.on_call,
        None => week_at(rota, zone, at).map_or(&[], Vec::as_slice),
    };
    let mut everyone: Vec<PersonId> = Vec::new();
    for person in list.iter().chain(rota.owner.as_ref()) {
        if !everyone.contains(person) {
            everyone.push(person.clone());
        }
    }
    OnCall { first: list.first().cloned(), second: list.get(1).cloned(), everyone }
}

/// The last hand-over up to a moment; `None` before the first.
#[must_use]
pub fn last_hand_over(rota: &Rota, zone: Zone, at: Timestamp) -> Option<Timestamp> {
    if rota.weeks.is_empty() {
        return None;
    }
    hand_over(rota, zone, number_at(rota, zone, at)?)
}

/// The hand-over after a moment.
#[must_use]
pub fn next_hand_over(rota: &Rota, zone: Zone, at: Timestamp) -> Option<Timestamp> {
    if rota.weeks.is_empty() {
        return None;
    }
    let after = number_at(rota, zone, at).map_or(0, |number| number + 1);
    hand_over(rota, zone, after)
}

/// The first moment within `ahead` at which a first or second contact is missing. Only moments at
/// which something changes are looked at; between them nothing can.
#[must_use]
pub fn first_hole(rota: &Rota, zone: Zone, from: Timestamp, ahead: Span) -> Option<Hole> {
    let end = from + ahead;
    let mut moments = vec![from];
    moments.extend(rota.exceptions.iter().flat_map(|e| [e.from, e.until]));
    let mut at = from;
    while let Some(next) = next_hand_over(rota, zone, at).filter(|next| *next < end && *next > at) {
        moments.push(next);
        at = next;
    }
    moments.retain(|moment| (from..end).contains(moment));
    moments.sort_unstable();
    moments.into_iter().find_map(|moment| {
        let who = on_call(rota, zone, moment);
        let missing = who.first.is_none() || who.second.is_none();
        missing.then_some(Hole { from: moment, nobody: who.first.is_none() })
    })
}

fn week_at(rota: &Rota, zone: Zone, at: Timestamp) -> Option<&Vec<PersonId>> {
    let number = number_at(rota, zone, at)?;
    let len = i64::try_from(rota.weeks.len()).ok()?;
    let ix = usize::try_from(number.checked_rem(len)?).ok()?;
    rota.weeks.get(ix)
}

/// Number of the week a moment is in, from 0; `None` before the first.
fn number_at(rota: &Rota, zone: Zone, at: Timestamp) -> Option<i64> {
    let days = zone.local(at).signed_duration_since(rota.starts).num_days();
    // The estimate by local time can be off by one where the clock goes back; instants decide.
    let estimate = days.div_euclid(7);
    (estimate - 1..=estimate + 1)
        .rev()
        .find(|number| hand_over(rota, zone, *number).is_some_and(|start| start <= at))
        .filter(|number| *number >= 0)
}

fn hand_over(rota: &Rota, zone: Zone, number: i64) -> Option<Timestamp> {
    let weeks = TimeDelta::try_days(number.checked_mul(7)?)?;
    let local: NaiveDateTime = rota.starts.checked_add_signed(weeks)?;
    Some(zone.instant_or_next(local))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::checked::RotaException;

    fn person(name: &str) -> PersonId {
        PersonId::new(name).unwrap()
    }

    fn rota(weeks: &[&[&str]]) -> Rota {
        Rota {
            starts: "2026-10-19T08:00:00".parse().unwrap(),
            weeks: weeks.iter().map(|w| w.iter().map(|p| person(p)).collect()).collect(),
            owner: Some(person("olga")),
            exceptions: Vec::new(),
        }
    }

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).unwrap()
    }

    #[test]
    fn hands_over_at_eight_local_time_in_both_halves_of_the_year() {
        // tz database, America/Chicago: UTC-5 until 2026-11-01 02:00 local, UTC-6 after it.
        let zone = Zone::named("America/Chicago").unwrap();
        let rota = rota(&[&["ann", "bo"], &["cy", "di"]]);
        let first = |text| on_call(&rota, zone, at(text)).first.map(String::from);
        assert_eq!(first("2026-10-19T12:59:59Z"), None, "before the first hand-over");
        assert_eq!(first("2026-10-19T13:00:00Z").as_deref(), Some("ann"));
        assert_eq!(first("2026-10-26T12:59:59Z").as_deref(), Some("ann"));
        assert_eq!(first("2026-10-26T13:00:00Z").as_deref(), Some("cy"));
        assert_eq!(first("2026-11-02T13:59:59Z").as_deref(), Some("cy"));
        assert_eq!(first("2026-11-02T14:00:00Z").as_deref(), Some("ann"));
    }

    #[test]
    fn the_longer_week_has_no_gap_and_no_overlap() {
        let zone = Zone::named("America/Chicago").unwrap();
        let rota = rota(&[&["ann", "bo"], &["cy", "di"]]);
        let mut moment = at("2026-10-26T13:00:00Z");
        let mut minutes = 0;
        while on_call(&rota, zone, moment).first == Some(person("cy")) {
            minutes += 1;
            moment = moment + Span::from_minutes(1);
        }
        assert_eq!(minutes, (7 * 24 + 1) * 60);
    }

    #[test]
    fn without_weeks_nothing_is_handed_over() {
        let rota = rota(&[]);
        let now = at("2026-10-22T00:00:00Z");
        assert_eq!(
            (last_hand_over(&rota, Zone::UTC, now), next_hand_over(&rota, Zone::UTC, now)),
            (None, None)
        );
        let hole = first_hole(&rota, Zone::UTC, now, Span::from_days(1.0));
        assert_eq!(hole, Some(Hole { from: now, nobody: true }));
    }

    #[test]
    fn a_cover_begins_at_its_first_moment_and_is_over_at_its_last() {
        let mut rota = rota(&[&["ann", "bo"]]);
        let (from, until) = (at("2026-10-22T00:00:00Z"), at("2026-10-22T05:00:00Z"));
        rota.exceptions.push(RotaException { from, until, on_call: Vec::new() });
        let first = |moment| on_call(&rota, Zone::UTC, moment).first;
        let ms = Span::from_ms(1);
        assert_eq!([first(from - ms), first(until)], [Some(person("ann")), Some(person("ann"))]);
        assert_eq!([first(from), first(until - ms)], [None, None], "nobody covers it");
        let hole = first_hole(&rota, Zone::UTC, from - ms, Span::from_days(1.0));
        assert_eq!(hole, Some(Hole { from, nobody: true }));
    }

    #[test]
    fn a_week_that_lacks_a_second_contact_is_found_at_its_hand_over() {
        let rota = rota(&[&["ann", "bo"], &["cy", "di"], &["eve"]]);
        let from = at("2026-10-20T08:00:00Z");
        let hole = |days| first_hole(&rota, Zone::UTC, from, Span::from_days(days)).map(|hole| hole.from);
        assert_eq!(hole(12.0), None);
        assert_eq!(hole(14.0), Some(at("2026-11-02T08:00:00Z")));
    }

    #[test]
    fn a_cover_replaces_the_week_and_a_lonely_one_is_a_hole() {
        let zone = Zone::UTC;
        let mut rota = rota(&[&["ann", "bo"]]);
        let from = at("2026-10-20T08:00:00Z");
        assert_eq!(first_hole(&rota, zone, from, Span::from_days(14.0)), None);
        let cover = at("2026-10-22T00:00:00Z");
        rota.exceptions.push(RotaException {
            from: cover,
            until: cover + Span::from_hours(5),
            on_call: vec![person("eve")],
        });
        let who = on_call(&rota, zone, cover);
        assert_eq!((who.first, who.second), (Some(person("eve")), None));
        assert_eq!(who.everyone, vec![person("eve"), person("olga")]);
        let hole = first_hole(&rota, zone, from, Span::from_days(14.0));
        assert_eq!(hole, Some(Hole { from: cover, nobody: false }));
    }
}
