//! What the interface says of the acts of the logbook is what the logbook takes: every field, every limit,
//! held against the reader of entries and its rules.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod web_stand;

use axum::body::Body;
use axum::http::Request;
use http_body_util::BodyExt;
use nightjar::clock::ManualClock;
use nightjar::logbook::Act;
use nightjar_calc::time::Timestamp;
use serde_json::{Map, Value, json};
use std::sync::Arc;
use tower::ServiceExt;

/// The schemas as a program gets them.
async fn schemas() -> Map<String, Value> {
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()));
    let stand = web_stand::stand(clock, false);
    let request =
        Request::get("/api/v1/openapi.json").header("host", "127.0.0.1").body(Body::empty()).unwrap();
    let response = nightjar::web::router(stand.backend).oneshot(request).await.unwrap();
    let body = response.into_body().collect().await.unwrap().to_bytes();
    let description: Value = serde_json::from_slice(&body).unwrap();
    description["components"]["schemas"].as_object().unwrap().clone()
}

fn acts(schemas: &Map<String, Value>) -> Vec<(&str, &Value)> {
    schemas.iter().filter_map(|(name, schema)| Some((name.strip_prefix("Act.")?, schema))).collect()
}

/// Whether the logbook takes it by itself.
fn taken(act: &Value) -> Result<(), String> {
    let act: Act = serde_json::from_value(act.clone()).map_err(|error| error.to_string())?;
    act.sound().map_err(|error| error.to_string())
}

/// A number without a point.
fn integer(n: f64) -> Value {
    serde_json::from_str(&format!("{n:.0}")).unwrap()
}

/// Something the schema allows; with all fields, or only those that must be there.
fn example(schema: &Value, all: bool) -> Value {
    if let Some(value) = schema.get("const") {
        return value.clone();
    }
    if let Some(values) = schema["enum"].as_array() {
        return values[0].clone();
    }
    if let Some(choices) = schema["oneOf"].as_array() {
        return example(&choices[0], all);
    }
    if schema.get("$ref").is_some() {
        return json!({"kind": "note", "text": "x"});
    }
    let kind = schema["type"].as_str().or_else(|| schema["type"][0].as_str());
    let number = |key: &str| schema[key].as_f64();
    match kind.unwrap_or_else(|| panic!("no type: {schema}")) {
        "object" => {
            let required: Vec<&str> =
                schema["required"].as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
            let properties = schema["properties"].as_object().unwrap();
            let wanted = properties.iter().filter(|(name, _)| all || required.contains(&name.as_str()));
            Value::Object(wanted.map(|(name, schema)| (name.clone(), example(schema, all))).collect())
        }
        "array" => {
            let n = schema["minItems"].as_u64().unwrap().max(u64::from(all));
            (0..n).map(|_| example(&schema["items"], all)).collect()
        }
        "boolean" => json!(true),
        "integer" => integer(number("minimum").unwrap().max(1.0)),
        "number" => {
            let low = number("minimum").or_else(|| number("exclusiveMinimum")).unwrap();
            let high = number("maximum").or_else(|| number("exclusiveMaximum")).unwrap();
            json!(if low < 1.0 && high > 1.0 { 1.0 } else { f64::midpoint(low, high) })
        }
        "string" if schema["format"] == "date-time" => json!("2026-04-20T10:00:00-05:00"),
        "string" if schema["pattern"].as_str().is_some_and(|p| p.contains("{8,64}")) => json!("entry-0001"),
        "string" => json!("x"),
        other => panic!("unknown type {other}"),
    }
}

