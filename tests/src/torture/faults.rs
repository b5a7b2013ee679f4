//! Failing disks: the n-th write, sync or open of the database fails, once or from then on, with the
//! errors of a worn card and of a full one; or the disk is really full. Meanwhile a jar runs dry. The
//! station must not end, must tell of the jar, must say that its storage fails, and must go on by
//! itself once the disk works, with everything it had acknowledged.

use super::broker::OwnBroker;
use super::feed::{Board, Feed};
use super::inspect;
use super::keeper::{self, Keeper};
use super::receiver::Receiver;
use super::station::{self, Fault as Trouble, Peers, Water};
use super::{say, shim};
use crate::daemon::{Daemon, try_for};
use crate::pace::{self, Stopwatch};
use crate::{http, programs};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Errors of the C library on Linux, as the shim gives them back.
const EIO: u64 = 5;
const ENOSPC: u64 = 28;
/// Calls the shim can fail, as bits.
const WRITES: u64 = 1 << 1;
const SYNCS: u64 = 1 << 2;
const OPENS: u64 = 1 << 6;

/// A jar that was filled is given a minute before it may be told of.
const SETTLED: Duration = Duration::from_secs(61);
/// The jar must be told of within this: the wait of its group is 10 s, a stalled disk costs 5 s.
const TOLD: Duration = Duration::from_secs(45);
/// A disk that fails for good is given back after this.
const FAILING_FOR: Duration = Duration::from_secs(18);
/// The storage alarm must be on within this.
const SAID: Duration = Duration::from_secs(60);
/// The last retry comes a minute after the one before.
const RECOVERED: Duration = Duration::from_secs(100);

/// One case.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Case {
    /// Which calls fail.
    pub calls: u64,
    /// The error.
    pub error: u64,
    /// The n-th fails, counted from 1.
    pub nth: u64,
    /// And all after it, until the disk is mended.
    pub for_good: bool,
    /// Armed before the station starts.
    pub from_start: bool,
}

impl Case {
    /// Every kind of case at one position.
    #[must_use]
    pub fn at(nth: u64) -> Vec<Self> {
        let mut cases = Vec::new();
        for for_good in [false, true] {
            for (calls, error) in
                [(WRITES, EIO), (WRITES, ENOSPC), (SYNCS, EIO), (WRITES | SYNCS | OPENS, EIO)]
            {
                cases.push(Self { calls, error, nth, for_good, from_start: false });
            }
            cases.push(Self { calls: OPENS, error: EIO, nth, for_good, from_start: true });
        }
        cases
    }
}

impl std::fmt::Display for Case {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let calls: Vec<&str> = [(WRITES, "write"), (SYNCS, "sync"), (OPENS, "open")]
            .into_iter()
            .filter_map(|(bit, name)| (self.calls & bit != 0).then_some(name))
            .collect();
        let error = if self.error == EIO { "EIO" } else { "ENOSPC" };
        let length = if self.for_good { "from then on" } else { "once" };
        let start = if self.from_start { ", at the start" } else { "" };
        write!(f, "{} {} {error} {length}{start}", calls.join("/"), self.nth)
    }
}

/// What came of a case.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Calls that failed.
    pub failed: u64,
    /// The station said that its storage fails.
    pub said: bool,
    /// From the jar to the receiver.
    pub told_after: Option<Duration>,
    /// From the mended disk to the next entry taken.
    pub recovered_after: Option<Duration>,
    /// Everything that was not as promised.
    pub faults: Vec<String>,
}

/// Files shared with the shim: eight numbers.
struct Orders(PathBuf);

impl Orders {
    fn write(&self, numbers: [u64; 8]) -> std::io::Result<()> {
        let bytes: Vec<u8> = numbers.iter().flat_map(|number| number.to_le_bytes()).collect();
        // In place: the station has it mapped.
        let file = std::fs::File::options().create(true).truncate(false).write(true).open(&self.0)?;
        std::os::unix::fs::FileExt::write_all_at(&file, &bytes, 0)
    }

    fn read(&self, number: usize) -> u64 {
        let bytes = std::fs::read(&self.0).unwrap_or_default();
        bytes
            .get(number * 8..number * 8 + 8)
            .map_or(0, |bytes| bytes.iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte)))
    }
}

