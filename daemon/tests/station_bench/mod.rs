//! A whole station on a clock that the test moves: its board on a pseudo-terminal, its database and
//! its messages in a folder.
#![allow(dead_code, reason = "not every test uses all of it")]

pub mod texter;

#[path = "../../examples/invented/take.rs"]
mod take;

use nightjar::alarm::event::{AlarmEvent, Change, EventId};
use nightjar::clock::{Clock, ManualClock};
use nightjar::config;
use nightjar::ids::{JarId, LotId, PersonId, TakeId};
use nightjar::logbook::{Act, Entry, EntryId, FlowSetPoint, Load};
use nightjar::store::{JournalFilter, JournalKind, Message};
use nightjar::supervise::{self, Options, Station};
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::{Span, Timestamp};
use serialport::{SerialPort, TTYPort};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use take::taken;
use tokio_util::sync::CancellationToken;

/// Longest real wait for anything.
pub const LIMIT: Duration = Duration::from_secs(30);
/// Jars of the station.
pub const JARS: usize = 4;
/// Time between scans.
pub const SCAN: Span = Span::from_secs(5);

pub struct Bench {
    pub clock: Arc<ManualClock>,
    pub station: Station,
    pub stop: CancellationToken,
    /// L/min in the jars, as the board tells it.
    pub flow: [f64; JARS],
    /// Its water, °C.
    pub water: f64,
    link: PathBuf,
    board: Option<TTYPort>,
    lines: u64,
}

impl Bench {
    pub async fn enter(&self, id: &str, act: Act) {
        let happened_at = self.clock.now().utc;
        let who = PersonId::new("kim").unwrap();
        let entry = Entry { id: EntryId(id.into()), happened_at, written_at: happened_at, who, act };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command: Command::Entry(Box::new(entry)), reply }).await.unwrap();
        assert_eq!(answer.await.unwrap(), Reply::Done);
    }

    /// Waits for a turn of the core.
    pub async fn turn(&self) {
        let command = Command::Acknowledge { event: EventId(u64::MAX), by: PersonId::new("kim").unwrap() };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command, reply }).await.unwrap();
        assert!(matches!(answer.await.unwrap(), Reply::Refused(_)));
    }

    /// Eggs in all four jars.
    pub async fn load(&self) {
        let take = TakeId::new("T1").unwrap();
        self.enter("take", taken(take, self.clock.now().utc, Some(8.0))).await;
        for jar in 1..=JARS {
            let jar = &format!("{jar:02}");
            let id = JarId::new(jar).unwrap();
            let lot = LotId::new("T1").unwrap();
            let load = Load { jar: id.clone(), lot, volume_l: 2.0, eggs: None };
            self.enter(&format!("load-{jar}"), Act::Load(load)).await;
            let flow = FlowSetPoint { jar: id, flow_l_per_min: 3.0 };
            self.enter(&format!("flow-{jar}"), Act::FlowSetPoint(flow)).await;
        }
    }

    pub async fn until(&self, what: &str, mut so: impl FnMut(&Station) -> bool) {
        let wait = async {
            while !so(&self.station) {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
    }

    /// The board is there: a new pseudo-terminal behind the same name, as udev gives it.
    pub async fn plug(&mut self) {
        let (board, other) = TTYPort::pair().unwrap();
        let name = other.name().unwrap();
        drop(other);
        let beside = self.link.with_extension("new");
        std::os::unix::fs::symlink(name, &beside).unwrap();
        std::fs::rename(&beside, &self.link).unwrap();
        self.board = Some(board);
        // Opening is tried again after a real wait of 5 s at most.
        self.until("opened the port again", |station| station.counters[0].is_up()).await;
    }

    pub async fn pull(&mut self) {
        drop(self.board.take());
        std::fs::remove_file(&self.link).unwrap();
        self.until("noticed that the port is gone", |station| !station.counters[0].is_up()).await;
    }

    pub async fn scan(&mut self) {
        self.clock.advance(SCAN);
        let Some(board) = &mut self.board else {
            // Nothing arrives that the core could be waited for by; two questions that it refuses
            // show that it has looked at its timers in between.
            self.turn().await;
            self.turn().await;
            return;
        };
        let taken = self.station.counters[0].frames_taken();
        let mut body = "NJXDR".to_owned();
        for (at, flow) in self.flow.iter().enumerate() {
            // As real meters do, they never say quite the same twice.
            let noise = 0.012 * (self.lines % 5) as f64 * f64::from(u8::from(*flow > 0.0));
            body += &format!(
                ",C,{:.2},C,J{jar:02}T,R,{:.4},L,J{jar:02}F",
                self.water + 0.01 * (self.lines % 7) as f64,
                (flow + noise) / 60.0,
                jar = at + 1,
            );
        }
        let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
        board.write_all(format!("${body}*{sum:02X}\r\n").as_bytes()).unwrap();
        self.lines += 1;
        self.until("taken a line", |station| {
            station.counters[0].frames_taken() > taken
                && station.core_done.load(Ordering::Acquire) >= station.counters[0].readings()
                && station.is_settled()
        })
        .await;
    }

    /// Ends it, with what was read on disk.
    pub async fn end(self) {
        self.stop.cancel();
        self.station.run_to_end().await.unwrap();
    }

    /// Every change of every alarm, in order.
    pub async fn events(&self) -> Vec<AlarmEvent> {
        let filter = JournalFilter { kind: Some(JournalKind::Alarm), ..JournalFilter::default() };
        let lines = self.station.store.read(move |r| r.journal(&filter, 10_000)).await.unwrap();
        assert!(lines.len() < 10_000, "all lines were read");
        let event = |body: &serde_json::Value| serde_json::from_value(body.get("event")?.clone()).ok();
        lines.iter().rev().filter_map(|line| event(&line.body)).collect()
    }

    /// Those that went on.
    pub async fn raised(&self) -> Vec<AlarmEvent> {
        let mut events = self.events().await;
        events.retain(|event| matches!(event.change, Change::Raised | Change::Again { .. }));
        events
    }

    /// Every message, in the order they were queued.
    pub async fn messages(&self) -> Vec<Message> {
        let mut messages = self.station.store.read(|r| r.messages(None, 10_000)).await.unwrap();
        messages.reverse();
        messages
    }

    /// Scans until so much time has passed.
    pub async fn scans(&mut self, span: Span) {
        for _ in 0..span.ms() / SCAN.ms() {
            self.scan().await;
        }
    }
}

/// A station with its board plugged in. `more` is laid over its configuration.
pub async fn bench(folder: &Path, more: &str) -> Bench {
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()));
    bench_at(folder, more, clock).await
}

