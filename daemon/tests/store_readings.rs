//! Readings through the real store: whatever the order, the delay and the repetition in which they
//! come, the same set is read back, and a receipt means that it is on disk.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![expect(clippy::unwrap_used, reason = "what a test needs to begin must be there")]

use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::SensorId;
use nightjar::reading::{Quality, Reading, Reason, Receipt, SensorIx, Value};
use nightjar::store::{Sample, StoreHandle, StoreOptions, open};
use nightjar_calc::time::{Span, Timestamp};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use tokio::sync::mpsc;

const SENSORS: u16 = 3;

fn sensor(ix: u16) -> SensorId {
    SensorId::new(&format!("J{ix:02}T")).unwrap()
}

fn start() -> Timestamp {
    Timestamp::parse("2026-04-18T06:00:00Z").unwrap()
}

fn options(folder: &Path) -> StoreOptions {
    let mut options = StoreOptions::new(folder.join("nightjar.db"), (0..SENSORS).map(sensor).collect());
    options.ballast_bytes = 0;
    options.must_open = true;
    options
}

fn open_at(folder: &Path) -> (StoreHandle, Arc<ManualClock>) {
    open_with(folder, 20)
}

fn open_with(folder: &Path, receipt_window: usize) -> (StoreHandle, Arc<ManualClock>) {
    let clock = Arc::new(ManualClock::new(start() + Span::from_hours(12)));
    let options = StoreOptions { receipt_window, ..options(folder) };
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    (store, clock)
}

/// Returns once the writer has taken in what was handed to it.
async fn taken(store: &StoreHandle) {
    while store.queued().0 > 0 {
        tokio::task::yield_now().await;
    }
    // Answered after the readings were taken.
    store.set_setting("seen".into(), Some(1.into())).await.unwrap();
}

fn reading(sensor: u16, second: i64, value: i32) -> Reading {
    Reading {
        sensor: SensorIx(sensor),
        at: start() + Span::from_secs(second),
        value: Value(value),
        quality: Quality::Good,
        reason: Reason::None,
    }
}

/// The slow, obvious answer: of readings with the same sensor and moment the best one stays.
fn expected(readings: &[Reading]) -> BTreeMap<(SensorIx, Timestamp), Sample> {
    let mut all: BTreeMap<(SensorIx, Timestamp), Sample> = BTreeMap::new();
    for r in readings {
        let sample = Sample { at: r.at, value: r.value, quality: r.quality, reason: r.reason };
        let key = |s: &Sample| (s.quality, s.value, s.reason);
        let best = all.entry((r.sensor, r.at)).or_insert(sample);
        if key(&sample) < key(best) {
            *best = sample;
        }
    }
    all
}

