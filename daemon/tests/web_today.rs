//! The work list: each kind of work stands on the page when it is due, leads to the entry it asks for, and
//! goes when that entry is made.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod web_stand;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use nightjar::clock::{Clock, ManualClock};
use nightjar::logbook::Entry;
use nightjar::snapshot::{JarState, JarView, Snapshot};
use nightjar::web::backend::{Booked, Role};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::{Value, json};
use std::sync::Arc;
use tokio::sync::watch;
use tower::ServiceExt;
use web_stand::{Stand, person, play_core, stand};

/// Basic authorization of "kim" with the password of the stand below.
const KIM: &str = "Basic a2ltOmEgbG9uZyBlbm91Z2ggc2VjcmV0";

struct Shed {
    app: Router,
    now: Timestamp,
    present: watch::Sender<Arc<Snapshot>>,
    memory: Arc<web_stand::Memory>,
}

impl Shed {
    /// One lot of walleye in jar J01, fertilized and loaded so many hours ago, everything else empty. A
    /// day's work is done: set-point, siphon, checks of the sensors in use.
    fn with(loaded_h: f64) -> Self {
        let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T08:16:00-05:00").unwrap()));
        let now = clock.now().utc;
        let Stand { mut backend, present, asked, memory } = stand(clock as Arc<dyn Clock>, false);
        backend.people = Arc::new(vec![person("kim", Role::Operator, Some("a long enough secret"), None)]);
        backend.access.demo = None;
        memory.entries.lock().unwrap().clear();
        tokio::spawn(play_core(asked, Arc::clone(&memory)));
        let shed = Self { app: nightjar::web::router(backend), now, present, memory };
        let at = loaded_h + 24.0;
        shed.past(
            at,
            json!({"kind": "take", "take": "T-1", "species": "walleye", "water": "Heron Lake",
            "fertilized_at": now - Span::from_days(at / 24.0), "females": 9, "males": 21}),
        );
        shed.past(at - 0.1, json!({"kind": "lot", "lot": "WAE-26-1", "takes": ["T-1"]}));
        shed.past(
            loaded_h,
            json!({"kind": "load", "jar": "J01", "lot": "WAE-26-1", "volume_l": 1.5, "eggs": 187_500.0}),
        );
        shed.past(loaded_h - 0.1, json!({"kind": "flow_set_point", "jar": "J01", "flow_l_per_min": 4.0}));
        for sensor in ["J01T", "HAT"] {
            let check = json!({"check": "ice_point", "reading_c": 0.03});
            shed.past(20.0, json!({"kind": "calibration", "sensor": sensor, "how": check}));
        }
        for sensor in ["J01F", "HAF"] {
            let check = json!({"check": "bucket", "litres": 4.0, "seconds": 60.0, "reading_l_per_min": 3.9});
            shed.past(20.0, json!({"kind": "calibration", "sensor": sensor, "how": check}));
        }
        shed.jar(|jar| {
            let far = |days: f64| Some(now + Span::from_days(days));
            jar.state = JarState::Green;
            let progress = Arc::make_mut(jar.progress.as_mut().unwrap());
            for (stage, days) in progress.stages.iter_mut().zip([4.0, 9.0, 11.0, 13.0]) {
                (stage.at, stage.seen) = (None, false);
                (stage.earliest, stage.likely, stage.latest) = (far(days - 1.0), far(days), far(days + 1.0));
            }
        });
        shed
    }

    /// Changes what the picture says of jar J01; the other jars are empty.
    fn jar(&self, change: impl FnOnce(&mut JarView)) {
        self.present.send_modify(|snap| {
            let snap = Arc::make_mut(snap);
            for jar in snap.jars.iter_mut().skip(1) {
                (jar.state, jar.lot, jar.progress) = (JarState::Empty, None, None);
            }
            change(&mut snap.jars[0]);
        });
    }

    fn stage(&self, at: usize, change: impl FnOnce(&mut nightjar::snapshot::StageView)) {
        self.jar(|jar| change(&mut Arc::make_mut(jar.progress.as_mut().unwrap()).stages[at]));
    }

