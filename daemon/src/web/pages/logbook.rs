//! The logbook: what was done, newest first, and forms for every kind of entry.

use crate::logbook::{Act, Check, EntryId, PlannedUntil};
use crate::web::backend::{Booked, EntryFilter};
use crate::web::components::{self, can_enter};
use crate::web::forms::{self, FORMS, Given};
use crate::web::pages::jar::Try;
use crate::web::session::entry_name;
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::{past, words};
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

/// Entries on one page.
const ON_A_PAGE: usize = 50;

/// Which entries are wanted.
#[derive(Default)]
pub struct Wanted {
    /// About this jar.
    pub jar: Option<String>,
    /// Of this kind.
    pub kind: Option<String>,
    /// Older than this.
    pub before: Option<Timestamp>,
    /// A form that is wanted open.
    pub new: Option<String>,
    /// An entry just made.
    pub done: Option<String>,
}

/// Kinds of entries as the work goes, those made most first.
const GROUPS: [(&str, &[&str]); 4] = [
    (
        "At a jar",
        &["siphon", "flow_set_point", "treatment", "eye_up_sample", "hatch_seen", "note", "hand_reading"],
    ),
    ("Eggs come and go", &["take", "fertilization_sample", "lot", "load", "move", "split", "pool", "empty"]),
    ("Fry", &["fry_count", "held", "stocked", "mortality"]),
    ("Plan and sensors", &["treatment_plan", "calibration", "probe_move"]),
];

/// The page.
pub async fn show(view: View, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let get = |name: &str| query.get(name).filter(|v| !v.is_empty()).cloned();
    let wanted = Wanted {
        jar: get("jar"),
        kind: get("kind"),
        before: get("before").and_then(|t| Timestamp::parse(&t).ok()),
        new: get("new"),
        done: get("done"),
    };
    page(&view, &wanted, None).await
}

/// The page, with what a failed try left.
pub async fn page(view: &View, wanted: &Wanted, tried: Option<&Try>) -> Response {
    let filter = EntryFilter {
        jar: wanted.jar.clone(),
        kind: wanted.kind.clone(),
        before: wanted.before,
        limit: ON_A_PAGE,
    };
    let entries = past::entries(view, filter).await;
    let body = html! {
        @if let Some(done) = &wanted.done { (saved(view, done, "/logbook")) }
        h1 { "Logbook" }
        (new_entry(view, wanted, tried))
        section aria-labelledby="h-entries" {
            h2 #h-entries { "Entries" @if let Some(jar) = &wanted.jar { " of jar " (jar) } }
            (filter_form(view, wanted))
            @match entries {
                Err(error) => { p.problem { (error) } }
                Ok(entries) => {
                    (list(view, &entries))
                    @if entries.len() == ON_A_PAGE && let Some(last) = entries.last() {
                        a.button href=(older(wanted, last.entry.happened_at)) { "Older entries" }
                    }
                }
            }
        }
    };
    let status = if tried.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    (status, components::page(view, "Logbook", &body)).into_response()
}

fn older(wanted: &Wanted, before: Timestamp) -> String {
    let part = |name: &str, value: &Option<String>| {
        value.as_ref().map_or_else(String::new, |v| format!("&{name}={v}"))
    };
    format!("/logbook?before={}{}{}", before.rfc3339(), part("jar", &wanted.jar), part("kind", &wanted.kind))
}

fn new_entry(view: &View, wanted: &Wanted, tried: Option<&Try>) -> Markup {
    let open = tried.map(|t| t.kind.as_str()).or(wanted.new.as_deref()).and_then(forms::form_of);
    let about = wanted.jar.as_ref().map(|jar| format!("&jar={jar}")).unwrap_or_default();
    html! {
        section #new aria-labelledby="h-new" {
            h2 #h-new { "New entry" }
            @if !can_enter(view) { p.quiet { "Entries need a person: " a href="/sign-in" { "sign in" } " first." } }
            @else {
                details.kinds open[open.is_none()] {
                    summary { (if open.is_some() { "Another kind" } else { "Kinds" }) }
                    nav aria-label="Kinds of entries" {
                        @for (group, kinds) in GROUPS {
                            h3.small { (group) }
                            @if kinds.contains(&"load") { a.pill href="/load" { b { "Load several jars" } } }
                            @for form in kinds.iter().filter_map(|kind| forms::form_of(kind)) {
                                a.pill href=(format!("/logbook?new={}{about}#new", form.kind)) aria-current=[open.is_some_and(|o| o.kind == form.kind).then_some("true")] { (form.title()) }
                            }
                        }
                    }
                }
                @if let Some(form) = open {
                    h3 { (form.title()) }
                    @match tried {
                        Some(tried) => { (forms::draw(view, form, &Given { jar: None, filled: Some(&tried.filled), problems: Some(&tried.problems), back: "/logbook" })) }
                        None => { (forms::draw(view, form, &Given { filled: about_jar(view, wanted).as_ref(), back: "/logbook", ..Given::default() })) }
                    }
                }
            }
        }
    }
}

