//! Sensors and where their readings come from: health, age, rejects.

pub mod one;

use crate::alarm::event::Asset;
use crate::rack::{Conversion, Measure, Place, Sensor};
use crate::reading::Quality;
use crate::snapshot::SensorView;
use crate::web::components::{self, say, small_sign};
use crate::web::events::{self, Watched};
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words::{self, sensors as said, values};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// The page.
pub async fn show(view: View) -> Response {
    let body = html! {
        h1 { (said::TITLE) }
        div data-live="/live?view=sensors" data-have=(events::version_of(&view, &Watched::Sensors)) {
            div #sources { (sources(&view)) }
            div #sensors { (table(&view)) }
        }
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// Ports, brokers, buses.
pub fn sources(view: &View) -> Markup {
    html! {
        section aria-labelledby="h-sources" {
            h2 #h-sources { (said::SOURCES) }
            @if view.snap.sources.is_empty() { p.quiet { (said::NO_SOURCE) } }
            ul.plain-list {
                @for source in &view.snap.sources {
                    li {
                        (small_sign(if source.up { "well" } else { "unknown" })) " "
                        b { (source.id) } " " (if source.up { said::CONNECTED } else { said::NOT_CONNECTED })
                        @if let Some(since) = source.since { (say(said::SINCE, &[("when", view.moment(since))])) }
                        @if !source.detail.is_empty() { ": " (source.detail) }
                        span.quiet data-once { (say(said::FRAMES, &[("taken", html! { (words::grouped(source.frames as f64)) }), ("refused", html! { (words::grouped(source.refused as f64)) })])) }
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
            h2 #h-sensors { (said::TITLE) }
            div.wide {
                table.grid-table.sensors {
                    thead { tr { @for name in [said::SENSOR, said::WHERE, said::NOW, said::HEARD, said::BAD, said::CORRECTION] { th scope="col" { (name) } } } }
                    tbody {
                        @for (sensor, now) in sensors {
                            tr.stale[now.stale] {
                                th scope="row" { a href=(format!("/sensors/{}", sensor.id)) { (sensor.id) } }
                                td data-label=(said::WHERE) { (place(view, sensor)) }
                                td data-label=(said::NOW) { (value(view, sensor, now.latest.as_ref())) }
                                td data-label=(said::HEARD) {
                                    @match now.latest { Some(l) => { (view.ago(l.at)) } None => { span.none { (said::NEVER) } } }
                                    @if now.stale { " " span.mark { (said::SILENT) } }
                                }
                                td.nothing[now.rejected == 0] data-label=(said::BAD) { (of(now)) }
                                td data-label=(said::CORRECTION) { (correction(sensor)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Bad readings, of all.
fn of(now: &SensorView) -> Markup {
    let (bad, all) = (words::grouped(now.rejected as f64), words::grouped(now.readings as f64));
    say(said::OF, &[("bad", html! { (bad) }), ("all", html! { (all) })])
}

fn place(view: &View, sensor: &Sensor) -> String {
    match sensor.place {
        Place::Jar(ix) => view
            .rack()
            .jars
            .get(usize::from(ix.0))
            .map_or_else(String::new, |j| words::asset(&Asset::Jar(j.id.to_string()))),
        Place::Header(ix) => view
            .rack()
            .headers
            .get(usize::from(ix.0))
            .map_or_else(String::new, |h| words::asset(&Asset::Header(h.id.to_string()))),
        Place::Site => said::SITE.into(),
    }
}

fn value(view: &View, sensor: &Sensor, latest: Option<&crate::snapshot::Latest>) -> Markup {
    match sensor.measure {
        Measure::Temperature => view.reading(latest, Quantity::Temperature),
        Measure::Flow => view.reading(latest, Quantity::Flow),
        Measure::Mains => html! {
            @match latest { Some(l) => { (if l.value > 0.5 { said::ON_MAINS } else { said::ON_BATTERY }) } None => { span.none { (values::NO_READING) } } }
        },
        Measure::Battery => html! {
            @match latest { Some(l) => { (format!("{:.0} %", l.value)) } None => { span.none { (values::NO_READING) } } }
        },
    }
}

fn correction(sensor: &Sensor) -> String {
    let kind = match sensor.conversion {
        Conversion::Linear { .. } => "",
        Conversion::Thermistor { .. } => said::THERMISTOR,
        Conversion::Platinum { .. } => said::PLATINUM,
        Conversion::Pulses { .. } => said::PULSES,
        Conversion::CurrentLoop { .. } => said::LOOP,
    };
    let c = sensor.correction;
    let none = (c.factor - 1.0).abs() < 1e-12 && c.offset.abs() < 1e-12;
    if none {
        return format!("{kind}{}", said::NO_CORRECTION);
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
