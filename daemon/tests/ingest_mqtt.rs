//! The MQTT source against Debian's mosquitto: acknowledged only when safe, restarts survived,
//! hostile messages refused.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![allow(clippy::float_cmp, reason = "numbers are sent and read back unchanged")]

#[path = "ingest_peers/broker.rs"]
mod broker;
mod ingest_peers;

use broker::Broker;
use ingest_peers::{Core, LIMIT, core, resident_kib, stopwatch};
use nightjar::ingest::decode::message::{Pick, Topic, TopicFilter};
use nightjar::ingest::{Feed, MqttSettings, Refusal, mqtt};
use nightjar::reading::Receipt;
use nightjar_calc::time::Span;
use std::process::Command;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// How a source reaches it.
fn settings(broker: &Broker) -> MqttSettings {
    MqttSettings {
        host: "127.0.0.1".to_owned(),
        port: broker.port,
        client_id: "nightjar-test".to_owned(),
        login: None,
        keep_alive: Duration::from_secs(20),
        window: mqtt::DEFAULT_WINDOW,
        largest_packet: mqtt::LARGEST_PACKET,
        topics: vec![
            Topic::plain(TopicFilter::parse("shed/{sensor}").unwrap()),
            Topic {
                filter: TopicFilter::parse("node/{sensor}/state").unwrap(),
                picks: vec![Pick { sensor: "{sensor}".to_owned(), pointer: Some("/v".to_owned()) }],
                at: Some("/at".to_owned()),
            },
        ],
    }
}

struct Running {
    core: Core,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

const SENSORS: [&str; 4] = ["J1T", "J2T", "J3T", "J4T"];

fn run(settings: MqttSettings, capacity: usize) -> Running {
    let (core, feed): (Core, Feed) = core(capacity, &SENSORS);
    let stop = CancellationToken::new();
    let task = tokio::spawn(mqtt::run(settings, feed, stop.clone()));
    Running { core, stop, task }
}

impl Running {
    async fn up(settings: MqttSettings) -> Self {
        let mut running = run(settings, 256);
        let (up, detail) = running.core.link().await;
        assert!(up, "{detail}");
        running
    }

    async fn end(self) {
        self.stop.cancel();
        tokio::time::timeout(LIMIT, self.task).await.expect("it does not stop").expect("it has panicked");
    }

    /// The next reading: value, whether it may be old, receipt.
    async fn reading(&mut self) -> (f64, bool, Option<Receipt>) {
        let (readings, receipt) = self.core.readings().await;
        assert_eq!(readings.len(), 1);
        (readings[0].value, readings[0].retained, receipt)
    }