/// A jar the form begins with.
fn about_jar(view: &View, wanted: &Wanted) -> Option<forms::Filled> {
    let jar = wanted.jar.clone()?;
    let fields = [("jar", jar.clone()), ("from", jar), ("units", view.units.code())];
    Some(fields.into_iter().map(|(name, value)| (name.to_owned(), value)).collect())
}

fn filter_form(view: &View, wanted: &Wanted) -> Markup {
    html! {
        form.filter method="get" action="/logbook" {
            div {
                label for="f-jar" { "Jar" }
                select id="f-jar" name="jar" {
                    option value="" { "all" }
                    @for (_, jar, _) in view.jars() { option value=(jar.id) selected[wanted.jar.as_deref() == Some(jar.id.as_str())] { (jar.id) } }
                }
            }
            div {
                label for="f-kind" { "Kind" }
                select id="f-kind" name="kind" {
                    option value="" { "all" }
                    @for form in FORMS { option value=(form.kind) selected[wanted.kind.as_deref() == Some(form.kind)] { (form.title()) } }
                }
            }
            button { "Show" }
        }
    }
}

/// "Saved", with the way back.
pub fn saved(view: &View, id: &str, back: &str) -> Markup {
    html! {
        div.saved role="status" {
            p { "Saved." }
            @if id != "void" && EntryId(id.to_owned()).0.len() >= 8 {
                form method="post" action=(format!("/void/{id}")) {
                    (components::form_word(view))
                    input type="hidden" name="id" value=(entry_name());
                    input type="hidden" name="back" value=(back);
                    input type="hidden" name="reason" value="undone right after it was made";
                    button { "Undo" }
                }
            }
        }
    }
}