/// Names after "expected" in what the reader of entries says about a name it does not know.
fn expected(error: &str) -> Vec<String> {
    let after = error.split_once(", expected ").unwrap_or_else(|| panic!("{error}")).1;
    after.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

#[tokio::test]
async fn every_act_and_every_field_is_described_and_no_other() {
    let schemas = schemas().await;
    let acts = acts(&schemas);
    let mut kinds: Vec<String> = acts.iter().map(|(kind, _)| (*kind).to_owned()).collect();
    let mut known = expected(&taken(&json!({"kind": "nothing-like-it"})).unwrap_err());
    kinds.sort();
    known.sort();
    assert_eq!(kinds, known);
    assert_eq!(schemas["Entry"]["properties"]["act"]["$ref"], "#/components/schemas/Act");
    for (kind, schema) in acts {
        let mut act = example(schema, true);
        act["nothing-like-it"] = json!(1);
        let mut fields = expected(&taken(&act).unwrap_err());
        fields.push("kind".into());
        fields.sort();
        fields.dedup();
        let mut described: Vec<String> = schema["properties"].as_object().unwrap().keys().cloned().collect();
        described.sort();
        assert_eq!(described, fields, "{kind}");
        for (name, field) in schema["properties"].as_object().unwrap() {
            let said = field["description"].as_str().unwrap_or_default();
            assert!(name == "kind" || !said.is_empty(), "{kind}.{name} is not explained");
            // A key that carries a unit says it in words as well.
            for (end, unit) in [
                ("_c", "°C"),
                ("_ml", "mL"),
                ("_l", "L"),
                ("l_per_min", "L/min"),
                ("_h", "h"),
                ("_mm", "mm"),
                ("minutes", "min"),
            ] {
                assert!(
                    !name.ends_with(end) || said.contains(unit),
                    "{kind}.{name}: \"{said}\" without {unit}"
                );
            }
        }
    }
}

/// An act with one field replaced.
fn with(act: &Value, name: &str, value: Value) -> Value {
    let mut act = act.clone();
    act[name] = value;
    act
}

#[tokio::test]
async fn what_the_description_allows_is_taken_and_what_it_forbids_is_not() {
    let schemas = schemas().await;
    let (mut limits, mut needed) = (0, 0);
    for (kind, schema) in acts(&schemas) {
        let mut least = example(schema, false);
        if kind == "hand_reading" {
            // One of the two must be there; the description says so in words.
            assert!(taken(&least).is_err());
            least["temp_c"] = json!(9.5);
        }
        for act in [&least, &example(schema, true)] {
            assert_eq!(taken(act), Ok(()), "{kind}: {act}");
        }
        let required = schema["required"].as_array().unwrap();
        for (name, field) in schema["properties"].as_object().unwrap() {
            if required.contains(&json!(name)) {
                let mut without = least.clone();
                without.as_object_mut().unwrap().remove(name);
                assert!(taken(&without).is_err(), "{kind} without {name} is taken");
                needed += 1;
            }
            let at = |value: Value| taken(&with(&least, name, value));
            for choice in field["oneOf"].as_array().into_iter().flatten().filter(|c| c["type"] == "object") {
                for (inner, schema) in choice["properties"].as_object().unwrap() {
                    if let Some(high) = schema["maximum"].as_f64() {
                        let whole = example(choice, true);
                        assert_eq!(at(with(&whole, inner, json!(high))), Ok(()), "{kind}.{name}.{inner}");
                        assert!(
                            at(with(&whole, inner, json!(high * 1.01))).is_err(),
                            "{kind}.{name}.{inner}"
                        );
                        limits += 1;
                    }
                }
            }
            if let Some(high) = field["maximum"].as_f64() {
                let whole = field["type"] == "integer";
                let value = |n: f64| if whole { integer(n) } else { json!(n) };
                // Of males that were used before there are no more than males.
                if name != "males_reused" {
                    assert_eq!(at(value(high)), Ok(()), "{kind}.{name} at {high}");
                }
                assert!(
                    at(value(high + high.abs().mul_add(0.01, 1.0))).is_err(),
                    "{kind}.{name} above {high}"
                );
                limits += 1;
            }
            if let Some(low) = field["minimum"].as_f64().filter(|_| field["type"] != "integer") {
                assert_eq!(at(json!(low)), Ok(()), "{kind}.{name} at {low}");
                assert!(at(json!(low - low.abs().mul_add(0.01, 1e-9))).is_err(), "{kind}.{name} below {low}");
                limits += 1;
            }
            if let Some(low) = field["exclusiveMinimum"].as_f64() {
                assert!(at(json!(low)).is_err(), "{kind}.{name} at {low}");
                limits += 1;
            }
            if let Some(most) = field["maxLength"].as_u64() {
                let most = usize::try_from(most).unwrap();
                assert_eq!(at(json!("x".repeat(most))), Ok(()), "{kind}.{name} of {most} characters");
                assert!(at(json!("x".repeat(most + 1))).is_err(), "{kind}.{name} of {} characters", most + 1);
                limits += 1;
            }
            if field["minLength"].as_u64().is_some() {
                assert!(at(json!(" ")).is_err(), "{kind}.{name} may be blank");
            }
            if field["pattern"].as_str().is_some_and(|p| p.contains("{1,32}")) {
                assert_eq!(at(json!("x".repeat(32))), Ok(()), "{kind}.{name}");
                assert!(at(json!("x".repeat(33))).is_err() && at(json!("a b")).is_err(), "{kind}.{name}");
                limits += 1;
            }
            if let Some(most) = field["maxItems"].as_u64() {
                let item = example(&field["items"], true);
                let of = |n: u64| Value::Array((0..n).map(|_| item.clone()).collect());
                assert_eq!(at(of(most)), Ok(()), "{kind}.{name} of {most}");
                assert!(at(of(most + 1)).is_err(), "{kind}.{name} of {}", most + 1);
                limits += 1;
            }
            if field["type"][1] == "null" {
                let both = kind == "hand_reading" && name == "temp_c";
                assert!(both || at(Value::Null).is_ok(), "{kind}.{name} may not be null");
            }
        }
    }
    assert!(limits > 80 && needed > 60, "{limits} limits, {needed} needed fields");
}