    /// Lets the readings of the returning session become those of now.
    fn a_while_later(&self) {
        self.core.clock.advance(Span::from_secs(2));
    }
}

async fn safe(receipt: Option<Receipt>) {
    let receipt = receipt.expect("a message of QoS 1 has a receipt");
    receipt.to.send((receipt.epoch, receipt.packet)).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_on_disk_is_sent_again_and_what_is_safe_is_not() {
    let Some(broker) = Broker::start("").await else { return };
    let mut running = Running::up(settings(&broker)).await;
    for value in ["1", "2", "3"] {
        broker.publish("shed/J1T", value.as_bytes(), &[]);
    }
    for expected in [1.0, 2.0, 3.0] {
        let (value, old, receipt) = running.reading().await;
        assert_eq!((value, old), (expected, false));
        drop(receipt); // never on disk
    }
    running.end().await;

    let mut running = run(settings(&broker), 256);
    let mut receipts = Vec::new();
    while receipts.len() < 3 {
        if let nightjar::reading::FromSource::Readings { readings, receipt, .. } = running.core.next().await {
            assert!(readings[0].retained, "nobody knows any more when it was true");
            receipts.push(receipt);
        }
    }
    for receipt in receipts {
        safe(receipt).await;
    }
    // The broker takes the acknowledgments in order with what follows: once the marker is
    // through and answered, the three are too.
    running.a_while_later();
    broker.publish("shed/J1T", b"4", &[]);
    let (value, old, receipt) = running.reading().await;
    assert_eq!((value, old), (4.0, false));
    safe(receipt).await;
    broker.publish("shed/J1T", b"5", &[]);
    safe(running.reading().await.2).await;
    running.end().await;

    let mut running = run(settings(&broker), 256);
    running.core.link().await;
    running.a_while_later();
    broker.publish("shed/J1T", b"6", &[]);
    // Only the very last acknowledgment may have been under way when the source was stopped.
    let (mut value, _, _) = running.reading().await;
    if value == 5.0 {
        value = running.reading().await.0;
    }
    assert_eq!(value, 6.0);
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restarted_broker_is_subscribed_to_again() {
    let Some(mut broker) = Broker::start("").await else { return };
    let mut running = Running::up(settings(&broker)).await;
    let elapsed = stopwatch();
    let mut longest_ms = 0;
    for (round, keeps_sessions) in [true, false, false, true, false].into_iter().enumerate() {
        broker.stop();
        let (up, detail) = running.core.link().await;
        assert!(!up, "{detail}");
        if !keeps_sessions {
            let _none = std::fs::remove_file(broker.folder.path().join("mosquitto.db"));
        }
        broker.start_again().await;
        let since = elapsed();
        let (up, detail) = running.core.link().await;
        assert!(up, "{detail}");
        longest_ms = longest_ms.max(elapsed() - since);
        running.a_while_later();
        broker.publish("shed/J2T", round.to_string().as_bytes(), &[]);
        let (value, old, receipt) = running.reading().await;
        assert!(!old && value >= 0.0);
        safe(receipt).await;
    }
    println!("5 restarts of the broker, longest way back: {longest_ms} ms");
    assert!(longest_ms < 30_000);
    assert_eq!(running.core.counters.connections(), 6);
    running.end().await;
}

/// What happens to the bytes between station and broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wire {
    Good,
    /// They stay away, and nobody hangs up: a cable pulled behind a switch.
    Silent,
    /// One at a time, a millisecond apart.
    Slow,
    /// The connection is ended.
    Cut,
}

/// A wire to the broker that can be cut, pulled and slowed.
struct Between {
    port: u16,
    state: tokio::sync::watch::Sender<Wire>,
}

impl Between {
    async fn start(broker: u16) -> Self {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (state, seen) = tokio::sync::watch::channel(Wire::Good);
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let Ok(far) = TcpStream::connect(("127.0.0.1", broker)).await else { continue };
                // A new connection is not one of those that were cut before.
                let (near, far) = (near.into_split(), far.into_split());
                tokio::spawn(Self::carry(near.0, far.1, seen.clone()));
                tokio::spawn(Self::carry(far.0, near.1, seen.clone()));
            }
        });
        Self { port, state }
    }

    async fn carry(
        mut from: tokio::net::tcp::OwnedReadHalf,
        mut to: tokio::net::tcp::OwnedWriteHalf,
        mut state: tokio::sync::watch::Receiver<Wire>,
    ) {
        use tokio::io::{AsyncReadExt, AsyncWriteExt};
        let mut block = [0; 4096];
        loop {
            let read = tokio::select! {
                read = from.read(&mut block) => read.unwrap_or(0),
                _ = state.wait_for(|wire| *wire == Wire::Cut) => 0,
            };
            if read == 0 {
                return;
            }
            let wire = *state.borrow();
            match wire {
                Wire::Good => drop(to.write_all(&block[..read]).await),
                Wire::Silent => {}
                Wire::Cut => return,
                Wire::Slow => {
                    for byte in &block[..read] {
                        drop(to.write_all(&[*byte]).await);
                        tokio::time::sleep(Duration::from_millis(1)).await;
                    }
                }
            }
        }
    }

    fn now(&self, wire: Wire) {
        self.state.send_replace(wire);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn cut_connections_are_made_anew_and_no_message_is_missed() {
    let cuts: u32 = std::env::var("NIGHTJAR_CUTS").map_or(60, |asked| asked.parse().unwrap());
    let Some(broker) = Broker::start("").await else { return };
    let between = Between::start(broker.port).await;
    let mut running = Running::up(MqttSettings { port: between.port, ..settings(&broker) }).await;
    let elapsed = stopwatch();
    let (mut longest_ms, mut all_ms) = (0, 0);
    for round in 0..cuts {
        between.now(Wire::Cut);
        let (up, detail) = running.core.link().await;
        assert!(!up, "{detail}");
        between.now(Wire::Good);
        let since = elapsed();
        let (up, detail) = running.core.link().await;
        assert!(up, "{detail}");
        let took = elapsed() - since;
        (longest_ms, all_ms) = (took.max(longest_ms), all_ms + took);
        if round % 20 == 0 {
            running.a_while_later();
            broker.publish("shed/J2T", round.to_string().as_bytes(), &[]);
            let (value, _, receipt) = running.reading().await;
            assert_eq!(value, f64::from(round));
            safe(receipt).await;
        }
    }
    let mean_ms = all_ms / u64::from(cuts);
    println!("{cuts} cut connections: back after {mean_ms} ms in the mean, {longest_ms} ms at most");
    assert!(longest_ms < 30_000);
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_half_open_connection_is_noticed_and_a_slow_one_is_kept() {
    let Some(broker) = Broker::start("").await else { return };
    let between = Between::start(broker.port).await;
    let keep_alive = Duration::from_secs(5);
    let settings = MqttSettings { port: between.port, keep_alive, ..settings(&broker) };
    let mut running = Running::up(settings).await;
    // A byte a millisecond: messages take their time, the connection stays.
    between.now(Wire::Slow);
    for value in 0..20 {
        broker.publish("shed/J1T", value.to_string().as_bytes(), &[]);
        let (got, old, receipt) = running.reading().await;
        assert_eq!((got, old), (f64::from(value), false));
        safe(receipt).await;
    }
    assert_eq!(running.core.counters.connections(), 1);
    between.now(Wire::Silent);
    let elapsed = stopwatch();
    let (up, detail) = running.core.link().await;
    let noticed_ms = elapsed();
    assert!(!up, "{detail}");
    between.now(Wire::Good);
    let since = elapsed();
    let (up, detail) = running.core.link().await;
    assert!(up, "{detail}");
    println!(
        "a silent wire is noticed after {noticed_ms} ms at a keep-alive of {} s, and back {} ms after it works; \
         20 messages at a byte a millisecond on one connection",
        keep_alive.as_secs(),
        elapsed() - since
    );
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_came_while_we_were_away_is_delivered_and_known_to_be_old() {
    let Some(broker) = Broker::start("").await else { return };
    Running::up(settings(&broker)).await.end().await;
    let lines: String = (0..100).map(|n| format!("{n}\n")).collect();
    broker.publish_lines("shed/J1T", &lines);
    broker.publish("node/J2T/state", br#"{"v":7.5,"at":"2026-04-18T13:00:00Z"}"#, &[]);
    let mut running = run(settings(&broker), 256);
    let mut values = Vec::new();
    let mut dated = 0;
    while values.len() < 100 || dated < 1 {
        if let nightjar::reading::FromSource::Readings { readings, receipt, .. } = running.core.next().await {
            assert!(readings[0].retained);
            if readings[0].at.is_some() {
                dated += 1;
            } else {
                values.push(readings[0].value);
            }
            safe(receipt).await;
        }
    }
    assert_eq!(values, (0..100).map(f64::from).collect::<Vec<_>>());
    // The last acknowledgments may still be under way, so this one may pass for the queue's end.
    broker.publish("shed/J1T", b"11.25", &[]);
    safe(running.reading().await.2).await;
    running.a_while_later();
    broker.publish("shed/J1T", b"11.5", &[]);
    let (value, old, _) = running.reading().await;
    assert_eq!((value, old), (11.5, false));
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_core_makes_the_broker_wait_and_loses_nothing() {
    let Some(broker) = Broker::start("").await else { return };
    let mut running = run(settings(&broker), 1);
    assert!(running.core.link().await.0);
    let lines: String = (0..2000).map(|n| format!("{n}\n")).collect();
    broker.publish_lines("shed/J1T", &lines);
    for expected in 0..2000 {
        let (value, _, receipt) = running.reading().await;
        assert_eq!(value, f64::from(expected));
        safe(receipt).await;
    }
    assert_eq!(running.core.counters.dropped(), 0);
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_window_is_filled_and_no_more_without_receipts() {
    let Some(broker) = Broker::start("").await else { return };
    let mut running = Running::up(settings(&broker)).await;
    broker.publish_lines("shed/J1T", &"1\n".repeat(100));
    let mut receipts = Vec::new();
    for _ in 0..mqtt::DEFAULT_WINDOW {
        receipts.push(running.reading().await.2);
    }
    assert!(running.core.inbox.try_recv().is_err());
    // Out of order; they are acknowledged in order all the same, and the rest comes.
    receipts.reverse();
    for receipt in receipts {
        safe(receipt).await;
    }
    for _ in 0..80 {
        safe(running.reading().await.2).await;
    }
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hostile_messages_are_counted_and_readings_go_on() {
    let Some(broker) = Broker::start("").await else { return };
    for n in 0..200 {
        broker.publish(&format!("shed/flood{n}"), b"1", &["-r"]);
    }
    broker.publish("shed/J3T", b"9.5", &["-r"]);
    let mut running = Running::up(settings(&broker)).await;
    let (value, old, _) = running.reading().await;
    assert_eq!((value, old), (9.5, true));
    running.core.until("flooded", |c| c.refused(Refusal::UnknownName) == 200).await;
    assert_eq!(running.core.counters.unknown_names().0.len(), 32);

    let before = resident_kib();
    let deep = format!("{{\"v\":{}1{}}}", "[".repeat(1500), "]".repeat(1500));
    for (topic, payload, why) in [
        ("shed/J1T", vec![b'9'; 1 << 20], Refusal::Overlong),
        ("shed/J1T", Vec::new(), Refusal::NoValue),
        ("shed/J1T", b"11,4".to_vec(), Refusal::NotANumber),
        ("shed/J1T", b"\xff\xfe".to_vec(), Refusal::NotText),
        ("node/J1T/state", b"NaN".to_vec(), Refusal::Malformed),
        ("node/J1T/state", br#"{"v":1e999}"#.to_vec(), Refusal::Malformed),
        ("node/J1T/state", br#"{"v":Infinity}"#.to_vec(), Refusal::Malformed),
        ("node/J1T/state", deep.into_bytes(), Refusal::Malformed),
        ("node/J1T/state", br#"{"v":"11.4"}"#.to_vec(), Refusal::NotANumber),
        ("node/J1T/state", br#"{"v":1,"at":"noon"}"#.to_vec(), Refusal::BadTime),
    ] {
        let count = running.core.counters.refused(why);
        broker.publish(topic, &payload, &[]);
        running.core.until(why.word(), |c| c.refused(why) == count + 1).await;
    }
    broker.publish("shed/J1T", b"10.25", &[]);
    let (value, old, _) = running.reading().await;
    assert_eq!((value, old), (10.25, false));
    println!("hostile messages: {} KiB more resident", resident_kib().saturating_sub(before));
    assert!(running.core.counters.is_up());
    assert_eq!(running.core.counters.connections(), 1);
    // A plain NaN is a word of a failed sensor: it passes, to be judged.
    broker.publish("shed/J1T", b"nan", &[]);
    assert!(running.reading().await.0.is_nan());
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_too_large_to_read_costs_its_own_topic_only() {
    let Some(broker) = Broker::start("").await else { return };
    broker.publish("shed/J2T", &vec![b'9'; 3 << 20], &["-r"]);
    broker.publish("shed/J1T", b"7.25", &["-r"]);
    let mut running = run(settings(&broker), 256);
    let elapsed = stopwatch();
    let detail = loop {
        let (up, detail) = running.core.link().await;
        if up && detail.contains("without") {
            break detail;
        }
    };
    println!("past an oversized retained message after {} ms: {detail}", elapsed());
    assert!(detail.contains("shed/J2T") && !detail.contains("J1T"), "{detail}");
    assert!(running.core.counters.refused(Refusal::Overlong) >= 2);
    while running.core.inbox.try_recv().is_ok() {}
    broker.publish("shed/J3T", b"8.5", &[]);
    let (value, old, receipt) = running.reading().await;
    assert_eq!((value, old), (8.5, false));
    safe(receipt).await;
    running.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_in_with_a_password_from_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let passwords = folder.path().join("passwords");
    std::fs::write(&passwords, "node:eyed eggs\n").unwrap();
    let hashed = Command::new("mosquitto_passwd").arg("-U").arg(&passwords).status();
    if !hashed.is_ok_and(|status| status.success()) {
        println!("skipped: mosquitto_passwd is not installed");
        return;
    }
    for path in [folder.path(), passwords.as_path()] {
        let mut readable = std::fs::metadata(path).unwrap().permissions();
        std::os::unix::fs::PermissionsExt::set_mode(&mut readable, 0o755);
        std::fs::set_permissions(path, readable).unwrap();
    }
    let more = format!("allow_anonymous false\npassword_file {}\n", passwords.display());
    let Some(broker) = Broker::start(&more).await else { return };
    let secret = folder.path().join("secret");
    let own = MqttSettings { login: Some(("node".to_owned(), secret.clone())), ..settings(&broker) };

    let mut running = run(own, 256);
    let (up, detail) = running.core.link().await;
    assert!(!up && detail.contains("failed to read"), "{detail}");
    std::fs::write(&secret, "eyed eggs\n").unwrap();
    let (up, detail) = running.core.link().await;
    assert!(up, "{detail}");
    running.end().await;

    std::fs::write(&secret, "dead eggs\n").unwrap();
    let own = MqttSettings { login: Some(("node".to_owned(), secret)), ..settings(&broker) };
    let mut running = run(own, 256);
    let (up, detail) = running.core.link().await;
    assert!(!up && !detail.contains("dead eggs"), "{detail}");
    running.end().await;
}
