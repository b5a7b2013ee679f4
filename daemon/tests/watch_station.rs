//! Dead-man supervision: what a sign of life may say, what the watcher makes of signs and silence,
//! and both as real processes, one of them stopped dead.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod export_stand;
mod web_stand;

use nightjar::alarm::event::{AlarmKind, Asset, EventId, Priority};
use nightjar::clock::{Clock, ManualClock, NotBeforeBuild, Now, SystemClock};
use nightjar::heartbeat::document::{Beat, Status};
use nightjar::heartbeat::judge::{Evidence, Judge};
use nightjar::heartbeat::seal::{self, Key};
use nightjar::ids::PersonId;
use nightjar::snapshot::SensorView;
use nightjar::store::{MessageKey, NewMessage, Outcome, StoreOptions, Transition, open};
use nightjar::watch::settings::{self, Secrets};
use nightjar::watch::watcher::{NotTaken, Notice, Watcher};
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T06:00:00Z").unwrap()
}

fn beat(run: &str, seq: u64, status: Status) -> Beat {
    Beat {
        station: "kettle-point".into(),
        status,
        reasons: if status == Status::Fail { vec!["storage: the disk is full".into()] } else { Vec::new() },
        seq,
        run: run.into(),
        boot: "b".into(),
        uptime_s: 3_600,
        every_s: 60.0,
        at: start().rfc3339(),
        clock_trusted: true,
        channels_good: 47,
        channels_total: 48,
        alarms: [0, 0, 1],
        suppressed: 0,
        oldest_unsent_p1_s: None,
    }
}

fn watcher(clock: &ManualClock, kept: BTreeMap<String, nightjar::watch::watcher::Kept>) -> Watcher {
    let stations = BTreeMap::from([("kettle-point".to_owned(), Span::from_secs(270))]);
    Watcher::new(&stations, kept, Zone::named("America/Chicago").unwrap(), clock.now())
}

fn told(watcher: &mut Watcher, now: Now) -> Vec<Notice> {
    watcher.handle_timeout(now);
    std::iter::from_fn(|| watcher.poll_output()).collect()
}

#[test]
fn silence_is_told_after_five_and_a_half_minutes_once_and_then_reminded_of() {
    let clock = ManualClock::new(start());
    let mut watcher = watcher(&clock, BTreeMap::new());
    for seq in 1..=10 {
        clock.advance(Span::from_secs(60));
        watcher.handle_beat(beat("r1", seq, Status::Ok), Some(clock.now().utc), clock.now()).unwrap();
        assert_eq!(told(&mut watcher, clock.now()), vec![]);
    }
    assert_eq!(watcher.poll_timeout(), Some(clock.now().up.after(Span::from_secs(330))));
    clock.advance(Span::from_ms(329_999));
    assert_eq!(told(&mut watcher, clock.now()), vec![]);
    clock.advance(Span::from_ms(1));
    let notices = told(&mut watcher, clock.now());
    assert_eq!(notices.len(), 1);
    assert!(notices[0].urgent && notices[0].subject == "kettle-point is silent", "{notices:?}");
    println!("{}", notices[0].text);
    clock.advance(Span::from_minutes(30) - Span::from_ms(1));
    assert_eq!(told(&mut watcher, clock.now()), vec![]);
    clock.advance(Span::from_ms(1));
    assert_eq!(told(&mut watcher, clock.now())[0].subject, "kettle-point still in alarm");
    // One good sign may be the last gasp; two are a station that is back.
    watcher.handle_beat(beat("r1", 50, Status::Ok), Some(clock.now().utc), clock.now()).unwrap();
    assert_eq!(told(&mut watcher, clock.now()), vec![]);
    watcher.handle_beat(beat("r1", 51, Status::Ok), Some(clock.now().utc), clock.now()).unwrap();
    assert_eq!(told(&mut watcher, clock.now())[0].subject, "kettle-point is well again");
}

