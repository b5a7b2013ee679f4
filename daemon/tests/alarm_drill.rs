//! A drill on a whole station whose clock the test moves, asked for by the command itself: the
//! alarm goes out by a route, somebody answers, it clears, and how long that took is kept and shown.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::alarm::event::{AlarmKind, EventId, Priority};
use nightjar::clock::{Clock, ManualClock};
use nightjar::config;
use nightjar::drill::{KEY, Outcome, Record, request};
use nightjar::ids::PersonId;
use nightjar::snapshot::AlarmView;
use nightjar::supervise::{self, Options, Station};
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::{Span, Timestamp};
use std::io::{Read, Write};
use std::path::Path;
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Longest real wait for anything.
const LIMIT: Duration = Duration::from_secs(60);

fn configuration(folder: &Path) -> String {
    format!(
        "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\n\
         [[rack.header]]\nid = \"A\"\nrows = [[\"01\", \"02\"]]\n\
         [[source.serial]]\nid = \"board\"\nport = {port:?}\ninterval = \"5s\"\n\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nemail = \"kim@station.example\"\n\
         [[people]]\nid = \"lee\"\nname = \"Lee\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n[notify]\nmail-folder = {mail:?}\n\
         [web]\nlisten = \"127.0.0.1:0\"\nreading = \"open\"\n[store]\nfolder = {folder:?}\n",
        mail = folder.join("mail"),
        port = folder.join("board"),
    )
}

struct Bench {
    clock: Arc<ManualClock>,
    station: Station,
}

