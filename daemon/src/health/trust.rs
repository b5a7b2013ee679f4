//! Whether the wall clock can be believed, on boards that have no clock of their own.
//!
//! The kernel's own answer cannot be asked for inside a hardened service: the call belongs to those
//! that set the clock. What can be seen from files and from the time daemon is enough: the flag of
//! systemd-timesyncd, chrony's answer to a tracking request, or a battery clock that agrees.
//! A machine without any of them is believed when its date is possible: somebody set it by hand, or
//! it is a virtual machine that got it from its host.

use crate::clock::TrustProbe;
use std::net::{SocketAddr, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

/// Where the evidence is.
#[derive(Clone, Debug)]
pub struct Places {
    /// Folder of systemd-timesyncd while it runs.
    pub timesync_folder: PathBuf,
    /// Folder of chrony while it runs.
    pub chrony_folder: PathBuf,
    /// Where chrony answers questions.
    pub chrony_address: SocketAddr,
    /// Battery clocks.
    pub rtc_folder: PathBuf,
}

impl Default for Places {
    fn default() -> Self {
        Self {
            timesync_folder: "/run/systemd/timesync".into(),
            chrony_folder: "/run/chrony".into(),
            chrony_address: SocketAddr::from(([127, 0, 0, 1], 323)),
            rtc_folder: "/sys/class/rtc".into(),
        }
    }
}

/// What the machine says of its clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// A time daemon has set it.
    Synchronised,
    /// A time daemon runs and has not set it yet.
    Waiting,
    /// A battery clock has set it, no time daemon yet.
    Battery,
    /// Nothing keeps it.
    Nothing,
}

/// Longest wait for chrony.
const CHRONY_LIMIT: Duration = Duration::from_millis(200);

/// Looks for evidence.
#[must_use]
pub fn look(places: &Places) -> Evidence {
    if places.timesync_folder.join("synchronized").exists() {
        return Evidence::Synchronised;
    }
    let chrony = if places.chrony_folder.exists() { ask_chrony(places.chrony_address) } else { None };
    match chrony {
        Some(true) => Evidence::Synchronised,
        _ if has_battery_clock(&places.rtc_folder) => Evidence::Battery,
        Some(false) => Evidence::Waiting,
        None if places.timesync_folder.exists() || places.chrony_folder.exists() => Evidence::Waiting,
        None => Evidence::Nothing,
    }
}

/// A battery clock that holds a possible date.
fn has_battery_clock(folder: &Path) -> bool {
    let Ok(clocks) = std::fs::read_dir(folder) else { return false };
    let seconds = clocks.filter_map(Result::ok).filter_map(|clock| {
        std::fs::read_to_string(clock.path().join("since_epoch")).ok()?.trim().parse::<i64>().ok()
    });
    seconds.max().is_some_and(|seconds| seconds >= crate::clock::EARLIEST_BELIEVABLE_MS / 1000)
}

/// Asks chrony for its tracking state by its command protocol, version 6: leap status 3 means not
/// synchronised. `None` when it does not answer. Layout from memory of its header file, checked
/// against a running chronyd.
fn ask_chrony(address: SocketAddr) -> Option<bool> {
    const REQUEST: usize = 104;
    let socket = UdpSocket::bind(("127.0.0.1", 0)).ok()?;
    socket.connect(address).ok()?;
    socket.set_read_timeout(Some(CHRONY_LIMIT)).ok()?;
    let mut request = [0_u8; REQUEST];
    // Version 6, packet type request, command 33 (tracking), sequence number.
    (request[0], request[1], request[5]) = (6, 1, 33);
    request[8..12].copy_from_slice(b"njar");
    socket.send(&request).ok()?;
    let mut reply = [0_u8; 256];
    let length = socket.recv(&mut reply).ok()?;
    leap_status(reply.get(..length)?).map(|leap| leap != 3)
}