/// A folder with a database that holds the eggs, to begin each case from.
///
/// # Errors
/// When it cannot be made.
pub fn prepare(folder: &Path) -> Result<PathBuf, String> {
    let words = |error: std::io::Error| error.to_string();
    std::fs::create_dir_all(folder).map_err(words)?;
    let data = folder.join("data");
    let board = Board::new().map_err(|error| format!("no pseudo-terminal: {error}"))?;
    let page = programs::free_port();
    let peers = Peers { page, broker: 9, receiver: 9, board: &board.path, data: &data };
    let configuration = station::configuration(folder, &peers).map_err(words)?;
    let mut daemon = Daemon::start(folder, &configuration, page);
    keeper::pour_in(page)?;
    pace::pause(SETTLED);
    daemon.stop();
    Ok(data)
}

/// Everything a case needs.
struct Stand {
    daemon: Daemon,
    broker: Arc<OwnBroker>,
    receiver: Arc<Receiver>,
    water: Arc<Water>,
    keeper: Keeper,
    _feed: Feed,
    data: PathBuf,
}

impl Stand {
    fn start(
        folder: &Path,
        data: PathBuf,
        environment: Vec<(&'static str, std::ffi::OsString)>,
    ) -> Result<Self, String> {
        let words = |error: std::io::Error| error.to_string();
        let board = Board::new().map_err(|error| format!("no pseudo-terminal: {error}"))?;
        let broker = Arc::new(OwnBroker::start(Arc::new(|| 0)).map_err(words)?);
        let receiver = Arc::new(Receiver::start().map_err(words)?);
        let page = programs::free_port();
        let peers =
            Peers { page, broker: broker.port, receiver: receiver.port, board: &board.path, data: &data };
        let configuration = station::configuration(folder, &peers).map_err(words)?;
        let daemon = Daemon::start_with(folder, &configuration, page, environment);
        let water = Arc::<Water>::default();
        let feed = Feed::start(Arc::clone(&broker), board, Arc::clone(&water));
        let keeper = Keeper::start(page, Duration::from_millis(200), Box::new(|| 0));
        Ok(Self { daemon, broker, receiver, water, keeper, _feed: feed, data })
    }

    /// The jar runs dry; gives the time until the receiver knows.
    fn dry(&self, meanwhile: &mut dyn FnMut()) -> Option<Duration> {
        let jar = Trouble::Dry.jar(0);
        let (asset, before, watch) = (format!("jar/{jar:02}"), self.receiver.count(), Stopwatch::start());
        self.water.set(Trouble::Dry, jar, true);
        let told = try_for(TOLD, || {
            meanwhile();
            pace::pause(Duration::from_millis(150));
            let about = |call: &super::receiver::Call| {
                call.kind == "alarm.active" && call.asset == asset && call.alarm == Trouble::Dry.alarm()
            };
            self.receiver.find(before, about).map(|_| watch.elapsed())
        });
        self.water.set(Trouble::Dry, jar, false);
        told
    }

    /// The time until entries are taken again. A station that began without what is stored ends once
    /// it can be read, and is started anew as a service manager would; no other may end.
    fn recovered(&mut self, may_end: bool) -> Option<Duration> {
        let watch = Stopwatch::start();
        while watch.elapsed() < RECOVERED {
            if may_end && !self.daemon.is_alive() {
                self.daemon.run();
            }
            let before = self.keeper.written().safe.len();
            pace::pause(Duration::from_millis(900));
            if self.keeper.written().safe.len() > before + 1 {
                return Some(watch.elapsed());
            }
        }
        None
    }

    /// The time until an entry sent from here on is taken.
    fn next_entry(&self) -> Option<Duration> {
        let (watch, before) = (Stopwatch::start(), self.keeper.written().safe.len());
        // Two: the first may have been on its way.
        try_for(RECOVERED, || {
            pace::pause(Duration::from_millis(50));
            (self.keeper.written().safe.len() > before + 1).then(|| watch.elapsed())
        })
    }

    /// Ends the station and looks at what is there.
    fn end(mut self, outcome: &mut Outcome) {
        self.keeper.stop();
        let _in_time: Option<()> =
            try_for(Duration::from_secs(20), || (self.broker.backlog() < 50).then_some(()));
        if !self.daemon.is_alive() {
            outcome.faults.push(format!("the station has ended:\n{}", self.daemon.log_tail()));
            return;
        }
        let code = self.daemon.stop();
        if code != Some(0) {
            outcome.faults.push(format!("the station ended with {code:?}:\n{}", self.daemon.log_tail()));
        }
        if let Some(line) = self.daemon.log().lines().find(|line| line.contains("panicked")) {
            outcome.faults.push(format!("a panic: {line}"));
        }
        let found = match inspect::look(&self.data, None) {
            Ok(found) => found,
            Err(why) => return outcome.faults.push(why),
        };
        if found.integrity != "ok" {
            outcome.faults.push(format!("integrity: {}", found.integrity));
        }
        let safe: BTreeSet<String> = self.broker.take_safe().into_iter().map(|safe| safe.key).collect();
        let missing: Vec<&String> = safe.difference(&found.readings).collect();
        if let Some(first) = missing.first() {
            let (lost, all) = (missing.len(), safe.len());
            outcome.faults.push(format!("{lost} of {all} acknowledged readings are not stored, as {first}"));
        }
        let written = self.keeper.written();
        for (id, _) in &written.safe {
            if !found.entries.contains_key(id) {
                outcome.faults.push(format!("entry {id} was answered and is not stored"));
            }
        }
        outcome.faults.extend(written.refused.iter().map(|words| format!("entry refused: {words}")));
    }
}

/// Runs one case in a folder of its own.
///
/// # Errors
/// When it cannot be set up.
pub fn run(case: Case, prepared: &Path, folder: &Path) -> Result<Outcome, String> {
    let words = |error: std::io::Error| error.to_string();
    let data = folder.join("data");
    inspect::copy(prepared, &data).map_err(words)?;
    let library = shim::build(folder)?;
    let orders = Orders(folder.join("orders"));
    let number = if case.for_good { u64::MAX } else { 1 };
    let armed = [case.calls, case.nth - 1, case.error, number, 0, 0, 0, 0];
    orders.write(if case.from_start { armed } else { [0; 8] }).map_err(words)?;
    let mut stand = Stand::start(folder, data.clone(), shim::failing(&library, &data, &orders.0))?;
    let mut outcome = Outcome::default();
    if !case.from_start {
        if stand.next_entry().is_none() {
            return Err("no entry was taken before the disk failed".to_owned());
        }
        orders.write(armed).map_err(words)?;
    }
    let (watch, page) = (Stopwatch::start(), stand.daemon.port);
    outcome.told_after = stand.dry(&mut || outcome.said |= says_so(page));
    if outcome.told_after.is_none() {
        outcome.faults.push(format!("the dry jar was not told within {} s", TOLD.as_secs()));
    }
    if case.for_good {
        pace::pause(FAILING_FOR.saturating_sub(watch.elapsed()));
    }
    outcome.said |= says_so(page);
    outcome.failed = orders.read(5);
    orders.write([0; 8]).map_err(words)?;
    outcome.recovered_after = stand.recovered(case.from_start);
    if outcome.recovered_after.is_none() {
        outcome
            .faults
            .push(format!("no entry was taken within {} s of the mended disk", RECOVERED.as_secs()));
    }
    if case.for_good && outcome.failed > 0 && !outcome.said {
        outcome.faults.push("the station did not say that its storage fails".to_owned());
    }
    stand.end(&mut outcome);
    Ok(outcome)
}

/// Whether the storage alarm is open.
fn says_so(page: u16) -> bool {
    let Ok((200, body)) = http::get(page, "/api/v1/alarms?limit=1") else { return false };
    let answer: Value = serde_json::from_str(&body).unwrap_or_default();
    answer["open"].as_array().is_some_and(|open| open.iter().any(|alarm| alarm["kind"] == "storage_failing"))
}

/// A small file system, filled to the last byte and emptied again. Needs the right to mount one.
///
/// # Errors
/// When it cannot be set up; `None` when this user may not mount.
pub fn full_disk(prepared: &Path, folder: &Path) -> Result<Option<Outcome>, String> {
    let words = |error: std::io::Error| error.to_string();
    let data = folder.join("data");
    std::fs::create_dir_all(&data).map_err(words)?;
    let mount = |arguments: &[&str]| {
        let status = std::process::Command::new(arguments[0]).args(&arguments[1..]).arg(&data).status();
        status.is_ok_and(|status| status.success())
    };
    if !mount(&["mount", "-t", "tmpfs", "-o", "size=12m", "nightjar-torture"]) {
        return Ok(None);
    }
    let ran = fill(prepared, folder, &data);
    mount(&["umount", "-l"]);
    ran.map(Some)
}

fn fill(prepared: &Path, folder: &Path, data: &Path) -> Result<Outcome, String> {
    let words = |error: std::io::Error| error.to_string();
    inspect::copy(prepared, data).map_err(words)?;
    let stand = Stand::start(folder, data.to_owned(), Vec::new())?;
    if stand.next_entry().is_none() {
        return Err("no entry was taken before the disk was full".to_owned());
    }
    let (mut outcome, filler, page) = (Outcome::default(), data.join("filler"), stand.daemon.port);
    let stuff = || {
        use std::io::Write;
        let mut file = std::fs::File::options().create(true).append(true).open(&filler).ok();
        for size in [64 * 1024, 4096, 512, 1] {
            while file.as_mut().is_some_and(|file| file.write_all(&vec![0; size]).is_ok()) {}
        }
    };
    stuff();
    let watch = Stopwatch::start();
    outcome.told_after = stand.dry(&mut || {
        // What the station gives back or frees is taken, too.
        stuff();
        outcome.said |= says_so(page);
    });
    if outcome.told_after.is_none() {
        outcome.faults.push(format!("the dry jar was not told within {} s", TOLD.as_secs()));
    }
    while watch.elapsed() < FAILING_FOR {
        pace::pause(Duration::from_millis(200));
        stuff();
        outcome.said |= says_so(page);
    }
    std::fs::remove_file(&filler).map_err(words)?;
    outcome.recovered_after = stand.next_entry();
    if outcome.recovered_after.is_none() {
        outcome
            .faults
            .push(format!("no entry was taken within {} s of the emptied disk", RECOVERED.as_secs()));
    }
    if !outcome.said {
        outcome.faults.push("the station did not say that its storage fails".to_owned());
    }
    stand.end(&mut outcome);
    Ok(outcome)
}

/// What becomes of a medium while the station is at work on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Medium {
    /// The file system finds an error and lets nobody write any more.
    ReadOnly,
    /// Every call ends with an error, as of a card that is gone.
    Gone,
}

