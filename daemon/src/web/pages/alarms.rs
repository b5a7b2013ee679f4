//! Alarms: what is on, what is paused, what happened, and who was told.

pub mod week;

use crate::alarm::event::{AlarmEvent, AlarmKind, Change, EventId, Priority};
use crate::ids::PersonId;
use crate::snapshot::AlarmView;
use crate::web::backend::{Command, Message, Role};
use crate::web::change::{self, Needs};
use crate::web::components::{self, can_enter, needs_somebody, sign, small_sign};
use crate::web::events::{self, Watched};
use crate::web::pages::{entry, messages, sign_in};
use crate::web::view::{View, Who};
use crate::web::{forms, past, words};
use axum::extract::{Form, Path};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Span;

/// Lines of history on the page.
const HISTORY: usize = 60;

/// The page.
pub async fn show(view: View) -> Response {
    let journal = past::journal(&view, None, HISTORY).await;
    let body = html! {
        h1 { "Alarms" }
        div data-live="/live?view=alarms" data-have=(events::version_of(&view, &Watched::Alarms)) {
            div #alarm-list { (list(&view)) }
        }
        section aria-labelledby="h-history" {
            h2 #h-history { "What happened" }
            p { a.button href="/alarms/week" { "The last seven days in numbers" } }
            @match journal {
                Ok(journal) => { (history(&view, &journal)) }
                Err(error) => { p.problem { (error) } }
            }
        }
    };
    components::page(&view, "Alarms", &body).into_response()
}

/// Open alarms, then those somebody knows, then those that are paused.
pub fn list(view: &View) -> Markup {
    let (open, rest): (Vec<_>, Vec<_>) = view.snap.alarms.iter().partition(|a| needs_somebody(a));
    let (paused, known): (Vec<_>, Vec<_>) = rest.into_iter().partition(|a| a.suppressed.is_some());
    html! {
        section aria-labelledby="h-open" {
            h2 #h-open { "Need somebody" }
            @if open.is_empty() { p.quiet { (small_sign("well")) " None." } }
            @for alarm in &open { (card(view, alarm, "/alarms", None)) }
        }
        @if !known.is_empty() {
            section aria-labelledby="h-known" { h2 #h-known { "Somebody knows" } @for alarm in &known { (card(view, alarm, "/alarms", None)) } }
        }
        @if !paused.is_empty() {
            section aria-labelledby="h-paused" { h2 #h-paused { "Paused, covered or out of use" } @for alarm in &paused { (card(view, alarm, "/alarms", None)) } }
        }
    }
}

/// Longest pause of a priority.
pub const fn longest_pause(priority: Priority) -> Span {
    match priority {
        Priority::P1 => Span::from_minutes(30),
        Priority::P2 => Span::from_hours(4),
        Priority::P3 => Span::from_hours(24),
    }
}

const fn pauses(priority: Priority) -> &'static [(&'static str, &'static str)] {
    match priority {
        Priority::P1 => &[("15", "15 min"), ("30", "30 min")],
        Priority::P2 => &[("30", "30 min"), ("120", "2 h"), ("240", "4 h")],
        Priority::P3 => &[("60", "1 h"), ("480", "8 h"), ("1440", "24 h")],
    }
}

/// One alarm with what can be done about it.
pub fn card(view: &View, alarm: &AlarmView, back: &str, problem: Option<&str>) -> Markup {
    let class = if alarm.suppressed.is_some() {
        "paused"
    } else if alarm.acknowledged.is_some() {
        "known"
    } else {
        match alarm.priority {
            Priority::P1 => "p1",
            Priority::P2 => "p2",
            Priority::P3 => "p3",
        }
    };
    let (short, long) = words::priority(alarm.priority);
    html! {
        article.alarm.(class) id=(format!("e{}", alarm.event.0)) {
            header {
                @if alarm.suppressed.is_some() { (small_sign("pause")) } @else { (sign(alarm.priority)) }
                h3 { (short) " " (words::alarm(alarm.kind)) ": " (words::asset(&alarm.asset)) }
            }
            @if let Some(problem) = problem { p.problem role="alert" { (problem) } }
            p.line { (state(view, alarm)) }
            @if alarm.members_total > 1 { p { (alarm.members.len()) " of " (alarm.members_total) " in alarm: " (alarm.members.join(", ")) } }
            p {
                @match alarm.value {
                    Some(value) => { b { (view.amount(value, &alarm.unit)) } }
                    None => { b { "no reading" } }
                }
                @if let Some(limit) = alarm.limit { ", limit " (view.amount(limit, &alarm.unit)) }
                ", since " (view.moment(alarm.since))
                @if alarm.unverified { " " span.mark { "not verified since: the sensor went silent or bad" } }
                @if alarm.chattering { " " span.mark { "chattering: held on" } }
            }
            p.do { b { "Do: " } (alarm.action) }
            (actions(view, alarm, back))
            details.source { summary { "More" }
                p { (short) ": " (long) ". Answer code " b { (alarm.code.0) } "." }
                p { "As texted: " (alarm.line) }
                p { a href=(format!("/alarms/{}", alarm.event.0)) { "What happened and who was told" } }
            }
        }
    }
}

fn state(view: &View, alarm: &AlarmView) -> Markup {
    html! {
        @if let Some((why, until)) = &alarm.suppressed {
            (capital(why)) @if let Some(until) = until { " until " (view.moment(*until)) }
            (if alarm.on { ". The condition is still on." } else { ". The condition is off." })
        } @else if let Some((who, until)) = &alarm.acknowledged {
            "Acknowledged by " b { (who) } ", reminder " (view.moment(*until)) (if alarm.on { ". Still on." } else { "." })
        } @else if alarm.on { "On, nobody has answered." } @else { "Cleared, nobody has answered." }
    }
}

/// The first letter large, for the beginning of a sentence.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn actions(view: &View, alarm: &AlarmView, back: &str) -> Markup {
    if !can_enter(view) {
        return html! { @if view.site.backend.access.sign_in { p { a.button href="/sign-in" { "Sign in to answer" } } } };
    }
    let id = alarm.event.0;
    let path = |what: &str| format!("/alarm/{id}/{what}");
    let hidden = html! { (components::form_word(view)) input type="hidden" name="back" value=(back); };
    html! {
        div.actions {
            @if alarm.acknowledged.is_none() {
                form method="post" action=(path("acknowledge")) { (hidden) (components::pin_fields(view, &format!("a{id}"))) button.main { "Acknowledge" } }
            }
            form method="post" action=(path("confirm")) { (hidden) (components::pin_fields(view, &format!("c{id}"))) button { "It is fixed" } }
            @if view.may(Role::Operator) {
                @if alarm.suppressed.is_some() {
                    form method="post" action=(path("resume")) { (hidden) button { "End the pause" } }
                } @else {
                    details { summary { "Pause" }
                        form method="post" action=(path("pause")) {
                            (hidden)
                            fieldset { legend { "For" } @for (i, (minutes, label)) in pauses(alarm.priority).iter().enumerate() {
                                label.pill { input type="radio" name="minutes" value=(minutes) checked[i == 0]; span { (label) } }
                            } }
                            label { input type="checkbox" name="one_shot" value="yes" checked; " end it when the alarm clears" }
                            label for=(format!("pr{id}")) { "Why" }
                            input id=(format!("pr{id}")) name="reason" required maxlength="200";
                            (password_again(view, &format!("pw{id}")))
                            button { "Pause" }
                        }
                    }
                }
            }
            @if view.may(Role::Manager) && alarm.suppressed.is_none() {
                details { summary { "Out of use" }
                    form method="post" action=(path("out-of-use")) {
                        (hidden)
                        fieldset { legend { "Planned end" } @for (i, (days, label)) in [("1", "1 day"), ("3", "3 days"), ("7", "7 days")].iter().enumerate() {
                            label.pill { input type="radio" name="days" value=(days) checked[i == 0]; span { (label) } }
                        } }
                        label for=(format!("or{id}")) { "Why" }
                        input id=(format!("or{id}")) name="reason" required maxlength="200";
                        (password_again(view, &format!("ow{id}")))
                        button { "Take out of use" }
                    }
                }
            }
        }
    }
}