#[test]
fn a_fail_is_told_at_once_and_a_restart_of_the_watcher_neither_repeats_nor_forgets_it() {
    let clock = ManualClock::new(start());
    let mut first = watcher(&clock, BTreeMap::new());
    first.handle_beat(beat("r1", 1, Status::Fail), None, clock.now()).unwrap();
    let notices = told(&mut first, clock.now());
    assert_eq!(notices.len(), 1);
    assert!(notices[0].text.contains("the disk is full"));
    first.handle_beat(beat("r1", 2, Status::Fail), None, clock.now()).unwrap();
    assert_eq!(told(&mut first, clock.now()), vec![], "once, not each minute");

    let mut second = watcher(&clock, first.kept());
    second.handle_beat(beat("r1", 3, Status::Fail), None, clock.now()).unwrap();
    assert_eq!(told(&mut second, clock.now()), vec![], "not again");
    // From failing to silent is news.
    clock.advance(Span::from_secs(330));
    assert_eq!(told(&mut second, clock.now())[0].subject, "kettle-point is silent");
}

#[test]
fn signs_that_were_here_before_or_are_from_another_time_do_not_count() {
    let clock = ManualClock::new(start());
    let mut watcher = watcher(&clock, BTreeMap::new());
    let now = clock.now();
    let moment = Some(now.utc);
    watcher.handle_beat(beat("r1", 5, Status::Ok), moment, now).unwrap();
    assert_eq!(watcher.handle_beat(beat("r1", 5, Status::Ok), moment, now), Err(NotTaken::Again));
    watcher.handle_beat(beat("r2", 1, Status::Ok), moment, now).unwrap();
    assert_eq!(watcher.handle_beat(beat("r1", 6, Status::Ok), moment, now), Err(NotTaken::Again));
    let old = Some(now.utc - Span::from_minutes(6));
    assert_eq!(watcher.handle_beat(beat("r2", 2, Status::Ok), old, now), Err(NotTaken::Moment));
    // A station that does not know the time is heard all the same.
    let lost = Beat { clock_trusted: false, ..beat("r2", 2, Status::Ok) };
    watcher.handle_beat(lost, old, now).unwrap();
    let other = Beat { station: "elsewhere".into(), ..beat("r1", 1, Status::Ok) };
    assert_eq!(watcher.handle_beat(other, moment, now), Err(NotTaken::Unknown));
}

#[test]
fn a_program_that_starts_again_and_again_and_channels_that_went_missing_are_told() {
    let clock = ManualClock::new(start());
    let mut watcher = watcher(&clock, BTreeMap::new());
    let mut notices = Vec::new();
    for run in ["a", "b", "c", "d", "e"] {
        clock.advance(Span::from_minutes(2));
        watcher.handle_beat(beat(run, 1, Status::Ok), None, clock.now()).unwrap();
        notices.extend(told(&mut watcher, clock.now()));
    }
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert_eq!(notices[0].subject, "kettle-point starts again and again");
    let fewer = Beat { channels_total: 40, ..beat("e", 2, Status::Ok) };
    watcher.handle_beat(fewer, None, clock.now()).unwrap();
    assert_eq!(told(&mut watcher, clock.now())[0].subject, "kettle-point watches fewer channels");
    let daily = watcher.daily("Office", clock.now());
    assert!(daily.text.contains("47 of 40") || daily.text.contains("channels good"), "{}", daily.text);
}

