//! The kill loop: SIGKILL at random moments under load. After each kill the files are looked at as
//! they lie there, before the station goes on.

use super::broker::OwnBroker;
use super::chance::Chance;
use super::feed::{Board, Feed, Written};
use super::inspect::{self, Found};
use super::keeper::{self, Keeper};
use super::receiver::Receiver;
use super::script::{Script, Scripted};
use super::station::{self, Peers, Water};
use super::{KillLimits, say};
use crate::daemon::{Daemon, try_for};
use crate::pace::{self, Stopwatch};
use crate::{http, programs};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// A serial line counts as safe when a message that was sent this much later is: the way through
/// the serial thread takes far less.
const SERIAL_LAG: Duration = Duration::from_secs(1);
/// After the last kill the script is played to its end within this.
const LAST_ALARMS: Duration = Duration::from_secs(90);
/// A restart must be followed by a reading judged within this, else nothing evaluates at all.
const EVALUATING: Duration = Duration::from_secs(60);

/// What a run came to.
#[derive(Clone, Debug, Default)]
pub struct Totals {
    /// Kills.
    pub kills: u32,
    /// Readings the station acknowledged to the broker.
    pub readings: u64,
    /// Serial readings known to lie before one of these.
    pub serial: u64,
    /// Entries answered 2xx.
    pub entries: u64,
    /// Entries sent again that had been written before the kill.
    pub repeated: u64,
    /// Alarms as scripted.
    pub alarms: u64,
    /// Alarms of these that were announced and ended.
    pub told: u64,
    /// Messages that came more than once.
    pub duplicates: u64,
    /// Longest time from start to a judged reading.
    pub slowest_start: Duration,
    /// Longest time from the water to the receiver.
    pub slowest_alarm: Duration,
    /// Everything that was not as promised.
    pub faults: Vec<String>,
}

struct Torture {
    daemon: Daemon,
    broker: Arc<OwnBroker>,
    receiver: Arc<Receiver>,
    feed: Feed,
    keeper: Keeper,
    script: Script,
    /// What has been found stored need not be looked for each time.
    unseen: BTreeSet<String>,
    serial: Vec<Written>,
    /// The serial line of this run is read from here on.
    reading_since: Stopwatch,
    checked_entries: usize,
    totals: Totals,
}

/// Runs until enough rounds or minutes have passed.
///
/// # Errors
/// When the peers cannot be set up.
pub fn run(limits: &KillLimits, folder: &Path) -> Result<Totals, String> {
    let words = |error: std::io::Error| error.to_string();
    let mut chance = Chance::new(limits.seed, 1);
    let board = Board::new().map_err(|error| format!("no pseudo-terminal: {error}"))?;
    let broker = Arc::new(OwnBroker::start(Arc::new(|| 0)).map_err(words)?);
    let receiver = Arc::new(Receiver::start().map_err(words)?);
    let page = programs::free_port();
    let data = folder.join("data");
    let peers = Peers { page, broker: broker.port, receiver: receiver.port, board: &board.path, data: &data };
    let configuration = station::configuration(folder, &peers).map_err(words)?;
    let daemon = Daemon::start(folder, &configuration, page);
    keeper::pour_in(page)?;
    let water = Arc::<Water>::default();
    let mut torture = Torture {
        daemon,
        feed: Feed::start(Arc::clone(&broker), board, Arc::clone(&water)),
        keeper: Keeper::start(page, Duration::from_millis(100), Box::new(|| 0)),
        script: Script::start(water, Arc::clone(&receiver), limits.seed),
        broker,
        receiver,
        unseen: BTreeSet::new(),
        serial: Vec::new(),
        reading_since: Stopwatch::start(),
        checked_entries: 0,
        totals: Totals::default(),
    };
    say(format_args!("round   lived   back after  readings  serial  entries  alarms  repeats  integrity"));
    let began = Stopwatch::start();
    while torture.totals.kills < limits.rounds && began.elapsed() < limits.length {
        torture.round(&mut chance, limits, &data, &folder.join("copy"));
    }
    torture.play_to_the_end(&data);
    Ok(torture.totals)
}

