//! What the alarms themselves did in the last seven days: how many, how soon answered, which came
//! most, which wavered. Each number beside its target; over the target is said in words.

use crate::alarm::event::{AlarmEvent, Change, EventId, Priority};
use crate::web::backend::{Fate, Message};
use crate::web::components::{self, help};
use crate::web::view::View;
use crate::web::words::{about, answering, week as said};
use crate::web::{past, words};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::collections::BTreeMap;

/// Records looked through.
const RECORDS: usize = 5_000;
const MESSAGES: usize = 2_000;
/// Texts that may wake one person in a week (our own target).
const NIGHT_TEXTS: usize = 2;
/// An alarm that comes so often in a week is worth a look at its settings.
const OFTEN: usize = 10;

/// The page.
pub async fn show(view: View) -> Response {
    let journal = past::journal(&view, None, RECORDS).await;
    let sent = past::messages(&view, None, MESSAGES).await;
    let body = html! {
        nav.beside { a.button href="/alarms" { (answering::BACK) } }
        h1 { (said::HEADING) }
        @match (journal, sent) {
            (Ok(journal), Ok(sent)) => { (report(&Week::of(&journal, &sent, view.now.utc, view.zone()))) }
            (Err(error), _) | (_, Err(error)) => { p.problem { (error) } }
        }
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// The numbers of a week.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Week {
    /// Alarms that came on, by priority: P1, P2, P3.
    pub raised: [usize; 3],
    /// Of these between 22:00 and 06:00.
    pub at_night: usize,
    /// Minutes from coming on to being acknowledged, sorted.
    pub answered_min: Vec<f64>,
    /// Came on and were never acknowledged nor confirmed.
    pub unanswered: usize,
    /// What came most: words, times.
    pub most: Vec<(String, usize)>,
    /// What came again soon after clearing: words, times.
    pub chattering: Vec<(String, usize)>,
    /// Cleared within a minute.
    pub fleeting: usize,
    /// Hours paused or out of use, added up.
    pub paused_h: f64,
    /// Minutes without sight of a header, a flow or a temperature, added up.
    pub blind_min: f64,
    /// Texts to each person at night.
    pub night_texts: BTreeMap<String, usize>,
    /// By route: sent, failed, longest minutes to be taken.
    pub routes: BTreeMap<String, (usize, usize, f64)>,
}

impl Week {
    /// From records and messages, newest first as they are read.
    pub fn of(journal: &[AlarmEvent], sent: &[Message], now: Timestamp, zone: Zone) -> Self {
        let begin = now - Span::from_hours(24 * 7);
        let mut week = Self::default();
        let mut open: BTreeMap<EventId, (Timestamp, bool)> = BTreeMap::new();
        let mut paused: BTreeMap<EventId, Timestamp> = BTreeMap::new();
        let mut blind: BTreeMap<EventId, Timestamp> = BTreeMap::new();
        let mut most: BTreeMap<String, usize> = BTreeMap::new();
        let mut chattering: BTreeMap<String, usize> = BTreeMap::new();
        for event in journal.iter().rev().filter(|e| e.at >= begin && e.at <= now) {
            let name = format!("{} {}", words::alarm(event.kind), words::asset(&event.asset));
            match &event.change {
                Change::Raised => {
                    week.raised[rank(event.priority)] += 1;
                    week.at_night += usize::from(is_night(zone, event.at));
                    *most.entry(name).or_default() += 1;
                    open.insert(event.event, (event.at, false));
                    if words::is_blind(event.kind) {
                        blind.insert(event.event, event.at);
                    }
                }
                Change::Again { .. } => *chattering.entry(name).or_default() += 1,
                Change::Acknowledged { .. } | Change::Confirmed { .. } => {
                    if let Some((at, answered)) = open.get_mut(&event.event)
                        && !*answered
                    {
                        *answered = true;
                        week.answered_min.push(minutes(event.at.since(*at)));
                    }
                }
                Change::Cleared => {
                    if let Some((at, _)) = open.get(&event.event) {
                        week.fleeting += usize::from(event.at.since(*at) < Span::from_minutes(1));
                    }
                    if let Some(since) = blind.remove(&event.event) {
                        week.blind_min += minutes(event.at.since(since));
                    }
                }
                Change::Shelved { .. } | Change::OutOfService { .. } => {
                    paused.entry(event.event).or_insert(event.at);
                }
                Change::Unsuppressed => {
                    if let Some(since) = paused.remove(&event.event) {
                        week.paused_h += event.at.since(since).hours();
                    }
                }
                Change::Worsened | Change::Grew | Change::Reminder | Change::Covered { .. } => {}
            }
        }
        week.paused_h += paused.values().map(|since| now.since(*since).hours()).sum::<f64>();
        week.blind_min += blind.values().map(|since| minutes(now.since(*since))).sum::<f64>();
        week.unanswered = open.values().filter(|(_, answered)| !answered).count();
        week.answered_min.sort_by(f64::total_cmp);
        week.most = top(most, 1);
        week.chattering = top(chattering, 1);
        week.messages(sent, begin, zone);
        week
    }

    fn messages(&mut self, sent: &[Message], begin: Timestamp, zone: Zone) {
        for message in sent.iter().filter(|m| m.at >= begin) {
            let route = self.routes.entry(message.route.clone()).or_default();
            match &message.fate {
                Fate::Sent { at } => {
                    route.0 += 1;
                    route.2 = route.2.max(minutes(at.since(message.at)));
                    if message.event.is_some() && is_night(zone, *at) {
                        *self.night_texts.entry(message.to.clone()).or_default() += 1;
                    }
                }
                Fate::Failed { .. } => route.1 += 1,
                Fate::Waiting { .. } | Fate::Withheld => {}
            }
        }
    }

    /// Minutes within which so large a share was acknowledged.
    pub fn answered_within(&self, share: f64) -> Option<f64> {
        let last = self.answered_min.len().checked_sub(1)?;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to a short list's length"
        )]
        let at = (share * last as f64).round() as usize;
        self.answered_min.get(at.min(last)).copied()
    }
}