    /// An entry of the past.
    fn past(&self, hours_ago: f64, act: Value) {
        let at = self.now - Span::from_days(hours_ago / 24.0);
        let mut entries = self.memory.entries.lock().unwrap();
        let id = format!("past-{:04}", entries.len());
        let entry: Entry = serde_json::from_value(
            json!({"id": id, "happened_at": at, "written_at": at, "who": "kim", "act": act}),
        )
        .unwrap_or_else(|error| panic!("{error}: {act}"));
        entries.push(Booked { entry, voided: None });
    }

    async fn ask(&self, request: Request<Body>) -> (StatusCode, String) {
        let response = self.app.clone().oneshot(request).await.unwrap();
        let status = response.status();
        let body = response.into_body().collect().await.unwrap().to_bytes();
        (status, String::from_utf8(body.to_vec()).unwrap())
    }

    /// The page as kim sees it.
    async fn page(&self) -> String {
        let sign_in = Request::post("/sign-in")
            .header("host", "rack.local")
            .header("origin", "http://rack.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from("name=kim&password=a+long+enough+secret"))
            .unwrap();
        let answer = self.app.clone().oneshot(sign_in).await.unwrap();
        let cookie = answer.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap().to_owned();
        let request = Request::get("/today").header("host", "rack.local").header("cookie", cookie);
        let (status, body) = self.ask(request.body(Body::empty()).unwrap()).await;
        assert_eq!(status, StatusCode::OK);
        let left_out = body.contains("Entries that do not fit");
        assert!(!left_out, "the invented logbook does not fit: {body}");
        body
    }

    /// The list as programs get it: kinds of work, with what is said.
    async fn list(&self) -> Vec<Value> {
        let request = Request::get("/api/v1/today").header("host", "rack.local");
        let (_, body) = self.ask(request.body(Body::empty()).unwrap()).await;
        let list: Value = serde_json::from_str(&body).unwrap();
        list["items"].as_array().unwrap_or_else(|| panic!("{body}")).clone()
    }

    /// Makes an entry now, as a program does.
    async fn enter(&self, act: Value) {
        let n = self.memory.entries.lock().unwrap().len();
        let entry = json!({"id": format!("made-now-{n}"), "happened_at": self.now, "who": "kim", "act": act});
        let request = Request::post("/api/v1/entries")
            .header("host", "rack.local")
            .header("content-type", "application/json")
            .header("authorization", KIM);
        let (status, body) = self.ask(request.body(Body::from(entry.to_string())).unwrap()).await;
        assert!(status.is_success(), "{status} {body}");
    }

    /// Work stands on the page with its reason and leads to its entry; making it ticks it off.
    async fn is_ticked_off(&self, kind: &str, words: &str, way: &str, act: Value) {
        let before = self.list().await;
        assert!(before.iter().any(|item| item["kind"] == kind), "{kind} is not due: {before:?}");
        let page = self.page().await;
        assert!(page.contains(words), "\"{words}\" is not on the page");
        assert!(
            way.is_empty() || page.contains(way) || page.contains(&way.replace('&', "&amp;")),
            "no way to {way}"
        );
        self.enter(act).await;
        let after = self.list().await;
        assert!(!after.iter().any(|item| item["kind"] == kind), "{kind} stays after its entry: {after:?}");
        assert!(!self.page().await.contains(words), "\"{words}\" stays on the page");
    }
}

#[tokio::test]
async fn a_jar_without_set_point_wants_one() {
    let shed = Shed::with(10.0);
    shed.memory
        .entries
        .lock()
        .unwrap()
        .retain(|b| !matches!(b.entry.act, nightjar::logbook::Act::FlowSetPoint(_)));
    let set = json!({"kind": "flow_set_point", "jar": "J01", "flow_l_per_min": 4.0});
    shed.is_ticked_off("set_flow", "Write the flow set-point", "/logbook?new=flow_set_point&jar=J01", set)
        .await;
}

#[tokio::test]
async fn eyed_eggs_want_more_flow() {
    let shed = Shed::with(160.0);
    shed.past(9.0, json!({"kind": "siphon", "jar": "J01", "volume_ml": 30.0}));
    shed.past(2.0, json!({"kind": "eye_up_sample", "jar": "J01", "dips": [{"eyed": 90, "of": 100}]}));
    assert!(!shed.list().await.iter().any(|item| item["kind"] == "raise_flow"), "green eggs want none");
    shed.jar(|jar| jar.state = JarState::Eyed);
    shed.stage(0, |eyed| (eyed.at, eyed.seen) = (Some(shed.now - Span::from_hours(3)), true));
    let raise = json!({"kind": "flow_set_point", "jar": "J01", "flow_l_per_min": 8.0});
    shed.is_ticked_off("raise_flow", "Raise the flow", "/logbook?new=flow_set_point&jar=J01", raise).await;
}

#[tokio::test]
async fn dead_eggs_are_siphoned_from_the_third_day_on_and_then_daily() {
    let shed = Shed::with(30.0);
    assert!(shed.list().await.is_empty(), "nothing is due on the second day: {:?}", shed.list().await);
    let shed = Shed::with(49.0);
    let siphon = || json!({"kind": "siphon", "jar": "J01", "volume_ml": 30.0});
    shed.is_ticked_off("siphon", "Siphon dead eggs", "/logbook?new=siphon&jar=J01", siphon()).await;
    // The habit of the day: a day after the last one, not before.
    for (hours_ago, due) in [(11.0, false), (13.0, true), (25.0, true)] {
        let shed = Shed::with(80.0);
        shed.past(hours_ago, siphon());
        let found = shed.list().await.iter().any(|item| item["kind"] == "siphon");
        assert_eq!(found, due, "siphoned {hours_ago} h ago");
    }
}

/// Plan of the station: daily from the second day on, until a day before hatch.
fn plan() -> Value {
    json!({"kind": "treatment_plan", "species": "walleye", "agent": "formalin", "concentration": 1_667.0,
        "minutes": 15.0, "every_h": 24.0, "first_after_h": 24.0, "until": "before_hatch", "stop_before_hatch_h": 24.0})
}

fn treatment() -> Value {
    json!({"kind": "treatment", "jar": "J01", "agent": "formalin", "concentration": 1_667.0, "minutes": 15.0,
        "flow_l_per_min": 4.0, "volume_ml": 100.0})
}

#[tokio::test]
async fn the_plan_asks_for_treatments_with_the_dose_for_the_measured_flow() {
    let shed = Shed::with(26.0);
    shed.past(27.0, plan());
    // 21 CFR 529.1030 leaves 1,667 µL/L for 15 min: 0.001 × 1,667 × 3.9 L/min × 15 min = 97.5 mL.
    shed.jar(|jar| jar.flow.as_mut().unwrap().value = 3.9);
    assert!(shed.page().await.contains("97.5 mL"), "the dose follows the flow");
    // Little flow, or none that is believed: no dose.
    shed.jar(|jar| jar.flow.as_mut().unwrap().value = 1.0);
    let page = shed.page().await;
    assert!(page.contains("Do not treat") && !page.contains("Measure out"), "{page}");
    shed.jar(|jar| jar.flow = None);
    assert!(shed.page().await.contains("Do not treat"), "flow not known");
    shed.jar(|jar| jar.flow = jar.temperature.map(|t| nightjar::snapshot::Latest { value: 4.0, ..t }));
    shed.is_ticked_off("treat", "Treat against fungus", "/logbook?new=treatment&jar=J01", treatment()).await;
}

#[tokio::test]
async fn the_last_day_for_a_treatment_is_said_and_none_is_asked_for_after_it() {
    let shed = Shed::with(190.0);
    shed.past(191.0, plan());
    shed.past(3.0, treatment());
    let hatch = |hours: f64| {
        let at = Some(shed.now + Span::from_days(hours / 24.0));
        shed.stage(1, |stage| (stage.earliest, stage.likely, stage.latest) = (at, at, at));
    };
    let kinds = async || {
        shed.list()
            .await
            .into_iter()
            .map(|item| item["kind"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    for (hours, said) in [(49.0, false), (47.0, true), (25.0, true), (23.0, false)] {
        hatch(hours);
        assert_eq!(kinds().await.contains(&"last_treatment".to_owned()), said, "{hours} h before hatch");
    }
    hatch(47.0);
    let page = shed.page().await;
    assert!(page.contains("Last day for a treatment") && page.contains("24 h before the earliest hatch"));
    // A day has gone by without a treatment; it is too near to hatch for another.
    shed.memory
        .entries
        .lock()
        .unwrap()
        .retain(|b| !matches!(b.entry.act, nightjar::logbook::Act::Treatment(_)));
    hatch(23.0);
    assert!(!kinds().await.contains(&"treat".to_owned()));
    hatch(47.0);
    assert!(kinds().await.contains(&"treat".to_owned()));
}

#[tokio::test]
async fn an_eye_up_sample_is_asked_for_when_eyes_should_show() {
    let shed = Shed::with(160.0);
    shed.past(9.0, json!({"kind": "siphon", "jar": "J01", "volume_ml": 30.0}));
    assert!(shed.list().await.is_empty(), "{:?}", shed.list().await);
    let soon = Some(shed.now + Span::from_hours(10));
    shed.stage(0, |eyed| eyed.likely = soon);
    let sample = json!({"kind": "eye_up_sample", "jar": "J01", "dips": [{"eyed": 90, "of": 100}, {"eyed": 93, "of": 100}]});
    shed.is_ticked_off("sample_eyed", "Take an eye-up sample", "/logbook?new=eye_up_sample&jar=J01", sample)
        .await;
}

#[tokio::test]
async fn screen_and_tank_are_ready_two_days_before_the_earliest_hatch() {
    let shed = Shed::with(190.0);
    shed.past(9.0, json!({"kind": "siphon", "jar": "J01", "volume_ml": 30.0}));
    shed.past(2.0, json!({"kind": "eye_up_sample", "jar": "J01", "dips": [{"eyed": 90, "of": 100}]}));
    let hatch = |hours: i64| {
        let at = Some(shed.now + Span::from_hours(hours));
        shed.stage(1, |stage| (stage.earliest, stage.likely, stage.latest) = (at, at, at));
    };
    // Two days, and half a working day ahead.
    hatch(61);
    assert!(shed.list().await.is_empty(), "{:?}", shed.list().await);
    hatch(50);
    // One press says it: the note is in the form.
    let note = json!({"kind": "note", "jar": "J01", "text": "fry screen and tank ready"});
    shed.is_ticked_off("tank_ready", "Fry screen and tank ready", "", note).await;
}

#[tokio::test]
async fn hatching_is_looked_for_and_the_fry_are_counted_at_its_end() {
    let shed = Shed::with(250.0);
    shed.past(1.0, json!({"kind": "note", "jar": "J01", "text": "fry screen and tank ready"}));
    shed.jar(|jar| jar.state = JarState::Hatching);
    shed.stage(0, |eyed| (eyed.at, eyed.seen) = (Some(shed.now - Span::from_days(4.0)), true));
    let since = shed.now - Span::from_hours(2);
    shed.stage(1, |hatch| (hatch.at, hatch.seen) = (Some(since), false));
    assert!(shed.page().await.contains("/logbook?new=hatch_seen&amp;jar=J01"), "no way to the entry");
    // The station marks the stage as seen when the entry is made; here that is done by hand.
    shed.stage(1, |hatch| hatch.seen = true);
    assert!(shed.list().await.is_empty(), "{:?}", shed.list().await);
    shed.past(0.5, json!({"kind": "hatch_seen", "jar": "J01", "point": "last"}));
    shed.jar(|jar| jar.state = JarState::Hatched);
    let empty = json!({"kind": "empty", "jar": "J01"});
    shed.is_ticked_off("count_fry", "Count the fry", "/logbook?new=empty&jar=J01", empty).await;
}

#[tokio::test]
async fn sensors_in_use_are_checked_once_a_month() {
    let shed = Shed::with(30.0);
    shed.memory.entries.lock().unwrap().retain(
        |b| !matches!(&b.entry.act, nightjar::logbook::Act::Calibration(c) if c.sensor.as_str() == "J01T"),
    );
    let check =
        json!({"kind": "calibration", "sensor": "J01T", "how": {"check": "ice_point", "reading_c": -0.04}});
    shed.is_ticked_off("calibrate", "melting ice: J01T", "/logbook?new=calibration", check).await;
    // A month later all are due again, those of jars without eggs are not.
    shed.memory.entries.lock().unwrap().iter_mut().for_each(|b| {
        if matches!(b.entry.act, nightjar::logbook::Act::Calibration(_)) {
            b.entry.happened_at = shed.now - Span::from_days(31.0);
        }
    });
    let page = shed.page().await;
    assert!(
        page.contains("melting ice: HAT, J01T") && page.contains("bucket and watch: HAF, J01F"),
        "{page}"
    );
}