impl Torture {
    fn round(&mut self, chance: &mut Chance, limits: &KillLimits, data: &Path, copy: &Path) {
        let life = chance.between(limits.shortest_ms, limits.longest_ms);
        pace::pause(life);
        self.daemon.kill();
        self.totals.kills += 1;
        // What was said until now must be there now: looked at before the station goes on.
        let looked = inspect::copy(data, copy).map_err(|error| error.to_string());
        self.gather();
        let oldest = self.oldest_unseen();
        let found = looked.and_then(|()| inspect::look(copy, oldest.as_deref()));
        let integrity = match found {
            Ok(found) => {
                self.check(&found);
                found.integrity
            }
            Err(why) => {
                self.fault(why);
                "not read".to_owned()
            }
        };
        let back = self.start_again();
        say(format_args!(
            "{:>5} {:>5.1} s {:>10} {:>9} {:>7} {:>8} {:>7} {:>8}  {integrity}",
            self.totals.kills,
            life.as_secs_f64(),
            back.map_or_else(|| "not".to_owned(), |back| format!("{} ms", back.as_millis())),
            self.totals.readings,
            self.totals.serial,
            self.totals.entries,
            self.script.scripted().iter().filter(|alarm| alarm.event.is_some()).count(),
            self.receiver.repeats(),
        ));
    }

    /// Takes over what the peers were told is safe.
    fn gather(&mut self) {
        let safe = self.broker.take_safe();
        self.totals.readings += safe.len() as u64;
        // The youngest message known safe says how far the serial lines are.
        let youngest = safe.iter().map(|safe| safe.sent.elapsed()).min();
        self.unseen.extend(safe.into_iter().map(|safe| safe.key));
        let since = self.reading_since.elapsed();
        self.serial.extend(self.feed.take_written());
        let Some(youngest) = youngest else { return };
        for line in std::mem::take(&mut self.serial) {
            let age = line.at.elapsed();
            if age > since {
                // Nobody read the line then.
            } else if age >= youngest + SERIAL_LAG {
                self.totals.serial += line.keys.len() as u64;
                self.unseen.extend(line.keys);
            } else {
                self.serial.push(line);
            }
        }
    }

    fn oldest_unseen(&self) -> Option<String> {
        let time = |key: &String| key.split_once(',').map(|(_, time)| time.to_owned());
        // Lexical order is that of time but for whole seconds, which carry no fraction.
        let oldest = self.unseen.iter().filter_map(time).min()?;
        Some(format!("{}Z", oldest.split(['.', 'Z']).next().unwrap_or_default()))
    }

    fn check(&mut self, found: &Found) {
        if found.integrity != "ok" {
            self.fault(format!("integrity: {}", found.integrity));
        }
        let missing: Vec<String> = self.unseen.difference(&found.readings).take(3).cloned().collect();
        if !missing.is_empty() {
            let number = self.unseen.difference(&found.readings).count();
            self.fault(format!("{number} acknowledged readings are not stored, as {}", missing.join(" ")));
        }
        self.unseen.clear();
        let mut faults = Vec::new();
        {
            let written = self.keeper.written();
            self.totals.entries = written.safe.len() as u64;
            self.totals.repeated = written.repeats;
            for (id, _) in written.safe.iter().skip(self.checked_entries) {
                if !found.entries.contains_key(id) {
                    faults.push(format!("entry {id} was answered and is not stored"));
                }
            }
            self.checked_entries = written.safe.len();
            for (id, body) in &found.entries {
                let stored: Value = serde_json::from_str(body).unwrap_or_default();
                let sent = written.sent.get(id).map(|entry| &entry["act"]);
                if sent != Some(&stored["act"]) {
                    faults.push(format!("entry {id} is stored as {body}"));
                }
            }
            faults.extend(written.refused.iter().map(|words| format!("entry refused: {words}")));
        }
        faults.into_iter().for_each(|fault| self.fault(fault));
    }

    /// Starts the station; gives the time to the first reading it has judged.
    fn start_again(&mut self) -> Option<Duration> {
        let (watch, at) = (Stopwatch::start(), pace::wall());
        self.daemon.run();
        let page = self.daemon.port;
        let back = try_for(EVALUATING, || {
            pace::pause(Duration::from_millis(60));
            judged_since(page, at).then(|| watch.elapsed())
        });
        // Lines from before do not count: a port that is opened anew forgets what lay in it.
        self.reading_since = Stopwatch::start();
        self.serial.clear();
        match back {
            Some(back) => self.totals.slowest_start = self.totals.slowest_start.max(back),
            None => self.fault(format!("nothing evaluated within {} s", EVALUATING.as_secs())),
        }
        back
    }

