//! The interface described in OpenAPI 3.1, made from the same table of forms the page uses.

use crate::web::forms::FORMS;
use serde_json::{Value, json};

/// The description.
pub fn openapi() -> Value {
    let kinds: Vec<&str> = FORMS.iter().map(|form| form.kind).chain(["void"]).collect();
    let rows =
        || query("limit", "At most so many rows.", json!({"type": "integer", "minimum": 1, "maximum": 1000}));
    let time = |name: &str, help: &str| query(name, help, json!({"type": "string", "format": "date-time"}));
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Nightjar",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "A rack of egg incubation jars: its present, its past, its logbook. Times are RFC 3339; what is not known is null.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"}
        },
        "servers": [{"url": "/api/v1"}],
        "paths": {
            "/status": {"get": read("Is everything well", "Status", &[])},
            "/rack": {"get": read("Headers, jars and lots", "Object", &[])},
            "/jars/{id}": {"get": read("One jar", "Object", &[path_name("id")])},
            "/jars/{id}/outlook": {"get": read("Thermal units and dates of a jar", "Object", &[path_name("id")])},
            "/sensors": {"get": read("Sensors and their last readings", "Object", &[])},
            "/sensors/{id}/series": {"get": read("Readings of a sensor, reduced; minimum and maximum kept", "Object", &[
                path_name("id"), time("from", "Begin; a day before the end when absent."), time("to", "End; now when absent."),
                query("buckets", "Slices.", json!({"type": "integer", "minimum": 1, "maximum": 1000})),
            ])},
            "/alarms": {"get": read("Alarms that are on or unanswered, and the journal", "Object", &[rows()])},
            "/messages": {"get": read("What was or would have been sent", "Object", &[
                query("event", "About this alarm only.", json!({"type": "integer", "minimum": 0})), rows(),
            ])},
            "/entries": {
                "get": read("Entries of the logbook, newest first", "Object", &[
                    query("jar", "About this jar.", json!({"type": "string"})),
                    query("kind", "Of this kind.", json!({"type": "string"})),
                    time("before", "Happened before."), rows(),
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
                        "415": answer("Not JSON.", "Problem"),
                        "422": answer("Refused, and why.", "Problem"),
                        "429": answer("Too often.", "Problem"),
                        "503": answer("Busy.", "Problem"),
                    }
                }
            },
            "/openapi.json": {"get": read("This description", "Object", &[])},
        },
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
                        "act": {"type": "object", "required": ["kind"], "properties": {"kind": {"enum": kinds}}}
                    }
                }
            }
        }
    })
}

fn read(summary: &str, schema: &str, parameters: &[Value]) -> Value {
    json!({
        "summary": summary,
        "parameters": parameters,
        "responses": {
            "200": answer("The answer.", schema),
            "400": answer("Not understood.", "Problem"),
            "401": answer("Not signed in, and reading is not open.", "Problem"),
            "404": answer("No such thing.", "Problem"),
            "429": answer("Too often.", "Problem"),
            "503": answer("The record cannot be read.", "Problem"),
        }
    })
}

fn answer(description: &str, schema: &str) -> Value {
    let schema = format!("#/components/schemas/{schema}");
    json!({"description": description, "content": {"application/json": {"schema": {"$ref": schema}}}})
}

fn query(name: &str, description: &str, schema: Value) -> Value {
    json!({"name": name, "in": "query", "required": false, "description": description, "schema": schema})
}

fn path_name(name: &str) -> Value {
    json!({"name": name, "in": "path", "required": true, "schema": {"type": "string"}})
}