/// Leap status out of a tracking reply (reply type 5, status 0, our sequence number).
fn leap_status(reply: &[u8]) -> Option<u16> {
    let word = |at: usize| Some(u16::from_be_bytes([*reply.get(at)?, *reply.get(at + 1)?]));
    let ours = reply.get(16..20)? == b"njar" && reply.get(1) == Some(&2);
    (ours && word(6)? == 5 && word(8)? == 0).then_some(())?;
    // Behind the head of 28 bytes: reference (4), address (20), stratum (2), leap status (2).
    word(28 + 4 + 20 + 2)
}

/// How often the machine is asked; between two looks the last answer counts.
const LOOKS_APART_MS: u64 = 10_000;

/// Believes the clock by evidence and a possible date.
#[derive(Debug)]
pub struct MachineTrust {
    places: Places,
    last: Mutex<Option<(u64, Evidence)>>,
}

impl MachineTrust {
    /// With evidence from here.
    #[must_use]
    pub const fn new(places: Places) -> Self {
        Self { places, last: Mutex::new(None) }
    }

    fn evidence(&self, up_ms: u64) -> Evidence {
        let mut last = self.last.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        match *last {
            Some((at, evidence)) if up_ms < at + LOOKS_APART_MS => evidence,
            _ => {
                let evidence = look(&self.places);
                *last = Some((up_ms, evidence));
                evidence
            }
        }
    }
}

impl TrustProbe for MachineTrust {
    fn trusted(&self, up: crate::clock::Uptime, utc: nightjar_calc::time::Timestamp) -> bool {
        utc.ms() >= crate::clock::EARLIEST_BELIEVABLE_MS && self.evidence(up.ms()) != Evidence::Waiting
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Uptime;
    use nightjar_calc::time::Timestamp;

    fn places(folder: &Path) -> Places {
        Places {
            timesync_folder: folder.join("timesync"),
            chrony_folder: folder.join("chrony"),
            // The port of "discard": nobody answers there.
            chrony_address: SocketAddr::from(([127, 0, 0, 1], 9)),
            rtc_folder: folder.join("rtc"),
        }
    }

    #[test]
    fn a_board_without_battery_waits_for_its_time_daemon() {
        let folder = tempfile::tempdir().unwrap();
        let places = places(folder.path());
        assert_eq!(look(&places), Evidence::Nothing);
        std::fs::create_dir(&places.timesync_folder).unwrap();
        assert_eq!(look(&places), Evidence::Waiting);
        std::fs::write(places.timesync_folder.join("synchronized"), "").unwrap();
        assert_eq!(look(&places), Evidence::Synchronised);
    }

    #[test]
    fn a_battery_clock_counts_when_its_date_is_possible() {
        let folder = tempfile::tempdir().unwrap();
        let places = places(folder.path());
        std::fs::create_dir_all(places.rtc_folder.join("rtc0")).unwrap();
        std::fs::create_dir(&places.timesync_folder).unwrap();
        std::fs::write(places.rtc_folder.join("rtc0/since_epoch"), "946684800\n").unwrap();
        assert_eq!(look(&places), Evidence::Waiting, "a dead battery says the year 2000");
        std::fs::write(places.rtc_folder.join("rtc0/since_epoch"), "1776500000\n").unwrap();
        assert_eq!(look(&places), Evidence::Battery);
    }

    #[test]
    fn an_impossible_date_is_never_believed() {
        let folder = tempfile::tempdir().unwrap();
        let probe = MachineTrust::new(places(folder.path()));
        let old = Timestamp::parse("1970-01-01T00:00:10Z").unwrap();
        let new = Timestamp::parse("2026-04-18T06:00:00Z").unwrap();
        assert!(!probe.trusted(Uptime::from_ms(0), old));
        assert!(probe.trusted(Uptime::from_ms(0), new));
    }

    #[test]
    fn a_reply_that_is_not_ours_says_nothing() {
        let mut reply = [0_u8; 104];
        (reply[0], reply[1], reply[7]) = (6, 2, 5);
        reply[16..20].copy_from_slice(b"njar");
        assert_eq!(leap_status(&reply), Some(0));
        reply[55] = 3;
        assert_eq!(leap_status(&reply), Some(3));
        reply[16] = b'x';
        assert_eq!(leap_status(&reply), None);
        assert_eq!(leap_status(&reply[..40]), None);
    }
}
