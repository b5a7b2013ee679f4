//! Accounts, work list, treatments and the season report as JSON.

use super::{find_jar, problem};
use crate::guard::{self, Answer, FlowNow, Found, Standing, Wanted};
use crate::logbook::Agent;
use crate::season::{Cell, Table};
use crate::web::accounts;
use crate::web::view::View;
use crate::web::words::refusals::interface as said;
use axum::Json;
use axum::extract::{Path, Query};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use nightjar_calc::ledger::{Level, Line};
use nightjar_calc::proportion::Interval;
use serde_json::{Value, json};
use std::collections::BTreeMap;

fn interval(interval: Option<Interval>) -> Value {
    interval.map_or(Value::Null, |i| json!({"likely": i.likely, "low": i.low, "high": i.high}))
}

/// One line of the accounts.
fn line_json(line: &Line) -> Value {
    json!({
        "eggs_in": line.eggs_in_exact.get(),
        "eggs_in_interval": interval(Some(line.eggs_in.interval())),
        "removed": line.removed.get(),
        "alive_by_siphon": interval(Some(line.alive_by_siphon.interval())),
        "alive_by_eye_up": interval(line.alive_by_eye_up),
        "sampled_share": line.sampled_share,
        "gap": line.gap.map(|gap| json!({"eggs": gap.eggs, "share": gap.share, "text": gap.to_string()})),
        "fertilized_share": interval(line.fertilized),
        "eye_up_share": interval(line.eye_up),
        "hatch_share": interval(line.hatch),
        "fry_expected": interval(line.fry_expected),
        "fry_out": interval(line.fry_out.map(nightjar_calc::enumeration::Estimate::interval)),
        "stocked": line.stocked.get(),
        "held": line.held.get(),
        "fry_dead": line.fry_dead.get(),
        "breeders": line.breeders.map(|b| json!({
            "females": b.females, "males": b.males, "males_reused": b.males_reused,
            "effective_at_most": b.effective_at_most, "inbreeding_at_least": b.inbreeding_at_least,
        })),
    })
}

/// The accounts line by line.
pub async fn books(view: View, Query(params): Query<BTreeMap<String, String>>) -> Response {
    let by = params.get("by").map_or("lot", String::as_str);
    let level = match by {
        "season" => Level::Season,
        "species" => Level::Species,
        "water" => Level::Water,
        "lot" => Level::Lot,
        "take" => Level::Take,
        "jar" => Level::Jar,
        _ => return problem(StatusCode::BAD_REQUEST, said::BY),
    };
    let accounts = match accounts::accounts(&view).await {
        Ok(accounts) => accounts,
        Err(error) => return problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    };
    let ledger = accounts.books.ledger();
    let lines: BTreeMap<String, Value> =
        ledger.report(level).into_iter().map(|(name, line)| (name, line_json(&line))).collect();
    let stocked: BTreeMap<String, f64> =
        ledger.stocked_by_water().into_iter().map(|(water, fry)| (water, fry.get())).collect();
    let left_out: Vec<Value> =
        accounts.books.left_out().iter().map(|(id, why)| json!({"entry": id, "why": why.0})).collect();
    Json(json!({
        "by": by,
        "lines": lines,
        "stocked_by_water": stocked,
        "conserved": ledger.audit().is_ok(),
        "uncounted_l": accounts.books.uncounted_l(),
        "left_out": left_out,
    }))
    .into_response()
}

/// The work list.
pub async fn today(view: View) -> Response {
    let accounts = match accounts::accounts(&view).await {
        Ok(accounts) => accounts,
        Err(error) => return problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    };
    let items: Vec<Value> = accounts
        .work(&view)
        .iter()
        .map(|item| {
            json!({
                "kind": item.kind.key(),
                "entry": item.kind.entry(),
                "jar": item.jar.map(|jar| view.rack().jar(jar).id.to_string()),
                "lot": item.lot,
                "what": item.what,
                "why": item.why,
                "due": item.due,
                "treatment": item.treatment.as_ref().map(answer_json),
            })
        })
        .collect();
    Json(json!({"as_of": view.now.utc, "items": items})).into_response()
}

