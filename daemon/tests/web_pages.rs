//! The pages and the JSON interface, asked without a network: what they say, how large they are,
//! and that nothing anybody typed becomes markup.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod web_stand;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::JarId;
use nightjar::reading::{Quality, Reason};
use nightjar::snapshot::{Latest, Snapshot};
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;
use tower::ServiceExt;
use web_stand::{Stand, stand};

fn clock() -> Arc<ManualClock> {
    Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()))
}

fn at_rest(troubled: bool) -> Stand {
    stand(clock(), troubled)
}

async fn get(stand: &Stand, path: &str) -> (StatusCode, String) {
    get_with(stand, path, &[]).await
}

async fn get_with(stand: &Stand, path: &str, headers: &[(&str, &str)]) -> (StatusCode, String) {
    let mut request = Request::get(path).header("host", "127.0.0.1");
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let request = request.body(Body::empty()).unwrap();
    let response = nightjar::web::router(stand.backend.clone()).oneshot(request).await.unwrap();
    let status = response.status();
    let body = response.into_body().collect().await.unwrap().to_bytes();
    (status, String::from_utf8(body.to_vec()).unwrap())
}

fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// Text as a person would read it: without markup, white space joined.
fn words(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A page without the values of its hidden fields.
fn without_names(html: &str) -> String {
    let mut parts = html.split("type=\"hidden\"");
    let mut fixed = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        fixed.push_str(part.find('>').map_or("", |end| &part[end..]));
    }
    fixed
}

const PAGES: [&str; 14] = [
    "/",
    "/jar/J03",
    "/jar/J16",
    "/days",
    "/alarms",
    "/alarms/41",
    "/logbook",
    "/logbook?new=take&jar=J03",
    "/sensors",
    "/messages",
    "/station",
    "/calculators",
    "/calculators?calc=formalin&target_ul_per_l=1667&flow_l_per_min=18.9&minutes=15",
    "/components",
];

#[tokio::test]
async fn every_page_is_whole_and_has_its_landmarks() {
    for troubled in [false, true] {
        let stand = at_rest(troubled);
        for path in PAGES.into_iter().filter(|p| troubled || !p.starts_with("/alarms/")) {
            let (status, body) = get(&stand, path).await;
            assert_eq!(status, StatusCode::OK, "{path}");
            for part in [
                "<!DOCTYPE html>",
                "<html lang=\"en\"",
                "<main id=\"main\"",
                "<nav ",
                "<h1",
                "class=\"skip\"",
            ] {
                assert!(body.contains(part), "{path} lacks {part}");
            }
            assert_eq!(body.matches("<h1").count(), 1, "{path} has one heading of the first rank");
            assert!(!body.contains("style=\""), "{path}: inline styles are refused by the policy");
            assert_eq!(body.matches("<script").count(), 1, "{path}: the only script is a file");
            // Names of entries and of visits are random letters, which may spell anything.
            let fixed = without_names(&body);
            assert!(!fixed.contains("NaN") && !fixed.contains("inf "), "{path}");
            // A sentence with a gap that nothing was put into.
            let gap = fixed.split('{').skip(1).filter_map(|rest| rest.split_once('}')).map(|(name, _)| name);
            let open: Vec<_> = gap.filter(|name| name.bytes().all(|b| b.is_ascii_lowercase())).collect();
            assert!(open.is_empty(), "{path}: nothing stands for {open:?}");
        }
    }
}

#[tokio::test]
async fn every_id_is_on_a_page_once_and_every_label_has_its_field() {
    let stand = at_rest(true);
    for path in PAGES.into_iter().filter(|p| *p != "/components") {
        let (_, body) = get(&stand, path).await;
        let after = |mark: &str| -> Vec<String> {
            body.split(mark).skip(1).map(|rest| rest[..rest.find('"').unwrap()].to_owned()).collect()
        };
        let mut ids = after(" id=\"");
        ids.sort();
        let twice: Vec<_> = ids.windows(2).filter(|w| w[0] == w[1]).map(|w| w[0].clone()).collect();
        assert!(twice.is_empty(), "{path}: {twice:?}");
        for label in after(" for=\"") {
            assert!(ids.contains(&label), "{path}: no field {label}");
        }
        for named in after(" aria-labelledby=\"") {
            assert!(named.split(' ').all(|id| ids.contains(&id.to_owned())), "{path}: {named}");
        }
    }
}