fn everything(store: &StoreHandle) -> BTreeMap<(SensorIx, Timestamp), Sample> {
    let mut all = BTreeMap::new();
    for ix in 0..SENSORS {
        let end = start() + Span::from_days(30.0);
        let samples = store
            .read_blocking(|look| look.samples_between(&sensor(ix), Timestamp::from_ms(0), end))
            .unwrap();
        assert!(samples.windows(2).all(|w| w[0].at < w[1].at), "sorted, each moment once");
        all.extend(samples.into_iter().map(|s| ((SensorIx(ix), s.at), s)));
    }
    all
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

prop_compose! {
    /// Few moments over six hours, so that repeats with other values and qualities are common.
    fn any_reading()(sensor in 0..SENSORS, slot in 0_i64..200, value in 0_i32..4, quality in 0..3) -> Reading {
        let mut reading = reading(sensor, slot * 108, 110_000 + value);
        (reading.quality, reading.reason) = match quality {
            0 => (Quality::Good, Reason::None),
            1 => (Quality::Uncertain, Reason::Spike),
            _ => (Quality::Bad, Reason::Range),
        };
        reading
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn any_order_delay_and_repetition_gives_the_same_record(
        readings in prop::collection::vec(any_reading(), 1..400),
        repeat_from in any::<prop::sample::Index>(),
        seed in any::<u64>(),
        compact_after in any::<prop::sample::Index>(),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let (store, _clock) = open_at(folder.path());
        // Another order, with a part of them sent once more.
        let mut order: Vec<(u64, Reading)> = readings
            .iter()
            .chain(&readings[repeat_from.index(readings.len())..])
            .enumerate()
            .map(|(n, r)| ((n as u64 ^ seed).wrapping_mul(0x9e37_79b9_7f4a_7c15).rotate_left(23), *r))
            .collect();
        order.sort_by_key(|(key, _)| *key);
        let pause = compact_after.index(order.len());
        runtime().block_on(async {
            for (n, (_, reading)) in order.into_iter().enumerate() {
                store.append(vec![reading], None).unwrap();
                if n % 37 == 0 {
                    store.flush().await.unwrap();
                }
                if n == pause {
                    // The rest comes late, into hours that are chunks already.
                    store.compact().await.unwrap();
                }
            }
            store.flush().await.unwrap();
            prop_assert_eq!(everything(&store), expected(&readings));
            store.compact().await.unwrap();
            prop_assert_eq!(everything(&store), expected(&readings));
            // Moving again changes nothing.
            let again = store.compact().await.unwrap();
            prop_assert_eq!(again.chunks, 0);
            prop_assert_eq!(everything(&store), expected(&readings));
            store.close().await.unwrap();
            Ok(())
        })?;
        let (store, _clock) = open_at(folder.path());
        prop_assert_eq!(everything(&store), expected(&readings));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_receipt_means_that_another_connection_sees_the_reading() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path());
    let (to, mut receipts) = mpsc::channel(256);
    // The window is 20 and the clock stands still: groups close by count alone.
    for packet in 0..60_u16 {
        let receipt = Receipt { epoch: 7, packet, to: to.clone() };
        store.append(vec![reading(0, i64::from(packet), i32::from(packet))], Some(receipt)).unwrap();
        if packet % 20 < 19 {
            continue;
        }
        for _ in 0..20 {
            let (epoch, packet) = receipts.recv().await.unwrap();
            assert_eq!(epoch, 7);
            let at = start() + Span::from_secs(i64::from(packet));
            let seen = store
                .read(move |look| look.samples_between(&sensor(0), at, at + Span::from_ms(1)))
                .await
                .unwrap();
            assert_eq!(seen.len(), 1, "receipt {packet} before its reading");
        }
    }
    // A connection that shares nothing with the store sees them too.
    let path = folder.path().join("nightjar.db");
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let other = rusqlite::Connection::open_with_flags(&path, flags).unwrap();
    let rows: i64 = other.query_row("SELECT count(*) FROM tail", [], |row| row.get(0)).unwrap();
    assert!(rows >= 3, "{rows}");
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_small_group_waits_for_its_interval_on_the_injected_clock() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    let (to, mut receipts) = mpsc::channel(8);
    store.append(vec![reading(0, 0, 1)], Some(Receipt { epoch: 1, packet: 1, to })).unwrap();
    taken(&store).await;
    clock.advance(Span::from_ms(9_999));
    store.set_setting("seen".into(), Some(2.into())).await.unwrap();
    assert!(receipts.try_recv().is_err(), "the interval has not ended");
    clock.advance(Span::from_ms(1));
    assert_eq!(receipts.recv().await, Some((1, 1)));
    store.close().await.unwrap();
}

/// The setting of the crew's broker: 500 under way. Of what 24 jars send each second nothing is written before
/// the interval ends or 500 wait.
#[tokio::test]
async fn a_group_is_closed_by_its_interval_or_by_the_whole_window_of_the_broker() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_with(folder.path(), 500);
    let (to, mut receipts) = mpsc::channel(1_024);
    let mut packet = 0;
    for second in 0..9 {
        for _ in 0..54 {
            packet += 1;
            let receipt = Receipt { epoch: 1, packet, to: to.clone() };
            store.append(vec![reading(0, packet.into(), 1)], Some(receipt)).unwrap();
        }
        taken(&store).await;
        assert!(receipts.try_recv().is_err(), "{packet} wait after {second} s");
        clock.advance(Span::from_ms(900));
    }
    for packet in packet + 1..=500 {
        let receipt = Receipt { epoch: 1, packet, to: to.clone() };
        store.append(vec![reading(0, packet.into(), 1)], Some(receipt)).unwrap();
    }
    assert_eq!(receipts.recv().await, Some((1, 1)), "the window is full");
    store.close().await.unwrap();
}

/// A broker that has 20 messages under way, whatever our configuration says: it waits for their acknowledgments,
/// and what comes after them must not wait for the interval.
#[tokio::test]
async fn a_broker_that_holds_back_gets_its_acknowledgments_after_a_second() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_with(folder.path(), 500);
    let (to, mut receipts) = mpsc::channel(64);
    for packet in 1..=20 {
        let receipt = Receipt { epoch: 1, packet, to: to.clone() };
        store.append(vec![reading(0, packet.into(), 1)], Some(receipt)).unwrap();
    }
    taken(&store).await;
    clock.advance(Span::from_ms(999));
    taken(&store).await;
    assert!(receipts.try_recv().is_err(), "more may come");
    clock.advance(Span::from_ms(1));
    assert_eq!(receipts.recv().await, Some((1, 1)));
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_receipt_nobody_takes_is_counted_and_holds_nothing_up() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path());
    let (to, receipts) = mpsc::channel(1);
    for packet in 0..3 {
        let receipt = Receipt { epoch: 1, packet, to: to.clone() };
        store.append(vec![reading(0, packet.into(), 1)], Some(receipt)).unwrap();
    }
    store.flush().await.unwrap();
    assert_eq!(store.health().lost_receipts, 2);
    drop(receipts);
    store.close().await.unwrap();
}

