//! Debian's mosquitto, with the shipped settings for its window and a memory on disk.

use crate::programs::free_port;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A broker that can be stopped and started again.
#[derive(Debug)]
pub struct Broker {
    /// Where it listens.
    pub port: u16,
    configuration: PathBuf,
    child: Option<Child>,
}

impl Broker {
    /// Starts one in a folder of its own, with the shipped settings.
    ///
    /// # Panics
    /// When it cannot be started.
    #[must_use]
    pub fn start(folder: &Path) -> Self {
        Self::saving(folder, "autosave_interval 300")
    }

    /// Starts one that writes down at once what it holds, so that it can be killed at any moment. It
    /// takes a tenth of the messages that another does.
    ///
    /// # Panics
    /// When it cannot be started.
    #[must_use]
    pub fn start_careful(folder: &Path) -> Self {
        Self::saving(folder, "autosave_on_changes true\nautosave_interval 1")
    }

    fn saving(folder: &Path, autosave: &str) -> Self {
        let port = free_port();
        let configuration = folder.join("mosquitto.conf");
        let shipped = include_str!("../../deploy/mosquitto.conf");
        let window: Vec<&str> = shipped.lines().filter(|line| line.starts_with("max_")).collect();
        assert_eq!(window.len(), 2, "the shipped snippet sets window and queue");
        assert!(shipped.contains("autosave_interval 300"), "the shipped snippet saves every five minutes");
        let text = format!(
            // Started as root it would become a user who may not write into the folder of the test.
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\n\
             {autosave}\n{}\n",
            folder.display(),
            window.join("\n"),
        );
        std::fs::write(&configuration, text).expect("a folder that can be written to");
        let mut broker = Self { port, configuration, child: None };
        broker.run();
        broker
    }

    fn run(&mut self) {
        let program = ["/usr/sbin/mosquitto", "mosquitto"];
        let child = program.iter().find_map(|program| {
            Command::new(program)
                .arg("-c")
                .arg(&self.configuration)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .ok()
        });
        self.child = Some(child.expect("mosquitto can be started"));
        crate::daemon::wait_for("the broker to listen", Duration::from_secs(10), || {
            std::net::TcpStream::connect(("127.0.0.1", self.port)).ok()
        });
    }

    /// Stops it as a service manager does, and starts it anew.
    ///
    /// # Panics
    /// When it does not come back.
    pub fn restart(&mut self) {
        self.stop();
        self.run();
    }

    /// Its process.
    #[must_use]
    pub fn id(&self) -> Option<u32> {
        self.child.as_ref().map(Child::id)
    }

    fn stop(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        let asked = Command::new("kill").arg(child.id().to_string()).status();
        if !asked.is_ok_and(|status| status.success()) {
            drop(child.kill());
        }
        drop(child.wait());
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.stop();
    }
}
