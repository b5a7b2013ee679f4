//! The logbook: what was done, newest first, and forms for every kind of entry.

use crate::logbook::{Act, EntryId};
use crate::web::backend::{Booked, EntryFilter};
use crate::web::components::{self, can_enter, need_a_person, say};
use crate::web::forms::{self, FORMS, Given};
use crate::web::pages::jar::Try;
use crate::web::session::entry_name;
use crate::web::view::View;
use crate::web::words::{entering, load, logbook as said};
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

/// Kinds of entries as the work goes, those made most first; `said::GROUPS` names them.
const GROUPS: [&[&str]; 4] = [
    &["siphon", "flow_set_point", "treatment", "eye_up_sample", "hatch_seen", "note", "hand_reading"],
    &["take", "fertilization_sample", "lot", "load", "move", "split", "pool", "empty"],
    &["fry_count", "held", "stocked", "mortality"],
    &["treatment_plan", "calibration", "probe_move"],
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
        h1 { (said::TITLE) }
        (new_entry(view, wanted, tried))
        section aria-labelledby="h-entries" {
            h2 #h-entries {
                @match &wanted.jar { Some(jar) => (say(said::OF_JAR, &[("jar", html! { (jar) })])), None => (said::ENTRIES) }
            }
            (filter_form(view, wanted))
            @match entries {
                Err(error) => { p.problem { (error) } }
                Ok(entries) => {
                    (list(view, &entries))
                    @if entries.len() == ON_A_PAGE && let Some(last) = entries.last() {
                        a.button href=(older(wanted, last.entry.happened_at)) { (said::OLDER) }
                    }
                }
            }
        }
    };
    let status = if tried.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    (status, components::page(view, said::TITLE, &body)).into_response()
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
            h2 #h-new { (said::NEW) }
            @if !can_enter(view) { (need_a_person()) }
            @else {
                details.kinds open[open.is_none()] {
                    summary { (if open.is_some() { said::ANOTHER } else { said::KINDS }) }
                    nav aria-label=(said::ALL_KINDS) {
                        @for (group, kinds) in said::GROUPS.iter().zip(GROUPS) {
                            h3.small { (group) }
                            @if kinds.contains(&"load") { a.pill href="/load" { b { (load::TITLE) } } }
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
                label for="f-jar" { (said::JAR) }
                select id="f-jar" name="jar" {
                    option value="" { (said::ALL) }
                    @for (_, jar, _) in view.jars() { option value=(jar.id) selected[wanted.jar.as_deref() == Some(jar.id.as_str())] { (jar.id) } }
                }
            }
            div {
                label for="f-kind" { (said::KIND) }
                select id="f-kind" name="kind" {
                    option value="" { (said::ALL) }
                    @for form in FORMS { option value=(form.kind) selected[wanted.kind.as_deref() == Some(form.kind)] { (form.title()) } }
                }
            }
            button { (said::SHOW) }
        }
    }
}

/// "Saved", with the way back.
pub fn saved(view: &View, id: &str, back: &str) -> Markup {
    html! {
        div.saved role="status" {
            p { (said::SAVED) }
            @if id != "void" && EntryId(id.to_owned()).0.len() >= 8 {
                form method="post" action=(format!("/void/{id}")) {
                    (components::form_word(view))
                    input type="hidden" name="id" value=(entry_name());
                    input type="hidden" name="back" value=(back);
                    input type="hidden" name="reason" value=(entering::UNDONE);
                    button { (entering::UNDO) }
                }
            }
        }
    }
}

/// Entries as a list.
pub fn list(view: &View, entries: &[Booked]) -> Markup {
    if entries.is_empty() {
        return html! { p.quiet { (said::NONE) } };
    }
    html! {
        ol.log {
            @for booked in entries {
                @let entry = &booked.entry;
                li.voided[booked.voided.is_some()] id=(format!("e-{}", entry.id.0)) {
                    p.line { b { (words::act(&entry.act).1) } " " (sentence(view, &entry.act)) }
                    p.quiet {
                        (say(said::MADE, &[("when", view.moment(entry.happened_at)), ("who", html! { (entry.who) })]))
                        @if entry.written_at.since(entry.happened_at).hours() > 0.1 && entry.written_at.ms() > 0 { (say(said::WRITTEN, &[("ago", view.ago(entry.written_at))])) }
                    }
                    @if let Some((who, at, why)) = &booked.voided {
                        p.why { (say(said::VOIDED, &[("who", html! { (who) }), ("ago", view.ago(*at)), ("why", html! { (why) })])) }
                    } @else if can_enter(view) && !matches!(entry.act, Act::Void(_)) {
                        details.void {
                            summary { (said::TAKE_BACK) }
                            form method="post" action=(format!("/void/{}", entry.id.0)) {
                                (components::form_word(view))
                                input type="hidden" name="id" value=(entry_name());
                                input type="hidden" name="back" value=(view.path);
                                label for=(format!("why-{}", entry.id.0)) { (said::WHY) }
                                input id=(format!("why-{}", entry.id.0)) name="reason" required maxlength="400";
                                (components::pin_fields(view, &format!("v{}", entry.id.0)))
                                button { (said::TAKE_IT_BACK) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What was done, in words.
fn sentence(view: &View, act: &Act) -> String {
    let moment =
        |at| format!("{} {}", words::day(view.zone(), view.now.utc, at), words::time(view.zone(), at));
    said::sentence(act, view.units, &moment)
}
