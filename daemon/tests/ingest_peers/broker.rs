//! Debian's mosquitto in a folder of its own, to be stopped and started again.
#![allow(dead_code, reason = "not every test uses all of it")]

use super::LIMIT;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use tokio::net::TcpStream;

/// A broker of our own.
pub struct Broker {
    pub folder: tempfile::TempDir,
    pub port: u16,
    child: Child,
    /// How far its clock is off, as libfaketime takes it.
    off: Option<&'static str>,
}

/// Where Debian puts it, which is not on everybody's path.
pub fn mosquitto() -> Option<PathBuf> {
    let found = ["/usr/sbin/mosquitto", "/usr/bin/mosquitto", "/usr/local/sbin/mosquitto"]
        .into_iter()
        .map(PathBuf::from)
        .find(|path| path.exists());
    if found.is_none() {
        println!("skipped: mosquitto is not installed (apt install mosquitto mosquitto-clients)");
    }
    found
}

/// The library that gives a program another time, where Debian puts it.
fn faketime() -> Option<PathBuf> {
    let places = std::fs::read_dir("/usr/lib").ok()?.flatten();
    let found =
        places.map(|place| place.path().join("faketime/libfaketime.so.1")).find(|library| library.is_file());
    if found.is_none() {
        println!("skipped: libfaketime is not installed (apt install libfaketime)");
    }
    found
}

impl Broker {
    pub async fn start(more: &str) -> Option<Self> {
        Self::start_at(more, None).await
    }

    /// One whose clock is wrong by so much, as libfaketime takes it.
    pub async fn start_at(more: &str, off: Option<&'static str>) -> Option<Self> {
        mosquitto()?;
        if off.is_some() {
            faketime()?;
        }
        let folder = tempfile::tempdir().unwrap();
        let port = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap().port();
        let access = if more.contains("allow_anonymous") { "" } else { "allow_anonymous true\n" };
        let configuration = format!(
            "listener {port} 127.0.0.1\n{access}persistence true\npersistence_location {}/\n\
             max_queued_messages 100000\n{more}\n",
            folder.path().display()
        );
        std::fs::write(folder.path().join("mosquitto.conf"), configuration).unwrap();
        let child = Self::launch(folder.path(), off);
        let broker = Self { folder, port, child, off };
        broker.until_it_listens().await;
        Some(broker)
    }

    fn launch(folder: &Path, off: Option<&str>) -> Child {
        // It gives its rights away when started by root; the folder is for whoever it becomes.
        let mut open_to_all = std::fs::metadata(folder).unwrap().permissions();
        std::os::unix::fs::PermissionsExt::set_mode(&mut open_to_all, 0o777);
        std::fs::set_permissions(folder, open_to_all).unwrap();
        let mut command = Command::new(mosquitto().unwrap());
        if let Some(off) = off {
            // The wall clock only, as on a machine whose battery is flat.
            command.env("LD_PRELOAD", faketime().unwrap());
            command.envs([("FAKETIME", off), ("DONT_FAKE_MONOTONIC", "1")]);
        }
        command
            .arg("-c")
            .arg(folder.join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    async fn until_it_listens(&self) {
        let connect = async { while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {} };
        tokio::time::timeout(LIMIT, connect).await.expect("the broker does not listen");
    }

    /// Ends it in an orderly way, so that it writes its sessions to disk.
    pub fn stop(&mut self) {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
        self.child.wait().unwrap();
    }

    pub async fn start_again(&mut self) {
        self.child = Self::launch(self.folder.path(), self.off);
        self.until_it_listens().await;
    }

    pub fn publish(&self, topic: &str, payload: &[u8], more: &[&str]) {
        let from = if payload.is_empty() { "-n" } else { "-s" };
        let mut child = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-t", topic, from])
            .args(more)
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(payload).unwrap();
        assert!(child.wait().unwrap().success(), "{topic}");
    }

    /// Each line of the text is a message of its own, sent over one connection.
    pub fn publish_lines(&self, topic: &str, lines: &str) {
        let mut child = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1", "-t", topic, "-l"])
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
        assert!(child.wait().unwrap().success(), "{topic}");
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _gone_already = self.child.kill();
        let _gone_already = self.child.wait();
    }
}
