//! The JSON interface, `/api/v1`: the present, the past, and entries. Keys are snake_case with the
//! unit in the key; times are RFC 3339 in UTC; what is not known is `null`, never zero.
#![expect(clippy::result_large_err, reason = "the error is a whole answer, made once and sent")]

use super::answer::{self, Mood};
use super::backend::{Booked, Command, EntryFilter, Fate, Message, Reply, Role, Stretch};
use super::change::{self, Allowed, Needs, NotDone};
use super::pages::entry::is_entry_name;
use super::pages::sign_in::Anybody;
use super::view::{View, Who};
use super::words::refusals::interface as said;
use super::words::station::role as role_words;
use super::{Site, past, words};
use crate::alarm::event::EventId;
use crate::logbook::{Entry, EntryId};
use crate::rack::JarIx;
use axum::body::Bytes;
use axum::extract::{Path, Query};
use axum::http::header::AUTHORIZATION;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::MethodRouter;
use axum::{Json, Router};
use base64::Engine as _;
use nightjar_calc::time::{Span, Timestamp};
use serde_json::{Value, json};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

mod acts;
mod ahead;
mod books;
mod calculate;
mod describe;
mod shape;

use shape::{alarm_json, jar_json, latest_json, progress_json};

/// Rows an answer holds when nothing else is asked for, and at most.
const ROWS: usize = 100;
const MOST_ROWS: usize = 1_000;

/// One path: what answers it, and how it is described. The description is made from this table, so
/// that no path is served and not described, or the other way round.
pub struct Endpoint {
    /// Under `/api/v1`, in the notation of axum and OpenAPI alike.
    pub path: Cow<'static, str>,
    /// What answers.
    pub route: MethodRouter<Arc<Site>>,
    /// The operations of the path item.
    pub operations: Value,
}

/// Paths under `/api/v1`.
pub fn routes() -> Router<Arc<Site>> {
    describe::endpoints().into_iter().fold(Router::new(), |router, endpoint| {
        router.route(&format!("/api/v1{}", endpoint.path), endpoint.route)
    })
}

/// An error as JSON.
pub fn problem(status: StatusCode, message: &str) -> Response {
    (status, Json(json!({"error": {"status": status.as_u16(), "message": message}}))).into_response()
}

async fn status(view: View) -> Response {
    let answer = answer::answer(view.rack(), &view.snap, view.now);
    let mood = match answer.mood {
        Mood::Well => "well",
        Mood::Watched => "watched",
        Mood::Needed(_) => "needed",
        Mood::Blind => "blind",
    };
    let told = view.snap.last_told.as_ref().map(|(at, what)| json!({"at": at, "what": what}));
    Json(json!({
        "station": view.rack().station,
        "zone": view.zone().to_string(),
        "now": view.now.utc,
        "clock_trusted": view.now.trusted,
        "picture_age_s": view.now.up.since(view.snap.now.up).secs(),
        "picture_version": view.snap.version,
        "state": mood,
        "answer": answer.line,
        "beside": answer.beside,
        "needs": answer::needs(view.rack(), &view.snap, view.now).into_iter().map(|n| n.what).collect::<Vec<_>>(),
        "alarms_needing_somebody": view.snap.alarms.iter().filter(|a| super::components::needs_somebody(a)).count(),
        "last_told": told,
    }))
    .into_response()
}

async fn rack(view: View) -> Response {
    let headers: Vec<Value> = view
        .rack()
        .headers
        .iter()
        .enumerate()
        .map(|(i, header)| {
            let now = view.snap.headers.get(i);
            json!({
                "id": header.id,
                "temperature": latest_json(now.and_then(|n| n.temperature), "temp_c"),
                "flow": latest_json(now.and_then(|n| n.flow), "flow_l_per_min"),
            })
        })
        .collect();
    let jars: Vec<Value> = view.jars().map(|(_, jar, now)| jar_json(view.rack(), jar, now)).collect();
    let lots: Vec<Value> = view
        .snap
        .lots
        .iter()
        .map(|lot| json!({"id": lot.id, "species": lot.species, "jars": lot.jars, "takes": lot.takes}))
        .collect();
    Json(json!({"station": view.rack().station, "headers": headers, "jars": jars, "lots": lots}))
        .into_response()
}

fn find_jar(view: &View, id: &str) -> Result<JarIx, Response> {
    view.rack().jar_named(id).ok_or_else(|| problem(StatusCode::NOT_FOUND, said::NO_JAR))
}

async fn jar(view: View, Path(id): Path<String>) -> Response {
    match find_jar(&view, &id) {
        Ok(ix) => Json(jar_json(view.rack(), view.rack().jar(ix), view.snap.jars.get(usize::from(ix.0))))
            .into_response(),
        Err(response) => response,
    }
}

async fn outlook(view: View, Path(id): Path<String>) -> Response {
    let ix = match find_jar(&view, &id) {
        Ok(ix) => ix,
        Err(response) => return response,
    };
    let now = view.snap.jars.get(usize::from(ix.0));
    match now.and_then(|n| n.progress.as_ref().map(|p| (n, p))) {
        Some((now, progress)) => {
            let mut body = progress_json(progress);
            body["species"] = json!(now.species);
            body["as_of"] = json!(view.snap.now.utc);
            Json(body).into_response()
        }
        None => problem(StatusCode::NOT_FOUND, said::NO_SUM),
    }
}