const fn rank(priority: Priority) -> usize {
    match priority {
        Priority::P1 => 0,
        Priority::P2 => 1,
        Priority::P3 => 2,
    }
}

fn minutes(length: Span) -> f64 {
    length.ms() as f64 / 60_000.0
}

fn is_night(zone: Zone, at: Timestamp) -> bool {
    use chrono::Timelike;
    let hour = zone.local(at).hour();
    !(6..22).contains(&hour)
}

fn top(counts: BTreeMap<String, usize>, least: usize) -> Vec<(String, usize)> {
    let mut list: Vec<(String, usize)> = counts.into_iter().filter(|(_, n)| *n >= least).collect();
    list.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    list.truncate(5);
    list
}

fn report(week: &Week) -> Markup {
    let over = |bad: bool| html! { @if bad { " " span.mark.bad { (said::OVER) } } };
    html! {
        dl.facts {
            div { dt { (said::CAME_ON) } dd { (week.raised.iter().sum::<usize>()) span.quiet { (said::by_priority(week.raised)) } (help(about::CAME_ON)) } }
            div { dt { (said::AT_NIGHT) } dd { (week.at_night) (help(about::AT_NIGHT)) } }
            div { dt { (said::HALF) } dd { (time(week.answered_within(0.5))) (help(about::ANSWERED)) } }
            div { dt { (said::NEARLY_ALL) } dd { (time(week.answered_within(0.95))) (help(about::ANSWERED)) } }
            div { dt { (said::UNANSWERED) } dd { (week.unanswered) (over(week.unanswered > 0)) (help(about::UNANSWERED)) } }
            div { dt { (said::FLEETING) } dd { (week.fleeting) (help(about::FLEETING)) } }
            div { dt { (said::PAUSED) } dd { (format!("{:.1}", week.paused_h)) " h" (help(about::PAUSED)) } }
            div { dt { (said::BLIND) } dd { (format!("{:.0}", week.blind_min)) " min" (help(about::BLIND)) } }
        }
        section { h2 { (said::MOST) } (ranking(&week.most)) }
        section { h2 { (said::CHATTERING) } (ranking(&week.chattering)) p.small { (said::CHATTERING_DO) } }
        section {
            h2 { (said::MESSAGES) }
            @if week.routes.is_empty() { p.quiet { (said::NONE) } }
            dl.pairs {
                @for (route, (sent, failed, longest)) in &week.routes {
                    div { dt { (route) } dd { (said::route(*sent, *failed, *longest)) " " (over(*failed > 0)) } }
                }
                @for (person, count) in &week.night_texts {
                    div { dt { (said::to_at_night(person)) } dd { (said::target(*count, NIGHT_TEXTS)) (over(*count > NIGHT_TEXTS)) } }
                }
            }
        }
    }
}

