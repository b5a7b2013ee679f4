//! Sensors and where their readings come from: health, age, rejects.

pub mod one;

use crate::rack::{Conversion, Measure, Place, Sensor};
use crate::reading::Quality;
use crate::web::components::{self, small_sign};
use crate::web::events::{self, Watched};
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// The page.
pub async fn show(view: View) -> Response {
    let body = html! {
        h1 { "Sensors" }
        div data-live="/live?view=sensors" data-have=(events::version_of(&view, &Watched::Sensors)) {
            div #sources { (sources(&view)) }
            div #sensors { (table(&view)) }
        }
    };
    components::page(&view, "Sensors", &body).into_response()
}

/// Ports, brokers, buses.
pub fn sources(view: &View) -> Markup {
    html! {
        section aria-labelledby="h-sources" {
            h2 #h-sources { "Where readings come from" }
            @if view.snap.sources.is_empty() { p.quiet { "No source is set up." } }
            ul.plain-list {
                @for source in &view.snap.sources {
                    li {
                        (small_sign(if source.up { "well" } else { "unknown" })) " "
                        b { (source.id) } " " (if source.up { "connected" } else { "not connected" })
                        @if let Some(since) = source.since { " since " (view.moment(since)) }
                        @if !source.detail.is_empty() { ": " (source.detail) }
                        span.quiet data-once { " · " (words::grouped(source.frames as f64)) " taken, " (words::grouped(source.refused as f64)) " refused" }
                    }
                }
            }
        }
    }
}

/// All sensors, those in trouble first.
pub fn table(view: &View) -> Markup {
    let mut sensors: Vec<_> = view.rack().sensors.iter().zip(&view.snap.sensors).collect();
    sensors.sort_by_key(|(_, now)| {
        let well = !now.stale && now.latest.is_some_and(|l| l.quality == Quality::Good);
        (well, !now.stale)
    });
    html! {
        section aria-labelledby="h-sensors" {
            h2 #h-sensors { "Sensors" }
            div.wide {
                table.grid-table.sensors {
                    thead { tr { th scope="col" { "Sensor" } th scope="col" { "Where" } th scope="col" { "Now" } th scope="col" { "Heard" } th scope="col" { "Bad" } th scope="col" { "Correction" } } }
                    tbody {
                        @for (sensor, now) in sensors {
                            tr.stale[now.stale] {
                                th scope="row" { a href=(format!("/sensors/{}", sensor.id)) { (sensor.id) } }
                                td data-label="Where" { (place(view, sensor)) }
                                td data-label="Now" { (value(view, sensor, now.latest.as_ref())) }
                                td data-label="Heard" {
                                    @match now.latest { Some(l) => { (view.ago(l.at)) } None => { span.none { "never" } } }
                                    @if now.stale { " " span.mark { "silent too long" } }
                                }
                                td.nothing[now.rejected == 0] data-label="Bad" { (words::grouped(now.rejected as f64)) " of " (words::grouped(now.readings as f64)) }
                                td data-label="Correction" { (correction(sensor)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn place(view: &View, sensor: &Sensor) -> String {
    match sensor.place {
        Place::Jar(ix) => {
            view.rack().jars.get(usize::from(ix.0)).map_or_else(String::new, |j| format!("jar {}", j.id))
        }
        Place::Header(ix) => view
            .rack()
            .headers
            .get(usize::from(ix.0))
            .map_or_else(String::new, |h| format!("header {}", h.id)),
        Place::Site => "site".into(),
    }
}

fn value(view: &View, sensor: &Sensor, latest: Option<&crate::snapshot::Latest>) -> Markup {
    match sensor.measure {
        Measure::Temperature => view.reading(latest, Quantity::Temperature),
        Measure::Flow => view.reading(latest, Quantity::Flow),
        Measure::Mains => html! {
            @match latest { Some(l) => { (if l.value > 0.5 { "on mains" } else { "on battery" }) } None => { span.none { "no reading" } } }
        },
        Measure::Battery => html! {
            @match latest { Some(l) => { (format!("{:.0} %", l.value)) } None => { span.none { "no reading" } } }
        },
    }
}

fn correction(sensor: &Sensor) -> String {
    let kind = match sensor.conversion {
        Conversion::Linear { .. } => "",
        Conversion::Thermistor { .. } => "thermistor, ",
        Conversion::Platinum { .. } => "platinum, ",
        Conversion::Pulses { .. } => "pulses, ",
        Conversion::CurrentLoop { .. } => "4 to 20 mA, ",
    };
    let c = sensor.correction;
    let none = (c.factor - 1.0).abs() < 1e-12 && c.offset.abs() < 1e-12;
    if none {
        return format!("{kind}none");
    }
    let factor =
        if (c.factor - 1.0).abs() < 1e-12 { String::new() } else { format!("× {}", words::plain(c.factor)) };
    let offset = match words::plain(c.offset.abs()) {
        zero if zero == "0" => String::new(),
        size => format!("{}{size}", if c.offset < 0.0 { "−" } else { "+" }),
    };
    format!(
        "{kind}{}",
        [factor, offset].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ")
    )
}
