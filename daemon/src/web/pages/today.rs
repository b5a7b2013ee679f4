//! What is to be done, jar by jar. Making the entry ticks an item off.

use crate::guard::Answer;
use crate::logbook::EntryId;
use crate::today::{Item, Kind, TANK_READY};
use crate::web::accounts;
use crate::web::components::{self, can_enter, say};
use crate::web::session::entry_name;
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words::{self, today as said};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// The page.
pub async fn show(view: View) -> Response {
    let body = match accounts::accounts(&view).await {
        Ok(accounts) => {
            let items = accounts.work(&view);
            html! {
                h1 { (said::TITLE) }
                @if items.is_empty() { p.lead { (said::NOTHING) } }
                @else { p.lead { (said::to_do(items.len())) } }
                (list(&view, &items))
                @if !accounts.books.left_out().is_empty() {
                    section {
                        h2 { (said::LEFT_OUT) }
                        p { (said::LEFT_OUT_DO) }
                        ul.plain-list { @for (id, why) in accounts.books.left_out() { li { a href=(format!("/logbook#e-{}", id.0)) { (left_out(&view, &accounts, id)) } ": " (why.0) } } }
                    }
                }
            }
        }
        Err(error) => html! { h1 { (said::TITLE) } p.problem { (error) } },
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// An entry by what it is and when, or by its number.
fn left_out(view: &View, accounts: &accounts::Accounts, id: &EntryId) -> String {
    match accounts.entries.iter().find(|entry| entry.id == *id) {
        Some(entry) => {
            let at = entry.happened_at;
            let day = words::day(view.zone(), view.now.utc, at);
            said::entry(words::act(&entry.act).1, &day, &words::time(view.zone(), at))
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
                            @if same.len() > 1 { span.quiet { (said::at_jars(same.len())) } }
                            @else if let Some(lot) = &first.lot { " " span.quiet { (say(said::LOT, &[("lot", html! { (lot) })])) } }
                        }
                        p.quiet { (say(if same.len() > 1 { said::FIRST_DUE } else { said::DUE }, &[
                            ("why", html! { (first.why) }),
                            ("when", view.ago(same.iter().map(|item| item.due).min().unwrap_or(first.due))),
                        ])) }
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
                button { (say(said::READY, &[("jar", html! { (jar) })])) }
            }
        };
    }
    let about = if jar.is_empty() { String::new() } else { format!("&jar={jar}") };
    html! { a.button href=(format!("/logbook?new={kind}{about}#new")) { @if jar.is_empty() { (said::WRITE) } @else { (jar) } } }
}

/// What speaks against a treatment, or what to measure out.
pub fn treatment(view: &View, answer: &Answer) -> Markup {
    html! {
        @for found in &answer.refusals { p.warning { (say(said::treatment::DO_NOT, &[("why", html! { (found.text) })])) " " span.small { "(" (found.source) ")" } } }
        @if let Some(dose) = &answer.dose {
            p {
                (say(said::treatment::MEASURE_OUT, &[
                    ("amount", html! { b { (words::plain((dose.drug_ml * 10.0).round() / 10.0)) " mL" } }),
                    ("agent", html! { (dose.target.to_string()) }),
                    ("water", html! { (view.units.text(Quantity::Litres, dose.water_l)) }),
                    ("undiluted", html! { @if let Some(feed) = dose.feed_ml_per_min {
                        (say(said::treatment::UNDILUTED, &[("feed", html! { (words::plain((feed * 10.0).round() / 10.0)) })]))
                    } }),
                ]))
            }
        }
        @for found in &answer.cautions { p.caution { (found.text) } }
        details.kinds { summary { (said::treatment::CARE) } ul { @for found in &answer.care { li { (found.text) " " span.small { "(" (found.source) ")" } } } } }
    }
}