/// The order to a file system to end at once, writing nothing more: `FS_IOC_SHUTDOWN` without its log.
const SHUT_DOWN: &str = "import fcntl, os, struct, sys\n\
    fcntl.ioctl(os.open(sys.argv[1], os.O_RDONLY), 0x8004587D, struct.pack('I', 2))";

fn ran(program: &str, arguments: &[&str]) -> bool {
    let mut command = std::process::Command::new(program);
    let quiet =
        command.args(arguments).stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null());
    quiet.status().is_ok_and(|status| status.success())
}

/// An ext4 file system in a file, mounted as a card would be; it is taken away and given back, checked,
/// as somebody does who pushes the card in again. `None` when this user may not mount.
fn medium(what: Medium, prepared: &Path, folder: &Path) -> Result<Option<Outcome>, String> {
    let words = |error: std::io::Error| error.to_string();
    let (data, card) = (folder.join("data"), folder.join("card"));
    std::fs::create_dir_all(&data).map_err(words)?;
    std::fs::File::create(&card).and_then(|file| file.set_len(1 << 30)).map_err(words)?;
    let (data_name, card_name) = (data.to_string_lossy(), card.to_string_lossy());
    let mount = |card: &str| ran("mount", &["-o", "loop,errors=remount-ro,noatime", card, &data_name]);
    if !ran("mkfs.ext4", &["-q", "-F", &card_name]) || !mount(&card_name) {
        return Ok(None);
    }
    let outcome = take_away(what, prepared, folder, &data, &|| {
        ran("umount", &["-l", &data_name]);
        // It comes back as another device, as a card does that is pushed in again while the old one is
        // still held open; with what had reached it.
        let again = format!("{card_name}-again");
        let copied = ran("cp", &["--sparse=always", &card_name, &again]);
        ran("e2fsck", &["-f", "-y", &again]);
        copied && mount(&again)
    });
    ran("umount", &["-l", &data_name]);
    outcome.map(Some)
}

