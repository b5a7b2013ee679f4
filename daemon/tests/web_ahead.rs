//! What was learnt here, how outlooks did and which days need something: on the pages and in the JSON interface.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod web_stand;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use nightjar::clock::ManualClock;
use nightjar::progress::followed::{Followed, Foreseen, Happened, Issued};
use nightjar::snapshot::{ClockView, LearningView, SightingView, Snapshot};
use nightjar_calc::outlook::{Score, TrackRecord};
use nightjar_calc::time::{Span, Timestamp};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;
use tower::ServiceExt;
use web_stand::{Stand, stand};

async fn get(stand: &Stand, path: &str) -> String {
    let request = Request::get(path).header("host", "127.0.0.1").body(Body::empty()).unwrap();
    let response = nightjar::web::router(stand.backend.clone()).oneshot(request).await.unwrap();
    assert_eq!(response.status(), StatusCode::OK, "{path}");
    String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
}

async fn json(stand: &Stand, path: &str) -> Value {
    serde_json::from_str(&get(stand, path).await).unwrap()
}

fn days(n: f64) -> Span {
    Span::from_days(n)
}

/// Three walleye hatches learnt from, two past springs, and one lot whose hatch was foreseen a day late, then right.
fn known(now: Timestamp) -> (LearningView, TrackRecord, Followed) {
    let sighting = SightingView {
        lot: "WAE-25-9".into(),
        stage: "hatch_peak",
        at: now - days(3.0),
        multiple: Some(1.12),
        doubtful: false,
    };
    let learning = LearningView {
        species: "walleye".into(),
        name: "Walleye".into(),
        in_use: true,
        factor_before: 1.0,
        factor_after: 1.1,
        spread_before: 0.1,
        spread_after: 0.05,
        window_after: 1.0,
        hatch_c_days: Some((117.0, 128.7)),
        sightings_used: 3,
        sightings: vec![sighting],
    };
    let score = Score {
        share: 0.5,
        cases: 12,
        mean_absolute_error_days: 0.6,
        bias_days: -0.1,
        coverage: 0.83,
        plain_error_days: [0.9, 0.8, 0.7],
    };
    let record = TrackRecord { scores: vec![score], seasons: 4 };
    let hatched = now - days(1.0);
    let foreseen = |likely: Timestamp| Foreseen {
        stage: "hatch_start".into(),
        earliest: Some(likely - days(0.5)),
        likely,
        latest: Some(likely + days(0.5)),
    };
    let issued = |before: f64, development, likely| Issued {
        at: hatched - days(before),
        development,
        stages: vec![foreseen(likely)],
    };
    let followed = Followed {
        lot: "WAE-26-0".into(),
        jar: "J24".into(),
        outlooks: vec![issued(6.0, 0.55, hatched + days(1.0)), issued(5.0, 0.6, hatched)],
        happened: BTreeMap::from([("hatch_start".into(), Happened { at: hatched, seen: true })]),
    };
    (learning, record, followed)
}

fn informed() -> Stand {
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()));
    let stand = stand(clock, false);
    let mut snap = Snapshot::clone(&stand.backend.snapshot.borrow());
    let (learning, record, followed) = known(snap.now.utc);
    snap.learning = vec![learning];
    snap.past_outlooks = Some(record);
    snap.season_outlooks = Arc::new(vec![followed]);
    if let Some(progress) = snap.jars[0].progress.as_mut().map(Arc::make_mut) {
        let clock = |take: &str, c_days| ClockView {
            take: take.into(),
            fertilized_at: progress.fertilized_at,
            c_days,
            development: 0.8,
            stages: progress.stages.clone(),
        };
        progress.clocks = vec![clock("T-7", 101.5), clock("T-8", 92.25)];
    }
    stand.present.send_replace(Arc::new(snap));
    stand
}

#[tokio::test]
async fn what_was_learnt_is_in_the_interface_and_on_the_jar() {
    let stand = informed();
    let learnt = json(&stand, "/api/v1/learning").await;
    let walleye = &learnt["species"][0];
    assert_eq!(walleye["before"]["hatch_c_days"], 117.0);
    assert_eq!(walleye["after"]["hatch_c_days"], 128.7);
    assert_eq!(walleye["sightings"][0]["multiple"], 1.12);
    assert!(learnt["how_to_undo"].as_str().unwrap().contains("learns = false"));
    let page = get(&stand, "/jar/J01").await;
    for part in ["was 117 °C·d by the table and is 129 °C·d now (+10.0 %)", "learns = false", "WAE-25-9"]
    {
        assert!(page.contains(part), "{part}");
    }
    // Takes that share a jar are told apart.
    assert!(page.contains("T-7") && page.contains("T-8") && page.contains("each with its own clock"));
    let outlook = json(&stand, "/api/v1/jars/J01/outlook").await;
    assert_eq!(outlook["clocks"][1]["c_days"], 92.25);
}

#[tokio::test]
async fn how_outlooks_did_is_in_the_interface_and_on_coming_days() {
    let stand = informed();
    let track = json(&stand, "/api/v1/outlook/track").await;
    assert_eq!(track["past_springs"]["springs"], 4);
    assert_eq!(track["past_springs"]["scores"][0]["mean_absolute_error_days"], 0.6);
    // One outlook a day late and outside its interval, one right: half a day, half inside.
    let score = &track["this_season"]["scores"][0];
    assert_eq!((score["development_from"].as_f64(), score["outlooks"].as_u64()), (Some(0.5), Some(2)));
    assert!((score["mean_absolute_error_days"].as_f64().unwrap() - 0.5).abs() < 1e-9);
    assert!((score["coverage"].as_f64().unwrap() - 0.5).abs() < 1e-9);
    assert_eq!(track["this_season"]["lots"][0]["happened"]["hatch_start"]["seen"], true);
    let page = get(&stand, "/days").await;
    for part in ["How good outlooks were", "50 % of the sum", "0.6\u{202f}d", "83 % of 12", "WAE-26-0"] {
        assert!(page.contains(part), "{part}");
    }
}

#[tokio::test]
async fn the_days_that_need_something_name_their_lots() {
    let stand = informed();
    let coming = json(&stand, "/api/v1/coming").await;
    let days = coming["days"].as_array().unwrap();
    assert!(!days.is_empty());
    let likely = |day: &Value, what: &str| -> Vec<String> {
        day[what]["likely"].as_array().unwrap().iter().map(|l| l.as_str().unwrap().to_owned()).collect()
    };
    for what in ["people", "tank", "truck"] {
        assert!(days.iter().any(|day| !likely(day, what).is_empty()), "{what}");
    }
    let in_order: Vec<&str> = days.iter().map(|day| day["day"].as_str().unwrap()).collect();
    assert!(in_order.is_sorted() && in_order[0] >= "2026-04-25");
    assert_eq!(coming["habits"]["tank_days"], 3);
    assert_eq!(coming["lots"].as_array().unwrap().len(), 3);
}