#[test]
fn each_of_the_five_conditions_alone_makes_a_fail() {
    let clock = ManualClock::new(start());
    clock.advance(Span::from_hours(1));
    let rack = web_stand::rack(3);
    let speaking = |picture: &nightjar::snapshot::Snapshot| SensorView {
        latest: picture.jars[0].temperature,
        stale: false,
        readings: 1,
        rejected: 0,
    };
    let picture = |now: Now| {
        let mut picture = web_stand::snapshot(&rack, now, false);
        picture.sensors = rack.sensors.iter().map(|_| speaking(&picture)).collect();
        picture
    };
    let well =
        || Evidence { accepted_at: Some(clock.now().utc - Span::from_hours(20)), ..Evidence::default() };
    let judge =
        |evidence: &Evidence| Judge::default().reasons(&rack, &picture(clock.now()), evidence, clock.now());
    assert_eq!(judge(&well()), Vec::<String>::new());
    let reason = |evidence: Evidence| {
        let reasons = judge(&evidence);
        assert_eq!(reasons.len(), 1, "{reasons:?}");
        reasons[0].clone()
    };
    assert!(reason(Evidence { store_trouble: Some("full".into()), ..well() }).starts_with("storage"));
    let stuck = Evidence { oldest_unsent_p1: Some(Span::from_secs(181)), ..well() };
    assert!(reason(stuck).contains("urgent message"));
    assert_eq!(
        judge(&Evidence { oldest_unsent_p1: Some(Span::from_secs(180)), ..well() }),
        Vec::<String>::new()
    );
    let unproven = Evidence { accepted_at: Some(clock.now().utc - Span::from_hours(25)), ..well() };
    assert!(reason(unproven.clone()).contains("no route"));
    assert_eq!(judge(&Evidence { route_ready: true, ..unproven }), Vec::<String>::new());
    assert!(reason(Evidence { late_tasks: vec!["core".into()], ..well() }).contains("core"));

    // A picture that is not renewed.
    let old = picture(clock.now());
    clock.advance(Span::from_secs(61));
    let reasons = Judge::default().reasons(&rack, &old, &well(), clock.now());
    assert_eq!(reasons, ["the alarm stage made no pass"]);

    // An urgent alarm that no route took.
    let mut judge = Judge::default();
    let nobody = || Evidence { untold: vec![(EventId(7), "M4T".into())], ..well() };
    assert!(judge.reasons(&rack, &picture(clock.now()), &nobody(), clock.now()).is_empty());
    clock.advance(Span::from_minutes(3));
    let reasons = judge.reasons(&rack, &picture(clock.now()), &nobody(), clock.now());
    assert_eq!(reasons, ["no route took the urgent alarm M4T"]);
    assert!(judge.reasons(&rack, &picture(clock.now()), &well(), clock.now()).is_empty());
    assert!(judge.reasons(&rack, &picture(clock.now()), &nobody(), clock.now()).is_empty(), "counts anew");

    // A channel of a jar with eggs that falls silent, first without and then with its alarm.
    let mut judge = Judge::default();
    let silent = |now: Now| {
        let mut picture = picture(now);
        picture.sensors[2].stale = true;
        picture
    };
    assert!(judge.reasons(&rack, &silent(clock.now()), &well(), clock.now()).is_empty());
    clock.advance(Span::from_minutes(10) + Span::from_ms(1));
    let reasons = judge.reasons(&rack, &silent(clock.now()), &well(), clock.now());
    assert!(reasons.len() == 1 && reasons[0].contains(rack.sensors[2].id.as_str()), "{reasons:?}");
    let mut explained = silent(clock.now());
    let mut alarm = web_stand::alarms(clock.now().utc)[0].clone();
    (alarm.kind, alarm.priority) = (AlarmKind::BlindTemp, Priority::P3);
    alarm.asset = Asset::Sensor(rack.sensors[2].id.to_string());
    explained.alarms.push(alarm);
    assert!(judge.reasons(&rack, &explained, &well(), clock.now()).is_empty());
}

#[test]
fn a_watcher_without_people_stations_or_routes_is_refused_with_every_problem() {
    let refused =
        settings::parse("time-zone = \"Nowhere/Land\"\nlisten = \"here\"\n", "watch.toml", Secrets::Read)
            .unwrap_err();
    assert_eq!(refused.problems.len(), 5, "{refused}");
    let refused = settings::parse("time-zne = \"UTC\"\n", "watch.toml", Secrets::Read).unwrap_err();
    assert!(refused.to_string().contains("time-zne"), "{refused}");
}

// ---- as real processes -----------------------------------------------------------------------

/// A scale of 60: six minutes are six seconds. Whenever the test runs, the daily report of that day is due.
const WATCH: &str = r#"
name = "Office"
time-zone = "America/Chicago"
daily-at = "00:00"
listen = "127.0.0.1:PORT"
state-file = "FOLDER/watch/state.json"
grace = "4500ms"
[[people]]
email = "kim@home.example"
[[station]]
id = "kettle-point"
secret-file = "FOLDER/secret"
[notify]
mail-folder = "FOLDER/mail"
"#;

const STATION: &str = r#"
[station]
name = "Kettle Point"
time-zone = "America/Chicago"
altitude-m = 402
[rack]
jar-temperature = "J{jar}T"
jar-flow = "J{jar}F"
[[rack.header]]
id = "A"
rows = [["01", "02"]]
[[source.serial]]
id = "board"
port = "FOLDER/no-such-port"
format = "xdr"
[[people]]
id = "kim"
email = "kim@home.example"
[rota]
weeks = [["kim"]]
[notify.email]
server = "127.0.0.1"
port = 1
from = "alarms@station.example"
[notify.heartbeat]
url = "http://127.0.0.1:PORT/beat"
secret-file = "FOLDER/secret"
every = "1s"
allow-local-http = true
[web]
listen = "127.0.0.1:0"
[store]
folder = "FOLDER/data"
"#;

