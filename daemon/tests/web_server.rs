//! The listener on a real socket: slow and greedy clients, live streams, and a stop that does not
//! wait for them.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod web_stand;

use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar::reading::Quality;
use nightjar::snapshot::{JarState, JarView};
use nightjar::web::server::{Limits, serve};
use nightjar_calc::time::Span;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use web_stand::stand;

/// Longest wait for anything in these tests.
const LONG: Duration = Duration::from_secs(10);

struct Running {
    address: SocketAddr,
    stop: CancellationToken,
    server: JoinHandle<()>,
    present: tokio::sync::watch::Sender<Arc<nightjar::snapshot::Snapshot>>,
}

async fn run(limits: Limits) -> Running {
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let stand = stand(clock, true);
    let stop = stand.backend.stop.clone();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let app = nightjar::web::router(stand.backend);
    let server = tokio::spawn(serve(listener, app, limits, stop.clone()));
    Running { address, stop, server, present: stand.present }
}

async fn connect(running: &Running) -> TcpStream {
    TcpStream::connect(running.address).await.unwrap()
}

/// Everything until the other side closes.
async fn rest(stream: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    let _reset_counts_as_closed =
        timeout(LONG, stream.read_to_end(&mut bytes)).await.expect("closed in time");
    String::from_utf8_lossy(&bytes).into_owned()
}

async fn ask(running: &Running, request: &str) -> String {
    let mut stream = connect(running).await;
    stream.write_all(request.as_bytes()).await.unwrap();
    rest(&mut stream).await
}