async fn sensors(view: View) -> Response {
    let list: Vec<Value> = view
        .rack()
        .sensors
        .iter()
        .enumerate()
        .map(|(i, sensor)| {
            let now = view.snap.sensors.get(i);
            json!({
                "id": sensor.id,
                "measure": sensor.measure,
                "unit": sensor.measure.unit(),
                "latest": latest_json(now.and_then(|n| n.latest), "value"),
                "stale": now.map(|n| n.stale),
                "readings": now.map(|n| n.readings),
                "rejected": now.map(|n| n.rejected),
            })
        })
        .collect();
    Json(json!({"sensors": list})).into_response()
}

type Params = Query<BTreeMap<String, String>>;

fn moment(params: &BTreeMap<String, String>, name: &str) -> Result<Option<Timestamp>, Response> {
    params
        .get(name)
        .map(|text| Timestamp::parse(text))
        .transpose()
        .map_err(|error| problem(StatusCode::BAD_REQUEST, &said::about(name, &error.to_string())))
}

fn number(
    params: &BTreeMap<String, String>,
    name: &str,
    default: usize,
    most: usize,
) -> Result<usize, Response> {
    match params.get(name).map(|n| n.parse::<usize>()) {
        None => Ok(default),
        Some(Ok(n)) if (1..=most).contains(&n) => Ok(n),
        Some(Ok(_) | Err(_)) => Err(problem(StatusCode::BAD_REQUEST, &said::whole_number(name, most))),
    }
}

async fn series(view: View, Path(id): Path<String>, Query(params): Params) -> Response {
    let Some(sensor) = view.rack().sensor_named(&id) else {
        return problem(StatusCode::NOT_FOUND, said::NO_SENSOR);
    };
    let asked = (|| {
        let to = moment(&params, "to")?.unwrap_or(view.now.utc);
        let from = moment(&params, "from")?.unwrap_or(to - Span::from_hours(24));
        let buckets = number(&params, "buckets", 300, MOST_ROWS)?;
        Ok::<_, Response>((Stretch { from, to }, buckets))
    })();
    let (span, buckets) = match asked {
        Ok(asked) => asked,
        Err(response) => return response,
    };
    if span.from >= span.to || span.to.since(span.from) > Span::from_hours(24 * 400) {
        return problem(StatusCode::BAD_REQUEST, said::STRETCH);
    }
    match past::series(&view, sensor, span, buckets).await {
        Ok(series) => {
            let rows: Vec<Value> = series
                .buckets
                .iter()
                .map(|b| {
                    json!({"first_at": b.first_at, "last_at": b.last_at, "first": b.first, "last": b.last,
                           "min": b.min, "max": b.max, "samples": b.samples, "doubtful": b.doubtful})
                })
                .collect();
            let gaps: Vec<Value> = series
                .gaps
                .iter()
                .map(|g| json!({"from": g.stretch.from, "to": g.stretch.to, "bridged": g.bridged}))
                .collect();
            let unit = view.rack().sensor(sensor).measure.unit();
            Json(json!({"sensor": id, "unit": unit, "from": span.from, "to": span.to, "buckets": rows, "gaps": gaps}))
                .into_response()
        }
        Err(error) => problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    }
}

async fn alarms(view: View, Query(params): Params) -> Response {
    let rows = match number(&params, "limit", ROWS, MOST_ROWS) {
        Ok(rows) => rows,
        Err(response) => return response,
    };
    let open: Vec<Value> = view.snap.alarms.iter().map(alarm_json).collect();
    // What is on is known without the record: a disk that cannot be read hides no alarm.
    let journal = past::journal(&view, None, rows).await.ok();
    Json(json!({"open": open, "journal": journal})).into_response()
}

async fn messages(view: View, Query(params): Params) -> Response {
    let asked = (|| {
        let event = params.get("event").map(|e| e.parse::<u64>().map(EventId)).transpose();
        let event = event.map_err(|_| problem(StatusCode::BAD_REQUEST, said::EVENT))?;
        Ok::<_, Response>((event, number(&params, "limit", ROWS, MOST_ROWS)?))
    })();
    let (event, rows) = match asked {
        Ok(asked) => asked,
        Err(response) => return response,
    };
    match past::messages(&view, event, rows).await {
        Ok(messages) => {
            let messages: Vec<Value> = messages.iter().map(message_json).collect();
            Json(json!({"messages": messages})).into_response()
        }
        Err(error) => problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    }
}

fn message_json(message: &Message) -> Value {
    let (state, at, answer) = match &message.fate {
        Fate::Waiting { answer, .. } => ("waiting", None, Some(answer.as_str())),
        Fate::Sent { at } => ("sent", Some(*at), None),
        Fate::Failed { answer } => ("failed", None, Some(answer.as_str())),
        Fate::Withheld => ("withheld", None, None),
    };
    json!({
        "id": message.id, "at": message.at, "to": message.to, "route": message.route,
        "event": message.event, "subject": message.subject, "text": message.text,
        "state": state, "sent_at": at, "answer": answer,
    })
}