fn take_away(
    what: Medium,
    prepared: &Path,
    folder: &Path,
    data: &Path,
    give_back: &dyn Fn() -> bool,
) -> Result<Outcome, String> {
    inspect::copy(prepared, data).map_err(|error| error.to_string())?;
    // The database of before is on the medium, as one that was written by the station is.
    if !ran("sync", &["-f", &data.to_string_lossy()]) {
        return Err("the copied database cannot be synced".to_owned());
    }
    let mut stand = Stand::start(folder, data.to_owned(), Vec::new())?;
    if stand.next_entry().is_none() {
        return Err("no entry was taken before the medium went".to_owned());
    }
    let (mut outcome, page) = (Outcome::default(), stand.daemon.port);
    if says_so(page) {
        return Err("the storage alarm is on before anything happened".to_owned());
    }
    let gone = match what {
        Medium::ReadOnly => {
            let device =
                std::process::Command::new("findmnt").args(["-n", "-o", "SOURCE"]).arg(data).output();
            let device = device.map(|out| String::from_utf8_lossy(&out.stdout).trim().to_owned());
            let name = device.unwrap_or_default().trim_start_matches("/dev/").to_owned();
            std::fs::write(format!("/sys/fs/ext4/{name}/trigger_fs_error"), "1").is_ok()
        }
        Medium::Gone => ran("python3", &["-c", SHUT_DOWN, &data.to_string_lossy()]),
    };
    if !gone {
        return Err("the medium cannot be taken away here".to_owned());
    }
    let watch = Stopwatch::start();
    let mut said_after = None;
    let look = |said_after: &mut Option<Duration>| {
        if said_after.is_none() && says_so(page) {
            *said_after = Some(watch.elapsed());
        }
    };
    outcome.told_after = stand.dry(&mut || look(&mut said_after));
    if outcome.told_after.is_none() {
        outcome.faults.push(format!("the dry jar was not told within {} s", TOLD.as_secs()));
    }
    while watch.elapsed() < SAID && said_after.is_none() {
        pace::pause(Duration::from_millis(200));
        look(&mut said_after);
    }
    pace::pause(FAILING_FOR.saturating_sub(watch.elapsed()));
    outcome.said = said_after.is_some();
    match said_after {
        Some(after) => {
            say(format_args!("{what:?}: the storage alarm is on after {:.1} s", after.as_secs_f64()))
        }
        None => outcome.faults.push(format!("no storage alarm within {} s", SAID.as_secs())),
    }
    if !give_back() {
        return Err("the medium cannot be given back here".to_owned());
    }
    outcome.recovered_after = stand.recovered(false);
    if outcome.recovered_after.is_none() {
        let seconds = RECOVERED.as_secs();
        outcome.faults.push(format!("no entry was taken within {seconds} s of the medium's return"));
    }
    stand.end(&mut outcome);
    Ok(outcome)
}

