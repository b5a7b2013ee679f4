//! What is to be done, jar by jar. Making the entry ticks an item off.

use crate::guard::Answer;
use crate::logbook::EntryId;
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
                @else { p.lead { (words::count(items.len(), "thing")) " to do. Touch a jar to write it down; that ticks it off." } }
                (list(&view, &items))
                @if !accounts.books.left_out().is_empty() {
                    section {
                        h2 { "Entries that do not fit" }
                        p { "They count for nothing until they do. Take them back, or write what is missing." }
                        ul.plain-list { @for (id, why) in accounts.books.left_out() { li { a href=(format!("/logbook#e-{}", id.0)) { (left_out(&view, &accounts, id)) } ": " (why.0) } } }
                    }
                }
            }
        }
        Err(error) => html! { h1 { "Today" } p.problem { (error) } },
    };
    components::page(&view, "Today", &body).into_response()
}

/// An entry by what it is and when, or by its number.
fn left_out(view: &View, accounts: &accounts::Accounts, id: &EntryId) -> String {
    match accounts.entries.iter().find(|entry| entry.id == *id) {
        Some(entry) => {
            let at = entry.happened_at;
            let day = words::day(view.zone(), view.now.utc, at);
            format!("{} of {day} {}", words::act(&entry.act).1, words::time(view.zone(), at))
        }
        None => id.0.clone(),
    }
}

/// Items as a list; the same work at several jars is one line with a place to touch for each.
pub fn list(view: &View, items: &[Item]) -> Markup {
    html! {
        ol.agenda {
            @for same in together(items) {
                @if let [first, ..] = same.as_slice() {
                    li {
                        p.line {
                            b { (first.what) }
                            @if same.len() > 1 { span.quiet { " – " (words::count(same.len(), "jar")) } }
                            @else if let Some(lot) = &first.lot { " " span.quiet { "lot " (lot) } }
                        }
                        p.quiet { (first.why) @if same.len() > 1 { ", the first due " } @else { ", due " } (view.ago(same.iter().map(|item| item.due).min().unwrap_or(first.due))) }
                        @if let Some(answer) = &first.treatment { (treatment(view, answer)) }
                        div.touch { @for item in &same { (tick(view, item)) } }
                    }
                }
            }
        }
    }
}

/// Items that say the same, in the order of the first of them.
fn together(items: &[Item]) -> Vec<Vec<&Item>> {
    let mut groups: Vec<Vec<&Item>> = Vec::new();
    for item in items {
        let fits = |group: &Vec<&Item>| {
            group.first().is_some_and(|first| {
                item.jar.is_some()
                    && (first.kind, &first.what, &first.why) == (item.kind, &item.what, &item.why)
                    && first.treatment == item.treatment
            })
        };
        match groups.iter_mut().find(|group| fits(group)) {
            Some(group) => group.push(item),
            None => groups.push(vec![item]),
        }
    }
    for group in &mut groups {
        // As they stand on the shelves.
        group.sort_by_key(|item| item.jar);
    }
    groups
}

/// The way to the entry, or the entry itself where one tap says it all; without one, or for those who
/// may not write, the jar.
fn tick(view: &View, item: &Item) -> Markup {
    let jar = item.jar.map(|jar| view.rack().jar(jar).id.to_string()).unwrap_or_default();
    let Some(kind) = item.kind.entry().filter(|_| can_enter(view)) else {
        return html! { @if !jar.is_empty() { a.button href=(format!("/jar/{jar}")) { (jar) } } };
    };
    if item.kind == Kind::TankReady {
        return html! {
            form method="post" action="/entry/note" {
                (components::form_word(view))
                input type="hidden" name="id" value=(entry_name());
                input type="hidden" name="back" value="/today";
                input type="hidden" name="jar" value=(jar);
                input type="hidden" name="text" value=(TANK_READY);
                (components::pin_fields(view, &format!("tank-{jar}")))
                button { (jar) " ready" }
            }
        };
    }
    let about = if jar.is_empty() { String::new() } else { format!("&jar={jar}") };
    html! { a.button href=(format!("/logbook?new={kind}{about}#new")) { @if jar.is_empty() { "Write it down" } @else { (jar) } } }
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
        details.kinds { summary { "Care" } ul { @for found in &answer.care { li { (found.text) " " span.small { "(" (found.source) ")" } } } } }
    }
}