    /// Without further kills every scripted alarm must come to its end.
    fn play_to_the_end(&mut self, data: &Path) {
        self.script.begin_no_more();
        let played = || self.script.scripted().iter().all(|alarm| alarm.over).then_some(());
        // What is not over by then is told below.
        let _in_time: Option<()> = try_for(LAST_ALARMS, played);
        self.keeper.stop();
        let _in_time: Option<()> =
            try_for(Duration::from_secs(30), || (self.broker.backlog() < 50).then_some(()));
        if self.daemon.stop() != Some(0) {
            self.fault(format!("the station did not end well:\n{}", self.daemon.log_tail()));
        }
        self.gather();
        match inspect::look(data, None) {
            Ok(found) => {
                self.checked_entries = 0;
                self.check(&found);
            }
            Err(why) => self.fault(why),
        }
        let log = self.daemon.log();
        if let Some(line) = log.lines().find(|line| line.contains("panicked")) {
            self.fault(format!("a panic: {line}"));
        }
        self.judge_alarms();
    }

    fn judge_alarms(&mut self) {
        let scripted = self.script.scripted();
        self.totals.alarms = scripted.len() as u64;
        self.totals.told = scripted.iter().filter(|alarm| alarm.over).count() as u64;
        self.totals.slowest_alarm =
            scripted.iter().filter_map(|alarm| alarm.told_after).max().unwrap_or_default();
        let untold: Vec<&Scripted> = scripted.iter().filter(|alarm| !alarm.over).collect();
        for alarm in untold {
            let fate = if alarm.event.is_some() { "its end was not told" } else { "was not announced" };
            self.fault(format!("alarm {} at {}: {fate}", alarm.fault.alarm(), alarm.asset));
        }
        // A message under another number is a duplicate, too, when it tells the same alarm again.
        let mut again = 0;
        let calls = self.receiver.calls();
        for (number, alarm) in scripted.iter().enumerate() {
            let later = scripted.iter().skip(number + 1).find(|other| other.asset == alarm.asset);
            let until = later.map_or(calls.len(), |later| later.calls_before);
            let events: BTreeSet<&str> = calls[alarm.calls_before..until]
                .iter()
                .filter(|call| call.kind == "alarm.active" && call.asset == alarm.asset)
                .filter(|call| call.alarm == alarm.fault.alarm())
                .map(|call| call.id.as_str())
                .collect();
            again += events.len().saturating_sub(1) as u64;
        }
        self.totals.duplicates = self.receiver.repeats() as u64 + again;
        if self.totals.duplicates > u64::from(self.totals.kills) {
            self.fault(format!("{} duplicates for {} kills", self.totals.duplicates, self.totals.kills));
        }
    }

    fn fault(&mut self, words: String) {
        say(format_args!("      FAULT  {words}"));
        self.totals.faults.push(words);
    }
}

/// Whether the station shows a reading of the board that was taken after a moment.
fn judged_since(page: u16, moment: nightjar_calc::time::Timestamp) -> bool {
    let Ok((200, body)) = http::get(page, "/api/v1/sensors") else { return false };
    let Ok(answer) = serde_json::from_str::<Value>(&body) else { return false };
    answer["sensors"].as_array().is_some_and(|sensors| {
        sensors.iter().filter(|sensor| sensor["measure"] == "flow").any(|sensor| {
            let at =
                sensor["latest"]["at"].as_str().and_then(|at| nightjar_calc::time::Timestamp::parse(at).ok());
            at.is_some_and(|at| at >= moment)
        })
    })
}

impl std::fmt::Display for Totals {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} kills: {} readings acknowledged and {} serial ones before them, {} entries answered \
             ({} sent again after they were written), {} of {} alarms told and ended, {} duplicates, \
             slowest start {} ms, slowest alarm {:.1} s; {} faults",
            self.kills,
            self.readings,
            self.serial,
            self.entries,
            self.repeated,
            self.told,
            self.alarms,
            self.duplicates,
            self.slowest_start.as_millis(),
            self.slowest_alarm.as_secs_f64(),
            self.faults.len(),
        )
    }
}