/// Runs cases, so many at a time, and prints each. Gives the number of faults.
///
/// # Errors
/// When the first database cannot be made.
pub fn run_all(cases: &[Case], at_once: usize, folder: &Path) -> Result<usize, String> {
    let prepared = prepare(&folder.join("prepared"))?;
    say(format_args!("failed calls  said  jar told  recovered  case"));
    let (mut faults, mut hit) = (0, 0);
    for (turn, some) in cases.chunks(at_once.max(1)).enumerate() {
        let ran: Vec<(Case, Result<Outcome, String>)> = std::thread::scope(|scope| {
            let place = |number: usize| folder.join(format!("case-{turn}-{number}"));
            let started: Vec<_> = some
                .iter()
                .enumerate()
                .map(|(number, case)| {
                    let (prepared, place) = (prepared.clone(), place(number));
                    (*case, scope.spawn(move || run(*case, &prepared, &place)))
                })
                .collect();
            let joined = |(case, thread): (Case, std::thread::ScopedJoinHandle<'_, _>)| {
                (case, thread.join().unwrap_or_else(|_| Err("the station did not start".to_owned())))
            };
            started.into_iter().map(joined).collect()
        });
        for (case, outcome) in ran {
            let outcome = outcome.unwrap_or_else(|why| Outcome { faults: vec![why], ..Outcome::default() });
            hit += u64::from(outcome.failed > 0);
            faults += outcome.faults.len();
            print(&case.to_string(), &outcome);
        }
    }
    match full_disk(&prepared, &folder.join("full")) {
        Ok(Some(outcome)) => {
            faults += outcome.faults.len();
            print("disk full to the last byte", &outcome);
        }
        Ok(None) => say(format_args!("passed over: a full disk needs the right to mount one")),
        Err(why) => {
            faults += 1;
            say(format_args!("      FAULT  disk full: {why}"));
        }
    }
    for what in [Medium::ReadOnly, Medium::Gone] {
        match medium(what, &prepared, &folder.join(format!("{what:?}"))) {
            Ok(Some(outcome)) => {
                faults += outcome.faults.len();
                print(&format!("an ext4 card, {what:?}"), &outcome);
            }
            Ok(None) => say(format_args!("passed over: a card needs the right to mount one")),
            Err(why) => {
                faults += 1;
                say(format_args!("      FAULT  {what:?}: {why}"));
            }
        }
    }
    say(format_args!("{} cases, {hit} of them with failed calls; {faults} faults", cases.len()));
    Ok(faults)
}

fn print(case: &str, outcome: &Outcome) {
    let time = |length: Option<Duration>| {
        length.map_or_else(|| "never".to_owned(), |length| format!("{:.1} s", length.as_secs_f64()))
    };
    say(format_args!(
        "{:>12} {:>5} {:>9} {:>10}  {case}",
        outcome.failed,
        if outcome.said { "yes" } else { "no" },
        time(outcome.told_after),
        time(outcome.recovered_after),
    ));
    for fault in &outcome.faults {
        say(format_args!("      FAULT  {fault}"));
    }
}
