//! A whole station whose clock is wrong, is set, or stood still with the power: sums of thermal units
//! are those of the water, whatever the clock said meanwhile. The water warms steadily, so that a
//! reading in a wrong place shows.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod station_bench;

use nightjar::alarm::event::AlarmKind;
use nightjar::clock::{Clock, EARLIEST_BELIEVABLE_MS, ManualClock};
use nightjar::logbook::{Act, Note};
use nightjar::snapshot::ProgressView;
use nightjar_calc::time::{Span, Timestamp};
use station_bench::{Bench, SCAN, bench_at};
use std::path::Path;
use std::sync::Arc;

const DAY_S: f64 = 86_400.0;
const TEXTS: &str = "[notify]\ndaily-at = \"never\"\nmail-folder = \"/nonexistent/mail\"\n";

async fn station(folder: &Path, clock: ManualClock) -> Bench {
    bench_at(folder, TEXTS, Arc::new(clock)).await
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(text).unwrap()
}

/// Scans with the water warming by a degree in four hours. Gives the thermal units of the scans'
/// stretch by the trapezoids of what was sent.
async fn warm(bench: &mut Bench, scans: i64) -> f64 {
    let mut sum = 0.0;
    for _ in 0..scans {
        let before = bench.water;
        bench.water += SCAN.hours() / 4.0;
        bench.scan().await;
        sum += (before + bench.water) / 2.0 * SCAN.ms() as f64 / 1000.0 / DAY_S;
    }
    sum
}

fn scans(span: Span) -> i64 {
    span.ms() / SCAN.ms()
}

/// How the eggs of the first jar stand now.
async fn standing(bench: &Bench, name: &str) -> ProgressView {
    // What is on its way to the disk must be there, and hours read back: that goes on beside the core.
    bench.station.store.flush().await.unwrap();
    for _ in 0..3 {
        bench.turn().await;
        bench.until("at rest", nightjar::supervise::Station::is_settled).await;
    }
    bench.enter(name, Act::Note(Note { jar: None, text: "looked".into() })).await;
    bench.turn().await;
    let now = bench.clock.now().utc;
    bench
        .until("has a picture of now", |station| {
            station.picture.borrow().jars[0].progress.as_ref().is_some_and(|view| view.as_of >= now)
        })
        .await;
    bench.station.picture.borrow().jars[0].progress.as_deref().cloned().unwrap()
}

