//! The station under torture: three headers of eight jars, temperatures from a broker, flows from a
//! serial board, entries by name and PIN, alarms to a receiver of web calls.

use crate::programs;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use std::sync::{Mutex, PoisonError};

/// Jars under each header.
pub const JARS: usize = 8;
/// The PIN entries are sent with.
pub const PIN: &str = "271828";

/// What goes wrong with the water of a header's jars, one header each, so that one alarm never
/// explains another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// Header A: too warm.
    Warm,
    /// Header B: too cold.
    Cold,
    /// Header C: no flow.
    Dry,
}

impl Fault {
    /// All.
    pub const ALL: [Self; 3] = [Self::Warm, Self::Cold, Self::Dry];

    /// Name of the alarm.
    #[must_use]
    pub const fn alarm(self) -> &'static str {
        match self {
            Self::Warm => "temp_very_high",
            Self::Cold => "temp_very_low",
            Self::Dry => "no_flow",
        }
    }

    /// Number of a jar under its header, from 0.
    #[must_use]
    pub const fn jar(self, place: usize) -> usize {
        let header = match self {
            Self::Warm => 0,
            Self::Cold => 1,
            Self::Dry => 2,
        };
        header * JARS + place + 1
    }
}

/// What is wrong with the water at present.
#[derive(Debug, Default)]
pub struct Water(Mutex<BTreeSet<(Fault, usize)>>);

impl Water {
    /// Begins or ends a fault at a jar.
    pub fn set(&self, fault: Fault, jar: usize, wrong: bool) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if wrong {
            all.insert((fault, jar));
        } else {
            all.remove(&(fault, jar));
        }
    }

    fn is(&self, fault: Fault, jar: usize) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).contains(&(fault, jar))
    }

    /// °C of a jar.
    #[must_use]
    pub fn celsius(&self, jar: usize) -> f64 {
        if self.is(Fault::Warm, jar) {
            25.0
        } else if self.is(Fault::Cold, jar) {
            0.5
        } else {
            11.0
        }
    }

    /// L/min of a jar.
    #[must_use]
    pub fn litres_per_minute(&self, jar: usize) -> f64 {
        if self.is(Fault::Dry, jar) { 0.0 } else { 6.0 }
    }
}

/// Where the station's peers are.
#[derive(Clone, Debug)]
pub struct Peers<'a> {
    /// Port of the page.
    pub page: u16,
    /// Port of the broker.
    pub broker: u16,
    /// Port of the receiver.
    pub receiver: u16,
    /// Serial port.
    pub board: &'a str,
    /// Folder of the database.
    pub data: &'a Path,
}

/// The configuration; writes the secret it names.
///
/// # Errors
/// When the folder cannot be written to.
///
/// # Panics
/// When the program does not hash a PIN.
pub fn configuration(folder: &Path, peers: &Peers<'_>) -> std::io::Result<String> {
    let secret = folder.join("webhook-secret");
    // Thirty-two bytes of nothing in particular.
    std::fs::write(&secret, "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSwMfKQ9r8GKYo=\n")?;
    std::fs::set_permissions(&secret, std::os::unix::fs::PermissionsExt::from_mode(0o600))?;
    let mut text = format!(
        "[station]\nname = \"Torture station\"\ntime-zone = \"America/Chicago\"\n\
         [store]\nfolder = {data:?}\ncommit-every = \"1s\"\n\
         [web]\nlisten = \"127.0.0.1:{page}\"\nreading = \"open\"\n\
         [notify]\ndaily-at = \"never\"\nmail-folder = {mail:?}\n\
         [[notify.webhook]]\nid = \"desk\"\nurl = \"http://127.0.0.1:{receiver}/alarms\"\n\
         secret-file = {secret:?}\nallow-local-http = true\n\
         [[people]]\nid = \"kim\"\nname = \"Kim\"\nemail = \"kim@station.example\"\nrole = \"operator\"\n\
         pin-hash = \"{pin}\"\n\
         [rota]\nweeks = [[\"kim\"]]\n",
        data = peers.data,
        page = peers.page,
        mail = folder.join("mail"),
        receiver = peers.receiver,
        pin = pin_hash(),
    );
    // Alarms as soon as they are sure, and over as soon as they are over: what is left is the wait
    // of the group.
    text += "[alarm]\nrate-limit-c-per-h = 20\n";
    for kind in ["temperature-outer", "temperature-inner", "no-flow", "low-flow"] {
        text += &format!("[alarm.delay.{kind}]\non = \"0s\"\noff = \"0s\"\n");
    }
    text += "[rack]\n";
    for (header, name) in ["A", "B", "C"].into_iter().enumerate() {
        let jars: Vec<String> = (1..=JARS).map(|place| format!("\"{:02}\"", header * JARS + place)).collect();
        text += &format!("[[rack.header]]\nid = \"{name}\"\nrows = [[{}]]\n", jars.join(", "));
    }
    text += &format!(
        "[[source.serial]]\nid = \"board\"\nport = {:?}\nformat = \"json\"\ninterval = \"1s\"\n\
         [[source.mqtt]]\nid = \"broker\"\nhost = \"127.0.0.1\"\nport = {}\nclient-id = \"torture\"\n\
         in-flight = {}\ninterval = \"1s\"\n\
         [[source.mqtt.topic]]\nfilter = \"sensors/{{sensor}}\"\npointer = \"/value\"\n\
         time-pointer = \"/at\"\n",
        peers.board,
        peers.broker,
        super::broker::WINDOW,
    );
    for jar in 1..=3 * JARS {
        for (letter, source) in [('T', "broker"), ('F', "board")] {
            text += &format!("[[sensor]]\nid = \"J{jar:02}{letter}\"\nsource = \"{source}\"\n");
        }
    }
    Ok(text)
}

/// By the program's own command, as a station would.
fn pin_hash() -> String {
    let mut child = programs::nightjar()
        .args(["hash-secret", "--pin"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program can be started");
    let mut typed = child.stdin.take().expect("a pipe was asked for");
    typed.write_all(format!("{PIN}\n").as_bytes()).expect("the program reads what is typed");
    drop(typed);
    let output = child.wait_with_output().expect("the program ends");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let hash = text.lines().map(str::trim).find_map(|line| {
        let from = line.find("$argon2")?;
        Some(line[from..].trim_matches(['"', ' ']).to_owned())
    });
    hash.unwrap_or_else(|| panic!("the program gave no hash: {text}"))
}
