//! Every part of the page in every state, for review.

use crate::alarm::event::{AlarmKind, Asset, Code, EventId, Priority};
use crate::reading::{Quality, Reason};
use crate::snapshot::{AlarmView, JarState, Latest, ProgressView, StageView};
use crate::web::components::{self, flow_bar, jar_drawing, sign, small_sign, way};
use crate::web::forms::{self, Given, Problems};
use crate::web::pages::alarms;
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Span;

/// The page.
pub async fn show(view: View) -> Response {
    let body = html! {
        h1 { "Parts" }
        section { h2 { "Jars" } (jars()) }
        section { h2 { "Signs" } p.signs {
            @for p in [Priority::P1, Priority::P2, Priority::P3] { (sign(p)) (words::priority(p).0) ": " (words::priority(p).1) br; }
            (small_sign("well")) "well " (small_sign("pause")) "paused " (small_sign("unknown")) "unknown"
        } }
        section { h2 { "Readings" } (readings(&view)) }
        section { h2 { "Flow" } @for share in [0.0, 0.3, 1.0, 1.3] { p { (words::plain(share * 4.0)) " of 4 L/min " (flow_bar(Some(share * 4.0), Some(4.0))) } } }
        section { h2 { "Way" } (way(&view, &progress(&view))) }
        section { h2 { "Alarms" } @for alarm in alarm_states(&view) { (alarms::card(&view, &alarm, "/components", None)) } (alarms::card(&view, &alarm_states(&view)[0], "/components", Some("busy; nothing was changed, try again in a moment"))) }
        section { h2 { "A form with problems" } (wrong_form(&view)) }
    };
    components::page(&view, "Parts", &body).into_response()
}

fn jars() -> Markup {
    let states = [JarState::Empty, JarState::Green, JarState::Eyed, JarState::Hatching, JarState::Hatched];
    html! {
        div.gallery {
            @for (state, share) in states.into_iter().zip([0.0, 0.2, 0.65, 0.98, 1.1]) {
                div { (jar_drawing(state, Some(share))) p { (words::jar_state(state)) } }
            }
        }
    }
}

fn readings(view: &View) -> Markup {
    let latest = |quality, reason| {
        Some(Latest { value: 11.42, at: view.now.utc - Span::from_minutes(17), quality, reason })
    };
    html! {
        ul.plain-list {
            li { (view.reading(latest(Quality::Good, Reason::None).as_ref(), Quantity::Temperature)) }
            li { (view.reading(latest(Quality::Uncertain, Reason::Disagrees).as_ref(), Quantity::Temperature)) }
            li { (view.reading(latest(Quality::Uncertain, Reason::Stale).as_ref(), Quantity::Temperature)) }
            li { (view.reading(latest(Quality::Bad, Reason::Sentinel).as_ref(), Quantity::Temperature)) }
            li { (view.reading(None, Quantity::Temperature)) }
            li { (view.moment(view.now.utc - Span::from_hours(30))) }
        }
    }
}

fn progress(view: &View) -> ProgressView {
    let now = view.now.utc;
    let stage = |stage, at: Option<i64>, likely: i64, seen| StageView {
        stage,
        at: at.map(|h| now + Span::from_hours(h)),
        seen,
        earliest: Some(now + Span::from_hours(likely - 20)),
        likely: Some(now + Span::from_hours(likely)),
        latest: Some(now + Span::from_hours(likely + 30)),
    };
    ProgressView {
        fertilized_at: now - Span::from_hours(24 * 9),
        as_of: now,
        c_days: 101.4,
        coverage: 0.987,
        bridged_h: 1.5,
        uncounted_h: 0.0,
        development: 0.58,
        stages: vec![
            stage("eyed", Some(-12), 0, true),
            stage("hatch_start", None, 120, false),
            stage("hatch_peak", None, 150, false),
            stage("hatch_end", None, 185, false),
        ],
        clocks: Vec::new(),
        basis: "station history, 4 springs".into(),
        confidence: "low".into(),
        warnings: vec!["no verified sum to eye-up is published for this species".into()],
    }
}

fn alarm_states(view: &View) -> Vec<AlarmView> {
    let now = view.now.utc;
    let base = AlarmView {
        event: EventId(1),
        kind: AlarmKind::NoFlowHeader,
        asset: Asset::Header("A".into()),
        priority: Priority::P1,
        code: Code("M4T".into()),
        on: true,
        acknowledged: None,
        suppressed: None,
        members: vec!["J01".into(), "J02".into()],
        members_total: 8,
        value: Some(0.1),
        limit: Some(0.4),
        unit: "L/min".into(),
        since: now - Span::from_minutes(4),
        unverified: false,
        chattering: false,
        action: "go to site, start standby pump, open bypass".into(),
        line: "P1 NO FLOW header A: 8 of 8 jars below limit. 02:14. Reply ACK M4T".into(),
    };
    let known = AlarmView {
        event: EventId(2),
        kind: AlarmKind::TempHigh,
        asset: Asset::Jar("J07".into()),
        priority: Priority::P2,
        acknowledged: Some(("Kim".into(), now + Span::from_minutes(90))),
        value: Some(14.6),
        limit: Some(14.0),
        unit: "°C".into(),
        members_total: 1,
        chattering: true,
        ..base.clone()
    };
    let paused = AlarmView {
        event: EventId(3),
        kind: AlarmKind::Stuck,
        asset: Asset::Sensor("J03T".into()),
        priority: Priority::P3,
        suppressed: Some(("paused by Kim".into(), Some(now + Span::from_hours(3)))),
        value: None,
        limit: None,
        unverified: true,
        members_total: 1,
        ..base.clone()
    };
    let cleared = AlarmView {
        event: EventId(4),
        on: false,
        kind: AlarmKind::LowFlow,
        asset: Asset::Jar("J02".into()),
        priority: Priority::P2,
        members_total: 1,
        ..base.clone()
    };
    vec![base, cleared, known, paused]
}

fn wrong_form(view: &View) -> Markup {
    let Some(form) = forms::form_of("siphon") else { return html! {} };
    let filled = forms::Filled::from([
        ("volume".into(), "a lot".into()),
        ("id".into(), "shown-for-review".into()),
        ("units".into(), view.units.code()),
    ]);
    let problems = Problems::from([("volume", "Eggs drawn off: \"a lot\" is not a number".to_owned())]);
    forms::draw(
        view,
        form,
        &Given { jar: None, filled: Some(&filled), problems: Some(&problems), back: "/components" },
    )
}