#[tokio::test]
async fn nonsense_times_are_refused_and_counted_but_their_message_is_not_stuck() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path());
    let (to, mut receipts) = mpsc::channel(8);
    let mut nonsense = reading(0, 0, 1);
    nonsense.at = Timestamp::from_ms(-1);
    let mut later = reading(0, 0, 1);
    later.at = Timestamp::from_ms(i64::MAX);
    store.append(vec![nonsense, later], Some(Receipt { epoch: 1, packet: 9, to })).unwrap();
    store.flush().await.unwrap();
    assert_eq!(store.health().unstorable_readings, 2);
    assert_eq!(receipts.recv().await, Some((1, 9)));
    assert!(everything(&store).is_empty());
    store.close().await.unwrap();
}

#[tokio::test]
async fn bars_are_the_same_from_the_tail_from_chunks_and_from_both() {
    let folder = tempfile::tempdir().unwrap();
    let (store, _clock) = open_at(folder.path());
    // Eight hours, every 10 s, a value that is easy to add up; every tenth one bad.
    let all: Vec<Reading> = (0..8 * 360)
        .map(|n| {
            let mut r = reading(1, i64::from(n) * 10, 100_000 + n);
            if n % 10 == 3 {
                (r.quality, r.reason) = (Quality::Bad, Reason::Range);
            }
            r
        })
        .collect();
    store.append(all.clone(), None).unwrap();
    store.flush().await.unwrap();
    let to = start() + Span::from_hours(8);
    let bars = |span| store.read_blocking(move |look| look.chart(&sensor(1), start(), to, span)).unwrap();
    let (quarter, three) = (bars(Span::from_minutes(15)), bars(Span::from_hours(3)));
    store.compact().await.unwrap();
    assert_eq!(bars(Span::from_minutes(15)), quarter);
    assert_eq!(bars(Span::from_hours(3)), three);
    // The same readings once more, late: bars do not count them twice.
    store.append(all, None).unwrap();
    store.flush().await.unwrap();
    assert_eq!(bars(Span::from_hours(3)), three);
    // 06:00 UTC begins a bar of three hours since 1970. By hand: 1080 readings in the bar, 108 of
    // them bad; used are the values 100000 + n for n < 1080, n % 10 ≠ 3.
    let first = three[0];
    assert_eq!((first.start, first.readings, first.used), (start(), 1080, 972));
    let sum: f64 = (0..1080).filter(|n| n % 10 != 3).map(|n| f64::from(100_000 + n)).sum();
    assert!((first.mean - sum / 972.0 / 10_000.0).abs() < 1e-12);
    assert!((first.min - 10.0).abs() < 1e-12 && (first.max - 10.1079).abs() < 1e-12);
    assert_eq!(first.last_at, start() + Span::from_secs(10_790));
    assert_eq!(quarter.len(), 32);
    store.close().await.unwrap();
}

#[tokio::test]
async fn the_latest_usable_reading_of_each_sensor_is_found_in_tail_and_chunks() {
    let folder = tempfile::tempdir().unwrap();
    let (store, clock) = open_at(folder.path());
    let mut nonsense = reading(0, 99_999_999, 5);
    (nonsense.quality, nonsense.reason) = (Quality::Bad, Reason::FutureTime);
    store.append(vec![reading(0, 10, 1), reading(0, 20, 2), reading(1, 30, 3), nonsense], None).unwrap();
    store.compact().await.unwrap();
    clock.advance(Span::from_hours(1));
    store.append(vec![reading(1, 13 * 3600, 4), reading(0, 15, 9)], None).unwrap();
    store.flush().await.unwrap();
    let latest = store.read(|look| look.latest()).await.unwrap();
    assert_eq!(latest[&sensor(0)].value, Value(2));
    assert_eq!(latest[&sensor(1)].value, Value(4));
    assert!(!latest.contains_key(&sensor(2)));
    store.close().await.unwrap();
}

/// Reads in small pages and keeps its place in the store, as an export does.
async fn follow(store: &StoreHandle, got: &mut BTreeMap<(SensorId, Timestamp), Sample>) {
    loop {
        let page = store.read(|look| look.following(look.cursor("export")?.unwrap_or(0), 50)).await.unwrap();
        got.extend(page.readings.into_iter().map(|(sensor, s)| ((sensor, s.at), s)));
        store.set_cursor("export".into(), page.position).await.unwrap();
        if page.at_end {
            return;
        }
    }
}

