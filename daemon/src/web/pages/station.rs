//! The station: who is told, how messages leave, how the monitor itself is, and what it was told
//! about the place.

use crate::ids::PersonId;
use crate::notify::route::HandOver;
use crate::web::backend::{Role, StationFacts};
use crate::web::components::{self, help, small_sign};
use crate::web::view::View;
use crate::web::words::{self, about};
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
            (lines("h-routes", "How messages leave", &facts.routes, "No route is set up: nobody can be told."))
            (lines("h-stores", "Files and queues", &facts.stores, "Nothing is kept."))
            (people(&view))
        }
        section aria-labelledby="h-place" {
            h2 #h-place { "The place" }
            dl.facts {
                div { dt { "Rack" } dd { (words::count(rack.jars.len(), "jar")) ", " (words::count(rack.headers.len(), "header")) ", " (words::count(rack.sensors.len(), "sensor")) } }
                div { dt { "Height" } dd { (words::grouped(rack.altitude_m)) " m" (help(about::HEIGHT)) } }
                div { dt { "Time zone" } dd { (rack.zone) (help(about::ZONE)) } }
                div { dt { "Clock" } dd { (if view.now.trusted { "trusted" } else { "not trusted: times may be wrong" }) (help(about::CLOCK)) } }
            }
        }
        (numbers(&view))
        @if facts.authority.is_some() {
            section aria-labelledby="h-authority" {
                h2 #h-authority { "This page on your phone, encrypted" }
                p { "Install the certificate of this station once on each phone, so that the browser knows the page: " a.button href="/authority.crt" { "Get the certificate" } }
                p.small { "It can vouch only for names and addresses of the local network and of this station." }
            }
        }
    };
    components::page(&view, "Station", &body).into_response()
}

/// The certificate of the station's own authority.
pub async fn authority(view: View) -> Response {
    match (view.site.backend.station)().authority {
        Some(pem) => ([(CONTENT_TYPE, "application/x-x509-ca-cert")], pem).into_response(),
        None => super::sign_in::not_found(&view, "This station has no authority of its own."),
    }
}

fn health(view: &View) -> Markup {
    let health = (view.site.backend.health)();
    html! {
        section aria-labelledby="h-health" {
            h2 #h-health { "The monitor itself" } (help(about::BEATS))
            p.lead { (small_sign(if health.is_well() { "well" } else { "unknown" })) " " (if health.is_well() { "All parts are at work." } else { "Something is wrong with the monitor." }) }
            ul.plain-list {
                @for fault in &health.faults { li { span.mark.bad { (fault) } } }
                @for beat in &health.beats {
                    li { (beat.task) ": last at work " (format!("{:.1}", beat.age_s)) " s ago" @if !beat.fresh() { " " span.mark.bad { "too long" } } }
                }
                @for source in &view.snap.sources {
                    li { (source.id) ": " @if source.up { "connected" } @else { span.mark.bad { "not connected" } } @if let Some(since) = source.since { " since " (view.moment(since)) } }
                }
            }
        }
    }
}

fn on_call(view: &View, facts: &StationFacts) -> Markup {
    html! {
        section aria-labelledby="h-call" {
            h2 #h-call { "On call now" }
            @if facts.rota.is_empty() { p.problem { "Nobody is on call." } }
            dl.facts { @for (slot, who) in &facts.rota { div { dt { (slot) } dd { (who) } } } }
            @if let Some(hand_over) = &view.snap.hand_over { (handed_over(view, hand_over)) }
            p {
                @match &facts.last_drill {
                    Some((at, how)) => {
                        "Last drill " (view.moment(*at)) ": " (how) "."
                        @if view.now.utc.since(*at) > DRILL_EVERY { " " span.mark { "longer than 30 days ago" } }
                    }
                    None => { span.mark { "no drill on record" } " Try the whole chain with " code { "nightjar drill alarm" } "." }
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
            h2 #h-people { "People" }
            @if view.site.backend.people.is_empty() && view.site.backend.access.demo.is_some() {
                p.quiet { "A demonstration: everybody may make entries." }
            } @else if view.site.backend.people.is_empty() {
                p.quiet { "Nobody is set up, so the page is read only. Add people to the configuration; " code { "nightjar hash-secret" } " makes the hashes." }
            }
            dl.pairs {
                @for person in view.site.backend.people.iter() {
                    div {
                        dt { (person.name) " (" (person.id) ")" }
                        dd {
                            (match person.role { Role::Viewer => "viewer", Role::Operator => "operator", Role::Manager => "manager" })
                            @if person.password.is_none() && person.pin.is_none() { ", cannot sign in" }
                            @else if person.password.is_none() { ", PIN only" }
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
            h2 #h-numbers { "Counted since the start" } (help(about::COUNTED))
            dl.pairs {
                @for metric in &health.metrics {
                    div { dt { (metric.help) @if let Some((_, value)) = &metric.label { " (" (value) ")" } } dd { (words::grouped(metric.value)) } }
                }
            }
            p.small { "The same for machines: " a href="/metrics" { "metrics" } ", " a href="/health" { "health" } ", " a href="/api/v1/openapi.json" { "interface" } "." }
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
    html! {
        @if hand_over.answered {
            p { (name(&hand_over.comes)) " answered the text of the hand-over." }
        } @else if let Some(stays) = hand_over.stays() {
            p.problem { (name(&hand_over.comes)) " has not answered the text of " (asked) ": " (name(stays)) " stays on call until they do." }
        } @else {
            p { (name(&hand_over.comes)) " was asked by text " (asked) " and has not answered yet." }
        }
    }
}
