//! Stations of any size with a broker of their own, and the traffic of their sensors.

use super::process;
use super::publish::{Publisher, message};
use super::stopwatch;
use crate::broker::Broker;
use crate::daemon::Daemon;
use crate::programs::{free_port, stored_season};
use anyhow::{Context, Result, bail, ensure};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// What a station looks like.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Headers.
    pub headers: usize,
    /// Jars on each.
    pub jars_of_each: usize,
    /// Milliseconds between two readings of a sensor.
    pub interval_ms: u64,
    /// As in the configuration.
    pub commit_every: &'static str,
    /// Messages carry their time.
    pub stamped: bool,
    /// More configuration.
    pub more: &'static str,
    /// Port of a receiver of web calls.
    pub receiver: Option<u16>,
}

impl Plan {
    /// Twenty-four jars as they ship, a reading a second: 54 sensors.
    pub const RACK: Self = Self {
        headers: 3,
        jars_of_each: 8,
        interval_ms: 1_000,
        commit_every: "10s",
        stamped: false,
        more: "",
        receiver: None,
    };

    /// Names of the jars.
    #[must_use]
    pub fn jars(&self) -> Vec<String> {
        (1..=self.headers * self.jars_of_each).map(|jar| format!("{jar:04}")).collect()
    }

    /// Names of the sensors, thermometers and meters in turn.
    #[must_use]
    pub fn sensors(&self) -> Vec<String> {
        let headers = (1..=self.headers).map(|header| format!("H{header:02}"));
        let jars = self.jars().into_iter().map(|jar| format!("J{jar}"));
        headers.chain(jars).flat_map(|place| [format!("{place}T"), format!("{place}F")]).collect()
    }

    /// Writes the configuration of such a station into a folder.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write(&self, folder: &Path, page: u16, broker: u16) -> Result<PathBuf> {
        if self.receiver.is_some() {
            let secret = folder.join("webhook-secret");
            // Thirty-two bytes of nothing in particular.
            std::fs::write(&secret, "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSwMfKQ9r8GKYo=\n")?;
            std::fs::set_permissions(&secret, std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
        }
        let file = folder.join("station.toml");
        std::fs::write(&file, self.configuration(folder, page, broker)).context("the configuration")?;
        Ok(file)
    }

    fn configuration(&self, folder: &Path, page: u16, broker: u16) -> String {
        let mut text = String::from(
            "[station]\nname = \"Alder Brook bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\n\
             water-type = \"lake-fed\"\n[rack]\nheader-temperature = \"H{header}T\"\n\
             header-flow = \"H{header}F\"\n",
        );
        for (at, jars) in self.jars().chunks(self.jars_of_each).enumerate() {
            let rows: Vec<String> = jars.chunks(20).map(|row| format!("{row:?}")).collect();
            text += &format!("[[rack.header]]\nid = \"{:02}\"\nrows = [{}]\n", at + 1, rows.join(", "));
        }
        if let Some(port) = self.receiver {
            text += &format!(
                "[[notify.webhook]]\nid = \"desk\"\nurl = \"http://127.0.0.1:{port}/alarms\"\n\
                 secret-file = {:?}\nallow-local-http = true\n",
                folder.join("webhook-secret")
            );
        }
        let pointers = if self.stamped { "pointer = \"/value\"\ntime-pointer = \"/at\"\n" } else { "" };
        text + &format!(
            "[[source.mqtt]]\nid = \"broker\"\nhost = \"127.0.0.1\"\nport = {broker}\nclient-id = \"nightjar\"\n\
             in-flight = 500\ninterval = \"{interval}ms\"\n[[source.mqtt.topic]]\nfilter = \"sensors/{{sensor}}\"\n\
             {pointers}[[people]]\nid = \"kim\"\nemail = \"kim@station.example\"\n[[people]]\nid = \"lee\"\n\
             email = \"lee@station.example\"\n[rota]\nweeks = [[\"kim\", \"lee\"]]\n{more}\n\
             [notify]\nmail-folder = {mail:?}\n[web]\nlisten = \"0.0.0.0:{page}\"\nreading = \"open\"\n\
             [store]\nfolder = {data:?}\ncommit-every = \"{commit}\"\n",
            interval = self.interval_ms,
            more = self.more,
            mail = folder.join("mail"),
            data = folder.join("data"),
            commit = self.commit_every,
        )
    }
}

/// A broker and a daemon at work.
#[derive(Debug)]
pub struct Station {
    /// The daemon.
    pub daemon: Daemon,
    /// Its broker.
    pub broker: Broker,
    /// What it looks like.
    pub plan: Plan,
    /// Readings stored before it began.
    pub stored: u64,
    folder: tempfile::TempDir,
}

