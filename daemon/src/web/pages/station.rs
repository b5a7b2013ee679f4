//! The station: how the monitor itself is, who can be told, what it was told about the place.

use crate::web::backend::Role;
use crate::web::components::{self, small_sign};
use crate::web::view::View;
use crate::web::words;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// The page.
pub async fn show(view: View) -> Response {
    let rack = view.rack();
    let body = html! {
        h1 { (rack.station) }
        dl.facts {
            div { dt { "Rack" } dd { (words::count(rack.jars.len(), "jar")) ", " (words::count(rack.headers.len(), "header")) ", " (words::count(rack.sensors.len(), "sensor")) } }
            div { dt { "Height" } dd { (words::grouped(rack.altitude_m)) " m" } }
            div { dt { "Time zone" } dd { (rack.zone) } }
            div { dt { "Clock" } dd { (if view.now.trusted { "trusted" } else { "not trusted: times may be wrong" }) } }
        }
        (health(&view))
        (people(&view))
    };
    components::page(&view, "Station", &body).into_response()
}

fn health(view: &View) -> Markup {
    let health = (view.site.backend.health)();
    html! {
        section aria-labelledby="h-health" {
            h2 #h-health { "The monitor itself" }
            p { (small_sign(if health.is_well() { "well" } else { "unknown" })) " " (if health.is_well() { "All parts are at work." } else { "Something is wrong with the monitor." }) }
            ul.plain-list {
                @for fault in &health.faults { li { span.mark.bad { (fault) } } }
                @for beat in &health.beats {
                    li { (beat.task) ": last at work " (format!("{:.1}", beat.age_s)) " s ago" @if !beat.fresh() { " " span.mark.bad { "too long" } } }
                }
            }
        }
    }
}

fn people(view: &View) -> Markup {
    html! {
        section aria-labelledby="h-people" {
            h2 #h-people { "People" }
            @if view.site.backend.people.is_empty() {
                p.quiet { "Nobody is set up, so the page is read only. Add people to the configuration; " code { "nightjar hash-secret" } " makes the hashes." }
            }
            ul.plain-list {
                @for person in view.site.backend.people.iter() {
                    li {
                        b { (person.name) } " (" (person.id) "), "
                        (match person.role { Role::Viewer => "viewer", Role::Operator => "operator", Role::Manager => "manager" })
                        @if person.password.is_none() && person.pin.is_none() { ", cannot sign in" }
                    }
                }
            }
        }
    }
}
