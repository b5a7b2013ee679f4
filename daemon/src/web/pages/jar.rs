//! One jar: what is in it, how far it has come, what its water does, and the entries made at it.

mod foreseen;
mod learnt;

use crate::rack::{Jar, JarIx};
use crate::reading::SensorIx;
use crate::snapshot::{ClockView, JarState, JarView, ProgressView};
use crate::web::backend::{Booked, EntryFilter, Series, Stretch};
use crate::web::chart::{self, Band, Chart, Limit, Mark};
use crate::web::components::{self, can_enter, help, need_a_person, say};
use crate::web::events::{self, Watched};
use crate::web::forms::{self, FORMS, Filled, Given, Problems, QUICK};
use crate::web::pages::{alarms, logbook};
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words::{first, jar as said};
use crate::web::{fan, past, words};
use axum::extract::{Path, Query};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::enumeration::Estimate;
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;

/// Slices of the line in the fan; it is smooth.
const FAN_SLICES: usize = 60;

/// A try at an entry that did not succeed.
#[derive(Default)]
pub struct Try {
    /// Kind of entry.
    pub kind: String,
    /// What was typed.
    pub filled: Filled,
    /// What is wrong with it.
    pub problems: Problems,
}

/// The page.
pub async fn show(
    view: View,
    Path(id): Path<String>,
    Query(query): Query<BTreeMap<String, String>>,
) -> Response {
    let days = query.get("days").and_then(|d| d.parse().ok()).unwrap_or(3);
    let closer = stretch(&query);
    let done = query.get("done").cloned();
    page(&view, &id, Shown { days, closer }, done.as_deref(), None).await
}

/// Which time the charts show.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    /// So many days up to now.
    pub days: u32,
    /// This stretch instead.
    pub closer: Option<Stretch>,
}

impl Default for Shown {
    fn default() -> Self {
        Self { days: 3, closer: None }
    }
}

/// A stretch of seconds since 1970 from the address, at least ten minutes and at most a season.
fn stretch(query: &BTreeMap<String, String>) -> Option<Stretch> {
    let second = |name: &str| -> Option<Timestamp> {
        let seconds: i64 = query.get(name)?.parse().ok()?;
        (0..=4_102_444_800).contains(&seconds).then(|| Timestamp::from_ms(seconds * 1_000))
    };
    let (from, to) = (second("from")?, second("to")?);
    let length = to.since(from);
    (length >= Span::from_minutes(10) && length.days() <= 200.0).then_some(Stretch { from, to })
}

