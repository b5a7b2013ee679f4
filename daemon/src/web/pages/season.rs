//! The season so far: the accounts, and everything of the report that the page knows.

use crate::season::{csv, html as report};
use crate::web::accounts;
use crate::web::components::{self, say};
use crate::web::view::View;
use crate::web::words::{self, season as said};
use axum::extract::Path;
use axum::http::StatusCode;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightjar_calc::enumeration::round_known;
use nightjar_calc::ledger::Level;
use nightjar_calc::proportion::Interval;

/// The page.
pub async fn show(view: View) -> Response {
    let body = match (accounts::accounts(&view).await, accounts::alarms(&view).await) {
        (Ok(accounts), Ok(alarms)) => accounts.with_report(&view, &alarms, |material, tables| {
            html! {
                h1 { (said::TITLE) }
                p.quiet.no-print { (say(said::PRINT, &[("link", html! { a href="/season/columns.csv" { (said::COLUMNS) } })])) }
                p.no-print { a.button href="/cards" { (said::CARDS) } }
                p.no-print { @for table in tables { a.pill href=(format!("/season/{}.csv", table.name)) { (table.title) } " " } }
                div.report { (report::body(material, tables)) }
            }
        }),
        (Err(error), _) | (_, Err(error)) => html! { h1 { (said::TITLE) } p.problem { (error) } },
    };
    components::page(&view, said::TITLE, &body).into_response()
}

/// The account of one jar: counted, drawn off, alive by two estimates, what to expect.
pub async fn of_jar(view: &View, jar: &str) -> Markup {
    let Ok(accounts) = accounts::accounts(view).await else { return html! {} };
    let lines = accounts.books.ledger().report(Level::Jar);
    let Some(line) = lines.get(jar) else { return html! {} };
    let percent = |share: Option<Interval>| {
        share.map(|s| said::account::percent(s.likely * 100.0, s.low * 100.0, s.high * 100.0))
    };
    let eggs = |eggs: Option<Interval>| {
        eggs.map(|e| said::account::bounded(&rounded(e, e.likely), &rounded(e, e.low), &rounded(e, e.high)))
    };
    let facts: [(&str, Option<String>); 9] = [
        (said::account::EGGS_IN, Some(spaced(&line.eggs_in.to_string()))),
        (said::account::REMOVED, Some(words::grouped(line.removed.get()))),
        (said::account::ALIVE_BY_SIPHON, Some(spaced(&line.alive_by_siphon.to_string()))),
        (said::account::ALIVE_BY_EYE_UP, eggs(line.alive_by_eye_up)),
        (said::account::FERTILIZED, percent(line.fertilized)),
        (said::account::EYED, percent(line.eye_up)),
        (said::account::FRY_EXPECTED, eggs(line.fry_expected)),
        (said::account::FRY_COUNTED, line.fry_out.map(|fry| spaced(&fry.to_string()))),
        (said::account::BREEDERS, line.breeders.map(|b| format!("{:.0}", b.effective_at_most))),
    ];
    html! {
        section aria-labelledby="h-account" {
            h2 #h-account { (said::account::TITLE) }
            dl.facts { @for (name, value) in facts { @if let Some(value) = value { div { dt { (name) } dd { (value) } } } } }
            @if let Some(gap) = line.gap { p.caution { (gap.to_string()) } }
            p.small { (say(said::account::WHOLE, &[("link", html! { a href="/season" { (said::account::SEASON) } })])) }
        }
    }
}

/// Thousands as everywhere on the page.
fn spaced(text: &str) -> String {
    text.replace(',', "\u{202f}")
}

/// No more digits than are known.
fn rounded(whole: Interval, value: f64) -> String {
    words::grouped(round_known(value, (whole.high - whole.low) / 2.0))
}

/// One table as a file.
pub async fn file(view: View, Path(name): Path<String>) -> Response {
    let (accounts, alarms) = match (accounts::accounts(&view).await, accounts::alarms(&view).await) {
        (Ok(accounts), Ok(alarms)) => (accounts, alarms),
        (Err(error), _) | (_, Err(error)) => return (StatusCode::SERVICE_UNAVAILABLE, error).into_response(),
    };
    let text = accounts.with_report(&view, &alarms, |_, tables| {
        if name == "columns.csv" {
            return Some(csv::meanings(tables));
        }
        let table = tables.iter().find(|table| name.strip_suffix(".csv") == Some(table.name))?;
        Some(csv::file(table, view.zone()))
    });
    match text {
        Some(text) => {
            let kind = (CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned());
            let name = (CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\""));
            ([kind, name], text).into_response()
        }
        None => super::sign_in::not_found(&view, said::NO_SUCH),
    }
}
