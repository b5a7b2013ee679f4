//! The interface described in OpenAPI 3.1, made from the table of
//! paths the server answers and the table of acts the logbook takes.

use super::{Endpoint, acts, ahead, books, calculate};
use axum::Json;
use axum::routing::get;
use serde_json::{Value, json};

/// Every path with what answers it and how it is described.
pub fn endpoints() -> Vec<Endpoint> {
    let rows =
        || query("limit", "At most so many rows.", json!({"type": "integer", "minimum": 1, "maximum": 1000}));
    let time = |name: &str, help: &str| query(name, help, json!({"type": "string", "format": "date-time"}));
    let one = |path: &'static str, route, operations| Endpoint { path: path.into(), route, operations };
    let looks = |path, route, summary: &str, schema: &str, parameters: &[Value]| {
        one(path, route, json!({"get": read(summary, schema, parameters)}))
    };
    let mut all = vec![
        looks("/status", get(super::status), "Is everything well", "Status", &[]),
        looks("/rack", get(super::rack), "Headers, jars and lots", "Object", &[]),
        looks("/jars/{id}", get(super::jar), "One jar", "Object", &[path_name("id")]),
        looks(
            "/jars/{id}/outlook",
            get(super::outlook),
            "Thermal units and dates of a jar",
            "Object",
            &[path_name("id")],
        ),
        one("/jars/{id}/treatment", get(books::treatment), json!({"get": treatment()})),
        looks(
            "/learning",
            get(ahead::learning),
            "What eye-ups and hatches seen here taught, before and after",
            "Object",
            &[],
        ),
        looks(
            "/outlook/track",
            get(ahead::track),
            "How outlooks did: of past springs, and of this season against what happened",
            "Object",
            &[],
        ),
        looks(
            "/coming",
            get(ahead::coming),
            "Days on which all lots together need people, tank or truck",
            "Object",
            &[],
        ),
        looks("/sensors", get(super::sensors), "Sensors and their last readings", "Object", &[]),
        looks(
            "/sensors/{id}/series",
            get(super::series),
            "Readings of a sensor, reduced; minimum and maximum kept",
            "Object",
            &[
                path_name("id"),
                time("from", "Begin; a day before the end when absent."),
                time("to", "End; now when absent."),
                query("buckets", "Slices.", json!({"type": "integer", "minimum": 1, "maximum": 1000})),
            ],
        ),
        looks(
            "/alarms",
            get(super::alarms),
            "Alarms that are on or unanswered, and the journal",
            "Object",
            &[rows()],
        ),
        looks(
            "/messages",
            get(super::messages),
            "What was or would have been sent",
            "Object",
            &[query("event", "About this alarm only.", json!({"type": "integer", "minimum": 0})), rows()],
        ),
        looks("/today", get(books::today), "The work list: what each jar needs", "Object", &[]),
        looks(
            "/books",
            get(books::books),
            "Eggs in, removed, alive by two estimates, rates, fry, stocked; bounds at 95 %",
            "Object",
            &[query(
                "by",
                "Lines of the report; lot when absent.",
                json!({"enum": ["season", "species", "water", "lot", "take", "jar"]}),
            )],
        ),
        looks("/season", get(books::season), "All tables of the season report", "Object", &[]),
        one("/entries", get(super::entries).post(super::add_entry), entry_operations()),
        looks("/openapi.json", get(|| async { Json(openapi()) }), "This description", "Object", &[]),
    ];
    all.extend(calculate::endpoints());
    all
}

fn treatment() -> Value {
    let above_zero = || json!({"type": "number", "exclusiveMinimum": 0});
    let needed = |mut parameter: Value| {
        parameter["required"] = json!(true);
        parameter
    };
    let mut operation = read(
        "What speaks against a treatment of a jar now, or what to measure out at the measured flow",
        "Object",
        &[
            path_name("id"),
            needed(query("agent", "The agent.", json!({"enum": ["formalin", "hydrogen_peroxide"]}))),
            needed(query("concentration", "µL/L for formalin, mg/L for peroxide.", above_zero())),
            query("minutes", "For how long; 15 when absent.", above_zero()),
            query("store_coldest_c", "Coldest the formalin has been, °C.", json!({"type": "number"})),
        ],
    );
    operation["responses"]["422"] = answer("The jar is empty.", "Problem");
    operation
}

