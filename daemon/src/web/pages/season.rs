//! The season so far: the accounts, and everything of the report that the page knows.

use crate::season::{csv, html as report};
use crate::web::accounts;
use crate::web::components;
use crate::web::view::View;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use maud::html;

/// The page.
pub async fn show(view: View) -> Response {
    let body = match (accounts::accounts(&view).await, accounts::alarms(&view).await) {
        (Ok(accounts), Ok(alarms)) => accounts.with_report(&view, &alarms, |material, tables| {
            html! {
                h1 { "Season" }
                p.quiet { "Print it from the browser, or take the tables as CSV files; " a href="/season/columns.csv" { "what the columns mean" } ". " a href="/cards" { "Jar cards" } }
                p { @for table in tables { a.pill href=(format!("/season/{}.csv", table.name)) { (table.title) } " " } }
                div.report { (report::body(material, tables)) }
            }
        }),
        (Err(error), _) | (_, Err(error)) => html! { h1 { "Season" } p.problem { (error) } },
    };
    components::page(&view, "Season", &body).into_response()
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
        None => super::sign_in::not_found(&view, "There is no such table, or it has no rows yet."),
    }
}