/// Bytes of an answer as a browser asks for it.
async fn packed(stand: &Stand, path: &str) -> usize {
    let request = Request::get(path).header("host", "127.0.0.1").header("accept-encoding", "gzip");
    let request = request.body(Body::empty()).unwrap();
    let response = nightjar::web::router(stand.backend.clone()).oneshot(request).await.unwrap();
    assert_eq!(response.status(), StatusCode::OK, "{path}");
    response.into_body().collect().await.unwrap().to_bytes().len()
}

/// The rack of 24 jars, the stylesheet and the script are the whole first view: with the manifest
/// four requests.
#[tokio::test]
async fn the_first_view_is_small() {
    let stand = at_rest(true);
    let (_, page) = get(&stand, "/").await;
    let linked: Vec<&str> = ["href=\"/a/", "src=\"/a/"]
        .iter()
        .flat_map(|mark| {
            page.split(*mark)
                .skip(1)
                .map(move |rest| (&rest[..rest.find('"').unwrap()], mark))
                .map(|(file, _)| file)
        })
        .collect();
    assert_eq!(linked.len(), 2, "{linked:?}");
    let packed = packed(&stand, "/").await;
    let mut whole = packed + self::packed(&stand, "/manifest.webmanifest").await;
    for file in linked {
        whole += self::packed(&stand, &format!("/a/{file}")).await;
    }
    let (_, manifest) = get(&stand, "/manifest.webmanifest").await;
    assert_eq!(json(&manifest)["start_url"], "/");
    println!("rack {} B, compressed {packed} B, first view compressed {whole} B", page.len());
    assert!(page.contains("data:image/svg+xml"), "the icon needs no request of its own");
    assert!(packed < 15_000, "a later view is under 15 kB");
    assert!(page.len() < 60_000, "{}", page.len());
    assert!(whole < 60_000, "{whole}");
}

#[tokio::test]
async fn the_first_line_says_what_is_wrong_and_who_was_told() {
    let (_, body) = get(&at_rest(true), "/").await;
    let text = words(&body);
    for part in [
        "No flow: header B, and 1 more",
        "1 alarm acknowledged · 1 alarm paused, covered or out of use",
        "Last told today 02:14 (2 min ago) : Kim, text: no flow header B",
        "P3 Thermometer silent jar J05",
    ] {
        assert!(text.contains(part), "{part} not in: {text}");
    }
    let (_, body) = get(&at_rest(false), "/").await;
    let text = words(&body);
    assert!(text.contains("All well"), "{text}");
    assert!(text.contains("22 jars with eggs, 47 of 47 sensors good"), "{text}");
}

#[tokio::test]
async fn no_reading_is_said_and_never_zero_and_old_looks_old() {
    let stand = at_rest(true);
    let (_, body) = get(&stand, "/jar/J06").await;
    assert!(words(&body).contains("Water no reading"), "{}", words(&body));
    let (_, body) = get(&stand, "/jar/J05").await;
    assert!(words(&body).contains("11.2 °C old, 23 min ago"));
    let (_, body) = get(&stand, "/api/v1/jars/J06").await;
    assert!(json(&body)["temperature"].is_null());
}

#[tokio::test]
async fn a_picture_that_stopped_moving_is_never_all_well() {
    let clock = clock();
    let stand = stand(Arc::clone(&clock) as Arc<dyn Clock>, false);
    clock.advance(Span::from_secs(31));
    let (_, body) = get(&stand, "/").await;
    assert!(words(&body).contains("No news from the monitor for 31 s"), "{}", words(&body));
    let (_, body) = get(&stand, "/api/v1/status").await;
    assert_eq!(json(&body)["state"], "blind");
}

