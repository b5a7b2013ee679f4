//! A whole station, its modem and an outside watcher on one clock: silence means that all is well.
//! Whatever fails, the watcher is told or is itself told nothing, and never does a sign of life say
//! *ok* while an urgent message cannot leave.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod station_bench;

use axum::routing::post;
use axum::{Json, Router};
use nightjar::alarm::event::AlarmKind;
use nightjar::clock::{Clock, Uptime};
use nightjar::heartbeat::document::{Beat, Status};
use nightjar::watch::watcher::{Notice, Watcher};
use nightjar_calc::time::{Span, Timestamp, Zone};
use station_bench::texter::{Plugged, plug};
use station_bench::{Bench, LIMIT, SCAN, bench};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Shortest time from a beat to the next.
const EVERY: Span = Span::from_secs(60);

/// Takes the signs of life of one station and judges them as `nightjar watch` does.
struct Outside {
    heard: Arc<Mutex<Vec<Beat>>>,
    last: Option<Uptime>,
    watcher: Option<Watcher>,
    beats: Vec<(Timestamp, Status)>,
    notices: Vec<(Timestamp, Notice)>,
}

async fn outside() -> (Outside, u16) {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = Arc::new(Mutex::new(Vec::new()));
    let into = Arc::clone(&heard);
    let app = Router::new()
        .route("/beat", post(async move |Json(beat): Json<Beat>| into.lock().unwrap().push(beat)));
    tokio::spawn(async move { axum::serve(listener, app).await });
    (Outside { heard, last: None, watcher: None, beats: Vec::new(), notices: Vec::new() }, port)
}

impl Outside {
    /// Lets minutes pass. A sign of life is waited for when it is due: its limits run on the clock
    /// of the test.
    async fn minutes(&mut self, bench: &mut Bench, modem: Option<&Plugged>, minutes: i64) {
        for _ in 0..minutes * 60_000 / SCAN.ms() {
            bench.scan().await;
            if let Some(modem) = modem {
                modem.rest().await;
            }
            let up = bench.clock.now().up;
            if self.last.is_some_and(|last| up.since(last) >= EVERY) {
                let wait = async {
                    while self.heard.lock().unwrap().is_empty() {
                        tokio::time::sleep(Duration::from_millis(1)).await;
                    }
                };
                tokio::time::timeout(LIMIT, wait).await.expect("a sign of life when it is due");
            }
            if !self.heard.lock().unwrap().is_empty() {
                self.last = Some(up);
                self.take(bench);
            }
        }
    }

    /// Lets time pass until the modem has registered and the first sign of life is there.
    async fn begin(&mut self, bench: &mut Bench, modem: &Plugged) {
        for _ in 0..18 {
            bench.scan().await;
            modem.rest().await;
            if !self.heard.lock().unwrap().is_empty() {
                self.last = Some(bench.clock.now().up);
                return self.take(bench);
            }
        }
        panic!("no sign of life within 90 s");
    }

    fn take(&mut self, bench: &Bench) {
        let now = bench.clock.now();
        let kept = BTreeMap::new();
        let stations = BTreeMap::from([("bench".to_owned(), Span::from_secs(270))]);
        let watcher = self.watcher.get_or_insert_with(|| Watcher::new(&stations, kept, Zone::UTC, now));
        for beat in self.heard.lock().unwrap().drain(..) {
            self.beats.push((now.utc, beat.status));
            if beat.status != Status::Ok {
                println!("{}: {:?} {:?}", now.utc.rfc3339(), beat.status, beat.reasons);
            }
            watcher.handle_beat(beat, None, now).unwrap();
        }
        watcher.handle_timeout(now);
        while let Some(notice) = watcher.poll_output() {
            println!("{}: {} {}", now.utc.rfc3339(), notice.about, notice.subject);
            self.notices.push((now.utc, notice));
        }
    }

    fn ok_after(&self, moment: Timestamp) -> usize {
        self.beats.iter().filter(|(at, status)| *at > moment && *status == Status::Ok).count()
    }
}

/// A mail server that nobody runs.
const NO_MAIL: &str = "[notify.email]\nserver = \"127.0.0.1\"\nport = 1\nfrom = \"alarms@station.example\"\n";

fn settings(folder: &Path, port: u16, more: &str) -> String {
    let modem = folder.join("modem");
    format!(
        "[notify]\ndaily-at = \"never\"\n[notify.sms]\nport = {modem:?}\n{more}\
         [notify.heartbeat]\nurl = \"http://127.0.0.1:{port}/beat\"\nallow-local-http = true\n"
    )
}

fn modem(folder: &Path) -> (Plugged, CancellationToken) {
    let unplug = CancellationToken::new();
    (plug(&folder.join("modem"), unplug.clone()), unplug)
}

/// A station with eggs, its modem and its watcher, once the first sign of life was heard.
struct Watched {
    folder: tempfile::TempDir,
    outside: Outside,
    bench: Bench,
    modem: Plugged,
    unplug: CancellationToken,
}

