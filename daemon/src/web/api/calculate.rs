//! The calculators as JSON: the same questions by the same names as on the command line.

use super::{Endpoint, problem};
use crate::calculators::{Described, Wanted, ask, described};
use crate::cli::failure;
use crate::web::view::View;
use axum::Json;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::{Value, json};

/// Numbers by name, in order, some several times.
type Pairs = Vec<(String, String)>;

/// One endpoint for each calculator.
pub fn endpoints() -> Vec<Endpoint> {
    described().into_iter().map(endpoint).collect()
}

fn endpoint(calculator: Described) -> Endpoint {
    let parameters: Vec<Value> = calculator.wants.iter().map(parameter).collect();
    let mut operation = super::describe::read(&calculator.about, "Object", &parameters);
    operation["responses"]["422"] = super::describe::answer("Refused by a rule, and why.", "Problem");
    let path = calculator.path;
    let address = format!("/calc/{path}").into();
    let route = get(async move |_reader: View, Query(given): Query<Pairs>| answer(&path, &given));
    Endpoint { path: address, route, operations: json!({"get": operation}) }
}

fn answer(path: &str, given: &Pairs) -> Response {
    match ask(path, given.iter().map(|(name, value)| (name.as_str(), value.as_str()))) {
        Ok(sheet) => {
            let mut body = sheet.json();
            body.insert("answer".to_owned(), sheet.answers().into());
            Json(body).into_response()
        }
        Err(refused) if refused.code == failure::DATA => {
            problem(StatusCode::UNPROCESSABLE_ENTITY, &refused.message)
        }
        Err(refused) => problem(StatusCode::BAD_REQUEST, &refused.message),
    }
}

fn parameter(wanted: &Wanted) -> Value {
    let one = match (wanted.switch, wanted.words.is_empty()) {
        (true, _) => json!({"type": "boolean"}),
        (false, true) => json!({"type": if wanted.name == "curve" { "string" } else { "number" }}),
        (false, false) => json!({"type": "string", "enum": wanted.words}),
    };
    let schema = if wanted.many { json!({"type": "array", "items": one, "minItems": 1}) } else { one };
    json!({
        "name": wanted.name, "in": "query", "required": wanted.required,
        "description": wanted.help, "schema": schema,
    })
}