fn password_again(view: &View, id: &str) -> Markup {
    match &view.who {
        Who::Known { session, .. } if !session.freshly_proved(view.now.up) => html! {
            label for=(id) { "Password again" }
            input id=(id) name="password" type="password" autocomplete="current-password" required;
        },
        Who::Known { .. } | Who::Demo(_) | Who::Nobody => html! {},
    }
}

fn history(view: &View, journal: &[AlarmEvent]) -> Markup {
    if journal.is_empty() {
        return html! { p.quiet { "Nothing yet." } };
    }
    html! {
        ol.log {
            @for event in journal {
                li { p.line {
                    a href=(format!("/alarms/{}", event.event.0)) {
                        b { (words::priority(event.priority).0) " " (words::alarm(event.kind)) } " " (words::asset(&event.asset))
                    }
                    " – " (change_words(view, event))
                }
                p.quiet { (view.moment(event.at)) @if !event.clock_trusted { " " span.mark { "clock not trusted" } } } }
            }
        }
    }
}

fn change_words(view: &View, event: &AlarmEvent) -> String {
    let until =
        |at| format!("{} {}", words::day(view.zone(), view.now.utc, at), words::time(view.zone(), at));
    match &event.change {
        Change::Raised => "on".into(),
        Change::Again { times } => format!("on again, time {times}"),
        Change::Worsened => "got worse".into(),
        Change::Grew => format!("grew to {} of {}", event.members.len(), event.members_total),
        Change::Acknowledged { by, until: at } => format!("acknowledged by {by}, reminder {}", until(*at)),
        Change::Reminder => "still on, reminder".into(),
        Change::Cleared => "cleared".into(),
        Change::Confirmed { by } => format!("fixed by {by}"),
        Change::Shelved { by, until: at } => format!("paused by {by} until {}", until(*at)),
        Change::Covered { by } => format!("covered by {by}"),
        Change::OutOfService { by, until: at, reason } => {
            format!("taken out of use by {by} until {}: {reason}", until(*at))
        }
        Change::Unsuppressed => "pause over".into(),
    }
}