struct Process(Child);

impl Process {
    fn start(arguments: &[&str]) -> Self {
        let child = Command::new(env!("CARGO_BIN_EXE_nightjar"))
            .args(arguments)
            .stdout(Stdio::null())
            .stderr(if std::env::var_os("SHOW").is_some() { Stdio::inherit() } else { Stdio::null() })
            .spawn();
        Self(child.unwrap())
    }

    fn signal(&self, name: &str) {
        let pid = self.0.id().to_string();
        assert!(Command::new("kill").args([name, &pid]).status().unwrap().success());
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // A stopped process dies by this signal too.
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Messages the watcher has sent, by subject.
fn mails(folder: &Path) -> Vec<String> {
    let Ok(files) = std::fs::read_dir(folder) else { return Vec::new() };
    let texts =
        files.filter_map(Result::ok).filter(|file| file.path().extension().is_some_and(|e| e == "txt"));
    texts.filter_map(|file| std::fs::read_to_string(file.path()).ok()).collect()
}

async fn wait_for(what: &str, mail: &Path) {
    let wait = async {
        while !mails(mail).iter().any(|text| text.contains(what)) {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    let limit = tokio::time::timeout(Duration::from_secs(40), wait).await;
    assert!(limit.is_ok(), "never told: {what}; told: {:?}", mails(mail));
}

/// A route that took a message an hour ago: a station that has run for a while.
async fn prove_a_route(data: &Path) {
    std::fs::create_dir_all(data).unwrap();
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let store = open(StoreOptions::new(data.join("nightjar.sqlite"), Vec::new()), clock).unwrap();
    let message = NewMessage {
        key: MessageKey {
            about: "all-well".into(),
            event: None,
            seq: 1,
            person: PersonId::new("kim").unwrap(),
            route: "mail".into(),
            step: 0,
        },
        priority: Priority::P3,
        body: serde_json::json!({"subject": "", "text": "", "to": "", "about": "all-well"}),
        delay: Span::from_ms(0),
        life: None,
    };
    let ids = store.commit(Transition { outbox: vec![message], ..Transition::default() }).await.unwrap();
    store.mark(ids[0].unwrap(), Outcome::Sending).await.unwrap();
    store.mark(ids[0].unwrap(), Outcome::Accepted(None)).await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_stopped_dead_is_told_within_six_scaled_minutes_and_heard_again_when_it_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let write = |name: &str, text: &str| {
        let text = text.replace("FOLDER", folder.path().to_str().unwrap()).replace("PORT", &port.to_string());
        std::fs::write(folder.path().join(name), text).unwrap();
        folder.path().join(name).to_str().unwrap().to_owned()
    };
    let (watch, station) = (write("watch.toml", WATCH), write("nightjar.toml", STATION));
    let secret = "a-shared-secret-of-enough-length";
    write("secret", secret);
    let mail = folder.path().join("mail");
    prove_a_route(&folder.path().join("data")).await;

    let _watcher = Process::start(&["watch", "--config", &watch]);
    let station_process = Process::start(&["run", "--config", &station]);
    wait_for("still watching", &mail).await;
    // It is well for longer than the grace: nothing is told but the daily report.
    tokio::time::sleep(Duration::from_secs(8)).await;
    let before: Vec<String> =
        mails(&mail).into_iter().filter(|text| !text.contains("still watching")).collect();
    assert_eq!(before, Vec::<String>::new());

    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    station_process.signal("-STOP");
    let began = clock.now().up;
    wait_for("kettle-point is silent", &mail).await;
    let took = clock.now().up.since(began);
    println!("told {:.2} s after SIGSTOP at a scale of 60 (limit 6 s)", took.secs());
    assert!(took <= Span::from_ms(6_000), "{took:?}");

    station_process.signal("-CONT");
    wait_for("kettle-point is well again", &mail).await;
    station_process.signal("-KILL");
    let began = clock.now().up;
    let silent = |mail: &Path| mails(mail).iter().filter(|text| text.contains("is silent")).count();
    let wait = async {
        while silent(&mail) < 2 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), wait).await.expect("the second silence was told");
    println!("told {:.2} s after SIGKILL", clock.now().up.since(began).secs());

    // Nobody else can speak for the station.
    let client = nightjar::export::sender::client(Duration::from_secs(2), Duration::from_secs(5)).unwrap();
    let body = serde_json::to_vec(&beat("forged", 1, Status::Ok)).unwrap();
    let moment = (clock.now().utc.ms() / 1000).to_string();
    let wrong = Key::parse("another-secret-of-enough-length").unwrap();
    for (key, status) in [(wrong, 401), (Key::parse(secret).unwrap(), 200)] {
        let answer = client
            .post(format!("http://127.0.0.1:{port}/beat"))
            .header(seal::ID, "1")
            .header(seal::MOMENT, &moment)
            .header(seal::SIGNATURE, key.sign("1", &moment, &body))
            .body(body.clone())
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status().as_u16(), status);
    }
}

/// A disk of its own, until it is dropped.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    /// None where nothing may be mounted.
    fn mount(folder: &Path) -> Option<Self> {
        std::fs::create_dir_all(folder).unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=80m", "tmpfs"])
            .arg(folder)
            .stderr(Stdio::null())
            .status();
        mounted.is_ok_and(|status| status.success()).then(|| Self(folder.to_owned()))
    }

    /// Writes until nothing more fits.
    fn fill(&self) {
        let mut file =
            std::fs::OpenOptions::new().create(true).append(true).open(self.0.join("fill")).unwrap();
        let block = vec![7; 64 * 1024];
        while file.write_all(&block).is_ok() {}
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("-l").arg(&self.0).status());
    }
}

