//! A whole station whose board is pulled out and plugged in again, twenty times, on a clock that
//! the test moves: readings resume, and blind alarms are raised when they should be and at no
//! other time.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod station_bench;

use nightjar::alarm::event::AlarmKind;
use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar_calc::time::Span;
use station_bench::bench;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_board_pulled_and_plugged_twenty_times_blinds_only_when_it_stays_out() {
    let folder = tempfile::tempdir().unwrap();
    let more = format!("[notify]\nmail-folder = {:?}\n", folder.path().join("mail"));
    let mut bench = bench(folder.path(), &more).await;
    bench.load().await;
    let real = SystemClock::new(Box::new(NotBeforeBuild));
    let (mut expected, mut slowest) = (0, Span::ZERO);
    for round in 0..20 {
        for _ in 0..60 {
            bench.scan().await;
        }
        bench.pull().await;
        // Every fourth time it stays out for four minutes, else for twenty seconds.
        let scans = if round % 4 == 3 { 48 } else { 4 };
        expected += usize::from(round % 4 == 3);
        for _ in 0..scans {
            bench.scan().await;
        }
        let before = real.now().up;
        bench.plug().await;
        bench.scan().await;
        let resumed = real.now().up.since(before);
        slowest = slowest.max(resumed);
        assert!(resumed <= Span::from_secs(10), "round {round}: readings resumed after {} s", resumed.secs());
        // Long enough for a blind alarm to clear and its event to close.
        for _ in 0..400 {
            bench.scan().await;
        }
    }
    println!("20 times out and in: readings resumed within {:.3} s of real time", slowest.secs());
    let raised: Vec<AlarmKind> = bench.raised().await.iter().map(|event| event.kind).collect();
    assert_eq!(raised, vec![AlarmKind::BlindHeader; expected], "alarms raised");
}
