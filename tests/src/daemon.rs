//! A daemon at work, to be watched, stopped and killed.

use crate::{http, programs};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// What the unit puts into the environment of an installed one.
fn as_installed() -> impl Iterator<Item = (&'static str, &'static str)> {
    let unit = include_str!("../../deploy/nightjar.service");
    unit.lines().filter_map(|line| line.strip_prefix("Environment=")?.split_once('='))
}

/// A daemon.
#[derive(Debug)]
pub struct Daemon {
    /// Where its page is.
    pub port: u16,
    configuration: PathBuf,
    log: PathBuf,
    environment: Vec<(&'static str, OsString)>,
    child: Option<Child>,
}

impl Daemon {
    /// Starts one with a configuration whose `web.listen` is on this port, and waits until its page
    /// answers.
    ///
    /// # Panics
    /// When it does not start.
    #[must_use]
    pub fn start(folder: &Path, configuration: &str, port: u16) -> Self {
        Self::start_with(folder, configuration, port, Vec::new())
    }

    /// The same with further variables in its environment.
    ///
    /// # Panics
    /// When it does not start.
    #[must_use]
    pub fn start_with(
        folder: &Path,
        configuration: &str,
        port: u16,
        environment: Vec<(&'static str, OsString)>,
    ) -> Self {
        let path = folder.join("nightjar.toml");
        std::fs::write(&path, configuration).expect("a folder that can be written to");
        let log = folder.join("nightjar.log");
        let mut daemon = Self { port, configuration: path, log, environment, child: None };
        daemon.run();
        daemon
    }

    /// Starts it again after [`Self::kill`] or [`Self::stop`].
    ///
    /// # Panics
    /// When it does not start.
    pub fn run(&mut self) {
        let log = std::fs::File::options().create(true).append(true).open(&self.log).expect("a log");
        let child = programs::nightjar()
            .arg("run")
            .arg("--config")
            .arg(&self.configuration)
            .envs(as_installed())
            .envs(self.environment.iter().map(|(name, value)| (name, value)))
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the daemon can be started");
        self.child = Some(child);
        let port = self.port;
        let health = || http::get(port, "/health").ok();
        if try_for(Duration::from_secs(30), health).is_none() {
            panic!("the daemon does not answer; its log ends with:\n{}", self.log_tail());
        }
    }

    /// SIGKILL.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }

    /// SIGTERM; gives the exit code.
    ///
    /// # Panics
    /// When it does not end within 20 s.
    pub fn stop(&mut self) -> Option<i32> {
        let mut child = self.child.take()?;
        let asked = Command::new("kill").arg(child.id().to_string()).status();
        assert!(asked.is_ok_and(|status| status.success()), "kill works");
        wait_for("the daemon to end", Duration::from_secs(20), || child.try_wait().ok().flatten()).code()
    }

    /// Its process.
    #[must_use]
    pub fn id(&self) -> Option<u32> {
        self.child.as_ref().map(Child::id)
    }

    /// True while it runs.
    pub fn is_alive(&mut self) -> bool {
        self.child.as_mut().is_some_and(|child| matches!(child.try_wait(), Ok(None)))
    }

    /// All of its log.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// The end of its log.
    #[must_use]
    pub fn log_tail(&self) -> String {
        let text = std::fs::read_to_string(&self.log).unwrap_or_default();
        let lines: Vec<&str> = text.lines().collect();
        lines[lines.len().saturating_sub(30)..].join("\n")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Looks again and again until there is something, within a limit of real time.
#[expect(clippy::disallowed_methods, reason = "real peers take real time; the limit is on the wall")]
pub fn try_for<T>(limit: Duration, mut look: impl FnMut() -> Option<T>) -> Option<T> {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return Some(found);
        }
        if began.elapsed() > limit {
            return None;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// As [`try_for`], and it must be there in time.
///
/// # Panics
/// When it is not.
pub fn wait_for<T>(what: &str, limit: Duration, look: impl FnMut() -> Option<T>) -> T {
    try_for(limit, look).unwrap_or_else(|| panic!("waited {} s for {what}", limit.as_secs()))
}
