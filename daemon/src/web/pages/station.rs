//! The station: who is told, how messages leave, how the monitor itself is, and what it was told
//! about the place.

use crate::ids::PersonId;
use crate::notify::route::HandOver;
use crate::web::backend::StationFacts;
use crate::web::components::{self, help, say, small_sign};
use crate::web::view::View;
use crate::web::words::station::{
    self as said, authority as own, numbers as counted, people as known, place,
};
use crate::web::words::{self, about, sensors};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Span;

/// A chain that was not tried out for so long is not known to work.
const DRILL_EVERY: Span = Span::from_hours(24 * 30);

/// The page.
pub async fn show(view: View) -> Response {
    let rack = view.rack();
    let facts = (view.site.backend.station)();
    let body = html! {
        h1 { (rack.station) }
        (health(&view))
        div.two {
            (on_call(&view, &facts))
            (lines("h-routes", said::ROUTES, &facts.routes, said::NO_ROUTE))
            (lines("h-stores", said::STORES, &facts.stores, said::NO_STORE))
            (people(&view))
        }
        section aria-labelledby="h-place" {
            h2 #h-place { (place::TITLE) }
            dl.facts {
                div { dt { (place::RACK) } dd { (place::rack(rack.jars.len(), rack.headers.len(), rack.sensors.len())) } }
                div { dt { (place::HEIGHT) } dd { (words::grouped(rack.altitude_m)) " m" (help(about::HEIGHT)) } }
                div { dt { (place::ZONE) } dd { (rack.zone) (help(about::ZONE)) } }
                div { dt { (place::CLOCK) } dd { (if view.now.trusted { place::TRUSTED } else { place::NOT_TRUSTED }) (help(about::CLOCK)) } }
            }
        }
        (numbers(&view))
        @if facts.authority.is_some() {
            section aria-labelledby="h-authority" {
                h2 #h-authority { (own::TITLE) }
                p { (say(own::INSTALL, &[("link", html! { a.button href="/authority.crt" { (own::GET) } })])) }
                p.small { (own::LIMITS) }
            }
        }
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// The certificate of the station's own authority.
pub async fn authority(view: View) -> Response {
    match (view.site.backend.station)().authority {
        Some(pem) => ([(CONTENT_TYPE, "application/x-x509-ca-cert")], pem).into_response(),
        None => super::sign_in::not_found(&view, said::NO_AUTHORITY),
    }
}

fn health(view: &View) -> Markup {
    let health = (view.site.backend.health)();
    html! {
        section aria-labelledby="h-health" {
            h2 #h-health { (said::health::TITLE) } (help(about::BEATS))
            p.lead { (small_sign(if health.is_well() { "well" } else { "unknown" })) " " (if health.is_well() { said::health::WELL } else { said::health::NOT_WELL }) }
            ul.plain-list {
                @for fault in &health.faults { li { span.mark.bad { (fault) } } }
                @for beat in &health.beats {
                    li { (said::health::beat(beat.task, beat.age_s)) @if !beat.fresh() { " " span.mark.bad { (said::health::TOO_LONG) } } }
                }
                @for source in &view.snap.sources {
                    li { (say(said::health::SOURCE, &[
                        ("source", html! { (source.id) }),
                        ("state", html! { @if source.up { (sensors::CONNECTED) } @else { span.mark.bad { (sensors::NOT_CONNECTED) } } }),
                    ])) @if let Some(since) = source.since { (say(sensors::SINCE, &[("when", view.moment(since))])) } }
                }
            }
        }
    }
}

fn on_call(view: &View, facts: &StationFacts) -> Markup {
    html! {
        section aria-labelledby="h-call" {
            h2 #h-call { (said::on_call::TITLE) }
            @if facts.rota.is_empty() { p.problem { (said::on_call::NOBODY) } }
            dl.facts { @for (slot, who) in &facts.rota { div { dt { (slot) } dd { (who) } } } }
            @if let Some(hand_over) = &view.snap.hand_over { (handed_over(view, hand_over)) }
            p {
                @match &facts.last_drill {
                    Some((at, how)) => {
                        (say(said::on_call::DRILL, &[("when", view.moment(*at)), ("how", html! { (how) })]))
                        @if view.now.utc.since(*at) > DRILL_EVERY { " " span.mark { (said::on_call::DRILL_OLD) } }
                    }
                    None => { span.mark { (said::on_call::NO_DRILL) } (say(said::on_call::TRY, &[("command", html! { code { "nightjar drill alarm" } })])) }
                }
            }
        }
    }
}

fn lines(id: &str, title: &str, lines: &[(String, String)], none: &str) -> Markup {
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (title) }
            @if lines.is_empty() { p.quiet { (none) } }
            dl.pairs { @for (name, words) in lines { div { dt { (name) } dd { (words) } } } }
        }
    }
}

fn people(view: &View) -> Markup {
    html! {
        section aria-labelledby="h-people" {
            h2 #h-people { (known::TITLE) }
            @if view.site.backend.people.is_empty() && view.site.backend.access.demo.is_some() {
                p.quiet { (known::DEMONSTRATION) }
            } @else if view.site.backend.people.is_empty() {
                p.quiet { (say(known::NOBODY, &[("command", html! { code { "nightjar hash-secret" } })])) }
            }
            dl.pairs {
                @for person in view.site.backend.people.iter() {
                    div {
                        dt { (person.name) " (" (person.id) ")" }
                        dd {
                            (said::role(person.role))
                            @if person.password.is_none() && person.pin.is_none() { (known::NO_SIGN_IN) }
                            @else if person.password.is_none() { (known::PIN_ONLY) }
                        }
                    }
                }
            }
        }
    }
}

/// The numbers machines read, for people.
fn numbers(view: &View) -> Markup {
    let health = (view.site.backend.health)();
    html! {
        section aria-labelledby="h-numbers" {
            h2 #h-numbers { (counted::TITLE) } (help(about::COUNTED))
            dl.pairs {
                @for metric in &health.metrics {
                    div { dt { (metric.help) @if let Some((_, value)) = &metric.label { " (" (value) ")" } } dd { (words::grouped(metric.value)) } }
                }
            }
            p.small { (say(counted::MACHINES, &[
                ("metrics", html! { a href="/metrics" { (counted::METRICS) } }),
                ("health", html! { a href="/health" { (counted::HEALTH) } }),
                ("interface", html! { a href="/api/v1/openapi.json" { (counted::INTERFACE) } }),
            ])) }
        }
    }
}

/// Whether who came on call has answered the text of the hand-over.
fn handed_over(view: &View, hand_over: &HandOver) -> Markup {
    let asked = view.moment(hand_over.asked_at);
    let name = |id: &PersonId| {
        let known = view.site.backend.people.iter().find(|person| person.id == *id);
        known.map_or_else(|| id.to_string(), |person| person.name.clone())
    };
    let comes = ("comes", html! { (name(&hand_over.comes)) });
    html! {
        @if hand_over.answered {
            p { (say(said::on_call::ANSWERED, &[comes])) }
        } @else if let Some(stays) = hand_over.stays() {
            p.problem { (say(said::on_call::STAYS, &[comes, ("asked", asked), ("stays", html! { (name(stays)) })])) }
        } @else {
            p { (say(said::on_call::ASKED, &[comes, ("asked", asked)])) }
        }
    }
}