impl Station {
    /// Starts one, with eggs in every jar and so many days of readings in its database.
    ///
    /// # Errors
    /// When it cannot be set up, or the broker on its port is not the one that was started.
    pub fn start(plan: &Plan, days: u32) -> Result<Self> {
        let folder = tempfile::tempdir().context("a folder for the station")?;
        let broker = Broker::start(folder.path());
        let id = broker.id().context("the broker has ended")?;
        ensure!(process::listens(id, broker.port), "port {} is served by another broker", broker.port);
        let page = free_port();
        let configuration = plan.configuration(folder.path(), page, broker.port);
        let file = plan.write(folder.path(), page, broker.port)?;
        let filled = stored_season().arg("fill").arg(&file).arg(days.to_string()).output()?;
        if !filled.status.success() {
            bail!("no season was stored: {}", String::from_utf8_lossy(&filled.stderr));
        }
        let stored =
            String::from_utf8_lossy(&filled.stdout).trim().parse().context("a number of readings")?;
        let daemon = Daemon::start(folder.path(), &configuration, page);
        Ok(Self { daemon, broker, plan: plan.clone(), stored, folder })
    }

    /// Its database.
    #[must_use]
    pub fn database(&self) -> PathBuf {
        self.folder.path().join("data/nightjar.sqlite")
    }

    /// Its folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// The daemon's process.
    ///
    /// # Errors
    /// When it has ended.
    pub fn process(&self) -> Result<u32> {
        self.daemon.id().context("the daemon has ended")
    }

    /// A connection that only reads the database, as another program would.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn look(&self) -> Result<rusqlite::Connection> {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Ok(rusqlite::Connection::open_with_flags(self.database(), flags)?)
    }
}

/// What a sensor says in the n-th scan: never quite the same twice, as real ones.
#[must_use]
pub fn value(sensor: &str, at: usize, scan: u64) -> String {
    let turn = |length: u64| (scan * 7 + at as u64 * 3) % length;
    if sensor.ends_with('T') { format!("9.{:02}", turn(5)) } else { format!("3.{:02}", turn(7)) }
}

/// All sensors of a station sending in turn, spread over their interval, until dropped.
#[derive(Debug)]
pub struct Traffic {
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
    thread: Option<std::thread::JoinHandle<Result<()>>>,
}

impl Traffic {
    /// Begins.
    ///
    /// # Errors
    /// When the broker refuses.
    pub fn start(station: &Station, client_id: &str) -> Result<Self> {
        let mut publisher = Publisher::connect(station.broker.port, client_id)?;
        let (stop, sent) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let sensors = station.plan.sensors();
        let interval = Duration::from_millis(station.plan.interval_ms);
        let (stopped, counted) = (Arc::clone(&stop), Arc::clone(&sent));
        let thread = std::thread::spawn(move || {
            let slices = 20;
            let topics: Vec<String> = sensors.iter().map(|sensor| format!("sensors/{sensor}")).collect();
            let mut turn = stopwatch::now();
            for scan in 0.. {
                for slice in 0..slices {
                    if stopped.load(Ordering::Relaxed) {
                        return Ok(());
                    }
                    let mine = |at: &usize| at * slices / sensors.len() == slice;
                    let values: Vec<(&str, String)> = (0..sensors.len())
                        .filter(mine)
                        .map(|at| (topics[at].as_str(), value(&sensors[at], at, scan)))
                        .collect();
                    publisher.send_surely(values.iter().map(|(topic, value)| (*topic, value.as_str())))?;
                    counted.fetch_add(values.len() as u64, Ordering::Relaxed);
                    turn += interval / u32::try_from(slices).unwrap_or(1);
                    stopwatch::pause_until(turn);
                }
            }
            Ok(())
        });
        Ok(Self { stop, sent, thread: Some(thread) })
    }

    /// Messages sent so far.
    #[must_use]
    pub fn sent(&self) -> u64 {
        self.sent.load(Ordering::Relaxed)
    }

    /// Ends it.
    ///
    /// # Errors
    /// When the broker hung up meanwhile.
    pub fn stop(mut self) -> Result<u64> {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.join().map_err(|_| anyhow::anyhow!("the sender of readings panicked"))??;
        }
        Ok(self.sent())
    }
}

impl Drop for Traffic {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// One message without an acknowledgment, ready to be sent.
#[must_use]
pub fn plain(sensor: &str, value: &str) -> Vec<u8> {
    message(&format!("sensors/{sensor}"), value, None)
}