/// Entries as a list.
pub fn list(view: &View, entries: &[Booked]) -> Markup {
    if entries.is_empty() {
        return html! { p.quiet { "No entries." } };
    }
    html! {
        ol.log {
            @for booked in entries {
                @let entry = &booked.entry;
                li.voided[booked.voided.is_some()] id=(format!("e-{}", entry.id.0)) {
                    p.line { b { (words::act(&entry.act).1) } " " (sentence(view, &entry.act)) }
                    p.quiet {
                        (view.moment(entry.happened_at)) " by " (entry.who)
                        @if entry.written_at.since(entry.happened_at).hours() > 0.1 && entry.written_at.ms() > 0 { ", written " (view.ago(entry.written_at)) }
                    }
                    @if let Some((who, at, why)) = &booked.voided {
                        p.why { "Taken back by " (who) " " (view.ago(*at)) ": " (why) }
                    } @else if can_enter(view) && !matches!(entry.act, Act::Void(_)) {
                        details.void {
                            summary { "Take back" }
                            form method="post" action=(format!("/void/{}", entry.id.0)) {
                                (components::form_word(view))
                                input type="hidden" name="id" value=(entry_name());
                                input type="hidden" name="back" value=(view.path);
                                label for=(format!("why-{}", entry.id.0)) { "Why" }
                                input id=(format!("why-{}", entry.id.0)) name="reason" required maxlength="400";
                                (components::pin_fields(view, &format!("v{}", entry.id.0)))
                                button { "Take it back" }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What was done, in words.
pub fn sentence(view: &View, act: &Act) -> String {
    let u = view.units;
    let temp = |t: f64| u.text(Quantity::Temperature, t);
    let flow = |f: f64| u.text(Quantity::Flow, f);
    let litres = |v: f64| u.text(Quantity::Litres, v);
    let of_jar =
        |jar: &Option<crate::ids::JarId>| jar.as_ref().map_or_else(String::new, |j| format!(", jar {j}"));
    match act {
        Act::Take(t) => {
            let volume = t.volume_l.map_or_else(String::new, |v| format!(", {}", litres(v)));
            let count =
                t.count.as_ref().map_or_else(String::new, |c| format!(", {}", words::count_method(c)));
            format!(
                "{}: {} from {}, {} females, {} males, fertilized {} {}{volume}{count}",
                t.take,
                t.species.replace('_', " "),
                t.water,
                t.females,
                t.males,
                words::day(view.zone(), view.now.utc, t.fertilized_at),
                words::time(view.zone(), t.fertilized_at)
            )
        }
        Act::Lot(l) => {
            let takes: Vec<&str> = l.takes.iter().map(crate::ids::TakeId::as_str).collect();
            format!("{} from takes {}", l.lot, takes.join(", "))
        }
        Act::Load(l) => {
            let eggs = l.eggs.map_or_else(String::new, |e| format!(", {} eggs", words::grouped(e)));
            format!("jar {} with lot {}: {}{eggs}", l.jar, l.lot, litres(l.volume_l))
        }
        Act::Move(m) => format!("all of jar {} into {}", m.from, m.to),
        Act::Split(s) => format!("{} % of jar {} into {}", words::plain(s.share * 100.0), s.from, s.to),
        Act::Pool(p) => format!("jar {} added to {}", p.from, p.into),
        Act::Empty(e) => {
            format!(
                "jar {}{}",
                e.jar,
                if e.reason.is_empty() { String::new() } else { format!(": {}", e.reason) }
            )
        }
        Act::FlowSetPoint(f) => format!("jar {} at {}", f.jar, flow(f.flow_l_per_min)),
        Act::HandReading(h) => {
            let parts = [h.temp_c.map(temp), h.flow_l_per_min.map(flow)];
            let parts: Vec<String> = parts.into_iter().flatten().collect();
            format!("jar {}: {}", h.jar, parts.join(", "))
        }
        Act::Siphon(s) => {
            format!(
                "jar {}: {}, {} % dead",
                s.jar,
                u.text(Quantity::Millilitres, s.volume_ml),
                words::plain(s.dead_share * 100.0)
            )
        }
        Act::Treatment(t) => {
            let (name, unit) = words::agent(t.agent);
            format!(
                "jar {}: {name} {} {unit} for {} min into {}, {} mL used",
                t.jar,
                words::plain(t.concentration),
                words::plain(t.minutes),
                flow(t.flow_l_per_min),
                words::plain(t.volume_ml)
            )
        }
        Act::TreatmentPlan(p) => {
            let (name, unit) = words::agent(p.agent);
            if p.until == PlannedUntil::Never {
                format!("{}: none", p.species)
            } else {
                format!(
                    "{}: {name} {} {unit} for {} min every {} h",
                    p.species,
                    words::plain(p.concentration),
                    words::plain(p.minutes),
                    words::plain(p.every_h)
                )
            }
        }
        Act::FertilizationSample(s) => {
            let hits: u64 = s.dips.iter().map(|d| u64::from(d.fertilized)).sum();
            let of: u64 = s.dips.iter().map(|d| u64::from(d.of)).sum();
            format!("take {}: {hits} of {of} fertilized in {}", s.take, words::count(s.dips.len(), "dip"))
        }
        Act::EyeUpSample(s) => {
            let eyed: u64 = s.dips.iter().map(|d| u64::from(d.eyed)).sum();
            let of: u64 = s.dips.iter().map(|d| u64::from(d.of)).sum();
            format!("jar {}: {eyed} of {of} eyed in {}", s.jar, words::count(s.dips.len(), "dip"))
        }
        Act::HatchSeen(h) => format!("jar {}: {}", h.jar, words::hatch_point(h.point)),
        Act::FryCount(f) => {
            format!(
                "lot {}{}: {} of {} mL, tank {}",
                f.lot,
                of_jar(&f.jar),
                words::count(f.counts.len(), "sub-sample"),
                words::plain(f.sample_ml),
                litres(f.tank_l)
            )
        }
        Act::Held(h) => format!("lot {}: {} fry {}", h.lot, words::grouped(h.fry), h.note),
        Act::Stocked(s) => {
            let temps = match (s.truck_temp_c, s.water_temp_c) {
                (Some(a), Some(b)) => format!(", truck {}, water {}", temp(a), temp(b)),
                (Some(a), None) => format!(", truck {}", temp(a)),
                (None, Some(b)) => format!(", water {}", temp(b)),
                (None, None) => String::new(),
            };
            format!("lot {}: {} fry into {}{temps}", s.lot, words::grouped(s.fry), s.water)
        }
        Act::Mortality(m) => {
            format!("lot {}{}: {}, {}", m.lot, of_jar(&m.jar), words::grouped(m.number), m.cause)
        }
        Act::Note(n) => {
            format!("{}{}", n.jar.as_ref().map_or_else(String::new, |j| format!("jar {j}: ")), n.text)
        }
        Act::Calibration(c) => match c.check {
            Check::IcePoint { reading_c } => {
                format!("{}: {} °C in melting ice", c.sensor, words::plain(reading_c))
            }
            Check::Bucket { litres, seconds, reading_l_per_min } => format!(
                "{}: {} L in {} s while it said {} L/min",
                c.sensor,
                words::plain(litres),
                words::plain(seconds),
                words::plain(reading_l_per_min)
            ),
            Check::Reference { reference, reading } => {
                format!("{}: said {} beside {}", c.sensor, words::plain(reading), words::plain(reference))
            }
        },
        Act::ProbeMove(p) => format!("{}: {}", p.sensor, p.text),
        Act::Void(v) => {
            let instead = v
                .instead
                .as_deref()
                .map_or_else(String::new, |act| format!("; instead: {}", sentence(view, act)));
            format!("entry {}: {}{instead}", v.entry.0, v.reason)
        }
    }
}