/// One event: what happened, and who was told.
pub async fn one(view: View, Path(id): Path<u64>) -> Response {
    let event = EventId(id);
    let journal = past::journal(&view, Some(event), 200).await.unwrap_or_default();
    let told = past::messages(&view, Some(event), 200).await.unwrap_or_default();
    let open = view.snap.alarms.iter().find(|a| a.event == event);
    if journal.is_empty() && open.is_none() {
        return sign_in::not_found(&view, "There is no such alarm.");
    }
    let body = html! {
        nav.beside { a.button href="/alarms" { "‹ Alarms" } }
        h1 { @if let Some(first) = journal.last() { (words::alarm(first.kind)) ": " (words::asset(&first.asset)) } @else { "Alarm" } }
        @if let Some(open) = open { (card(&view, open, "/alarms", None)) }
        section aria-labelledby="h-what" { h2 #h-what { "What happened" } (history(&view, &journal)) }
        section aria-labelledby="h-told" { h2 #h-told { "Who was told" } (told_list(&view, &told)) }
    };
    components::page(&view, "Alarm", &body).into_response()
}

fn told_list(view: &View, told: &[Message]) -> Markup {
    html! { @if told.is_empty() { p.quiet { "Nobody was told about this." } } @else { (messages::list(view, told)) } }
}

/// Takes an answer to an alarm.
pub async fn act(
    view: View,
    Path((id, what)): Path<(u64, String)>,
    Form(pairs): Form<Vec<(String, String)>>,
) -> Response {
    let filled = forms::filled(pairs);
    let back = entry::back_of(&filled, "/alarms");
    let Some(alarm) = view.snap.alarms.iter().find(|a| a.event == EventId(id)).cloned() else {
        return sign_in::problem(
            &view,
            StatusCode::NOT_FOUND,
            "That alarm is over; nothing was changed.",
            &back,
        );
    };
    let (command, needs) = match command(&view, &alarm, &what, &filled) {
        Ok(command) => command,
        Err((status, why)) => return sign_in::problem(&view, status, &why, &back),
    };
    let done = async {
        let allowed = change::allowed(&view, &filled, needs).await?;
        change::ask(&view, command(allowed.by)).await?;
        Ok::<_, change::NotDone>(allowed.token)
    };
    match done.await {
        Ok(token) => entry::finish(&view, token, &back),
        Err(not_done) => sign_in::problem(&view, not_done.status(), &not_done.to_string(), &back),
    }
}

type Order = Box<dyn FnOnce(PersonId) -> Command + Send>;

fn command(
    view: &View,
    alarm: &AlarmView,
    what: &str,
    filled: &forms::Filled,
) -> Result<(Order, Needs), (StatusCode, String)> {
    let event = alarm.event;
    let number = |name: &str| filled.get(name).and_then(|n| n.parse::<i64>().ok()).unwrap_or(0);
    let reason = filled.get("reason").map_or("", |r| r.trim()).to_owned();
    let wrong = |why: &str| Err((StatusCode::UNPROCESSABLE_ENTITY, why.to_owned()));
    let reasoned = (1..=200).contains(&reason.chars().count());
    match what {
        "acknowledge" => Ok((Box::new(move |by| Command::Acknowledge { event, by }), Needs::Pin)),
        "confirm" => Ok((Box::new(move |by| Command::Confirm { event, by }), Needs::Pin)),
        "resume" => {
            Ok((Box::new(move |by| Command::Unshelve { event, by }), Needs::Password(Role::Operator)))
        }
        "pause" => {
            let length = Span::from_minutes(number("minutes").clamp(-1, 100_000));
            if length <= Span::ZERO || length > longest_pause(alarm.priority) {
                return wrong(&format!(
                    "A {} can be paused for at most {} minutes.",
                    words::priority(alarm.priority).0,
                    longest_pause(alarm.priority).ms() / 60_000
                ));
            }
            if !reasoned {
                return wrong("Say why, in up to 200 characters.");
            }
            let until = view.now.utc + length;
            let one_shot = filled.get("one_shot").is_some_and(|v| v == "yes");
            let order = move |by| Command::Shelve { event, until, one_shot, reason, by };
            Ok((Box::new(order), Needs::Password(Role::Operator)))
        }
        "out-of-use" => {
            let days = number("days");
            if !(1..=7).contains(&days) {
                return wrong("Out of use needs a planned end within 7 days.");
            }
            if !reasoned {
                return wrong("Say why, in up to 200 characters.");
            }
            let until = view.now.utc + Span::from_hours(24 * days);
            let (kind, asset): (AlarmKind, _) = (alarm.kind, alarm.asset.clone());
            let order = move |by| Command::OutOfService { kind, asset, until, reason, by };
            Ok((Box::new(order), Needs::Password(Role::Manager)))
        }
        _ => Err((StatusCode::NOT_FOUND, "There is no such answer to an alarm.".into())),
    }
}