async fn entries(view: View, Query(params): Params) -> Response {
    let asked = (|| {
        Ok::<_, Response>(EntryFilter {
            jar: params.get("jar").cloned(),
            kind: params.get("kind").cloned(),
            before: moment(&params, "before")?,
            limit: number(&params, "limit", ROWS, MOST_ROWS)?,
        })
    })();
    let filter = match asked {
        Ok(filter) => filter,
        Err(response) => return response,
    };
    match past::entries(&view, filter).await {
        Ok(entries) => {
            let entries: Vec<Value> = entries.iter().map(booked_json).collect();
            Json(json!({"entries": entries})).into_response()
        }
        Err(error) => problem(StatusCode::SERVICE_UNAVAILABLE, &error),
    }
}

fn booked_json(booked: &Booked) -> Value {
    let mut value = json!(booked.entry);
    value["voided"] = booked
        .voided
        .as_ref()
        .map_or(Value::Null, |(by, at, reason)| json!({"by": by, "at": at, "reason": reason}));
    value
}

/// Takes an entry. Its id makes a repeat harmless: the second time the answer is 200 instead of
/// 201 and nothing is changed.
async fn add_entry(Anybody(view): Anybody, headers: HeaderMap, body: Bytes) -> Response {
    let json_body = headers.get("content-type").and_then(|t| t.to_str().ok()).unwrap_or_default();
    if !json_body.starts_with("application/json") {
        return problem(StatusCode::UNSUPPORTED_MEDIA_TYPE, said::SEND_JSON);
    }
    let Ok(body) = std::str::from_utf8(&body) else {
        return problem(StatusCode::BAD_REQUEST, said::NOT_UTF8);
    };
    let mut reader = serde_json::Deserializer::from_str(body);
    let entry: Entry = match serde_path_to_error::deserialize(&mut reader) {
        Ok(entry) => entry,
        Err(error) => {
            return problem(
                StatusCode::UNPROCESSABLE_ENTITY,
                &format!("{}: {}", error.path(), error.inner()),
            );
        }
    };
    if reader.end().is_err() {
        return problem(StatusCode::UNPROCESSABLE_ENTITY, said::ONE_ENTRY);
    }
    if !is_entry_name(&entry.id.0) {
        return problem(StatusCode::UNPROCESSABLE_ENTITY, said::ENTRY_ID);
    }
    let allowed = match who(&view, &headers, &entry).await {
        Ok(allowed) => allowed,
        Err(not_done) => return problem(not_done.status(), &not_done.to_string()),
    };
    let id: EntryId = entry.id.clone();
    let entry = Entry { written_at: view.now.utc, who: allowed.by, ..entry };
    let kind = words::act(&entry.act).0;
    match change::ask(&view, Command::Entry(Box::new(entry))).await {
        Ok(Reply::Already) => Json(json!({"id": id, "kind": kind, "repeated": true})).into_response(),
        Ok(Reply::Done | Reply::Refused(_) | Reply::NotWritten(_)) => {
            (StatusCode::CREATED, Json(json!({"id": id, "kind": kind, "repeated": false}))).into_response()
        }
        Err(not_done) => problem(not_done.status(), &not_done.to_string()),
    }
}

/// Who sends the entry: a session with its word in `x-form-word`, or name and secret by HTTP Basic
/// (RFC 7617), the secret being the password where passwords may be sent, else the PIN.
async fn who(view: &View, headers: &HeaderMap, entry: &Entry) -> Result<Allowed, NotDone> {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
    let mut filled = super::forms::Filled::new();
    filled.insert("word".into(), text("x-form-word"));
    let basic = text(AUTHORIZATION.as_str());
    let Some(encoded) = basic.strip_prefix("Basic ") else {
        let allowed = change::allowed(view, &filled, Needs::Pin).await?;
        return if matches!(view.who, Who::Demo(_)) || allowed.by == entry.who {
            Ok(allowed)
        } else {
            Err(NotDone::Refused(said::session_of(allowed.by.as_str())))
        };
    };
    let pair = base64::engine::general_purpose::STANDARD.decode(encoded.trim()).ok();
    let pair = pair.and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default();
    let (name, secret) = pair.split_once(':').unwrap_or_default();
    let pin = secret.len() <= 12 && secret.bytes().all(|b| b.is_ascii_digit());
    let which = if pin { super::auth::Secret::Pin } else { super::auth::Secret::Password };
    if which == super::auth::Secret::Password && !view.site.backend.access.sign_in {
        return Err(NotDone::Refused(said::NOT_ENCRYPTED.into()));
    }
    let person = view.site.gate.check(name, secret, which, view.peer, view.now).await?;
    if person.role < Role::Operator {
        return Err(NotDone::Role(role_words(Role::Operator)));
    }
    if person.id != entry.who {
        return Err(NotDone::Refused(said::cannot_write_for(name, entry.who.as_str())));
    }
    Ok(Allowed { by: person.id, token: None })
}