/// The page with what a failed try left.
pub async fn page(view: &View, id: &str, shown: Shown, done: Option<&str>, tried: Option<&Try>) -> Response {
    let Some(ix) = view.rack().jar_named(id) else {
        return super::sign_in::not_found(view, said::NO_SUCH);
    };
    let jar = view.rack().jar(ix);
    let now = view.snap.jars.get(usize::from(ix.0));
    let days = said::charts::LENGTHS.iter().map(|(d, _)| *d).find(|d| *d == shown.days).unwrap_or(3);
    let span = shown
        .closer
        .filter(|s| s.from < view.now.utc)
        .unwrap_or(Stretch { from: view.now.utc - Span::from_days(f64::from(days)), to: view.now.utc });
    let charts = charts(view, ix, jar, now, span).await;
    let grown = grown(view, jar, now).await;
    let filter = EntryFilter { jar: Some(jar.id.to_string()), limit: 30, ..EntryFilter::default() };
    let entries = past::entries(view, filter).await;
    let body = html! {
        div data-live=(format!("/live?view=jar&jar={}", jar.id)) data-have=(events::version_of(view, &Watched::Jar(jar.id.to_string()))) {
            (neighbours(view, ix))
            @if let Some(done) = done { (logbook::saved(view, done, &format!("/jar/{}", jar.id))) }
            div.jar-head {
                div #drawing { (components::jar_drawing(now.map_or(JarState::Empty, |n| n.state), now.and_then(|n| n.progress.as_ref()).map(|p| p.development))) }
                div {
                    h1 { (said::title(jar.id.as_str())) }
                    div #facts { (facts(view, jar, now)) }
                }
            }
            div #jar-alarms { (jar_alarms(view, now)) }
            (quick_entries(view, jar, tried))
            @if let Some(progress) = now.and_then(|n| n.progress.as_ref()) {
                section aria-labelledby="h-way" { h2 #h-way { (said::WAY) } (grown) div #way { (way(view, progress)) } }
            }
            (foreseen::section(view, jar, now))
            div #learnt { (learnt::section(view, now)) }
            (super::season::of_jar(view, jar.id.as_str()).await)
            section aria-labelledby="h-water" {
                h2 #h-water { (said::WATER) }
                (lengths(jar, shown.closer.is_none().then_some(days)))
                (charts)
            }
            section aria-labelledby="h-log" {
                h2 #h-log { (said::LOG) }
                (entry_list(view, entries))
            }
        }
    };
    let status = if tried.is_some() {
        axum::http::StatusCode::UNPROCESSABLE_ENTITY
    } else {
        axum::http::StatusCode::OK
    };
    (status, components::page(view, &said::title(jar.id.as_str()), &body)).into_response()
}

fn neighbours(view: &View, ix: JarIx) -> Markup {
    let at = usize::from(ix.0);
    let link = |other: Option<&Jar>, label: &str| {
        html! { @if let Some(jar) = other { a.button href=(format!("/jar/{}", jar.id)) { (label) " " (jar.id) } } }
    };
    html! {
        nav.beside aria-label=(said::OTHERS) {
            a.button href="/" { (first::TITLE) }
            (link(at.checked_sub(1).and_then(|i| view.rack().jars.get(i)), "‹"))
            (link(view.rack().jars.get(at + 1), "›"))
        }
    }
}

/// The numbers of the jar, each with where it comes from.
pub fn facts(view: &View, jar: &Jar, now: Option<&JarView>) -> Markup {
    let Some(now) = now else { return html! { p.none { (said::NOTHING_KNOWN) } } };
    html! {
        p.lead {
            (words::jar_state(now.state))
            @if let Some(lot) = &now.lot { (say(said::LOT, &[("lot", html! { b { (lot) } })])) }
            @if let Some(species) = &now.species { " (" (species.replace(['_', '-'], " ")) ")" }
        }
        dl.facts {
            div { dt { (said::TEMPERATURE) } dd { (components::temperature(view, now)) (help(&temperature_source(view, jar, now))) } }
            div { dt { (said::FLOW) } dd { (components::flow(view, now)) (help(&flow_source(view, jar))) (components::flow_bar(now.flow.map(|f| f.value), now.set_flow)) } }
            @if let Some(progress) = &now.progress {
                div { dt { (said::THERMAL_UNITS) } dd {
                    (format!("{:.1}\u{202f}°C·d", progress.c_days)) span.quiet { " = " (format!("{:.0}\u{202f}°F TU", progress.c_days * 1.8)) }
                    (help(&sum_source(view, progress)))
                } }
            }
            @if let Some(eggs) = now.eggs {
                div { dt { (said::EGGS) } dd {
                    (words::grouped(known(eggs)))
                    @if let Some(litres) = now.eggs_l { span.quiet { ", " (view.units.text(Quantity::Litres, litres)) } }
                    (help(words::about::EGGS))
                } }
            }
            @if let Some((likely, short)) = now.minutes_without_flow {
                div { dt { (said::WITHOUT_FLOW) } dd {
                    (say(said::MINUTES, &[("likely", html! { (format!("{likely:.0}")) })]))
                    span.quiet { (say(said::PERHAPS, &[("short", html! { (format!("{short:.0}")) })])) }
                    (help(words::about::WITHOUT_FLOW))
                } }
            }
        }
    }
}

fn sensor_name(view: &View, ix: Option<SensorIx>) -> Option<String> {
    ix.and_then(|ix| view.rack().sensors.get(usize::from(ix.0))).map(|s| s.id.to_string())
}

fn temperature_source(view: &View, jar: &Jar, now: &JarView) -> String {
    let header = view.rack().headers.get(usize::from(jar.header.0));
    let when = now.temperature.map_or_else(String::new, |t| {
        said::read_at(&words::day(view.zone(), view.now.utc, t.at), &words::time(view.zone(), t.at))
    });
    if now.temperature_borrowed {
        let from = header
            .and_then(|h| sensor_name(view, h.temperature).map(|s| said::probe_in_header(&s, h.id.as_str())));
        said::borrowed(from.as_deref().unwrap_or(said::HAND_READING), &when)
    } else {
        match sensor_name(view, jar.temperature) {
            Some(id) => said::own_probe(&id, &when),
            None => said::NO_PROBE.into(),
        }
    }
}

fn flow_source(view: &View, jar: &Jar) -> String {
    match sensor_name(view, jar.flow) {
        Some(id) => said::meter(&id),
        None => said::NO_METER.into(),
    }
}

fn sum_source(view: &View, progress: &ProgressView) -> String {
    let since = words::date(view.zone(), progress.fertilized_at);
    said::sum_of(&since, progress.coverage * 100.0, progress.bridged_h, progress.uncounted_h)
}

/// Alarms about the jar.
pub fn jar_alarms(view: &View, now: Option<&JarView>) -> Markup {
    let Some(now) = now else { return html! {} };
    html! {
        @for alarm in view.snap.alarms.iter().filter(|a| now.alarms.contains(&a.event)) {
            (alarms::card(view, alarm, &view.path, None))
        }
    }
}

/// Stages with their dates, and what they rest on.
pub fn way(view: &View, progress: &ProgressView) -> Markup {
    html! {
        (components::way(view, progress))
        @if progress.clocks.len() > 1 {
            p { (say(said::CLOCKS, &[("clocks", html! { @for (i, clock) in progress.clocks.iter().enumerate() { @if i > 0 { "; " } (clock_words(view, clock)) } })])) }
        }
        p { (say(said::BASIS, &[("confidence", html! { b { (progress.confidence) } }), ("basis", html! { (progress.basis) })])) }
        @for warning in &progress.warnings { p.warning { (warning) } }
    }
}

fn clock_words(view: &View, clock: &ClockView) -> Markup {
    let day = html! { (words::date(view.zone(), clock.fertilized_at)) };
    let sum = html! { (format!("{:.1}\u{202f}°C·d", clock.c_days)) };
    say(said::CLOCK, &[("take", html! { span.nb { (clock.take) } }), ("day", day), ("sum", sum)])
}

/// How the sum grew and where it goes.
async fn grown(view: &View, jar: &Jar, now: Option<&JarView>) -> Markup {
    let Some(progress) = now.and_then(|n| n.progress.as_ref()) else { return html! {} };
    let header = view.rack().headers.get(usize::from(jar.header.0));
    let Some(probe) = jar.temperature.or_else(|| header.and_then(|h| h.temperature)) else { return html! {} };
    let span = Stretch { from: progress.fertilized_at, to: view.now.utc };
    match past::series(view, probe, span, FAN_SLICES).await {
        Err(error) => html! { p.problem { (error) } },
        Ok(series) => html! {
            figure.grown {
                figcaption { (say(said::SUM_AND_FAN, &[("fan", html! { span.quiet { (said::FAN) } })])) }
                (fan::draw(progress, &series, view.now.utc, view.zone()))
                p.small { (said::FAN_READ) }
            }
        },
    }
}

fn quick_entries(view: &View, jar: &Jar, tried: Option<&Try>) -> Markup {
    let back = format!("/jar/{}", jar.id);
    html! {
        section.quick aria-labelledby="h-quick" {
            h2 #h-quick { (said::LOG_IT) }
            @if can_enter(view) {
                @for (i, form) in FORMS.iter().enumerate() {
                    @let failed = tried.filter(|t| t.kind == form.kind);
                    @if i < QUICK || failed.is_some() {
                        @let given = Given { jar: Some(jar.id.as_str()), filled: failed.map(|t| &t.filled), problems: failed.map(|t| &t.problems), back: &back };
                        details name="quick" open[failed.is_some()] {
                            summary { (form.title()) }
                            (forms::draw(view, form, &given))
                        }
                    }
                }
                a.button href=(format!("/logbook?jar={}#new", jar.id)) { (said::OTHER_KINDS) }
            } @else { (need_a_person()) }
        }
    }
}

fn entry_list(view: &View, entries: Result<Vec<Booked>, String>) -> Markup {
    match entries {
        Ok(entries) => logbook::list(view, &entries),
        Err(error) => html! { p.problem { (error) } },
    }
}

fn lengths(jar: &Jar, days: Option<u32>) -> Markup {
    html! {
        nav.lengths aria-label=(said::charts::LENGTH) {
            @for (length, label) in said::charts::LENGTHS {
                a.pill href=(format!("/jar/{}?days={length}#h-water", jar.id)) aria-current=[(Some(length) == days).then_some("true")] { (label) }
            }
        }
    }
}

async fn charts(view: &View, ix: JarIx, jar: &Jar, now: Option<&JarView>, span: Stretch) -> Markup {
    let header = view.rack().headers.get(usize::from(jar.header.0));
    let limits = (view.site.backend.limits)(ix);
    let (probe, borrowed) = match jar.temperature {
        Some(probe) => (Some(probe), false),
        None => (header.and_then(|h| h.temperature), true),
    };
    let marks = marks(view, jar, span).await;
    let temperature_limits = [
        (limits.temp_very_low, said::charts::VERY_LOW, true),
        (limits.temp_low, said::charts::LOW, false),
        (limits.temp_high, said::charts::HIGH, false),
        (limits.temp_very_high, said::charts::VERY_HIGH, true),
    ];
    let flow_limits = [
        (limits.flow_none, said::charts::NO_FLOW, true),
        (limits.flow_low, said::charts::LOW, false),
        (now.and_then(|n| n.set_flow), said::charts::SET_POINT, false),
        (limits.flow_high, said::charts::HIGH, false),
    ];
    let temperature =
        one(view, jar, probe, Quantity::Temperature, span, &temperature_limits, bands(now, span), marks)
            .await;
    let flow = one(view, jar, jar.flow, Quantity::Flow, span, &flow_limits, Vec::new(), Vec::new()).await;
    html! {
        div.charts {
            figure { figcaption { (said::charts::TEMPERATURE) @if borrowed && probe.is_some() { span.quiet { (said::charts::OF_HEADER) } } } (temperature) }
            figure { figcaption { (said::charts::FLOW) } (flow) }
        }
        p.small { (said::charts::READ) }
    }
}

async fn marks(view: &View, jar: &Jar, span: Stretch) -> Vec<Mark> {
    let filter = EntryFilter { jar: Some(jar.id.to_string()), limit: 60, ..EntryFilter::default() };
    past::entries(view, filter)
        .await
        .unwrap_or_default()
        .iter()
        .filter(|b| b.voided.is_none() && b.entry.happened_at >= span.from)
        .map(|b| Mark { at: b.entry.happened_at, label: words::act(&b.entry.act).1.to_owned() })
        .collect()
}

/// Stages along the time shown.
fn bands(now: Option<&JarView>, span: Stretch) -> Vec<Band> {
    let Some(progress) = now.and_then(|n| n.progress.as_ref()) else { return Vec::new() };
    let reached = |key: &str| progress.stages.iter().find(|s| s.stage == key).and_then(|s| s.at);
    let begins =
        [Some(progress.fertilized_at), reached("eyed"), reached("hatch_start"), reached("hatch_end")];
    let begins: Vec<_> =
        begins.into_iter().zip(said::charts::STAGES).filter_map(|(at, label)| Some((at?, label))).collect();
    begins
        .iter()
        .enumerate()
        .map(|(i, (from, label))| Band {
            stretch: Stretch {
                from: (*from).max(span.from),
                to: begins.get(i + 1).map_or(span.to, |(next, _)| *next).min(span.to),
            },
            label: (*label).to_owned(),
        })
        .collect()
}

#[expect(clippy::too_many_arguments, reason = "the parts of one chart, used twice in this file")]
async fn one(
    view: &View,
    jar: &Jar,
    sensor: Option<SensorIx>,
    quantity: Quantity,
    span: Stretch,
    limits: &[(Option<f64>, &'static str, bool)],
    bands: Vec<Band>,
    marks: Vec<Mark>,
) -> Markup {
    let Some(sensor) = sensor else { return html! { p.quiet { (said::charts::NOT_MEASURED) } } };
    let series = match past::series(view, sensor, span, chart::SLICES).await {
        Ok(series) => series,
        Err(error) => return html! { p.problem { (error) } },
    };
    let units = view.units;
    let (what, id, least_range) = match quantity {
        Quantity::Temperature => {
            (said::charts::TEMPERATURE, "ct", units.show(quantity, 2.0) - units.show(quantity, 0.0))
        }
        Quantity::Flow | Quantity::Millilitres | Quantity::Litres => {
            (said::charts::FLOW, "cf", units.show(quantity, 1.0))
        }
    };
    let description = describe(view, &series, quantity, span);
    html! {
        (Chart {
            id,
            title: said::charts::title(what, jar.id.as_str()),
            description: description.clone(),
            unit: units.name(quantity),
            span,
            zone: view.zone(),
            series: &series,
            convert: &|value| units.show(quantity, value),
            limits: limits.iter().filter_map(|(value, label, outer)| Some(Limit { value: (*value)?, label, outer: *outer })).collect(),
            bands,
            least_range,
            marks,
        }.draw())
        p.small { (description) }
    }
}

fn describe(view: &View, series: &Series, quantity: Quantity, span: Stretch) -> String {
    let range = words::range(view.zone(), span.from, span.to);
    let low = series.buckets.iter().map(|b| b.min).fold(f64::INFINITY, f64::min);
    let high = series.buckets.iter().map(|b| b.max).fold(f64::NEG_INFINITY, f64::max);
    if !(low.is_finite() && high.is_finite()) {
        return said::charts::no_readings(&range);
    }
    let (low, high) = (view.units.number(quantity, low), view.units.text(quantity, high));
    said::charts::described(&range, &low, &high, series.gaps.len())
}

/// Eggs with the digits that are known: a count by volume is off by a tenth (two standard errors)
/// at best, and so is all that follows from it.
fn known(eggs: f64) -> f64 {
    const COUNTED_WITHIN: f64 = 0.05;
    if eggs.is_finite() { Estimate::relative(eggs, COUNTED_WITHIN, 0.0).known() } else { eggs }
}