/// The same with a clock of the test's own, as after a restart in the same folder.
pub async fn bench_at(folder: &Path, more: &str, clock: Arc<ManualClock>) -> Bench {
    let source =
        format!("[[source.serial]]\nid = \"board\"\nport = {:?}\ninterval = \"5s\"\n", folder.join("board"));
    let mut bench = bench_fed(folder, &source, more, clock).await;
    bench.plug().await;
    bench
}

/// The same with another source of readings, which the test feeds.
pub async fn bench_fed(folder: &Path, source: &str, more: &str, clock: Arc<ManualClock>) -> Bench {
    let config = config::parse(&configuration(folder, source, more), "the bench").unwrap();
    let stop = CancellationToken::new();
    let options = Options { demo: None, page: more.contains("[web]") };
    let station =
        supervise::start(&config, Arc::clone(&clock) as Arc<dyn Clock>, stop.clone(), options).await.unwrap();
    let link = folder.join("board");
    Bench { clock, station, stop, flow: [3.0; JARS], water: 11.0, link, board: None, lines: 0 }
}

fn configuration(folder: &Path, source: &str, more: &str) -> String {
    format!(
        "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\ncountry-code = \"1\"\n\
         [[rack.header]]\nid = \"A\"\nrows = [[\"01\", \"02\", \"03\", \"04\"]]\n\
         {source}\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nphone = \"+12025550143\"\nemail = \"kim@station.example\"\n\
         [[people]]\nid = \"lee\"\nname = \"Lee\"\nphone = \"+12025550144\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n{more}\n[store]\nfolder = {folder:?}\n",
    )
}
