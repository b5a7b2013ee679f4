//! What the tests of the exports share: a store with an invented rack, a scripted server, and ways
//! to wait.
#![allow(dead_code, clippy::unwrap_used, reason = "each test takes a part of it")]

use crate::web_stand;
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use nightjar::clock::{Clock, ManualClock};
use nightjar::config::checked::Influx;
use nightjar::rack::Rack;
use nightjar::reading::{Quality, Reading, Reason, SensorIx, Value};
use nightjar::snapshot::Snapshot;
use nightjar::store::{StoreHandle, StoreOptions, open};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::VecDeque;
use std::io::Read as _;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::watch;

/// Longest wait for anything a peer should do.
pub const LIMIT: Duration = Duration::from_secs(60);

/// A store, a rack and a picture of it on a clock that the test moves.
pub struct Stand {
    pub folder: tempfile::TempDir,
    pub clock: Arc<ManualClock>,
    pub rack: Arc<Rack>,
    pub store: StoreHandle,
    pub picture_in: watch::Sender<Arc<Snapshot>>,
    pub picture: watch::Receiver<Arc<Snapshot>>,
}

pub fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T06:00:00Z").unwrap()
}

pub fn stand() -> Stand {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(start()));
    let rack = Arc::new(web_stand::rack(3));
    let sensors = rack.sensors.iter().map(|sensor| sensor.id.clone()).collect();
    let mut options = StoreOptions::new(folder.path().join("nightjar.sqlite"), sensors);
    options.ballast_bytes = 0;
    options.must_open = true;
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    let first = Arc::new(web_stand::snapshot(&rack, clock.now(), true));
    let (picture_in, picture) = watch::channel(first);
    std::fs::write(folder.path().join("token"), "correct-horse\n").unwrap();
    Stand { folder, clock, rack, store, picture_in, picture }
}

impl Stand {
    pub fn settings(&self, url: &str) -> Influx {
        Influx {
            url: url.to_owned(),
            organisation: "hatchery".into(),
            bucket: "jars".into(),
            token_file: self.folder.path().join("token"),
            station_id: "kettle-point".into(),
        }
    }

    /// One reading of every sensor, `n` telling its moment and its value.
    pub fn append(&self, at: Timestamp, n: i32) {
        let readings = (0..u16::try_from(self.rack.sensors.len()).unwrap())
            .map(|sensor| Reading {
                sensor: SensorIx(sensor),
                at,
                value: Value(i32::from(sensor) * 1_000 + n % 1_000),
                quality: if n % 97 == 3 { Quality::Uncertain } else { Quality::Good },
                reason: if n % 97 == 3 { Reason::Spike } else { Reason::None },
            })
            .collect();
        self.store.append(readings, None).unwrap();
    }

    /// Appends for this long, a scan a minute, and moves the clock along.
    pub async fn minutes(&self, first: i32, number: i32) {
        for n in first..first + number {
            self.append(start() + Span::from_minutes(i64::from(n)), n);
            self.clock.advance(Span::from_minutes(1));
            if n % 60 == 0 {
                self.store.flush().await.unwrap();
            }
        }
        self.store.flush().await.unwrap();
        // What looks from now on finds all of it; what looked at this very moment may not have.
        self.clock.advance(Span::from_ms(1));
    }
}

/// Waits until `holds`, moving the clock by `step` between looks so that waits in it end.
pub async fn until(clock: &ManualClock, step: Span, what: &str, mut holds: impl FnMut() -> bool) {
    let wait = async {
        while !holds() {
            clock.advance(step);
            // Real sockets and disks need real time between two looks.
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    };
    tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
}

/// What the scripted server does with a request.
#[derive(Clone, Copy, Debug)]
pub enum Act {
    /// Looks at the lines as a server does.
    Judge,
    /// Answers with this status, and `Retry-After` seconds if any.
    Say(u16, Option<u64>),
    /// Never answers.
    Hang,
}

/// A server of the write interface that follows a script, then judges.
#[derive(Clone)]
pub struct Stub {
    pub script: Arc<Mutex<VecDeque<Act>>>,
    pub taken: Arc<Mutex<Vec<String>>>,
    pub requests: Arc<Mutex<Vec<(u16, usize)>>>,
    /// Lines holding this are refused.
    pub poison: Arc<Mutex<Option<String>>>,
    /// More lines than this are too many.
    pub most: usize,
}

impl Stub {
    pub async fn serve(script: Vec<Act>, poison: Option<&str>, most: usize) -> (Self, String) {
        let stub = Self {
            script: Arc::new(Mutex::new(script.into())),
            taken: Arc::default(),
            requests: Arc::default(),
            poison: Arc::new(Mutex::new(poison.map(str::to_owned))),
            most,
        };
        let app = Router::new().route("/api/v2/write", post(write)).with_state(stub.clone());
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        tokio::spawn(async move { axum::serve(listener, app).await.unwrap() });
        (stub, url)
    }

    pub fn taken(&self) -> Vec<String> {
        self.taken.lock().unwrap().clone()
    }
}

async fn write(State(stub): State<Stub>, headers: HeaderMap, body: Bytes) -> Response {
    let text = if headers.get("content-encoding").is_some_and(|value| value == "gzip") {
        let mut text = String::new();
        flate2::read::GzDecoder::new(&body[..]).read_to_string(&mut text).unwrap();
        text
    } else {
        String::from_utf8(body.to_vec()).unwrap()
    };
    let lines = text.lines().count();
    let act = stub.script.lock().unwrap().pop_front().unwrap_or(Act::Judge);
    let poison = stub.poison.lock().unwrap().clone();
    let (status, words) = match act {
        Act::Hang => std::future::pending().await,
        Act::Say(status, _) => (status, "scripted"),
        Act::Judge if headers.get("authorization").is_none_or(|value| value != "Token correct-horse") => {
            (401, "unauthorized access")
        }
        Act::Judge if lines > stub.most => (413, "too many"),
        Act::Judge if poison.is_some_and(|poison| text.contains(&poison)) => (400, "unable to parse"),
        Act::Judge => (204, ""),
    };
    stub.requests.lock().unwrap().push((status, lines));
    if status == 204 {
        stub.taken.lock().unwrap().extend(text.lines().map(str::to_owned));
    }
    let mut response = (StatusCode::from_u16(status).unwrap(), words).into_response();
    if let Act::Say(_, Some(after)) = act {
        response.headers_mut().insert("retry-after", after.into());
    }
    response
}
