//! Pieces of JSON Schema (draft 2020-12, as OpenAPI 3.1 has it) that acts are described with.

use crate::ids::LONGEST_NAME;
use serde_json::{Map, Value, json};

/// Fish, crosses, dips or counts in one entry.
const MOST: usize = 500;

/// Name, whether it must be there, its schema.
pub(super) type Field = (&'static str, bool, Value);

pub(super) fn must(name: &'static str, schema: Value) -> Field {
    (name, true, schema)
}

pub(super) fn may(name: &'static str, schema: Value) -> Field {
    (name, false, schema)
}

/// A name as `ids` takes it.
pub(super) fn name(what: &str) -> Value {
    json!({"type": "string", "pattern": format!("^[A-Za-z0-9._-]{{1,{LONGEST_NAME}}}$"), "description": what})
}

pub(super) fn jar(what: &str) -> Value {
    name(&format!("{what} A jar of the rack."))
}

pub(super) fn words(what: &str, most: usize) -> Value {
    json!({"type": "string", "maxLength": most, "description": what})
}

/// Words that must say something.
pub(super) fn needed(what: &str, most: usize) -> Value {
    json!({"type": "string", "minLength": 1, "maxLength": most, "pattern": "\\S", "description": what})
}

pub(super) fn within(what: &str, unit: &str, low: f64, high: f64) -> Value {
    json!({"type": "number", "minimum": low, "maximum": high, "description": with_unit(what, unit), "x-unit": unit})
}

pub(super) fn above_zero(what: &str, unit: &str, high: f64) -> Value {
    json!({"type": "number", "exclusiveMinimum": 0, "maximum": high, "description": with_unit(what, unit), "x-unit": unit})
}

fn with_unit(what: &str, unit: &str) -> String {
    if unit.is_empty() { format!("{what}.") } else { format!("{what}, {unit}.") }
}

pub(super) fn whole(what: &str, high: f64) -> Value {
    json!({"type": "integer", "minimum": 0, "maximum": high, "description": with_unit(what, "")})
}

pub(super) fn moment(what: &str) -> Value {
    json!({"type": "string", "format": "date-time", "description": what})
}

pub(super) fn one_of(what: &str, choices: &[&str]) -> Value {
    json!({"enum": choices, "description": what})
}

pub(super) fn several(what: &str, least: usize, items: Value) -> Value {
    json!({"type": "array", "minItems": least, "maxItems": MOST, "items": items, "description": what})
}

/// May also be null, which says that it is not known.
pub(super) fn or_null(mut schema: Value) -> Value {
    schema["type"] = json!([schema["type"], "null"]);
    schema
}

pub(super) fn object(fields: Vec<Field>) -> Value {
    let required: Vec<&str> = fields.iter().filter(|(_, must, _)| *must).map(|(name, ..)| *name).collect();
    let properties: Map<String, Value> =
        fields.into_iter().map(|(name, _, schema)| (name.to_owned(), schema)).collect();
    json!({"type": "object", "required": required, "additionalProperties": false, "properties": properties})
}

/// An object whose field `tag` says which it is.
pub(super) fn tagged(tag: &'static str, key: &str, mut fields: Vec<Field>) -> Value {
    fields.insert(0, must(tag, json!({"const": key})));
    object(fields)
}
