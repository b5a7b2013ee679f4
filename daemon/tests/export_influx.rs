//! The export to an InfluxDB 2 server: every line is one that another parser reads, an outage of
//! two days loses nothing, and each way a server can turn us away has its answer.
//!
//! Outside judges: the `influxdb-line-protocol` crate as parser, and VictoriaMetrics as Debian
//! packages it as server.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod export_stand;
mod web_stand;

use export_stand::{Act, LIMIT, Stub, stand, start, until};
use influxdb_line_protocol::{FieldValue, parse_lines};
use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, Code, EventId, Priority};
use nightjar::clock::Clock as _;
use nightjar::export::influx::{Exporter, InfluxHealth, Pace};
use nightjar::export::line::Lines;
use nightjar::export::sender::{Sender, client};
use nightjar::reading::{Quality, Reason, Value};
use nightjar::store::{JournalKind, NewLine, Sample, Transition};
use nightjar_calc::time::{Span, Timestamp};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

fn event(n: u64, at: Timestamp) -> AlarmEvent {
    AlarmEvent {
        event: EventId(n),
        seq: 1,
        change: Change::Raised,
        kind: AlarmKind::NoFlow,
        asset: Asset::Jar("J07".into()),
        priority: Priority::P1,
        members: vec!["J07".into()],
        members_total: 1,
        value: Some(0.1),
        limit: Some(0.5),
        unit: "L/min".into(),
        since: at,
        at,
        clock_trusted: true,
        code: Code("K7Q".into()),
        eggs_have: None,
        hint: "a \"hint\" with \\ and a line\nend".into(),
        unverified: false,
        chattering: false,
    }
}

async fn commit_alarm(stand: &export_stand::Stand, n: u64) {
    let now = stand.clock.now();
    let body = serde_json::json!({ "event": event(n, now.utc) });
    let journal = vec![NewLine { now, kind: JournalKind::Alarm, event: Some(EventId(n)), body }];
    stand.store.commit(Transition { journal, ..Transition::default() }).await.unwrap();
}

fn exporter(stand: &export_stand::Stand, url: &str) -> (Exporter, watch::Receiver<InfluxHealth>) {
    let settings = stand.settings(url);
    let (exporter, health) = Exporter::new(
        &settings,
        &stand.rack,
        stand.store.clone(),
        stand.picture.clone(),
        stand.clock.clone(),
    )
    .unwrap();
    let sender = Sender::new(&settings)
        .unwrap()
        .with_limits(Duration::from_secs(2), Duration::from_millis(1500))
        .unwrap();
    (exporter.through(sender), health)
}