/// A board that says the same two jars twice a second, until told to stop.
#[expect(clippy::disallowed_methods, reason = "a board keeps its own time, and waits for nobody")]
fn board(link: &Path, stop: Arc<AtomicBool>) -> std::thread::JoinHandle<()> {
    let (mut board, port) = serialport::TTYPort::pair().unwrap();
    std::os::unix::fs::symlink(serialport::SerialPort::name(&port).unwrap(), link).unwrap();
    drop(port);
    std::thread::spawn(move || {
        for n in 0.. {
            if stop.load(Ordering::Relaxed) {
                return;
            }
            let wave = 0.01 * f64::from(n % 5);
            let t = 11.0 + wave;
            let f = (3.0 + wave) / 60.0;
            let body = format!("NJXDR,C,{t:.2},C,J01T,R,{f:.5},L,J01F,C,{t:.2},C,J02T,R,{f:.5},L,J02F");
            let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
            // Nobody there yet is no error of the board.
            drop(board.write_all(format!("${body}*{sum:02X}\r\n").as_bytes()));
            std::thread::sleep(Duration::from_millis(500));
        }
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_makes_the_watcher_speak() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(&folder.path().join("data")) else {
        println!("skipped: nothing may be mounted here");
        return;
    };
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let write = |name: &str, text: &str| {
        let text = text.replace("FOLDER", folder.path().to_str().unwrap()).replace("PORT", &port.to_string());
        std::fs::write(folder.path().join(name), text).unwrap();
        folder.path().join(name).to_str().unwrap().to_owned()
    };
    let station = format!("{STATION}commit-every = \"1s\"\n").replace("no-such-port", "board");
    let (watch, station) = (write("watch.toml", WATCH), write("nightjar.toml", &station));
    write("secret", "a-shared-secret-of-enough-length");
    let mail = folder.path().join("mail");
    prove_a_route(&folder.path().join("data")).await;
    let stop = Arc::new(AtomicBool::new(false));
    let speaking = board(&folder.path().join("board"), Arc::clone(&stop));
    let _watcher = Process::start(&["watch", "--config", &watch]);
    let _station = Process::start(&["run", "--config", &station]);
    wait_for("still watching", &mail).await;
    tokio::time::sleep(Duration::from_secs(6)).await;
    let untrusted = |mail: &Path| mails(mail).iter().any(|text| text.contains("cannot be trusted"));
    assert!(!untrusted(&mail), "{:?}", mails(&mail));

    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let began = clock.now().up;
    while !untrusted(&mail) {
        // What the station gives up to make room is used up too.
        disk.fill();
        tokio::time::sleep(Duration::from_millis(100)).await;
        assert!(clock.now().up.since(began) <= Span::from_secs(30), "never told: {:?}", mails(&mail));
    }
    println!("told {:.1} s after the disk was full", clock.now().up.since(began).secs());
    assert!(mails(&mail).iter().any(|text| text.contains("storage")), "{:?}", mails(&mail));
    stop.store(true, Ordering::Relaxed);
    speaking.join().unwrap();
}