/// Mean of what the bench's board adds to its water, over its turns: 0 to 0.06 °C.
const ADDED: f64 = 0.03;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_set_wrong_and_right_again_moves_no_sum() {
    let hour = 3_600_000;
    let folder = tempfile::tempdir().unwrap();
    let mut bench = station(folder.path(), ManualClock::new(at("2026-04-20T10:00:00-05:00"))).await;
    bench.load().await;
    let start = bench.clock.now().utc;
    let mut sum = warm(&mut bench, 240).await;
    let to_1970 = 100_000 - bench.clock.now().utc.ms();
    for by in [1000, -1000, hour, -hour, 24 * hour, -24 * hour, 3652 * 24 * hour, -3652 * 24 * hour, to_1970]
    {
        bench.clock.step_wall(Span::from_ms(by));
        // No probe of trust believes a date before this program was made.
        bench.clock.set_trusted(bench.clock.now().utc.ms() >= EARLIEST_BELIEVABLE_MS);
        sum += warm(&mut bench, 24).await;
        bench.clock.step_wall(Span::from_ms(-by));
        bench.clock.set_trusted(true);
        sum += warm(&mut bench, 24).await;
    }
    sum += warm(&mut bench, scans(Span::from_minutes(70))).await;
    let view = standing(&bench, "look").await;
    let days = bench.clock.now().utc.since(start).days();
    let expected = sum + ADDED * days;
    println!("9 steps and back in {days:.3} days: {:.5} °C·days, {expected:.5} expected", view.c_days);
    println!(
        "measured {:.4}, bridged {:.4} h, not counted {:.4} h",
        view.coverage, view.bridged_h, view.uncounted_h
    );
    assert!((view.c_days - expected).abs() <= 0.001, "{} against {expected}", view.c_days);
    assert!(bench.raised().await.iter().all(|event| event.kind != AlarmKind::NoFlow), "no alarm about water");
    bench.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn both_changes_of_daylight_saving_move_no_sum() {
    for shift in ["2026-03-08T08:00:00Z", "2026-11-01T07:00:00Z"] {
        let folder = tempfile::tempdir().unwrap();
        let start = at(shift) - Span::from_minutes(20);
        let mut bench = station(folder.path(), ManualClock::new(start)).await;
        bench.load().await;
        let sum = warm(&mut bench, scans(Span::from_minutes(40))).await;
        let view = standing(&bench, "look").await;
        let expected = sum + ADDED * bench.clock.now().utc.since(start).days();
        println!("over {shift}: {:.5} °C·days, {expected:.5} expected", view.c_days);
        assert!((view.c_days - expected).abs() <= 0.001);
        bench.end().await;
    }
}

/// A board without battery: it was off for ten minutes and begins an hour in the past.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_taken_before_the_clock_was_set_count_once_it_is() {
    for until_set in [Span::from_secs(5), Span::from_hours(1)] {
        let folder = tempfile::tempdir().unwrap();
        let start = at("2026-04-20T10:00:00-05:00");
        let mut bench = station(folder.path(), ManualClock::new(start)).await;
        bench.load().await;
        // More than an hour: what was read before the wrong time that comes now, and what after it.
        let mut sum = warm(&mut bench, scans(Span::from_minutes(100))).await;
        let (off, water) = (bench.clock.now().utc, bench.water);
        bench.end().await;

        let (outage, wrong) = (Span::from_minutes(10), Span::from_minutes(63));
        let clock = ManualClock::new(off + outage - wrong);
        clock.set_trusted(false);
        let mut bench = station(folder.path(), clock).await;
        // The outage is bridged by a line between the readings on its sides.
        bench.water = water + outage.hours() / 4.0;
        sum += (water + bench.water) / 2.0 * outage.days();
        sum += warm(&mut bench, scans(until_set)).await;
        let unplaced = bench.station.store.read(|look| look.unplaced_readings()).await.unwrap();
        bench.clock.step_wall(wrong);
        bench.clock.set_trusted(true);
        sum += warm(&mut bench, scans(Span::from_minutes(20))).await;
        let view = standing(&bench, "look").await;
        let now = bench.clock.now().utc;
        let expected = sum + ADDED * now.since(start).days();
        println!(
            "clock set after {} s ({unplaced} readings waited): {:.5} °C·days, {expected:.5} expected; \
             bridged {:.3} min of an outage of {} min",
            until_set.secs(),
            view.c_days,
            view.bridged_h * 60.0,
            outage.ms() / 60_000
        );
        assert!((view.c_days - expected).abs() <= 0.01, "{} against {expected}", view.c_days);
        let off_by_s = (view.bridged_h - outage.hours()).abs() * 3600.0;
        assert!(off_by_s <= SCAN.ms() as f64 / 1000.0 + 2.0, "bridged {} h", view.bridged_h);
        assert_eq!(view.uncounted_h.to_bits(), 0.0_f64.to_bits());
        assert_eq!(bench.station.store.read(|look| look.unplaced_readings()).await.unwrap(), 0);
        // And after one more start, from the disk.
        bench.end().await;
        let bench = station(folder.path(), ManualClock::new(now)).await;
        let again = standing(&bench, "look again").await;
        println!("after a restart: {:.5} °C·days", again.c_days);
        assert!((again.c_days - view.c_days).abs() <= 0.001);
        bench.end().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_that_nobody_sets_is_told_and_nothing_is_counted_by_it() {
    let folder = tempfile::tempdir().unwrap();
    let start = at("2026-04-20T10:00:00-05:00");
    let mut bench = station(folder.path(), ManualClock::new(start)).await;
    bench.load().await;
    warm(&mut bench, scans(Span::from_minutes(30))).await;
    let before = standing(&bench, "look").await;
    let off = bench.clock.now().utc;
    bench.end().await;
    let clock = ManualClock::new(off - Span::from_hours(2));
    clock.set_trusted(false);
    let mut bench = station(folder.path(), clock).await;
    warm(&mut bench, scans(Span::from_minutes(40))).await;
    let raised: Vec<AlarmKind> = bench.raised().await.iter().map(|event| event.kind).collect();
    assert!(raised.contains(&AlarmKind::ClockUntrusted), "{raised:?}");
    let waiting = bench.station.store.read(|look| look.unplaced_readings()).await.unwrap();
    println!("never set: {waiting} readings wait, told by {raised:?}");
    assert!(waiting > 3_000);
    let shown = bench.station.picture.borrow().jars[0].progress.clone().map_or(0.0, |view| view.c_days);
    assert!(shown <= before.c_days + 1e-9, "{shown} after {}", before.c_days);
    bench.end().await;
}

/// Power that comes and goes every twenty seconds for an hour.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hundred_and_eighty_starts_in_an_hour_are_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let start = at("2026-04-20T10:00:00-05:00");
    for turn in 0..180 {
        let mut bench = station(folder.path(), ManualClock::new(start + Span::from_secs(20 * turn))).await;
        if turn == 0 {
            bench.load().await;
        }
        warm(&mut bench, 3).await;
        bench.end().await;
    }
    let mut bench = station(folder.path(), ManualClock::new(start + Span::from_hours(1))).await;
    warm(&mut bench, scans(Span::from_minutes(20))).await;
    let raised = bench.raised().await;
    let messages = bench.messages().await;
    let kinds: Vec<AlarmKind> = raised.iter().map(|event| event.kind).collect();
    println!("181 starts in an hour: alarms {kinds:?}, {} messages by themselves", messages.len());
    // A P3: it is in the next digest once, and nobody is woken.
    assert_eq!(kinds, [AlarmKind::Restarted]);
    assert_eq!(messages.len(), 0);
    let view = standing(&bench, "look").await;
    assert!(view.coverage + view.bridged_h / bench.clock.now().utc.since(start).hours() > 0.999);
    bench.end().await;
    let file = std::fs::read_dir(folder.path()).unwrap().filter_map(|found| found.ok().map(|f| f.path()));
    let file = file.into_iter().find(|path| path.extension().is_some_and(|end| end == "sqlite")).unwrap();
    let db = rusqlite::Connection::open(file).unwrap();
    let sound: String = db.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(sound, "ok");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_power_gap_is_as_long_as_it_was_and_nothing_counts_twice() {
    for gap in [Span::from_minutes(1), Span::from_minutes(20), Span::from_hours(7), Span::from_hours(72)] {
        let folder = tempfile::tempdir().unwrap();
        let start = at("2026-04-20T10:00:00-05:00");
        let mut bench = station(folder.path(), ManualClock::new(start)).await;
        bench.load().await;
        let mut sum = warm(&mut bench, scans(Span::from_minutes(30))).await;
        let (off, water) = (bench.clock.now().utc, bench.water);
        bench.end().await;

        // No battery: it begins where the clock was last written down, and is set after five minutes.
        let clock = ManualClock::new(off);
        clock.set_trusted(false);
        let mut bench = station(folder.path(), clock).await;
        bench.water = water;
        let measured = sum;
        sum += warm(&mut bench, scans(Span::from_minutes(5))).await;
        bench.clock.step_wall(gap);
        bench.clock.set_trusted(true);
        sum += warm(&mut bench, scans(Span::from_minutes(20))).await;
        let view = standing(&bench, "look").await;
        let whole = bench.clock.now().utc.since(start);
        // Read by the eyes of the report: what was not measured is bridged or not counted.
        let unmeasured = whole.hours() * (1.0 - view.coverage);
        let shown = view.bridged_h + view.uncounted_h;
        let bridged = gap <= Span::from_hours(2) && gap > Span::from_minutes(1);
        let counted = if view.uncounted_h > 0.0 { whole - gap } else { whole };
        let expected =
            sum + if view.uncounted_h > 0.0 { 0.0 } else { water * gap.days() } + ADDED * counted.days();
        println!(
            "power gone for {:.2} h: bridged {:.4} h, not counted {:.4} h, unmeasured {unmeasured:.4} h; \
             {:.5} °C·days, {expected:.5} expected",
            gap.hours(),
            view.bridged_h,
            view.uncounted_h,
            view.c_days
        );
        if gap > Span::from_minutes(1) {
            assert!((shown - gap.hours()).abs() * 3600.0 <= SCAN.ms() as f64 / 1000.0 + 2.0, "{shown} h");
            assert!((unmeasured - shown).abs() * 3600.0 <= 2.0 + SCAN.ms() as f64 / 1000.0);
            assert_eq!(view.bridged_h > 0.0, bridged, "up to two hours are bridged, more is left out");
        }
        assert!((view.c_days - expected).abs() <= 0.01, "{} against {expected}", view.c_days);
        assert!(view.c_days > measured);
        bench.end().await;
    }
}