#[tokio::test]
async fn a_head_that_never_ends_is_cut_off() {
    let running = run(Limits { head: Duration::from_millis(200), ..Limits::default() }).await;
    let mut stream = connect(&running).await;
    stream.write_all(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ").await.unwrap();
    // Without a timer on the builder this would wait for ever, and the test fail after `LONG`.
    let answer = rest(&mut stream).await;
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408"), "{answer}");
}

#[tokio::test]
async fn a_connection_that_says_nothing_is_closed() {
    let running = run(Limits { head: Duration::from_millis(200), ..Limits::default() }).await;
    let mut silent = connect(&running).await;
    rest(&mut silent).await;
}

#[tokio::test]
async fn one_address_has_eight_places_and_they_come_back() {
    let running = run(Limits::default()).await;
    let mut held = Vec::new();
    for _ in 0..8 {
        let mut stream = connect(&running).await;
        stream.write_all(b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").await.unwrap();
        let mut first = [0_u8; 12];
        timeout(LONG, stream.read_exact(&mut first)).await.unwrap().unwrap();
        assert_eq!(&first, b"HTTP/1.1 200");
        held.push(stream);
    }
    assert_eq!(ask(&running, "GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").await, "");
    drop(held.pop());
    let mut tries = 0;
    loop {
        let answer =
            ask(&running, "GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n").await;
        if answer.starts_with("HTTP/1.1 200") {
            break;
        }
        tries += 1;
        assert!(tries < 1_000, "the place never came back");
        tokio::task::yield_now().await;
    }
}

/// Open files the machine allows this test.
fn files_allowed() -> usize {
    let limits = std::fs::read_to_string("/proc/self/limits").unwrap_or_default();
    let line = limits.lines().find(|line| line.starts_with("Max open files"));
    line.and_then(|line| line.split_whitespace().nth(3)?.parse().ok()).unwrap_or(1_024)
}

#[tokio::test]
async fn ten_thousand_open_sockets_are_turned_away_and_leave_room_afterwards() {
    let running = run(Limits::default()).await;
    // Half of what is allowed, so that the tests beside this one have some.
    let wanted = (files_allowed() / 2).min(10_000);
    let mut held = Vec::new();
    for _ in 0..wanted {
        held.push(connect(&running).await);
    }
    println!("{} sockets open at once", held.len());
    assert!(held.len() >= 500, "{}", held.len());
    drop(held);
    let mut tries = 0;
    loop {
        let mut stream = connect(&running).await;
        let _closed_at_once =
            stream.write_all(b"GET /health HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n").await;
        let mut bytes = Vec::new();
        let _reset = timeout(LONG, stream.read_to_end(&mut bytes)).await.expect("answered or closed in time");
        if bytes.starts_with(b"HTTP/1.1 200") {
            break;
        }
        tries += 1;
        assert!(tries < 1_000, "no room came back");
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn requests_that_are_no_requests_get_a_short_answer_and_change_nothing() {
    let running = run(Limits::default()).await;
    let long_line = format!("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: {}\r\n\r\n", "x".repeat(1_000_000));
    let many = format!("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n{}\r\n", "A: b\r\n".repeat(200));
    let long_path =
        format!("GET /{} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n", "x".repeat(4_000));
    for (name, request, expected) in [
        ("no HTTP", "hello\r\n\r\n", "400"),
        // The library follows RFC 9112, 6.3: chunks count, the length is dropped, and what follows
        // the last chunk is not taken for a second request.
        (
            "both lengths",
            "POST /settings HTTP/1.1\r\nHost: a\r\nContent-Length: 60\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\nHost: a\r\n\r\n",
            "415",
        ),
        (
            "two lengths",
            "POST /settings HTTP/1.1\r\nHost: a\r\nContent-Length: 3\r\nContent-Length: 4\r\n\r\nabc",
            "400",
        ),
        (
            "chunk of 2^64",
            "POST /settings HTTP/1.1\r\nHost: a\r\nContent-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n10000000000000000\r\nabc",
            "400",
        ),
        (
            "5 GB announced",
            "POST /settings HTTP/1.1\r\nHost: a\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 5000000000\r\nConnection: close\r\n\r\n",
            "413",
        ),
        ("no host", "GET / HTTP/1.1\r\nConnection: close\r\n\r\n", "421"),
        ("other host", "GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n", "421"),
        ("two hosts", "GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\nConnection: close\r\n\r\n", "421"),
        (
            "other host in the first line",
            "GET http://evil.example/ HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n",
            "421",
        ),
        ("absolute path", "GET //etc/passwd HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "404"),
        (
            "a way out of the season's files",
            "GET /season/..%2f..%2fetc%2fpasswd HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n",
            "404",
        ),
        ("trace", "TRACE / HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "405"),
        ("way up", "GET /../../etc/passwd HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "404"),
        (
            "hidden way up",
            "GET /a/..%2f..%2fetc%2fpasswd HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n",
            "404",
        ),
        ("dots", "GET /....//....//etc/passwd HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "404"),
        ("zero byte", "GET /jar/%00 HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "404"),
        ("long path", long_path.as_str(), "414"),
        ("long header", long_line.as_str(), "431"),
        ("many headers", many.as_str(), "431"),
    ] {
        let mut stream = connect(&running).await;
        // The server may close before all of a long request is written.
        let _partly = stream.write_all(request.as_bytes()).await;
        let answer = rest(&mut stream).await;
        // A reset may swallow the answer to what was not read to its end.
        let swallowed = answer.is_empty() && request.len() > 100_000;
        assert!(swallowed || answer.starts_with(&format!("HTTP/1.1 {expected}")), "{name}: {answer:.200}");
        assert!(answer.matches("HTTP/1.1 ").count() <= 1, "{name}: {answer}");
    }
    let answer = ask(&running, "GET /health HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
}

#[tokio::test]
async fn a_body_that_never_comes_is_given_up() {
    let running = run(Limits::default()).await;
    let mut stream = connect(&running).await;
    stream
        .write_all(b"POST /settings HTTP/1.1\r\nHost: a\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 50\r\nConnection: close\r\n\r\nt=")
        .await
        .unwrap();
    let mut bytes = Vec::new();
    let read = timeout(Duration::from_secs(15), stream.read_to_end(&mut bytes)).await;
    assert!(read.is_ok(), "still open after 15 s");
    assert!(bytes.starts_with(b"HTTP/1.1 408"), "{}", String::from_utf8_lossy(&bytes));
}

#[tokio::test]
async fn a_body_that_comes_by_the_byte_is_given_up_too() {
    let running = run(Limits::default()).await;
    let mut stream = connect(&running).await;
    let head = "POST /settings HTTP/1.1\r\nHost: a\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 5000\r\n\r\n";
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut answer = [0_u8; 12];
    for dripped in 0..60 {
        // Written into a closed connection or not: what counts is the answer.
        let _maybe_closed = stream.write_all(b"t").await;
        if let Ok(read) = timeout(Duration::from_millis(250), stream.read_exact(&mut answer)).await {
            read.unwrap();
            assert_eq!(&answer, b"HTTP/1.1 408", "after {dripped} bytes");
            return;
        }
    }
    panic!("still waiting after 15 s of a byte at a time");
}

#[tokio::test]
async fn one_address_asking_without_end_is_slowed_down() {
    let running = run(Limits::default()).await;
    let mut stream = connect(&running).await;
    let mut refused = 0;
    let mut buffer = vec![0_u8; 16_384];
    for _ in 0..120 {
        stream.write_all(b"GET /icon.svg HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
        let n = timeout(LONG, stream.read(&mut buffer)).await.unwrap().unwrap();
        refused += usize::from(buffer[..n].starts_with(b"HTTP/1.1 429"));
    }
    assert!(refused > 20, "{refused}");
}

/// Reads a stream until `enough` says so, and returns what came.
async fn listen(stream: &mut TcpStream, enough: impl Fn(&str) -> bool) -> String {
    let mut text = String::new();
    let mut buffer = vec![0_u8; 16_384];
    timeout(Duration::from_secs(25), async {
        while !enough(&text) {
            let n = stream.read(&mut buffer).await.unwrap();
            assert!(n > 0, "the stream ended: {text:.300}");
            text.push_str(&String::from_utf8_lossy(&buffer[..n]));
        }
    })
    .await
    .expect("heard in time");
    text
}

#[tokio::test]
async fn a_live_page_gets_what_changed_and_little_else() {
    let running = run(Limits::default()).await;
    let mut stream = connect(&running).await;
    stream.write_all(b"GET /live?view=rack HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
    let first =
        listen(&mut stream, |text| text.contains("event: beat") && text.contains("patch\ndata: c23 ")).await;
    assert!(first.contains("content-type: text/event-stream"));
    let mut snap = nightjar::snapshot::Snapshot::clone(&running.present.borrow());
    // Time alone: the picture is new and says the same.
    snap.now.up = snap.now.up.after(Span::from_secs(1));
    snap.version += 1;
    running.present.send_replace(Arc::new(snap.clone()));
    let quiet = listen(&mut stream, |text| text.contains("event: beat")).await;
    assert!(!quiet.contains("event: patch"), "{quiet}");
    assert!(quiet.len() < 500, "{} B", quiet.len());
    println!("nothing changed: {} B a beat of 10 s", quiet.len());
    // The line breaks and comes back over the same picture: the page says what it shows.
    let have = quiet.split_whitespace().last().unwrap().to_owned();
    let mut again = connect(&running).await;
    again
        .write_all(format!("GET /live?view=rack&have={have} HTTP/1.1\r\nHost: a\r\n\r\n").as_bytes())
        .await
        .unwrap();
    listen(&mut again, |text| text.contains("event: beat")).await;
    // One temperature changes: one small piece.
    if let Some(latest) = &mut snap.jars[0].temperature {
        latest.value += 0.3;
    }
    running.present.send_replace(Arc::new(snap));
    let patch = listen(&mut stream, |text| text.contains("event: patch")).await;
    assert!(patch.contains("data: t0 "), "{patch}");
    assert_eq!(patch.matches("event: patch").count(), 1, "{patch}");
    let patch = listen(&mut again, |text| text.contains("event: patch")).await;
    assert_eq!(patch.matches("event: patch").count(), 1, "nothing but the change: {patch}");
    println!("one temperature changed: {} B", patch.len());
}

#[tokio::test]
async fn a_live_rack_misses_nothing_that_a_cell_shows() {
    let running = run(Limits::default()).await;
    let mut stream = connect(&running).await;
    stream.write_all(b"GET /live?view=rack HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
    listen(&mut stream, |text| text.contains("event: beat") && text.contains("patch\ndata: c23 ")).await;
    let mut snap = nightjar::snapshot::Snapshot::clone(&running.present.borrow());
    let marked = snap.jars.iter().position(|jar| !jar.alarms.is_empty()).expect("a jar in alarm");
    let free: Vec<usize> = (0..snap.jars.len())
        .filter(|at| {
            let jar = &snap.jars[*at];
            jar.alarms.is_empty() && jar.progress.is_some() && jar.temperature.is_some() && *at != marked
        })
        .collect();
    let jars = &mut snap.jars;
    let mut patches = Vec::new();
    let mut change = |n: usize, piece: &str, by: &mut dyn FnMut(&mut JarView)| {
        by(&mut jars[free[n]]);
        if !piece.is_empty() {
            patches.push(format!("{piece}{}", free[n]));
        }
    };
    change(0, "t", &mut |jar| jar.temperature.iter_mut().for_each(|last| last.quality = Quality::Uncertain));
    change(1, "t", &mut |jar| jar.temperature_borrowed ^= true);
    change(2, "f", &mut |jar| jar.flow.iter_mut().for_each(|last| last.value -= 0.6));
    change(3, "f", &mut |jar| jar.set_flow = Some(5.5));
    change(4, "u", &mut |jar| jar.progress.iter_mut().for_each(|way| Arc::make_mut(way).c_days += 3.0));
    change(5, "c", &mut |jar| jar.state = JarState::Hatched);
    change(6, "c", &mut |jar| jar.progress = None);
    change(7, "t", &mut |jar| jar.temperature = None);
    // What nobody can see is not sent: the last digit of a flow, the moment of a good reading.
    change(8, "", &mut |jar| jar.flow.iter_mut().for_each(|last| last.value += 1e-6));
    change(9, "", &mut |jar| {
        jar.temperature.iter_mut().for_each(|last| last.at = last.at + Span::from_secs(5))
    });
    // Somebody answers an alarm: its jars say so.
    let event = snap.jars[marked].alarms[0];
    let told = snap.jars.iter().enumerate().filter(|(_, jar)| jar.alarms.contains(&event));
    patches.extend(told.map(|(at, _)| format!("c{at}")));
    for alarm in snap.alarms.iter_mut().filter(|alarm| alarm.event == event) {
        alarm.acknowledged = Some(("Robin".to_owned(), snap.now.utc));
    }
    snap.version += 1;
    running.present.send_replace(Arc::new(snap));
    let heard = listen(&mut stream, |text| {
        patches.iter().all(|piece| text.contains(&format!("event: patch\ndata: {piece} ")))
    })
    .await;
    let cells = |id: &&str| id.starts_with(['c', 't', 'f', 'u']) && id[1..].parse::<u16>().is_ok();
    let mut sent: Vec<&str> =
        heard.lines().filter_map(|line| line.strip_prefix("data: ")?.split(' ').next()).collect();
    sent.retain(cells);
    sent.sort_unstable();
    patches.sort_unstable();
    assert_eq!(sent, patches);
}

#[tokio::test]
async fn a_stop_ends_live_pages_and_does_not_wait_for_idle_ones() {
    let running = run(Limits::default()).await;
    let mut live = connect(&running).await;
    live.write_all(b"GET /live?view=alarms HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
    listen(&mut live, |text| text.contains("event: beat")).await;
    let mut idle = connect(&running).await;
    idle.write_all(b"GET /health HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
    listen(&mut idle, |text| text.contains("}")).await;
    running.stop.cancel();
    timeout(Duration::from_secs(2), running.server).await.expect("stopped within 2 s").unwrap();
    rest(&mut live).await;
    rest(&mut idle).await;
}

#[tokio::test]
async fn live_pages_have_a_limit_and_unknown_ones_do_not_exist() {
    let running = run(Limits { per_address: 64, ..Limits::default() }).await;
    let mut held = Vec::new();
    for _ in 0..32 {
        let mut stream = connect(&running).await;
        stream.write_all(b"GET /live?view=alarms HTTP/1.1\r\nHost: a\r\n\r\n").await.unwrap();
        listen(&mut stream, |text| text.contains("event: beat")).await;
        held.push(stream);
    }
    let answer =
        ask(&running, "GET /live?view=alarms HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.1 503"), "{answer:.100}");
    let answer =
        ask(&running, "GET /live?view=nothing HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n").await;
    assert!(answer.starts_with("HTTP/1.1 404"), "{answer:.100}");
}
