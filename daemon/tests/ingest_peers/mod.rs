//! What the tests of the sources share: a core that can be waited for, and free ports.

use nightjar::clock::{Clock, ManualClock, NotBeforeBuild, SystemClock};
use nightjar::ingest::{Feed, SourceCounters};
use nightjar::reading::{FromSource, RawReading, Receipt, SourceIx};
use nightjar_calc::time::Timestamp;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::timeout;

/// Longest wait for anything a peer should do.
pub const LIMIT: Duration = Duration::from_secs(30);

/// The receiving end of a source.
pub struct Core {
    pub inbox: mpsc::Receiver<FromSource>,
    pub counters: Arc<SourceCounters>,
    #[allow(dead_code, reason = "not every test moves it")]
    pub clock: Arc<ManualClock>,
}

/// A core with an inbox of this size, and the feed into it for sensors of these names.
pub fn core(capacity: usize, sensors: &[&str]) -> (Core, Feed) {
    let (to_core, inbox) = mpsc::channel(capacity);
    let counters = Arc::new(SourceCounters::default());
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-18T14:00:00Z").unwrap()));
    let feed = Feed {
        source: SourceIx(0),
        clock: clock.clone(),
        to_core,
        counters: counters.clone(),
        sensors: Arc::new(sensors.iter().map(|s| (*s).to_owned()).collect()),
    };
    (Core { inbox, counters, clock }, feed)
}

impl Core {
    /// The next message, waited for.
    pub async fn next(&mut self) -> FromSource {
        timeout(LIMIT, self.inbox.recv()).await.expect("no message in time").expect("the source has ended")
    }

    /// The next coming or going, readings before it passed over.
    #[allow(dead_code, reason = "not every test has links")]
    pub async fn link(&mut self) -> (bool, String) {
        loop {
            if let FromSource::Link { up, detail, .. } = self.next().await {
                return (up, detail);
            }
        }
    }

    /// The next readings. Being connected may be said before or after the first of them; a loss
    /// before them fails the test.
    #[allow(dead_code, reason = "not every test has readings")]
    pub async fn readings(&mut self) -> (Vec<RawReading>, Option<Receipt>) {
        loop {
            match self.next().await {
                FromSource::Readings { readings, receipt, .. } => return (readings, receipt),
                FromSource::Link { up, detail, .. } => assert!(up, "expected readings, found: {detail}"),
            }
        }
    }

    /// Waits until a condition on the counters holds.
    #[allow(dead_code, reason = "not every test counts")]
    pub async fn until(&self, what: &str, holds: impl Fn(&SourceCounters) -> bool) {
        let wait = async {
            while !holds(&self.counters) {
                tokio::task::yield_now().await;
            }
        };
        timeout(LIMIT, wait).await.unwrap_or_else(|_| panic!("never {what}: {:?}", self.counters));
    }
}

/// Real time since some moment, in milliseconds.
#[allow(dead_code, reason = "not every test measures")]
pub fn stopwatch() -> impl Fn() -> u64 {
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    move || clock.now().up.ms()
}

/// A TCP port nobody listens on.
#[allow(dead_code, reason = "not every test has a server")]
pub fn free_port() -> u16 {
    std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap().port()
}

/// Resident memory of this process in KiB.
#[allow(dead_code, reason = "not every test measures")]
pub fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
