//! Alarms: what is on, what is paused, what happened, and who was told.

pub mod week;

use crate::alarm::event::{AlarmEvent, AlarmKind, EventId, Priority};
use crate::ids::PersonId;
use crate::snapshot::AlarmView;
use crate::web::backend::{Command, Message, Role};
use crate::web::change::{self, Needs};
use crate::web::components::{self, can_enter, needs_somebody, say, sign, small_sign};
use crate::web::events::{self, Watched};
use crate::web::pages::{entry, messages, sign_in};
use crate::web::view::{View, Who};
use crate::web::words::answering;
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
        h1 { (answering::TITLE) }
        div data-live="/live?view=alarms" data-have=(events::version_of(&view, &Watched::Alarms)) {
            div #alarm-list { (list(&view)) }
        }
        section aria-labelledby="h-history" {
            h2 #h-history { (answering::HISTORY) }
            p { a.button href="/alarms/week" { (answering::WEEK) } }
            @match journal {
                Ok(journal) => { (history(&view, &journal)) }
                Err(error) => { p.problem { (error) } }
            }
        }
    };
    components::page(&view, answering::TITLE, &body).into_response()
}

/// Open alarms, then those somebody knows, then those that are paused.
pub fn list(view: &View) -> Markup {
    let (open, rest): (Vec<_>, Vec<_>) = view.snap.alarms.iter().partition(|a| needs_somebody(a));
    let (paused, known): (Vec<_>, Vec<_>) = rest.into_iter().partition(|a| a.suppressed.is_some());
    html! {
        section aria-labelledby="h-open" {
            h2 #h-open { (answering::OPEN) }
            @if open.is_empty() { p.quiet { (small_sign("well")) " " (answering::NONE) } }
            @for alarm in &open { (card(view, alarm, "/alarms", None)) }
        }
        @if !known.is_empty() {
            section aria-labelledby="h-known" { h2 #h-known { (answering::KNOWN) } @for alarm in &known { (card(view, alarm, "/alarms", None)) } }
        }
        @if !paused.is_empty() {
            section aria-labelledby="h-paused" { h2 #h-paused { (answering::SILENCED) } @for alarm in &paused { (card(view, alarm, "/alarms", None)) } }
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
    let [urgent, soon, later] = answering::PAUSES;
    match priority {
        Priority::P1 => urgent,
        Priority::P2 => soon,
        Priority::P3 => later,
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
            @if alarm.members_total > 1 { p { (say(answering::MEMBERS, &[("n", html! { (alarm.members.len()) }), ("total", html! { (alarm.members_total) }), ("names", html! { (alarm.members.join(", ")) })])) } }
            p {
                (value(view, alarm))
                @if alarm.unverified { " " span.mark { (answering::NOT_VERIFIED) } }
                @if alarm.chattering { " " span.mark { (answering::CHATTERING) } }
            }
            p.do { b { (answering::DO) } (alarm.action) }
            (actions(view, alarm, back))
            details.source { summary { (answering::MORE) }
                p { (say(answering::URGENCY, &[("priority", html! { (short) }), ("meaning", html! { (long) }), ("code", html! { b { (alarm.code.0) } })])) }
                p { (say(answering::AS_TEXTED, &[("line", html! { (alarm.line) })])) }
                p { a href=(format!("/alarms/{}", alarm.event.0)) { (answering::WHAT_AND_WHO) } }
            }
        }
    }
}

fn state(view: &View, alarm: &AlarmView) -> Markup {
    if let Some((why, until)) = &alarm.suppressed {
        let why = ("why", html! { (capital(why)) });
        match (until, alarm.on) {
            (Some(at), true) => say(answering::SILENCED_UNTIL_ON, &[why, ("when", view.moment(*at))]),
            (Some(at), false) => say(answering::SILENCED_UNTIL_OFF, &[why, ("when", view.moment(*at))]),
            (None, true) => say(answering::SILENCED_ON, &[why]),
            (None, false) => say(answering::SILENCED_OFF, &[why]),
        }
    } else if let Some((who, until)) = &alarm.acknowledged {
        let gaps = [("who", html! { b { (who) } }), ("when", view.moment(*until))];
        say(if alarm.on { answering::KNOWN_ON } else { answering::KNOWN_OFF }, &gaps)
    } else {
        html! { (if alarm.on { answering::ON } else { answering::CLEARED }) }
    }
}

/// What was measured, what is allowed, since when.
fn value(view: &View, alarm: &AlarmView) -> Markup {
    let apart = alarm.kind == AlarmKind::Disagrees;
    let amount = |value: f64| {
        if apart || alarm.kind == AlarmKind::TempRate {
            view.difference(value, &alarm.unit)
        } else {
            view.amount(value, &alarm.unit)
        }
    };
    let measured = alarm.value.map_or_else(
        || html! { b { (answering::NO_READING) } },
        |value| html! { b { (amount(value)) @if apart { (answering::APART) } } },
    );
    let since = ("when", view.moment(alarm.since));
    match alarm.limit {
        Some(limit) => {
            let limit = ("limit", html! { (amount(limit)) });
            say(answering::VALUE_LIMIT, &[("value", measured), limit, since])
        }
        None => say(answering::VALUE, &[("value", measured), since]),
    }
}

/// The first letter large, for the beginning of a sentence.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn actions(view: &View, alarm: &AlarmView, back: &str) -> Markup {
    if !can_enter(view) {
        return html! { @if view.site.backend.access.sign_in { p { a.button href="/sign-in" { (answering::SIGN_IN) } } } };
    }
    let id = alarm.event.0;
    let path = |what: &str| format!("/alarm/{id}/{what}");
    let hidden = html! { (components::form_word(view)) input type="hidden" name="back" value=(back); };
    html! {
        div.actions {
            @if alarm.acknowledged.is_none() {
                form method="post" action=(path("acknowledge")) { (hidden) (components::pin_fields(view, &format!("a{id}"))) button.main { (answering::ACKNOWLEDGE) } }
            }
            form method="post" action=(path("confirm")) { (hidden) (components::pin_fields(view, &format!("c{id}"))) button { (answering::FIXED) } }
            @if view.may(Role::Operator) {
                @if alarm.suppressed.is_some() {
                    form method="post" action=(path("resume")) { (hidden) button { (answering::END_PAUSE) } }
                } @else {
                    details { summary { (answering::PAUSE) }
                        form method="post" action=(path("pause")) {
                            (hidden)
                            fieldset { legend { (answering::PAUSE_FOR) } @for (i, (minutes, label)) in pauses(alarm.priority).iter().enumerate() {
                                label.pill { input type="radio" name="minutes" value=(minutes) checked[i == 0]; span { (label) } }
                            } }
                            label { input type="checkbox" name="one_shot" value="yes" checked; " " (answering::ONE_SHOT) }
                            label for=(format!("pr{id}")) { (answering::WHY) }
                            input id=(format!("pr{id}")) name="reason" required maxlength="200";
                            (password_again(view, &format!("pw{id}")))
                            button { (answering::PAUSE) }
                        }
                    }
                }
            }
            @if view.may(Role::Manager) && alarm.suppressed.is_none() {
                details { summary { (answering::OUT_OF_USE) }
                    form method="post" action=(path("out-of-use")) {
                        (hidden)
                        fieldset { legend { (answering::PLANNED_END) } @for (i, (days, label)) in answering::ENDS.iter().enumerate() {
                            label.pill { input type="radio" name="days" value=(days) checked[i == 0]; span { (label) } }
                        } }
                        label for=(format!("or{id}")) { (answering::WHY) }
                        input id=(format!("or{id}")) name="reason" required maxlength="200";
                        (password_again(view, &format!("ow{id}")))
                        button { (answering::TAKE_OUT) }
                    }
                }
            }
        }
    }
}

fn password_again(view: &View, id: &str) -> Markup {
    match &view.who {
        Who::Known { session, .. } if !session.freshly_proved(view.now.up) => html! {
            label for=(id) { (answering::PASSWORD_AGAIN) }
            input id=(id) name="password" type="password" autocomplete="current-password" required;
        },
        Who::Known { .. } | Who::Demo(_) | Who::Nobody => html! {},
    }
}

fn history(view: &View, journal: &[AlarmEvent]) -> Markup {
    if journal.is_empty() {
        return html! { p.quiet { (answering::NO_HISTORY) } };
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
                p.quiet { (view.moment(event.at)) @if !event.clock_trusted { " " span.mark { (answering::CLOCK) } } } }
            }
        }
    }
}