fn answer_json(answer: &Answer) -> Value {
    let found = |list: &[Found]| -> Vec<Value> {
        list.iter().map(|found| json!({"text": found.text, "source": found.source})).collect()
    };
    json!({
        "allowed": answer.allows(),
        "refusals": found(&answer.refusals),
        "cautions": found(&answer.cautions),
        "care": found(&answer.care),
        "dose": answer.dose.map(|dose| json!({
            "drug_ml": dose.drug_ml, "water_l": dose.water_l,
            "feed_ml_per_min": dose.feed_ml_per_min, "grams": dose.grams,
        })),
    })
}

/// What is to be said to a treatment of a jar now.
pub async fn treatment(
    view: View,
    Path(id): Path<String>,
    Query(params): Query<BTreeMap<String, String>>,
) -> Response {
    let ix = match find_jar(&view, &id) {
        Ok(ix) => ix,
        Err(response) => return response,
    };
    let wanted = match wanted(&params) {
        Ok(wanted) => wanted,
        Err(why) => return problem(StatusCode::BAD_REQUEST, &why),
    };
    let accounts = match accounts::accounts(&view).await {
        Ok(accounts) => accounts,
        Err(error) => return problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    };
    let now = view.snap.jars.get(usize::from(ix.0));
    let progress = now.and_then(|now| now.progress.as_deref());
    let Some(standing) = Standing::of(&accounts.books, ix, progress, view.now.utc) else {
        return problem(StatusCode::UNPROCESSABLE_ENTITY, said::EMPTY_JAR);
    };
    let flow = FlowNow::of(now.and_then(|now| now.flow));
    match guard::look(&wanted, &standing, flow) {
        Ok(answer) => Json(answer_json(&answer)).into_response(),
        Err(error) => problem(StatusCode::BAD_REQUEST, &error.to_string()),
    }
}

fn wanted(params: &BTreeMap<String, String>) -> Result<Wanted, String> {
    let number = |name: &str| {
        let text = params.get(name).filter(|text| !text.is_empty());
        text.map(|text| text.parse::<f64>().map_err(|_| said::number(name))).transpose()
    };
    let agent = match params.get("agent").map(String::as_str) {
        Some("formalin") => Agent::Formalin,
        Some("hydrogen_peroxide") => Agent::HydrogenPeroxide,
        Some(_) | None => return Err(said::AGENT.into()),
    };
    Ok(Wanted {
        agent,
        concentration: number("concentration")?.ok_or(said::CONCENTRATION)?,
        minutes: number("minutes")?.unwrap_or(nightjar_calc::treatment::MINUTES),
        store_coldest_c: number("store_coldest_c")?,
    })
}

/// All tables of the season report.
pub async fn season(view: View) -> Response {
    let (accounts, alarms) = match (accounts::accounts(&view).await, accounts::alarms(&view).await) {
        (Ok(accounts), Ok(alarms)) => (accounts, alarms),
        (Err(error), _) | (_, Err(error)) => return problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    };
    let tables: BTreeMap<&str, Value> = accounts
        .with_report(&view, &alarms, |_, tables| tables.iter().map(|t| (t.name, table_json(t))).collect());
    Json(json!({"as_of": view.now.utc, "tables": tables})).into_response()
}

fn table_json(table: &Table) -> Value {
    let cell = |cell: &Cell| match cell {
        Cell::Empty => Value::Null,
        Cell::Text(words) => json!(words),
        Cell::Number(value, _) => json!(value),
        Cell::At(at) => json!(at),
    };
    let rows: Vec<Value> = table
        .rows
        .iter()
        .map(|row| {
            let pairs = table.columns.iter().zip(row);
            Value::Object(pairs.map(|(column, value)| (column.key.to_owned(), cell(value))).collect())
        })
        .collect();
    json!({"title": table.title, "rows": rows})
}