#[tokio::test]
async fn a_follower_gets_every_reading_across_moves_imports_late_ones_and_restarts() {
    let folder = tempfile::tempdir().unwrap();
    let (mut store, _clock) = open_at(folder.path());
    let mut sent: Vec<Reading> = Vec::new();
    let mut got = BTreeMap::new();
    for round in 0..6_i64 {
        let new: Vec<Reading> =
            (0..200).map(|n| reading(u16::try_from(n % 3).unwrap(), round * 4000 + n * 7, 1)).collect();
        let late: Vec<Reading> = (0..5).map(|n| reading(2, n * 100 + round, 2)).collect();
        sent.extend(new.iter().chain(&late));
        store.append(new, None).unwrap();
        store.flush().await.unwrap();
        if round % 2 == 1 {
            follow(&store, &mut got).await;
            store.compact().await.unwrap();
        }
        store.append(late, None).unwrap();
        store.flush().await.unwrap();
        let past = reading(2, -3600 * (round + 1), 3);
        let Reading { at, value, quality, reason, .. } = past;
        store.import(sensor(2), vec![Sample { at, value, quality, reason }]).await.unwrap();
        sent.push(past);
        follow(&store, &mut got).await;
        if round == 3 {
            store.close().await.unwrap();
            store = open_at(folder.path()).0;
        }
        let expected: BTreeMap<_, _> =
            expected(&sent).into_iter().map(|((ix, at), s)| ((sensor(ix.0), at), s)).collect();
        assert!(got.keys().eq(expected.keys()), "round {round}");
        // A repeat with another value may stand at the far end until both are in a chunk.
        store.compact().await.unwrap();
        follow(&store, &mut got).await;
        assert_eq!(got, expected, "round {round}");
    }
    store.close().await.unwrap();
}

#[tokio::test]
async fn readings_older_than_the_wanted_length_are_dropped_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(ManualClock::new(start() + Span::from_days(10.0)));
    let mut options = options(folder.path());
    options.keep_readings = Some(Span::from_days(2.0));
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    let old: Vec<Reading> = (0..240).map(|hour| reading(0, hour * 3600, 1)).collect();
    store.append(old, None).unwrap();
    store.compact().await.unwrap();
    clock.advance(Span::from_minutes(2));
    // What is due is done after each request: the second answer comes after it.
    store.set_setting("a".into(), None).await.unwrap();
    store.set_setting("a".into(), None).await.unwrap();
    let left = everything(&store);
    assert_eq!(left.len(), 48);
    assert!(left.keys().all(|(_, at)| *at >= start() + Span::from_days(8.0)));
    store.close().await.unwrap();
}

#[tokio::test]
async fn readings_of_an_unset_clock_take_their_place_once_it_is_set() {
    let folder = tempfile::tempdir().unwrap();
    // The machine was off for two hours and woke up an hour in the past, without a battery clock.
    let woke = start() + Span::from_hours(9);
    let clock = Arc::new(ManualClock::new(woke));
    clock.set_trusted(false);
    let store = open(options(folder.path()), clock.clone() as Arc<dyn Clock>).unwrap();
    let untrusted = |value| Reading {
        sensor: SensorIx(0),
        at: clock.now().utc,
        value: Value(value),
        quality: Quality::Uncertain,
        reason: Reason::UntrustedClock,
    };
    store.append(vec![untrusted(1)], None).unwrap();
    store.flush().await.unwrap();
    clock.advance(Span::from_minutes(5));
    store.append(vec![untrusted(2)], None).unwrap();
    // A person sets it roughly; it is still not trusted.
    let old = clock.now().utc;
    clock.step_wall(Span::from_hours(2));
    assert_eq!(store.record_clock_step(old, clock.now()).await.unwrap(), 0);
    clock.advance(Span::from_minutes(5));
    store.append(vec![untrusted(3)], None).unwrap();
    store.flush().await.unwrap();
    assert!(everything(&store).is_empty(), "nobody knows yet where they belong");
    assert_eq!(store.read(|look| look.unplaced_readings()).await.unwrap(), 3);
    // The time server answers.
    let old = clock.now().utc;
    clock.step_wall(Span::from_hours(1));
    clock.set_trusted(true);
    assert_eq!(store.record_clock_step(old, clock.now()).await.unwrap(), 3);
    store.append(vec![reading(0, 13 * 3600, 4)], None).unwrap();
    store.flush().await.unwrap();
    let truth = |minutes| woke + Span::from_hours(3) + Span::from_minutes(minutes);
    let placed: Vec<(Timestamp, i32)> = everything(&store).values().map(|s| (s.at, s.value.0)).collect();
    let mut expected =
        vec![(truth(0), 1), (truth(5), 2), (truth(10), 3), (start() + Span::from_hours(13), 4)];
    expected.sort_unstable();
    assert_eq!(placed, expected);
    assert_eq!(store.read(|look| look.unplaced_readings()).await.unwrap(), 0);
    store.close().await.unwrap();
}
