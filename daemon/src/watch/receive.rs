//! Takes signs of life: `POST /beat` with the document and its signature; `GET /health`.

use crate::heartbeat::document::Beat;
use crate::heartbeat::seal::{self, Key};
use axum::Router;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::{HeaderMap, StatusCode};
use axum::routing::{get, post};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// Largest document; one with fifty reasons has under 4 KiB.
const LARGEST: usize = 16 * 1024;
/// Signs of life waiting to be looked at.
pub const INBOX: usize = 64;

/// A sign of life whose signature was right, and where the answer goes.
#[derive(Debug)]
pub struct Received {
    /// What it says.
    pub beat: Beat,
    /// The moment of its signature.
    pub moment: Option<Timestamp>,
    /// Taken, or why not.
    pub answer: oneshot::Sender<Result<(), super::watcher::NotTaken>>,
}

#[derive(Clone)]
struct Door {
    keys: Arc<BTreeMap<String, Key>>,
    inbox: mpsc::Sender<Received>,
}

/// The way in.
pub fn router(keys: BTreeMap<String, Key>, inbox: mpsc::Sender<Received>) -> Router {
    Router::new()
        .route("/beat", post(take))
        .route("/health", get(|| std::future::ready("watching\n")))
        .layer(DefaultBodyLimit::max(LARGEST))
        .with_state(Door { keys: Arc::new(keys), inbox })
}

async fn take(State(door): State<Door>, headers: HeaderMap, body: Bytes) -> (StatusCode, String) {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let Ok(beat) = serde_json::from_slice::<Beat>(&body) else {
        return (StatusCode::BAD_REQUEST, "not a sign of life\n".into());
    };
    let (id, moment) = (text(seal::ID), text(seal::MOMENT));
    // The same answer for an unknown station and a wrong signature: nobody learns names here.
    let signed = door
        .keys
        .get(&beat.station)
        .is_some_and(|key| key.verifies(id, moment, &body, text(seal::SIGNATURE)));
    if !signed {
        tracing::warn!("a sign of life with a wrong signature was turned away");
        return (StatusCode::UNAUTHORIZED, "the signature is wrong\n".into());
    }
    let moment = moment.parse::<i64>().ok().and_then(|s| s.checked_mul(1000)).map(Timestamp::from_ms);
    let (answer, answered) = oneshot::channel();
    if door.inbox.try_send(Received { beat, moment, answer }).is_err() {
        return (StatusCode::SERVICE_UNAVAILABLE, "too many at once\n".into());
    }
    match answered.await {
        Ok(Ok(())) => (StatusCode::OK, "heard\n".into()),
        Ok(Err(why)) => (StatusCode::CONFLICT, format!("{why}\n")),
        Err(_) => (StatusCode::SERVICE_UNAVAILABLE, "stopping\n".into()),
    }
}
