//! What strangers do to the page does not reach the eggs: clients that send a byte at a time hold every
//! place the page has, and an alarm goes on with the same scan as without them.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod station_bench;

use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar_calc::time::Span;
use station_bench::{Bench, LIMIT, bench};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;
use tokio::io::AsyncWriteExt;
use tokio::net::TcpSocket;
use tokio::sync::watch;

/// As many as the page takes at a time, from eight addresses with eight each.
const CLIENTS: u32 = 64;
/// Most scans until a jar without water is told.
const PATIENCE: usize = 60;

/// A request whose head never ends, begun again whenever it is cut off.
async fn slow(port: u16, n: u32, stop: Arc<AtomicBool>, begun: Arc<AtomicU32>, held: watch::Sender<u32>) {
    let from = SocketAddr::from(([127, 0, 0, u8::try_from(2 + n / 8).unwrap()], 0));
    while !stop.load(Ordering::Relaxed) {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind(from).unwrap();
        let Ok(mut stream) = socket.connect(SocketAddr::from(([127, 0, 0, 1], port))).await else { continue };
        begun.fetch_add(1, Ordering::Relaxed);
        held.send_modify(|there| *there += 1);
        let mut open = stream.write_all(b"GET / HTTP/1.1\r\nHost: a\r\nX-Slow: ").await.is_ok();
        while open && !stop.load(Ordering::Relaxed) {
            tokio::time::sleep(Duration::from_millis(100)).await;
            open = stream.write_all(b"x").await.is_ok();
        }
        held.send_modify(|there| *there -= 1);
    }
}

/// Resident memory of this process, which holds the station and its clients, kB.
fn resident_kb() -> i64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS"));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok()).unwrap_or(0)
}

/// Stops the water of a jar: scans until it is told, and the longest a scan took to be judged, ms.
async fn told(bench: &mut Bench, stopwatch: &SystemClock, jar: usize) -> (usize, i64) {
    let name = format!("{:02}", jar + 1);
    bench.flow[jar] = 0.0;
    let mut slowest = 0;
    for scans in 1..=PATIENCE {
        let begun = stopwatch.now().up;
        bench.scan().await;
        slowest = slowest.max(stopwatch.now().up.since(begun).ms());
        if bench.raised().await.iter().any(|event| event.members.contains(&name)) {
            bench.flow[jar] = 3.0;
            bench.scans(Span::from_minutes(3)).await;
            return (scans, slowest);
        }
    }
    panic!("jar {name} ran dry and nobody was told within {PATIENCE} scans");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn slow_clients_hold_every_place_of_the_page_and_no_alarm_comes_later() {
    let folder = tempfile::tempdir().unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let web = format!("[web]\nlisten = \"127.0.0.1:{port}\"\nreading = \"open\"\n");
    let mut bench = bench(folder.path(), &web).await;
    let stopwatch = SystemClock::new(Box::new(NotBeforeBuild));
    bench.load().await;
    bench.scans(Span::from_minutes(3)).await;
    let (quiet_scans, quiet_ms) = told(&mut bench, &stopwatch, 0).await;
    let before_kb = resident_kb();
    let stop = Arc::new(AtomicBool::new(false));
    let (begun, held) = (Arc::new(AtomicU32::new(0)), watch::Sender::new(0));
    let clients: Vec<_> = (0..CLIENTS)
        .map(|n| tokio::spawn(slow(port, n, Arc::clone(&stop), Arc::clone(&begun), held.clone())))
        .collect();
    let mut all = held.subscribe();
    let taken = tokio::time::timeout(LIMIT, all.wait_for(|there| *there >= CLIENTS)).await.is_ok();
    assert!(taken, "the clients never held every place");
    // Every place is taken: whoever comes now is sent away.
    let (attacked_scans, attacked_ms) = told(&mut bench, &stopwatch, 1).await;
    let there = *held.borrow();
    stop.store(true, Ordering::Relaxed);
    for client in clients {
        client.await.unwrap();
    }
    println!(
        "told after {quiet_scans} scans without and {attacked_scans} with {there} slow clients ({} connections begun); \
         a scan was judged and written within {quiet_ms} ms and {attacked_ms} ms; {} kB more in memory, clients included",
        begun.load(Ordering::Relaxed),
        resident_kb() - before_kb
    );
    assert!(there > CLIENTS * 3 / 4, "only {there} slow clients were there");
    assert_eq!(attacked_scans, quiet_scans, "the alarm came with another scan");
    bench.stop.cancel();
}