impl Bench {
    async fn new(folder: &Path) -> Self {
        let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()));
        let config = config::parse(&configuration(folder), "the bench").unwrap();
        let station = supervise::start(
            &config,
            Arc::clone(&clock) as Arc<dyn Clock>,
            CancellationToken::new(),
            Options { demo: None, page: true },
        )
        .await
        .unwrap();
        Self { clock, station }
    }

    /// Lets seconds pass until something is so, each as long as the tasks need.
    async fn until(&self, what: &str, so: impl AsyncFn() -> bool) {
        let wait = async {
            while !so().await {
                self.clock.advance(Span::from_ms(500));
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
    }

    fn drill(&self) -> Option<AlarmView> {
        self.station.picture.borrow().alarms.iter().find(|a| a.kind == AlarmKind::Drill && a.on).cloned()
    }

    async fn record(&self) -> Option<Record> {
        let kept = self.station.store.read(|r| r.state(KEY)).await.unwrap()?;
        Some(serde_json::from_value(kept).unwrap())
    }

    /// Waits for a turn of the core, by a question that it refuses.
    async fn turn(&self) {
        let command = Command::Acknowledge { event: EventId(u64::MAX), by: PersonId::new("kim").unwrap() };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command, reply }).await.unwrap();
        assert!(matches!(answer.await.unwrap(), Reply::Refused(_)));
    }

    async fn acknowledge(&self, by: &str) -> Reply {
        let event = self.drill().unwrap().event;
        let command = Command::Acknowledge { event, by: PersonId::new(by).unwrap() };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command, reply }).await.unwrap();
        answer.await.unwrap()
    }

    /// A page as a browser gets it.
    fn page(&self, path: &str) -> String {
        let address = self.station.address.unwrap();
        let mut stream = std::net::TcpStream::connect(address).unwrap();
        let ask = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
        stream.write_all(ask.as_bytes()).unwrap();
        let mut page = String::new();
        stream.read_to_string(&mut page).unwrap();
        page
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_command_raises_a_p1_that_somebody_answers() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::new(folder.path()).await;
    let file = folder.path().join("nightjar.toml");
    std::fs::write(&file, configuration(folder.path())).unwrap();
    assert!(bench.page("/station").contains("no drill on record"));
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_nightjar"))
        .args(["drill", "alarm", "--config", file.to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    bench.until("raised", async || bench.drill().is_some()).await;
    assert_eq!(bench.drill().unwrap().priority, Priority::P1);
    bench
        .until("sent", async || bench.record().await.is_some_and(|record| !record.taken_after_s.is_empty()))
        .await;
    let told: Vec<String> =
        bench.record().await.unwrap().taken_after_s.keys().map(ToString::to_string).collect();
    assert_eq!(told, ["kim"]);
    // A second one does not begin meanwhile.
    request::ask(folder.path(), "second").unwrap();
    bench.until("taken away", async || !request::path(folder.path()).exists()).await;
    assert_eq!(bench.acknowledge("kim").await, Reply::Done);
    bench.until("cleared", async || bench.drill().is_none()).await;
    bench
        .until("kept", async || {
            bench.record().await.is_some_and(|record| record.outcome == Outcome::Answered)
        })
        .await;
    let record = bench.record().await.unwrap();
    println!("{record:?}");
    let after = record.answered_after_s[&PersonId::new("kim").unwrap()];
    assert!(after >= record.taken_after_s[&PersonId::new("kim").unwrap()]["folder"]);
    assert!(record.took_s.unwrap() < 1_800.0);
    let status = tokio::task::spawn_blocking(move || {
        let status = command.wait().unwrap();
        let mut text = String::new();
        command.stdout.take().unwrap().read_to_string(&mut text).unwrap();
        (status, text)
    });
    let (status, text) = tokio::time::timeout(LIMIT, status).await.unwrap().unwrap();
    println!("{text}");
    assert!(status.success());
    assert!(text.contains("Kim was sent it by folder") && text.contains("Kim answered after"), "{text}");
    let page = bench.page("/station");
    assert!(page.contains("Last drill") && page.contains("Kim answered after"), "{page}");
    let mails = std::fs::read_dir(folder.path().join("mail")).unwrap().count();
    assert!(mails >= 2, "raised and cleared: {mails}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_drill_that_nobody_answers_ends_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::new(folder.path()).await;
    request::ask(folder.path(), "silence").unwrap();
    bench.until("raised", async || bench.drill().is_some()).await;
    for _ in 0..60 {
        bench.clock.advance(Span::from_secs(30));
        // The core looks at its timers, then the routes do their part.
        bench.turn().await;
        bench.turn().await;
        bench.until("taken", async || bench.station.is_settled()).await;
    }
    bench.until("cleared", async || bench.drill().is_none()).await;
    bench
        .until("kept", async || bench.record().await.is_some_and(|record| record.outcome != Outcome::Running))
        .await;
    let record = bench.record().await.unwrap();
    assert_eq!(record.outcome, Outcome::Unanswered);
    assert!(record.took_s.unwrap() >= 1_800.0, "{record:?}");
    // The ladder went on to the second contact meanwhile.
    assert!(record.taken_after_s.contains_key(&PersonId::new("lee").unwrap()), "{record:?}");
}

/// The program ended in the middle of a drill: the next one clears it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_restart_ends_a_drill() {
    let folder = tempfile::tempdir().unwrap();
    let stop = CancellationToken::new();
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()));
    let config = config::parse(&configuration(folder.path()), "the bench").unwrap();
    let options = || Options { demo: None, page: false };
    let station = supervise::start(&config, clock.clone(), stop.clone(), options()).await.unwrap();
    let bench = Bench { clock: clock.clone(), station };
    request::ask(folder.path(), "cut").unwrap();
    bench.until("raised", async || bench.drill().is_some()).await;
    bench.until("kept", async || bench.record().await.is_some() && bench.station.is_settled()).await;
    stop.cancel();
    bench.station.run_to_end().await.unwrap();
    let station =
        supervise::start(&config, clock.clone(), CancellationToken::new(), options()).await.unwrap();
    let bench = Bench { clock, station };
    bench
        .until("cleared", async || {
            let cut = bench.record().await.is_some_and(|record| record.outcome == Outcome::CutShort);
            cut && bench.drill().is_none()
        })
        .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_station_the_command_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("nightjar.toml");
    std::fs::write(&file, configuration(folder.path())).unwrap();
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_nightjar"))
        .args(["drill", "alarm", "--config", file.to_str().unwrap()])
        .output()
        .unwrap();
    let told = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(74), "{told}");
    assert!(!request::path(folder.path()).exists());
}