impl Watched {
    async fn begin(more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (outside, port) = outside().await;
        let (modem, unplug) = modem(folder.path());
        let bench = bench(folder.path(), &settings(folder.path(), port, more)).await;
        bench.load().await;
        let mut watched = Self { folder, outside, bench, modem, unplug };
        watched.outside.begin(&mut watched.bench, &watched.modem).await;
        watched
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn while_no_route_carries_an_urgent_message_no_sign_of_life_says_ok() {
    let watched = Watched::begin(NO_MAIL).await;
    let Watched { mut outside, mut bench, modem: modem_there, unplug, folder } = watched;
    outside.minutes(&mut bench, Some(&modem_there), 10).await;
    assert!(outside.beats.iter().all(|(_, status)| *status == Status::Ok), "{:?}", outside.beats);
    assert_eq!(outside.notices, []);

    // The modem is gone, the mail server was never there, and now the pump stops.
    unplug.cancel();
    std::fs::remove_file(folder.path().join("modem")).unwrap();
    bench.flow = [0.0; 4];
    let stopped = bench.clock.now().utc;
    outside.minutes(&mut bench, None, 12).await;
    let raised = bench.raised().await;
    let urgent = raised.iter().find(|event| event.kind == AlarmKind::NoFlowHeader).unwrap();
    let mails = bench.messages().await;
    let mail = mails.iter().find(|m| m.key.event == Some(urgent.event) && m.key.route == "mail").unwrap();
    let mail = mail.body["text"].as_str().unwrap().to_owned();
    println!("{mail}");
    assert!(mail.contains("Last hour, 5 min each, J01F: ") && mail.contains(" 3.0 "), "{mail}");
    let late = urgent.at + Span::from_minutes(3) + EVERY;
    assert_eq!(outside.ok_after(late), 0, "{:?}", outside.beats);
    let (told, notice) = outside.notices.iter().find(|(_, notice)| notice.urgent).unwrap();
    println!("watcher told {} s after the pump stopped: {}", told.since(stopped).secs(), notice.subject);
    assert!(told.since(stopped) <= Span::from_minutes(6), "{}", told.since(stopped).secs());

    // A modem again: the text leaves with its next attempt, a minute later at most.
    let (modem_again, _unplug) = modem(folder.path());
    outside.minutes(&mut bench, Some(&modem_again), 3).await;
    let urgent = modem_again.sent().iter().any(|(_, text)| text.contains("P1 NO FLOW"));
    assert!(urgent, "{:?}", modem_again.sent());
    bench.stop.cancel();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_blind_station_either_says_so_by_its_own_alarm_or_is_not_ok() {
    let Watched { folder: _folder, mut outside, mut bench, modem, unplug: _unplug } =
        Watched::begin("").await;
    outside.minutes(&mut bench, Some(&modem), 10).await;
    bench.pull().await;
    let pulled = bench.clock.now().utc;
    outside.minutes(&mut bench, Some(&modem), 15).await;
    modem.until("sent a text", |fake| !fake.sent.is_empty()).await;
    assert!(modem.sent()[0].1.contains("BLIND"), "{:?}", modem.sent());
    let raised = bench.raised().await;
    let blind = raised.iter().find(|event| event.kind == AlarmKind::BlindHeader).unwrap();
    println!(
        "blind alarm {} s after the board was pulled: {}",
        blind.at.since(pulled).secs(),
        modem.sent()[0].1
    );
    assert!(blind.at.since(pulled) <= Span::from_minutes(5));
    assert!(outside.notices.iter().all(|(_, notice)| !notice.urgent), "{:?}", outside.notices);
    bench.stop.cancel();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_three_hours_without_a_route_each_person_gets_one_text_an_event_as_it_is_now() {
    let watched = Watched::begin(NO_MAIL).await;
    let Watched { mut outside, mut bench, modem: modem_there, unplug, folder } = watched;
    outside.minutes(&mut bench, Some(&modem_there), 3).await;
    unplug.cancel();
    std::fs::remove_file(folder.path().join("modem")).unwrap();

    // Jars stop and run again, each for four minutes, one after the other.
    for turn in 0..22 {
        bench.flow[turn % 4] = 0.0;
        outside.minutes(&mut bench, None, 4).await;
        bench.flow = [3.0; 4];
        outside.minutes(&mut bench, None, 4).await;
    }
    // One stays without water. Its ladder has a step at 10 min and the next at 20.
    bench.flow[1] = 0.0;
    outside.minutes(&mut bench, None, 12).await;
    let changes = bench.events().await.len();
    println!("{changes} changes of alarms in 188 min without a route");
    assert!(changes >= 40, "{changes}");
    let queued = bench.messages().await.len();

    let back = bench.clock.now();
    let (modem, _unplug) = self::modem(folder.path());
    outside.minutes(&mut bench, Some(&modem), 3).await;
    let mut texts: BTreeMap<(String, String), Vec<String>> = BTreeMap::new();
    for message in bench.messages().await {
        if message.key.route == "text" && message.changed_at >= back.utc && message.provider.is_some() {
            let body = message.body["text"].as_str().unwrap().to_owned();
            texts.entry((message.key.person.to_string(), message.key.about)).or_default().push(body);
        }
    }
    println!("{queued} messages were queued; sent on return: {texts:#?}");
    assert!(texts.values().all(|all| all.len() == 1), "one text for each event and person");
    let of_jar: Vec<&String> =
        texts.values().flatten().filter(|text| text.contains("NO FLOW") && text.contains("02")).collect();
    assert_eq!(of_jar.len(), 2, "both were told of the jar that stands still");
    assert!(of_jar.iter().all(|text| !text.contains("CLEARED")), "as it is now");
    let first = &modem.sent()[0].1;
    assert!(first.contains("P1 "), "the most urgent first: {first}");
    bench.stop.cancel();
}
