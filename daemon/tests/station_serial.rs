//! A whole station whose board is pulled out and plugged in again, twenty times, on a clock that
//! the test moves: readings resume, and blind alarms are raised when they should be and at no
//! other time.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::alarm::event::{AlarmEvent, AlarmKind, Change, EventId};
use nightjar::clock::{Clock, ManualClock, NotBeforeBuild, SystemClock};
use nightjar::config;
use nightjar::ids::{JarId, LotId, PersonId, TakeId};
use nightjar::logbook::{Act, CountMethod, Entry, EntryId, FlowSetPoint, Load, Take};
use nightjar::store::{JournalFilter, JournalKind};
use nightjar::supervise::{self, Options, Station};
use nightjar::web::backend::{Asked, Command, Reply};
use nightjar_calc::time::{Span, Timestamp};
use serialport::{SerialPort, TTYPort};
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Longest real wait for anything.
const LIMIT: Duration = Duration::from_secs(30);
/// Time between scans.
const SCAN: Span = Span::from_secs(5);

struct Bench {
    clock: Arc<ManualClock>,
    station: Station,
    link: std::path::PathBuf,
    board: Option<TTYPort>,
    lines: u64,
}

impl Bench {
    async fn enter(&self, id: &str, act: Act) {
        let happened_at = self.clock.now().utc;
        let who = PersonId::new("kim").unwrap();
        let entry = Entry { id: EntryId(id.into()), happened_at, written_at: happened_at, who, act };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command: Command::Entry(Box::new(entry)), reply }).await.unwrap();
        assert_eq!(answer.await.unwrap(), Reply::Done);
    }

    /// Waits for a turn of the core.
    async fn turn(&self) {
        let command = Command::Acknowledge { event: EventId(u64::MAX), by: PersonId::new("kim").unwrap() };
        let (reply, answer) = tokio::sync::oneshot::channel();
        self.station.commands.send(Asked { command, reply }).await.unwrap();
        assert!(matches!(answer.await.unwrap(), Reply::Refused(_)));
    }

    /// Eggs in all four jars.
    async fn load(&self) {
        let take = TakeId::new("T1").unwrap();
        self.enter(
            "take",
            Act::Take(Take {
                take,
                species: "walleye".into(),
                water: "Alder Lake (invented)".into(),
                gear: "fyke net".into(),
                fertilized_at: self.clock.now().utc,
                females: 5,
                males: 12,
                males_reused: 0,
                parents: Vec::new(),
                crosses: Vec::new(),
                volume_l: Some(8.0),
                hardened: true,
                count: Some(CountMethod::PerLitre { eggs_per_l: 130_000.0 }),
                pan: String::new(),
                clay_minutes: None,
                hardening_from: None,
                hardening_to: None,
                transport_temp_c: None,
                hardening_temp_c: Some(10.0),
                hardening_sensor: None,
                disinfection: String::new(),
            }),
        )
        .await;
        for jar in ["01", "02", "03", "04"] {
            let id = JarId::new(jar).unwrap();
            let lot = LotId::new("T1").unwrap();
            let load = Load { jar: id.clone(), lot, volume_l: 2.0, eggs: None };
            self.enter(&format!("load-{jar}"), Act::Load(load)).await;
            let flow = FlowSetPoint { jar: id, flow_l_per_min: 3.0 };
            self.enter(&format!("flow-{jar}"), Act::FlowSetPoint(flow)).await;
        }
    }

    async fn until(&self, what: &str, mut so: impl FnMut(&Station) -> bool) {
        let wait = async {
            while !so(&self.station) {
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        tokio::time::timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}"));
    }

    /// The board is there: a new pseudo-terminal behind the same name, as udev gives it.
    async fn plug(&mut self) {
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

    async fn pull(&mut self) {
        drop(self.board.take());
        std::fs::remove_file(&self.link).unwrap();
        self.until("noticed that the port is gone", |station| !station.counters[0].is_up()).await;
    }

    async fn scan(&mut self) {
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
        for jar in 1..=4 {
            body += &format!(
                ",C,{:.2},C,J{jar:02}T,R,{:.4},L,J{jar:02}F",
                11.0 + 0.01 * (self.lines % 7) as f64,
                (3.0 + 0.012 * (self.lines % 5) as f64) / 60.0
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

    async fn blind_alarms(&self) -> Vec<AlarmKind> {
        let filter = JournalFilter { kind: Some(JournalKind::Alarm), ..JournalFilter::default() };
        let lines = self.station.store.read(move |r| r.journal(&filter, 10_000)).await.unwrap();
        assert!(lines.len() < 10_000, "all lines were read");
        lines
            .iter()
            .rev()
            .filter_map(|line| serde_json::from_value::<AlarmEvent>(line.body.get("event")?.clone()).ok())
            .filter(|event| matches!(event.change, Change::Raised | Change::Again { .. }))
            .map(|event| event.kind)
            .collect()
    }
}

fn configuration(folder: &Path, link: &Path) -> String {
    format!(
        "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\n\
         [[rack.header]]\nid = \"A\"\nrows = [[\"01\", \"02\", \"03\", \"04\"]]\n\
         [[source.serial]]\nid = \"board\"\nport = {link:?}\ninterval = \"5s\"\n\
         [[people]]\nid = \"kim\"\nemail = \"kim@station.example\"\n[[people]]\nid = \"lee\"\nemail = \"lee@station.example\"\n\
         [rota]\nweeks = [[\"kim\", \"lee\"]]\n[notify]\nmail-folder = {mail:?}\n[store]\nfolder = {folder:?}\n",
        mail = folder.join("mail"),
    )
}

async fn bench(folder: &Path) -> Bench {
    let link = folder.join("board");
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap()));
    let config = config::parse(&configuration(folder, &link), "the bench").unwrap();
    let station = supervise::start(
        &config,
        Arc::clone(&clock) as Arc<dyn Clock>,
        CancellationToken::new(),
        Options { demo: None, page: false },
    )
    .await
    .unwrap();
    let mut bench = Bench { clock, station, link, board: None, lines: 0 };
    bench.plug().await;
    bench
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_pulled_and_plugged_twenty_times_blinds_only_when_it_stays_out() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = bench(folder.path()).await;
    bench.load().await;
    let real = SystemClock::new(Box::new(NotBeforeBuild));
    let (mut expected, mut slowest) = (0, Span::ZERO);
    for round in 0..20 {
        for _ in 0..60 {
            bench.scan().await;
        }
        bench.pull().await;
        // Every fourth time it stays out for four minutes, else for twenty seconds.
        let scans = if round % 4 == 3 { 48 } else { 4 };
        expected += usize::from(round % 4 == 3);
        for _ in 0..scans {
            bench.scan().await;
        }
        let before = real.now().up;
        bench.plug().await;
        bench.scan().await;
        let resumed = real.now().up.since(before);
        slowest = slowest.max(resumed);
        assert!(resumed <= Span::from_secs(10), "round {round}: readings resumed after {} s", resumed.secs());
        // Long enough for a blind alarm to clear and its event to close.
        for _ in 0..400 {
            bench.scan().await;
        }
    }
    println!("20 times out and in: readings resumed within {:.3} s of real time", slowest.secs());
    let raised = bench.blind_alarms().await;
    assert_eq!(raised, vec![AlarmKind::BlindHeader; expected], "alarms raised");
}
