//! A whole station whose broker is restarted again and again, on a clock that the test moves:
//! readings resume, blind alarms are raised when it stays away for long and at no other time, no
//! reading makes an alarm that the water did not, and what time the broker thinks it is matters to
//! nobody. `NIGHTJAR_RESTARTS` sets how many restarts.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "ingest_peers/broker.rs"]
mod broker;
mod station_bench;

use broker::Broker;
use nightjar::alarm::event::AlarmKind;
use nightjar::clock::{Clock, ManualClock, NotBeforeBuild, SystemClock};
use nightjar_calc::time::{Span, Timestamp};
use rumqttc::{AsyncClient, MqttOptions, QoS};
use station_bench::{Bench, JARS, LIMIT, SCAN, bench_fed};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Restarts when no other number is asked for.
const RESTARTS: u32 = 4;

/// A station fed by a broker, and the nodes that send to it.
struct Fed {
    _folder: tempfile::TempDir,
    bench: Bench,
    broker: Broker,
    nodes: AsyncClient,
    scans: u32,
}

/// Nodes that come back when their broker does.
fn nodes(port: u16) -> AsyncClient {
    let mut options = MqttOptions::new("nodes", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(20));
    let (client, mut events) = AsyncClient::new(options, 64);
    tokio::spawn(async move {
        loop {
            if events.poll().await.is_err() {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        }
    });
    client
}

impl Fed {
    async fn start(off: Option<&'static str>) -> Option<Self> {
        let broker = Broker::start_at("", off).await?;
        let folder = tempfile::tempdir().unwrap();
        let source = format!(
            "[[source.mqtt]]\nid = \"broker\"\nhost = \"127.0.0.1\"\nport = {}\nclient-id = \"bench\"\n\
             interval = \"5s\"\n[[source.mqtt.topic]]\nfilter = \"shed/{{sensor}}\"\n",
            broker.port
        );
        let more = format!("[notify]\nmail-folder = {:?}\n", folder.path().join("mail"));
        let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()));
        let bench = bench_fed(folder.path(), &source, &more, clock).await;
        bench.until("reached the broker", |station| station.counters[0].is_up()).await;
        let nodes = nodes(broker.port);
        let mut fed = Self { _folder: folder, bench, broker, nodes, scans: 0 };
        fed.bench.load().await;
        fed.scans(Span::from_minutes(5)).await;
        Some(fed)
    }

    /// Every sensor speaks, and the core has judged what it said.
    async fn scan(&mut self) {
        self.bench.clock.advance(SCAN);
        let taken = self.bench.station.counters[0].frames_taken();
        for jar in 1..=JARS {
            // As real meters do, they never say quite the same twice.
            let flow = 3.0 + 0.012 * f64::from(self.scans % 5);
            let water = 11.0 + 0.01 * f64::from(self.scans % 7);
            for (sensor, value) in [("T", water), ("F", flow)] {
                let topic = format!("shed/J{jar:02}{sensor}");
                self.nodes.publish(topic, QoS::AtLeastOnce, false, format!("{value:.4}")).await.unwrap();
            }
        }
        self.scans += 1;
        self.bench
            .until("taken all readings", |station| {
                station.counters[0].frames_taken() >= taken + 2 * JARS as u64
                    && station.core_done.load(Ordering::Acquire) >= station.counters[0].readings()
                    && station.is_settled()
            })
            .await;
    }

    async fn scans(&mut self, span: Span) {
        for _ in 0..span.ms() / SCAN.ms() {
            self.scan().await;
        }
    }

    /// Nobody speaks for so long.
    async fn silence(&mut self, span: Span) {
        for _ in 0..span.ms() / SCAN.ms() {
            self.bench.clock.advance(SCAN);
            self.bench.turn().await;
            self.bench.turn().await;
        }
    }

    async fn raised(&self) -> Vec<AlarmKind> {
        self.bench.raised().await.iter().map(|event| event.kind).collect()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_restarted_again_and_again_blinds_only_when_it_stays_away() {
    let restarts = std::env::var("NIGHTJAR_RESTARTS").map_or(RESTARTS, |asked| asked.parse().unwrap());
    let Some(mut fed) = Fed::start(None).await else { return };
    let real = SystemClock::new(Box::new(NotBeforeBuild));
    let (mut expected, mut slowest) = (0, Span::ZERO);
    for round in 0..restarts {
        fed.broker.stop();
        fed.bench.until("noticed that the broker is gone", |station| !station.counters[0].is_up()).await;
        // Every fourth time it stays away for four minutes, else for twenty seconds.
        let long = round % 4 == 3;
        expected += usize::from(long);
        fed.silence(if long { Span::from_minutes(4) } else { Span::from_secs(20) }).await;
        let before = real.now().up;
        fed.broker.start_again().await;
        fed.bench.until("reached the broker again", |station| station.counters[0].is_up()).await;
        fed.scan().await;
        let resumed = real.now().up.since(before);
        slowest = slowest.max(resumed);
        assert!(resumed <= Span::from_secs(30), "round {round}: resumed after {} s", resumed.secs());
        // Long enough for a blind alarm to clear and its event to close.
        fed.scans(Span::from_minutes(if long { 33 } else { 2 })).await;
    }
    println!("{restarts} restarts: readings resumed within {:.3} s of real time", slowest.secs());
    assert_eq!(fed.raised().await, vec![AlarmKind::BlindHeader; expected], "alarms raised");
    fed.bench.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_time_the_broker_thinks_it_is_matters_to_nobody() {
    for off in ["-3000d", "+400d"] {
        let Some(mut fed) = Fed::start(Some(off)).await else { return };
        fed.scans(Span::from_minutes(10)).await;
        fed.broker.stop();
        fed.bench.until("noticed that the broker is gone", |station| !station.counters[0].is_up()).await;
        fed.silence(Span::from_secs(20)).await;
        tokio::time::timeout(LIMIT, fed.broker.start_again()).await.unwrap();
        fed.bench.until("reached the broker again", |station| station.counters[0].is_up()).await;
        fed.scans(Span::from_minutes(10)).await;
        assert_eq!(fed.raised().await, [], "clock off by {off}");
        fed.bench.end().await;
    }
}
