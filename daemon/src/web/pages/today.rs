//! What is to be done, jar by jar. Making the entry ticks an item off.

use crate::guard::Answer;
use crate::rack::JarIx;
use crate::today::{Item, Kind, TANK_READY};
use crate::web::accounts;
use crate::web::components::{self, can_enter};
use crate::web::session::entry_name;
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// The page.
pub async fn show(view: View) -> Response {
    let body = match accounts::accounts(&view).await {
        Ok(accounts) => {
            let items = accounts.work(&view);
            html! {
                h1 { "Today" }
                @if items.is_empty() { p.lead { "Nothing is due." } }
                @else { p.lead { (words::count(items.len(), "thing")) " to do. Making the entry ticks it off." } }
                (list(&view, &items))
                @if !accounts.books.left_out().is_empty() {
                    section {
                        h2 { "Entries that do not fit" }
                        p { "They count for nothing until they do. Take them back, or write what is missing." }
                        ul { @for (id, why) in accounts.books.left_out() { li { a href=(format!("/logbook#e-{}", id.0)) { (id.0) } ": " (why.0) } } }
                    }
                }
            }
        }
        Err(error) => html! { h1 { "Today" } p.problem { (error) } },
    };
    components::page(&view, "Today", &body).into_response()
}

/// Items as a list.
pub fn list(view: &View, items: &[Item]) -> Markup {
    html! {
        ol.agenda {
            @for item in items {
                li {
                    p.line {
                        b { (item.what) }
                        @if let Some(jar) = item.jar { " – " (jar_link(view, jar)) }
                        @if let Some(lot) = &item.lot { " " span.quiet { "lot " (lot) } }
                    }
                    p.quiet { (item.why) ", due " (view.ago(item.due)) }
                    @if let Some(answer) = &item.treatment { (treatment(view, answer)) }
                    @if can_enter(view) { (tick(view, item)) }
                }
            }
        }
    }
}

fn jar_link(view: &View, jar: JarIx) -> Markup {
    let id = &view.rack().jar(jar).id;
    html! { a href=(format!("/jar/{id}")) { "jar " (id) } }
}

/// The way to the entry, or the entry itself where one tap says it all.
fn tick(view: &View, item: &Item) -> Markup {
    let jar = item.jar.map(|jar| view.rack().jar(jar).id.to_string()).unwrap_or_default();
    let Some(kind) = item.kind.entry() else { return html! {} };
    if item.kind == Kind::TankReady {
        return html! {
            form method="post" action="/entry/note" {
                (components::form_word(view))
                input type="hidden" name="id" value=(entry_name());
                input type="hidden" name="back" value="/today";
                input type="hidden" name="jar" value=(jar);
                input type="hidden" name="text" value=(TANK_READY);
                (components::pin_fields(view, &format!("tank-{jar}")))
                button { "Ready" }
            }
        };
    }
    let about = if jar.is_empty() { String::new() } else { format!("&jar={jar}") };
    html! { a.button href=(format!("/logbook?new={kind}{about}#new")) { "Write it down" } }
}

/// What speaks against a treatment, or what to measure out.
pub fn treatment(view: &View, answer: &Answer) -> Markup {
    html! {
        @for found in &answer.refusals { p.warning { "Do not treat: " (found.text) " " span.small { "(" (found.source) ")" } } }
        @if let Some(dose) = &answer.dose {
            p {
                "Measure out " b { (words::plain((dose.drug_ml * 10.0).round() / 10.0)) " mL" } " of " (dose.target.to_string())
                " for " (view.units.text(Quantity::Litres, dose.water_l)) " of water"
                @if let Some(feed) = dose.feed_ml_per_min { "; undiluted that is " (words::plain((feed * 10.0).round() / 10.0)) " mL/min" }
                "."
            }
        }
        @for found in &answer.cautions { p.caution { (found.text) } }
        details { summary { "Care" } ul { @for found in &answer.care { li { (found.text) " " span.small { "(" (found.source) ")" } } } } }
    }
}