fn entry_operations() -> Value {
    let rows =
        query("limit", "At most so many rows.", json!({"type": "integer", "minimum": 1, "maximum": 1000}));
    let before = query("before", "Happened before.", json!({"type": "string", "format": "date-time"}));
    json!({
        "get": read("Entries of the logbook, newest first", "Object", &[
            query("jar", "About this jar.", json!({"type": "string"})),
            query("kind", "Of this kind.", json!({"type": "string"})),
            before, rows,
        ]),
        "post": {
            "summary": "Make an entry; repeating it with the same id changes nothing",
            "security": [{"basic": []}, {}],
            "requestBody": {"required": true, "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Entry"}}}},
            "responses": {
                "200": answer("It was there already.", "Object"),
                "201": answer("Taken.", "Object"),
                "400": answer("Not understood.", "Problem"),
                "401": answer("Not signed in.", "Problem"),
                "403": answer("Not allowed.", "Problem"),
                "413": {"description": "Too large."},
                "414": answer("The address is too long.", "Problem"),
                "431": {"description": "The head of the request is too large."},
                "415": answer("Not JSON.", "Problem"),
                "422": answer("Refused, and why.", "Problem"),
                "429": answer("Too often.", "Problem"),
                "503": answer("Busy.", "Problem"),
            }
        }
    })
}

/// The description.
pub fn openapi() -> Value {
    let paths: serde_json::Map<String, Value> =
        endpoints().into_iter().map(|endpoint| (endpoint.path.into_owned(), endpoint.operations)).collect();
    let mut description = json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Nightjar",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "A rack of egg incubation jars: its present, its past, its logbook. Times are RFC 3339; what is not known is null.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"}
        },
        "servers": [{"url": "/api/v1"}],
        "paths": paths,
        "components": {
            "securitySchemes": {"basic": {"type": "http", "scheme": "basic", "description": "Short name and password, or short name and PIN."}},
            "schemas": {
                "Object": {"type": "object"},
                "Status": {
                    "type": "object",
                    "required": ["station", "now", "clock_trusted", "state", "answer"],
                    "properties": {
                        "station": {"type": "string"}, "now": {"type": "string", "format": "date-time"},
                        "clock_trusted": {"type": "boolean"},
                        "state": {"enum": ["well", "watched", "needed", "blind"]}, "answer": {"type": "string"},
                    }
                },
                "Problem": {
                    "type": "object", "required": ["error"],
                    "properties": {"error": {"type": "object", "required": ["status", "message"], "properties": {
                        "status": {"type": "integer"}, "message": {"type": "string"}}}}
                },
                "Entry": {
                    "type": "object", "required": ["id", "happened_at", "who", "act"], "additionalProperties": false,
                    "properties": {
                        "id": {"type": "string", "pattern": "^[A-Za-z0-9-]{8,64}$"},
                        "happened_at": {"type": "string", "format": "date-time"},
                        "written_at": {"type": "string", "format": "date-time", "description": "Filled in by the monitor."},
                        "who": {"type": "string", "minLength": 1, "maxLength": 32},
                        "act": {"$ref": "#/components/schemas/Act"}
                    }
                }
            }
        }
    });
    if let Some(schemas) = description["components"]["schemas"].as_object_mut() {
        schemas.extend(acts::schemas());
    }
    description
}

/// An operation that only reads.
pub(super) fn read(summary: &str, schema: &str, parameters: &[Value]) -> Value {
    json!({
        "summary": summary,
        "parameters": parameters,
        "responses": {
            "200": answer("The answer.", schema),
            "400": answer("Not understood.", "Problem"),
            "401": answer("Not signed in, and reading is not open.", "Problem"),
            "404": answer("No such thing.", "Problem"),
            "414": answer("The address is too long.", "Problem"),
            "431": {"description": "The head of the request is too large."},
            "429": answer("Too often.", "Problem"),
            "503": answer("The record cannot be read.", "Problem"),
        }
    })
}

/// One answer of an operation.
pub(super) fn answer(description: &str, schema: &str) -> Value {
    let schema = format!("#/components/schemas/{schema}");
    json!({"description": description, "content": {"application/json": {"schema": {"$ref": schema}}}})
}

fn query(name: &str, description: &str, schema: Value) -> Value {
    json!({"name": name, "in": "query", "required": false, "description": description, "schema": schema})
}

fn path_name(name: &str) -> Value {
    json!({"name": name, "in": "path", "required": true, "schema": {"type": "string"}})
}