fn time(minutes: Option<f64>) -> String {
    minutes.map_or_else(
        || "–".to_owned(),
        |m| if m < 90.0 { format!("{m:.0} min") } else { format!("{:.1} h", m / 60.0) },
    )
}

fn ranking(list: &[(String, usize)]) -> Markup {
    html! {
        @if list.is_empty() { p.quiet { (said::NONE) } }
        dl.pairs {
            @for (name, times) in list {
                div { dt { (name) } dd { (said::times(*times)) @if *times >= OFTEN { " " span.mark.bad { (said::TOO_OFTEN) } } } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::event::{AlarmKind, Asset, Code};
    use crate::ids::PersonId;

    fn zone() -> Zone {
        Zone::named("America/Chicago").unwrap()
    }
    fn now() -> Timestamp {
        Timestamp::parse("2026-04-25T12:00:00-05:00").unwrap()
    }
    fn event(id: u64, minutes_ago: i64, kind: AlarmKind, change: Change) -> AlarmEvent {
        let at = now() - Span::from_minutes(minutes_ago);
        AlarmEvent {
            event: EventId(id),
            seq: 1,
            change,
            kind,
            asset: Asset::Jar("J03".into()),
            priority: Priority::P2,
            members: Vec::new(),
            members_total: 1,
            value: None,
            limit: None,
            unit: String::new(),
            since: at,
            at,
            clock_trusted: true,
            code: Code("M4T".into()),
            eggs_have: None,
            hint: String::new(),
            unverified: false,
            chattering: false,
        }
    }

    /// Worked out by hand.
    #[test]
    fn a_week_adds_up() {
        let kim = PersonId::new("kim").unwrap();
        let known = || Change::Acknowledged { by: kim.clone(), until: now() };
        // Newest first, as the record gives them.
        let journal = vec![
            event(3, 30, AlarmKind::BlindTemp, Change::Raised),
            event(2, 60, AlarmKind::TempHigh, Change::Again { times: 2 }),
            event(2, 90, AlarmKind::TempHigh, Change::Cleared),
            event(2, 110, AlarmKind::TempHigh, known()),
            event(2, 120, AlarmKind::TempHigh, Change::Raised),
            // 02:00 local time.
            event(1, 598, AlarmKind::TempHigh, known()),
            event(1, 600, AlarmKind::TempHigh, Change::Raised),
            event(9, 60 * 24 * 8, AlarmKind::TempHigh, Change::Raised),
        ];
        let week = Week::of(&journal, &[], now(), zone());
        assert_eq!(week.raised, [0, 3, 0]);
        assert_eq!(week.at_night, 1);
        assert_eq!(week.answered_min, vec![2.0, 10.0]);
        assert_eq!(week.unanswered, 1);
        assert_eq!(week.most[0], ("Temperature high jar J03".into(), 2));
        assert_eq!(week.chattering, vec![("Temperature high jar J03".into(), 1)]);
        assert!((week.blind_min - 30.0).abs() < 1e-9);
        assert_eq!(week.answered_within(0.95), Some(10.0));
    }

    #[test]
    fn an_empty_week_has_no_numbers_made_up() {
        let week = Week::of(&[], &[], now(), zone());
        assert_eq!(week, Week::default());
        assert_eq!(week.answered_within(0.5), None);
    }
}