#[tokio::test]
async fn an_untrusted_clock_is_said() {
    let clock = clock();
    clock.set_trusted(false);
    let (_, body) = get(&stand(clock, false), "/").await;
    assert!(words(&body).contains("the clock is not trusted"));
    assert!(words(&body).contains("clock not trusted"));
}

#[tokio::test]
async fn a_snapshot_with_nothing_in_it_still_makes_every_page() {
    let stand = at_rest(false);
    let now = stand.backend.clock.now();
    stand.present.send_replace(Arc::new(Snapshot {
        now,
        version: 1,
        jars: Vec::new(),
        headers: Vec::new(),
        sensors: Vec::new(),
        lots: Vec::new(),
        alarms: Vec::new(),
        sources: Vec::new(),
        learning: Vec::new(),
        past_outlooks: None,
        season_outlooks: Arc::default(),
        last_told: None,
        hand_over: None,
    }));
    for path in PAGES.into_iter().filter(|p| !p.starts_with("/alarms/")) {
        let (status, _) = get(&stand, path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
    }
    let (_, body) = get(&stand, "/").await;
    assert!(words(&body).contains("Nobody has been told anything yet."));
    for path in ["status", "rack", "jars/J01", "sensors", "alarms", "messages", "entries"] {
        let (status, body) = get(&stand, &format!("/api/v1/{path}")).await;
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
    }
}

#[tokio::test]
async fn impossible_numbers_in_a_snapshot_break_no_page() {
    let stand = at_rest(true);
    let mut snap = Snapshot::clone(&stand.backend.snapshot.borrow());
    for (i, value) in [f64::NAN, f64::INFINITY, -1e300, 0.0].into_iter().enumerate() {
        let jar = &mut snap.jars[i];
        let at = Timestamp::from_ms(i64::MAX - 5);
        jar.temperature = Some(Latest { value, at, quality: Quality::Bad, reason: Reason::NotFinite });
        jar.flow = jar.temperature;
        jar.eggs = Some(value);
        if let Some(progress) = jar.progress.as_mut().map(Arc::make_mut) {
            progress.development = value;
            progress.c_days = value;
            for stage in &mut progress.stages {
                stage.likely = Some(at);
                stage.latest = Some(Timestamp::from_ms(i64::MIN + 5));
            }
        }
    }
    stand.present.send_replace(Arc::new(snap));
    for path in ["/", "/days", "/jar/J01", "/jar/J02", "/sensors", "/api/v1/rack"] {
        let (status, _) = get(&stand, path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
    }
}

#[tokio::test]
async fn what_somebody_typed_never_becomes_markup() {
    let mut stand = at_rest(true);
    let evil = "<svg/onload=alert(1)>\"'{{7*7}}\u{202e}";
    let mut snap = Snapshot::clone(&stand.backend.snapshot.borrow());
    snap.jars[0].lot = Some(evil.into());
    snap.lots[0].id = evil.into();
    snap.sources[0].detail = evil.into();
    snap.alarms[0].action = evil.into();
    snap.alarms[0].line = evil.into();
    snap.alarms[0].members = vec![evil.into()];
    snap.last_told = Some((snap.now.utc, evil.into()));
    stand.present.send_replace(Arc::new(snap));
    let mut rack = nightjar::rack::Rack::clone(&stand.backend.rack);
    rack.station = evil.into();
    stand.backend.rack = Arc::new(rack);
    for path in PAGES {
        let (_, body) = get(&stand, path).await;
        assert!(!body.contains("<svg/onload"), "{path}");
        assert!(!body.contains("<svg onload"), "{path}");
    }
    let (_, body) = get(&stand, "/jar/J03").await;
    assert!(body.contains("&lt;svg onload=alert(1)&gt; roll looks slow"));
}

#[tokio::test]
async fn what_is_not_there_is_404_in_the_form_it_was_asked_for() {
    let stand = at_rest(false);
    for path in [
        "/jar/J99",
        "/jar/..%2f..%2fetc",
        "/jar/%00",
        "/nowhere",
        "/alarms/999",
        "/a/style-old.css",
        "/a/..%2fCargo.toml",
    ] {
        assert_eq!(get(&stand, path).await.0, StatusCode::NOT_FOUND, "{path}");
    }
    for path in
        ["/api/v1/jars/J99", "/api/v1/nothing", "/api/v1/jars/J16/outlook", "/api/v1/sensors/none/series"]
    {
        let (status, body) = get(&stand, path).await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{path}");
        assert!(json(&body)["error"]["message"].is_string(), "{path}");
    }
    for path in [
        "/api/v1/entries?limit=0",
        "/api/v1/entries?limit=99999",
        "/api/v1/entries?before=yesterday",
        "/api/v1/messages?event=x",
        "/api/v1/sensors/HAT/series?from=2026-05-01T00:00:00Z&to=2026-04-01T00:00:00Z",
        "/api/v1/sensors/HAT/series?buckets=-1",
    ] {
        let (status, body) = get(&stand, path).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}: {body}");
    }
}

#[tokio::test]
async fn a_record_that_cannot_be_read_is_said_and_the_rest_still_works() {
    let mut stand = at_rest(true);
    let mut memory = web_stand::Memory::new(stand.backend.clock.now().utc);
    memory.broken = true;
    stand.backend.history = Arc::new(memory);
    for path in ["/jar/J03", "/alarms", "/logbook", "/messages"] {
        let (status, body) = get(&stand, path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert!(body.contains("the record cannot be read"), "{path}");
    }
    assert_eq!(get(&stand, "/api/v1/entries").await.0, StatusCode::SERVICE_UNAVAILABLE);
    let (status, body) = get(&stand, "/api/v1/alarms").await;
    let alarms: serde_json::Value = serde_json::from_str(&body).unwrap();
    assert_eq!(status, StatusCode::OK);
    assert!(alarms["journal"].is_null() && !alarms["open"].as_array().unwrap().is_empty(), "{body}");
    assert_eq!(get(&stand, "/").await.0, StatusCode::OK);
}

#[tokio::test]
async fn numbers_are_shown_in_the_units_of_the_person() {
    let stand = at_rest(true);
    let (_, body) = get_with(&stand, "/jar/J03", &[("cookie", "units=fgq; theme=dark")]).await;
    let text = words(&body);
    // 13.2 °C is 55.76 °F; 1.42 L is 1.5005 US quarts.
    assert!(text.contains("Water 55.8 °F"), "{text}");
    assert!(text.contains("1.50 qt"), "{text}");
    assert!(text.contains("gpm"), "{text}");
    assert!(text.contains("55.8 °F , limit 55.4 °F"), "{text}");
    assert!(body.contains("data-theme=\"dark\""));
    // Two probes 1.1 °C apart are 1.98 °F apart: a difference has no zero to move.
    let (_, body) = get_with(&stand, "/alarms", &[("cookie", "units=fgq")]).await;
    let text = words(&body);
    assert!(text.contains("2.0 °F apart , limit 0.9 °F"), "{text}");
}

#[tokio::test]
async fn the_interface_gives_the_present_with_units_in_its_keys() {
    let stand = at_rest(true);
    let (_, body) = get(&stand, "/api/v1/status").await;
    let status = json(&body);
    assert_eq!(status["state"], "needed");
    assert_eq!(status["alarms_needing_somebody"], 2);
    assert_eq!(status["now"], "2026-04-25T07:16:00Z");
    let (_, body) = get(&stand, "/api/v1/rack").await;
    let rack = json(&body);
    assert_eq!(rack["jars"].as_array().unwrap().len(), 24);
    let jar = &rack["jars"][2];
    assert_eq!(jar["id"], "J03");
    assert_eq!(jar["temperature"]["temp_c"], 13.2);
    assert_eq!(jar["set_flow_l_per_min"], 4.0);
    // One °C·day is 1.8 °F·days by definition of the two scales.
    let sums = &jar["thermal_units"];
    let ratio = sums["f_days"].as_f64().unwrap() / sums["c_days"].as_f64().unwrap();
    assert!((ratio - 1.8).abs() < 1e-12);
    let (_, body) = get(&stand, "/api/v1/jars/J03/outlook").await;
    let outlook = json(&body);
    assert_eq!(outlook["stages"][3]["stage"], "hatch_end");
    assert_eq!(outlook["confidence"], "low");
    let (_, body) = get(&stand, "/api/v1/sensors/HAT/series?buckets=20").await;
    assert!(json(&body)["buckets"].as_array().unwrap().len() <= 20);
    let (_, body) = get(&stand, "/api/v1/alarms").await;
    assert_eq!(json(&body)["open"][0]["code"], "M4T");
}

/// Every path and every answer's reference in the description exists.
/// Every calculator with an honest question.
const CALCULATED: [(&str, &str); 15] = [
    ("/calc/count/trough", "eggs=150&length_in=12&volume_qt=2.5"),
    ("/calc/count/volume", "eggs=1321&sample_ml=10&volume_l=2"),
    ("/calc/count/weight", "eggs=112&sample_g=5&weight_g=316.8"),
    ("/calc/count/displacement", "eggs=2153&displaced_ml=10&volume_l=2"),
    ("/calc/proportion", "hits=183&of=200&hits=90&of=100"),
    ("/calc/dose/formalin", "target_ul_per_l=1667&flow_l_per_min=18.9"),
    ("/calc/dose/peroxide", "target_mg_per_l=500&flow_l_per_min=18.9"),
    ("/calc/oxygen", "temp_c=10"),
    ("/calc/oxygen/stopped", "eggs=312500&temp_c=10&stage=green"),
    ("/calc/oxygen/flowing", "eggs=312500&temp_c=10&stage=eyed&flow_l_per_min=5"),
    ("/calc/sensor/thermistor", "ohms=32650&curve=10K3"),
    ("/calc/sensor/platinum", "ohms=103.9"),
    ("/calc/sensor/pulses", "pulses=300&seconds=10&per_litre=450"),
    ("/calc/breeders", "females=60&males=90"),
    ("/calc/sensor/current", "ma=12&at_4_ma=0&at_20_ma=10"),
];

/// Sixty females and ninety males: 4 × 60 × 90 / 150 = 144 (Wright's formula for unequal sexes).
#[tokio::test]
async fn calculators_answer_as_json_and_refuse_in_one_line() {
    let stand = at_rest(false);
    let (status, body) = get(&stand, "/api/v1/calc/breeders?females=60&males=90").await;
    assert_eq!(status, StatusCode::OK, "{body}");
    assert!(json(&body)["answer"][0].as_str().unwrap().contains("144.0"), "{body}");
    for (given, expected) in [
        ("count/trough?eggs=0&length_in=12&volume_qt=2.5", StatusCode::BAD_REQUEST),
        ("count/trough?eggs=150&length_in=12&volume_qt=-2", StatusCode::BAD_REQUEST),
        ("count/trough?eggs=150&width=12", StatusCode::BAD_REQUEST),
        ("count/spoon?eggs=150", StatusCode::NOT_FOUND),
        ("oxygen?temp_c=NaN", StatusCode::BAD_REQUEST),
        ("oxygen?help=true", StatusCode::BAD_REQUEST),
        ("dose/formalin?target_ul_per_l=4000&flow_l_per_min=18.9", StatusCode::UNPROCESSABLE_ENTITY),
    ] {
        let (status, body) = get(&stand, &format!("/api/v1/calc/{given}")).await;
        assert_eq!(status, expected, "{given}: {body}");
        if expected != StatusCode::NOT_FOUND {
            let message = json(&body)["error"]["message"].as_str().unwrap().to_owned();
            assert!(!message.is_empty() && !message.contains("--") && !message.contains('\n'), "{message}");
        }
    }
}

#[tokio::test]
async fn the_description_matches_what_is_served() {
    let stand = at_rest(true);
    let (_, body) = get(&stand, "/api/v1/openapi.json").await;
    let description = json(&body);
    assert_eq!(description["openapi"], "3.1.0");
    for (path, methods) in description["paths"].as_object().unwrap() {
        let asked = path.replace("/jars/{id}", "/jars/J03").replace("/sensors/{id}", "/sensors/HAT");
        assert!(methods["get"].is_object(), "{path}");
        // The guard answers to a treatment that is meant; without one it says what is missing.
        let asked = if path.ends_with("/treatment") {
            format!("{asked}?agent=formalin&concentration=1667&minutes=15")
        } else {
            let wanted = CALCULATED.iter().find(|(calculator, _)| path == calculator);
            wanted.map_or(asked.clone(), |(_, given)| format!("{asked}?{given}"))
        };
        let (status, answer) = get(&stand, &format!("/api/v1{asked}")).await;
        // The stand's logbook has no eggs, and the guard says so.
        let guarded = path.ends_with("/treatment") && answer.contains("the jar is empty");
        assert!(status == StatusCode::OK || guarded, "{path}: {answer}");
    }
    for reference in body.split("\"#/components/schemas/").skip(1) {
        let name = &reference[..reference.find('"').unwrap()];
        assert!(description["components"]["schemas"][name].is_object(), "{name}");
    }
    // web_description holds each of them against what the logbook takes.
    let kinds = description["components"]["schemas"]["Act"]["oneOf"].as_array().unwrap();
    assert_eq!(kinds.len(), 23, "{kinds:?}");
}

#[tokio::test]
async fn health_can_fail() {
    let mut stand = at_rest(false);
    assert_eq!(get(&stand, "/health").await.0, StatusCode::OK);
    stand.backend.health = Arc::new(|| nightjar::web::backend::HealthView {
        beats: vec![nightjar::web::backend::Beat { task: "core", age_s: 16.0, limit_s: 15.0 }],
        faults: Vec::new(),
        metrics: Vec::new(),
    });
    let (status, body) = get(&stand, "/health").await;
    assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(json(&body)["tasks"][0]["fresh"], false);
}

/// Form of the text by the OpenMetrics 1.0 specification: TYPE before samples, counters end in
/// `_total`, the last line is `# EOF`.
#[tokio::test]
async fn metrics_are_open_metrics() {
    let (_, body) = get(&at_rest(true), "/metrics").await;
    assert!(body.ends_with("# EOF\n"));
    assert!(body.contains("# TYPE nightjar_readings counter\n"));
    assert!(body.contains("nightjar_readings_total 3\n"));
    assert!(body.contains("nightjar_alarms{priority=\"1\"} 1\n"));
    assert!(body.contains("nightjar_source_up{source=\"barn-broker\"} 0\n"));
    for line in body.lines().filter(|l| !l.starts_with('#')) {
        let value = line.rsplit(' ').next().unwrap();
        assert!(value.parse::<f64>().is_ok(), "{line}");
    }
}

#[tokio::test]
async fn where_reading_is_not_open_nobody_reads_without_a_name() {
    let mut stand = at_rest(true);
    stand.backend.access.reading_open = false;
    stand.backend.access.demo = None;
    for path in PAGES {
        let (status, body) = get(&stand, path).await;
        assert_eq!(status, StatusCode::SEE_OTHER, "{path}");
        assert!(body.is_empty(), "{path}");
    }
    for path in ["status", "rack", "jars/J03", "entries", "messages"] {
        let (status, body) = get(&stand, &format!("/api/v1/{path}")).await;
        assert_eq!(status, StatusCode::UNAUTHORIZED, "{path}");
        assert!(!body.contains("J03"), "{path}");
    }
    assert_eq!(get(&stand, "/live?view=rack").await.0, StatusCode::SEE_OTHER);
    assert_eq!(get(&stand, "/health").await.0, StatusCode::OK);
    let (status, body) = get(&stand, "/sign-in").await;
    assert_eq!(status, StatusCode::OK);
    assert!(body.contains("Nobody is set up yet"));
}

#[tokio::test]
async fn without_people_the_page_is_read_only() {
    let mut stand = at_rest(true);
    stand.backend.access.demo = None;
    let (_, body) = get(&stand, "/jar/J03").await;
    assert!(!body.contains("action=\"/entry/"), "no forms for entries");
    assert!(!body.contains("action=\"/alarm/"), "no forms for alarms");
    assert!(JarId::new("J03").is_ok());
}

#[tokio::test]
async fn the_coming_days_say_what_each_day_needs_and_plan_a_hatch() {
    let stand = at_rest(false);
    let (status, page) = get(&stand, "/days").await;
    assert_eq!(status, StatusCode::OK);
    let text = words(&page);
    for part in ["Lot by lot", "People", "Tank", "Truck", "Last day to treat:", "no more treatments."] {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    // The stand's second lot: 7.4 days for 0.52 of the way, in water that allows a later hatch.
    let (_, page) = get(&stand, "/days?plan=WAE-26-2&wanted=2026-05-03&change=1").await;
    let text = words(&page);
    assert!(text.contains("Set the water to"), "{text}");
    for (query, why) in [
        ("plan=WAE-26-2&wanted=soon&change=1", "is not a day like"),
        ("plan=WAE-26-2&wanted=2026-05-03&change=9", "at most 3"),
        ("plan=nothing&wanted=2026-05-03&change=1", "no such lot"),
        ("plan=WAE-26-2&wanted=2020-05-03&change=1", "not after the start"),
    ] {
        let (status, page) = get(&stand, &format!("/days?{query}")).await;
        assert_eq!(status, StatusCode::OK);
        assert!(words(&page).contains(why), "{query}: {}", words(&page));
    }
}

#[tokio::test]
async fn the_station_page_says_who_is_told_and_how() {
    let stand = at_rest(true);
    let (_, page) = get(&stand, "/station").await;
    let text = words(&page);
    for part in
        ["told first", "Kim", "failing; last said: no network", "Last drill", "free space", "not connected"]
    {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    assert_eq!(get(&stand, "/authority.crt").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_sensor_has_a_page_with_its_deadband_and_its_checks() {
    let stand = at_rest(false);
    let (status, page) = get(&stand, "/sensors/J03T").await;
    assert_eq!(status, StatusCode::OK);
    let text = words(&page);
    for part in ["Suggested deadband:", "Correction in force", "nobody knows how right it is"] {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    assert_eq!(get(&stand, "/sensors/NONE").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_jar_can_be_looked_at_more_closely_and_nonsense_is_the_usual_view() {
    let stand = at_rest(false);
    let now = stand.memory.now.ms() / 1_000;
    let (_, closer) = get(&stand, &format!("/jar/J03?from={}&to={}", now - 7_200, now - 3_600)).await;
    assert!(closer.contains(&format!("data-from=\"{}\"", (now - 7_200) * 1_000)));
    let (_, usual) = get(&stand, "/jar/J03").await;
    for query in ["from=1&to=0", "from=x&to=9", "from=-5&to=99999999999999999999", "from=0&to=4102444800"] {
        let (status, page) = get(&stand, &format!("/jar/J03?{query}")).await;
        assert_eq!(status, StatusCode::OK);
        assert!(page.contains("aria-current=\"true\">3 days"), "{query}");
    }
    assert!(usual.contains("fan in which the stages are expected"));
}