fn change_words(view: &View, event: &AlarmEvent) -> String {
    let until =
        |at| format!("{} {}", words::day(view.zone(), view.now.utc, at), words::time(view.zone(), at));
    answering::change(event, until)
}

/// One event: what happened, and who was told.
pub async fn one(view: View, Path(id): Path<u64>) -> Response {
    let event = EventId(id);
    let journal = past::journal(&view, Some(event), 200).await.unwrap_or_default();
    let told = past::messages(&view, Some(event), 200).await.unwrap_or_default();
    let open = view.snap.alarms.iter().find(|a| a.event == event);
    if journal.is_empty() && open.is_none() {
        return sign_in::not_found(&view, answering::NO_SUCH);
    }
    let body = html! {
        nav.beside { a.button href="/alarms" { (answering::BACK) } }
        h1 { @if let Some(first) = journal.last() { (words::alarm(first.kind)) ": " (words::asset(&first.asset)) } @else { (answering::ONE) } }
        @if let Some(open) = open { (card(&view, open, "/alarms", None)) }
        section aria-labelledby="h-what" { h2 #h-what { (answering::HISTORY) } (history(&view, &journal)) }
        section aria-labelledby="h-told" { h2 #h-told { (answering::TOLD) } (told_list(&view, &told)) }
    };
    components::page(&view, answering::ONE, &body).into_response()
}

fn told_list(view: &View, told: &[Message]) -> Markup {
    html! { @if told.is_empty() { p.quiet { (answering::NOBODY_TOLD) } } @else { (messages::list(view, told)) } }
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
        return sign_in::problem(&view, StatusCode::NOT_FOUND, answering::OVER, &back);
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
                return wrong(&answering::at_most(
                    words::priority(alarm.priority).0,
                    longest_pause(alarm.priority).ms() / 60_000,
                ));
            }
            if !reasoned {
                return wrong(answering::SAY_WHY);
            }
            let until = view.now.utc + length;
            let one_shot = filled.get("one_shot").is_some_and(|v| v == "yes");
            let order = move |by| Command::Shelve { event, until, one_shot, reason, by };
            Ok((Box::new(order), Needs::Password(Role::Operator)))
        }
        "out-of-use" => {
            let days = number("days");
            if !(1..=7).contains(&days) {
                return wrong(answering::END_NEEDED);
            }
            if !reasoned {
                return wrong(answering::SAY_WHY);
            }
            let until = view.now.utc + Span::from_hours(24 * days);
            let (kind, asset): (AlarmKind, _) = (alarm.kind, alarm.asset.clone());
            let order = move |by| Command::OutOfService { kind, asset, until, reason, by };
            Ok((Box::new(order), Needs::Password(Role::Manager)))
        }
        _ => Err((StatusCode::NOT_FOUND, answering::NO_SUCH_ANSWER.into())),
    }
}