proptest! {
    #[test]
    fn every_reading_becomes_a_line_that_another_parser_reads_the_same(
        sensor in 0_usize..40, ms in 0_i64..4_000_000_000_000, value in any::<i32>(),
        quality in prop_oneof![Just(Quality::Good), Just(Quality::Uncertain), Just(Quality::Bad)],
        reason in prop_oneof![Just(Reason::None), Just(Reason::OutOfWater), Just(Reason::FutureTime)],
    ) {
        let rack = web_stand::rack(3);
        let sensor = &rack.sensors[sensor % rack.sensors.len()].id;
        let at = Timestamp::from_ms(ms);
        let sample = Sample { at, value: Value(value), quality, reason };
        let line = Lines::new("kettle-point", &rack).reading(sensor, &sample).unwrap();
        let parsed = parse_lines(&line).collect::<Result<Vec<_>, _>>().unwrap();
        prop_assert_eq!(parsed.len(), 1);
        prop_assert_eq!(parsed[0].timestamp, Some(ms));
        prop_assert_eq!(parsed[0].series.measurement.as_str(), "reading");
        let tag = parsed[0].tag_value("sensor").unwrap().to_string();
        prop_assert_eq!(tag.as_str(), sensor.as_str());
        let FieldValue::F64(read) = parsed[0].field_value("value").unwrap() else { panic!("not a float: {line}") };
        prop_assert_eq!(Value::from_f64(*read), Some(Value(value)));
    }

    #[test]
    fn whatever_an_alarm_is_called_its_line_stays_one_line(
        asset in "\\PC{0,40}|.*[\\\\\"\n\r=, ].*", station in "[ -~]{1,30}", value in proptest::option::of(any::<f64>()),
    ) {
        let rack = web_stand::rack(1);
        let alarm = AlarmEvent {
            asset: Asset::Header(format!("x{asset}")), value, ..event(3, start())
        };
        let line = Lines::new(&format!("s{station}"), &rack).alarm(&alarm).unwrap();
        let parsed = parse_lines(&line).collect::<Result<Vec<_>, _>>();
        let parsed = parsed.unwrap_or_else(|error| panic!("{error}: {line:?}"));
        prop_assert_eq!(parsed.len(), 1);
        prop_assert!(parsed[0].tag_value("kind").is_some());
        prop_assert_eq!(parsed[0].timestamp, Some(start().ms()));
        prop_assert_eq!(parsed[0].field_value("value").is_some(), value.is_some_and(f64::is_finite));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn readings_jars_and_alarms_reach_the_server_as_lines_it_can_read() {
    let stand = stand();
    let (stub, url) = Stub::serve(vec![], None, 10_000).await;
    stand.minutes(0, 30).await;
    commit_alarm(&stand, 7).await;
    let (exporter, health) = exporter(&stand, &url);
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.run(stop.clone()));
    until(&stand.clock, Span::from_secs(1), "all there", || {
        health.borrow().caught_up.is_some() && stub.taken().iter().any(|line| line.starts_with("jar,"))
    })
    .await;
    stop.cancel();
    task.await.unwrap();
    let taken = stub.taken();
    let count = |measurement: &str| taken.iter().filter(|line| line.starts_with(measurement)).count();
    assert_eq!(count("reading,"), 30 * stand.rack.sensors.len());
    assert_eq!(count("alarm,"), 1);
    assert!(count("jar,") >= stand.rack.jars.len());
    for line in &taken {
        let parsed = parse_lines(line).collect::<Result<Vec<_>, _>>().unwrap();
        assert_eq!(parsed[0].tag_value("station").unwrap().to_string(), "kettle-point");
    }
    println!("{}", taken.iter().find(|line| line.starts_with("jar,")).unwrap());
    println!("{}", taken.iter().find(|line| line.starts_with("alarm,")).unwrap());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_is_down_slow_or_busy_gets_the_same_rows_later() {
    let stand = stand();
    let script = vec![
        Act::Say(503, None),
        Act::Hang,
        Act::Say(500, None),
        Act::Say(429, Some(30)),
        Act::Say(502, None),
    ];
    let (stub, url) = Stub::serve(script, None, 10_000).await;
    stand.minutes(0, 10).await;
    let (exporter, health) = exporter(&stand, &url);
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.run(stop.clone()));
    until(&stand.clock, Span::from_secs(1), "caught up", || health.borrow().caught_up.is_some()).await;
    stop.cancel();
    task.await.unwrap();
    let readings = stub.taken().iter().filter(|line| line.starts_with("reading,")).count();
    assert_eq!(readings, 10 * stand.rack.sensors.len(), "each once, none lost");
    let answers: Vec<u16> = stub.requests.lock().unwrap().iter().map(|(status, _)| *status).collect();
    assert_eq!(&answers[..4], &[503, 500, 429, 502], "the request that got no answer left no mark");
    assert!(health.borrow().failing.is_none());
}

#[tokio::test(flavor = "multi_thread")]
async fn bad_lines_are_found_set_aside_with_the_servers_words_and_hold_nothing_up() {
    let stand = stand();
    let (stub, url) = Stub::serve(vec![], Some("sensor=J03T"), 200).await;
    stand.minutes(0, 10).await;
    let (exporter, health) = exporter(&stand, &url);
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.run(stop.clone()));
    until(&stand.clock, Span::from_secs(1), "caught up", || health.borrow().caught_up.is_some()).await;
    stop.cancel();
    task.await.unwrap();
    let aside = stand.store.read(|r| r.set_aside(100)).await.unwrap();
    assert_eq!(aside.len(), 10);
    assert!(
        aside.iter().all(|line| line.raw.contains("sensor=J03T") && line.reason.contains("unable to parse"))
    );
    let readings = stub.taken().iter().filter(|line| line.starts_with("reading,")).count();
    assert_eq!(readings, 10 * (stand.rack.sensors.len() - 1));
    let requests = stub.requests.lock().unwrap().len();
    println!("{requests} requests to find 10 bad lines among {}", 10 * stand.rack.sensors.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_refuses_everything_costs_no_row() {
    let stand = stand();
    let (stub, url) = Stub::serve(vec![], Some("reading"), 10_000).await;
    stand.minutes(0, 10).await;
    let (exporter, health) = exporter(&stand, &url);
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.run(stop.clone()));
    until(&stand.clock, Span::from_secs(1), "given up for now", || health.borrow().needs_somebody).await;
    assert_eq!(stand.store.read(|r| r.set_aside(100)).await.unwrap(), vec![]);
    // Somebody mends the bucket: everything arrives.
    *stub.poison.lock().unwrap() = None;
    until(&stand.clock, Span::from_secs(10), "caught up", || health.borrow().caught_up.is_some()).await;
    stop.cancel();
    task.await.unwrap();
    let readings = stub.taken().iter().filter(|line| line.starts_with("reading,")).count();
    assert_eq!(readings, 10 * stand.rack.sensors.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_token_waits_for_somebody_and_a_new_one_needs_no_restart() {
    let stand = stand();
    let (stub, url) = Stub::serve(vec![], None, 10_000).await;
    stand.minutes(0, 3).await;
    std::fs::write(stand.folder.path().join("token"), "wrong").unwrap();
    let (exporter, health) = exporter(&stand, &url);
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.run(stop.clone()));
    until(&stand.clock, Span::from_secs(1), "turned away", || health.borrow().needs_somebody).await;
    assert!(stub.taken().is_empty());
    let (_, why) = health.borrow().failing.clone().unwrap();
    assert!(why.contains("401"), "{why}");
    assert!(!why.contains("wrong") && !why.contains("correct-horse"), "no token in messages: {why}");
    std::fs::write(stand.folder.path().join("token"), "correct-horse\n").unwrap();
    until(&stand.clock, Span::from_secs(10), "caught up", || health.borrow().caught_up.is_some()).await;
    stop.cancel();
    task.await.unwrap();
    assert_eq!(
        stub.taken().iter().filter(|line| line.starts_with("reading,")).count(),
        3 * stand.rack.sensors.len()
    );
}

/// A time-series server of another maker on this machine.
struct Server {
    child: Child,
    port: u16,
}

impl Server {
    /// `None`, said aloud, where the server is not installed.
    fn start(port: u16, data: &Path) -> Option<Self> {
        let child = Command::new("victoria-metrics")
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .arg(format!("-storageDataPath={}", data.display()))
            // Equal points of one series count once, as the write interface of InfluxDB 2 has it.
            .args(["-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        match child {
            Ok(child) => Some(Self { child, port }),
            Err(error) => {
                println!("victoria-metrics cannot be started ({error}): not tested against it");
                None
            }
        }
    }

    async fn get(&self, path: &str) -> Option<String> {
        let client = client(Duration::from_secs(2), Duration::from_secs(30)).unwrap();
        let response = client.get(format!("http://127.0.0.1:{}{path}", self.port)).send().await.ok()?;
        response.status().is_success().then_some(())?;
        // Its answers come in pieces whose lengths only the end of the body tells.
        response.text().await.ok()
    }

    async fn ready(&self) {
        let wait = async { while self.get("/health").await.is_none() {} };
        tokio::time::timeout(LIMIT, wait).await.expect("the server never answered");
    }

    /// Ends it as an operator would, so that what it said it has is on its disk.
    fn stop(mut self) {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-INT", &pid]).status().unwrap().success());
        self.child.wait().unwrap();
    }

    /// Every stored value of a field: by sensor, the moments and values as they are kept.
    async fn everything(&self, name: &str) -> BTreeMap<String, Vec<(i64, f64)>> {
        self.get("/internal/force_flush").await.unwrap();
        let path = format!("/api/v1/export?match[]=%7B__name__%3D%22{name}%22%7D&start=0");
        let text = self.get(&path).await.unwrap();
        let mut found: BTreeMap<String, Vec<(i64, f64)>> = BTreeMap::new();
        for line in text.lines() {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            let sensor = line["metric"]["sensor"].as_str().unwrap_or_default().to_owned();
            let times = line["timestamps"].as_array().unwrap().iter().map(|v| v.as_i64().unwrap());
            let values = line["values"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap());
            found.entry(sensor).or_default().extend(times.zip(values));
        }
        found
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn after_two_days_without_the_server_it_has_every_reading_once() {
    const BEFORE: i32 = 90;
    const AWAY: i32 = 2 * 24 * 60;
    const AFTER: i32 = 30;
    let stand = stand();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let data = stand.folder.path().join("far-end");
    let Some(server) = Server::start(port, &data) else { return };
    server.ready().await;
    let (exporter, health) = exporter(&stand, &format!("http://127.0.0.1:{port}"));
    let pace = Pace { batch: 4_000, ..Pace::default() };
    let stop = CancellationToken::new();
    let task = tokio::spawn(exporter.at_pace(pace).run(stop.clone()));
    let caught_up = |since: Timestamp| health.borrow().caught_up.is_some_and(|at| at >= since);

    stand.minutes(0, BEFORE).await;
    let now = stand.clock.now().utc;
    until(&stand.clock, Span::from_ms(500), "caught up at first", || caught_up(now)).await;
    server.stop();
    stand.minutes(BEFORE, AWAY).await;
    commit_alarm(&stand, 12).await;
    // The hours of the outage are compacted meanwhile, as every night.
    stand.store.compact().await.unwrap();
    assert!(health.borrow().failing.is_some(), "the outage was noticed");
    let server = Server::start(port, &data).unwrap();
    server.ready().await;
    let stored = stand.store.read(|r| r.stored_readings()).await.unwrap();
    let now = stand.clock.now().utc;
    until(&stand.clock, Span::from_secs(5), "caught up again", || caught_up(now)).await;
    stand.minutes(BEFORE + AWAY, AFTER).await;
    let now = stand.clock.now().utc;
    until(&stand.clock, Span::from_secs(5), "caught up at last", || caught_up(now)).await;
    stop.cancel();
    task.await.unwrap();

    let found = server.everything("reading_value").await;
    assert_eq!(found.len(), stand.rack.sensors.len(), "a series for each sensor");
    let mut readings = 0;
    for (ix, sensor) in stand.rack.sensors.iter().enumerate() {
        let mut got = found[sensor.id.as_str()].clone();
        got.sort_by_key(|(at, _)| *at);
        let expected: Vec<(i64, f64)> = (0..BEFORE + AWAY + AFTER)
            .map(|n| {
                let at = start() + Span::from_minutes(i64::from(n));
                (at.ms(), Value(i32::try_from(ix).unwrap() * 1_000 + n % 1_000).get())
            })
            .collect();
        let differs = got.iter().zip(&expected).position(|(a, b)| a != b);
        let near = differs.map(|n| (n, got[n], expected[n]));
        assert_eq!((got.len(), near), (expected.len(), None), "{}", sensor.id);
        readings += got.len();
    }
    assert_eq!(server.everything("alarm_event").await[""].len(), 1);
    let health = health.borrow().clone();
    println!(
        "{readings} readings at the far end, each once, after {AWAY} minutes away; {} lines sent in all, \
         {stored} readings stored when it came back, {} set aside",
        health.lines_taken, health.lines_set_aside
    );
    assert_eq!(health.lines_set_aside, 0);
}
