//! What the store costs: bytes written a day, bytes kept a reading, time for a chart of a season.
//!
//! The only test of its binary, because it counts what the whole process writes.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]
#![expect(clippy::unwrap_used, reason = "what a test needs to begin must be there")]

use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::SensorId;
use nightjar::reading::{Quality, Reading, Reason, SensorIx, Value};
use nightjar::store::{Sample, StoreHandle, StoreOptions, open};
use nightjar_calc::time::{Span, Timestamp};
use std::sync::Arc;

const CHANNELS: u16 = 48;
/// One page of the log with its frame header, and its share of the checkpoint: what 48 packed
/// values cost at least when committed by themselves, measured with SQLite alone.
const PACKED_MINIMUM_KIB: f64 = 4.4;

fn sensor(ix: u16) -> SensorId {
    SensorId::new(&format!("J{:02}{}", ix / 2, if ix.is_multiple_of(2) { 'T' } else { 'F' })).unwrap()
}

/// Small, repeatable noise: the sum of four uniform numbers is near enough to a bell.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        f64::from(u32::try_from(self.0 >> 32).unwrap()) / f64::from(u32::MAX)
    }

    /// Standard deviation 1.
    fn bell(&mut self) -> f64 {
        let sum: f64 = (0..4).map(|_| self.uniform() - 0.5).sum();
        sum * 3.0_f64.sqrt()
    }
}

/// One scan: temperatures with a daily swing of 2 °C, flows about 3 L/min. A thermistor at a
/// 12-bit converter resolves some 0.02 °C and shows as much noise; a pulse meter counts whole
/// pulses. Frames arrive within 40 ms of their second.
fn scan(n: i64, start: Timestamp, noise: &mut Noise) -> Vec<Reading> {
    let seconds = n * 10;
    let day = f64::from(i32::try_from(seconds).unwrap()) / 86_400.0;
    let late = Span::from_days(noise.uniform() * 0.040 / 86_400.0);
    (0..CHANNELS)
        .map(|ix| {
            let value = if ix.is_multiple_of(2) {
                11.0 + f64::from(ix) * 0.01 + (day * std::f64::consts::TAU).sin() + 0.02 * noise.bell()
            } else {
                // 0.45 L/min for each pulse in 10 s at 13.3 pulses a litre.
                ((3.0 + 0.03 * noise.bell()) * 13.3 / 6.0).round() * 6.0 / 13.3
            };
            Reading {
                sensor: SensorIx(ix),
                at: start + Span::from_secs(seconds) + late,
                value: Value::from_f64(value).unwrap(),
                quality: Quality::Good,
                reason: Reason::None,
            }
        })
        .collect()
}

/// Bytes handed to the kernel by write calls, and bytes it sent to the medium.
fn written() -> (f64, f64) {
    let io = std::fs::read_to_string("/proc/self/io").unwrap();
    let field = |name: &str| {
        let line = io.lines().find(|line| line.starts_with(name)).unwrap();
        line.rsplit(' ').next().unwrap().parse::<f64>().unwrap()
    };
    (field("wchar:"), field("write_bytes:"))
}

async fn settle(store: &StoreHandle, readings: u64) {
    let mut health = store.health_changes();
    health.wait_for(|health| health.readings >= readings).await.unwrap();
}

#[tokio::test]
async fn the_card_is_spared_and_charts_of_a_season_are_quick() {
    let folder = tempfile::tempdir().unwrap();
    let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
    let clock = Arc::new(ManualClock::new(start));
    let mut options =
        StoreOptions::new(folder.path().join("nightjar.db"), (0..CHANNELS).map(sensor).collect());
    options.ballast_bytes = 0;
    options.must_open = true;
    let store = open(options, clock.clone() as Arc<dyn Clock>).unwrap();
    let mut noise = Noise(0x5eed_cafe_f00d);

    // Half a day of scans, each committed by itself, with the moving into chunks that falls due.
    let scans = 4_320_i64;
    let mut sent: Vec<Reading> = Vec::new();
    let before = written();
    for n in 0..scans {
        let readings = scan(n, start, &mut noise);
        sent.extend(readings.iter().filter(|r| r.sensor.0 < 2));
        store.append(readings, None).unwrap();
        while store.queued().0 > 0 {
            tokio::task::yield_now().await;
        }
        // Answered after the scan was taken up, so that the clock cannot run ahead of it.
        store.shorten_messages(nightjar::alarm::event::EventId(0), Span::ZERO).await.unwrap();
        clock.advance(Span::from_secs(10));
        settle(&store, (u64::try_from(n).unwrap() + 1) * u64::from(CHANNELS)).await;
    }
    let after = written();
    let (calls, medium) = (after.0 - before.0, after.1 - before.1);
    let scans_f = 4_320.0;
    let per_scan = calls / scans_f / 1024.0;
    let day = 2.0 * calls / 1024.0_f64.powi(3);
    println!(
        "written: {per_scan:.2} KiB a scan by write calls ({:.2} to the medium), {day:.3} GiB a day",
        medium / scans_f / 1024.0
    );
    println!("ratio to the packed minimum of {PACKED_MINIMUM_KIB} KiB: {:.2}", per_scan / PACKED_MINIMUM_KIB);
    assert!(day <= 0.10, "{day} GiB a day");
    assert!(per_scan / PACKED_MINIMUM_KIB <= 1.3, "{per_scan} KiB a scan");

    // What is kept, once the time is over and moved. Free pages are used again, so they count.
    clock.advance(Span::from_hours(1));
    store.compact().await.unwrap();
    store.close().await.unwrap();
    let path = folder.path().join("nightjar.db");
    let (pages, free): (f64, f64) = {
        let db = rusqlite::Connection::open(&path).unwrap();
        let pragma = |name: &str| db.pragma_query_value::<f64, _>(None, name, |row| row.get(0)).unwrap();
        (pragma("page_count"), pragma("freelist_count"))
    };
    let readings = scans_f * f64::from(CHANNELS);
    let (kept, with_free) = ((pages - free) * 4096.0 / readings, pages * 4096.0 / readings);
    println!("kept: {kept:.2} bytes a reading, {with_free:.2} with the free pages left by the tail");
    assert!(kept <= 3.0, "{kept} bytes a reading");

    // Exactly what was sent comes back.
    let store = open(
        StoreOptions { ballast_bytes: 0, ..StoreOptions::new(path, (0..CHANNELS).map(sensor).collect()) },
        clock.clone() as Arc<dyn Clock>,
    )
    .unwrap();
    for ix in 0..2 {
        let back = store
            .read(move |look| look.samples_between(&sensor(ix), start, start + Span::from_days(2.0)))
            .await
            .unwrap();
        let sent: Vec<(Timestamp, Value)> =
            sent.iter().filter(|r| r.sensor.0 == ix).map(|r| (r.at, r.value)).collect();
        let back: Vec<(Timestamp, Value)> = back.into_iter().map(|s| (s.at, s.value)).collect();
        assert_eq!(back, sent, "channel {ix}");
    }

    // Sixty days of one channel, among others so that its pages are not alone in the file.
    let season = 60;
    let real = nightjar::clock::SystemClock::new(Box::new(nightjar::clock::NotBeforeBuild));
    let began = real.now().up;
    for day in 1..=season {
        for ix in 0..4 {
            let samples: Vec<Sample> = (0..8_640)
                .map(|n| Sample {
                    at: start + Span::from_days(f64::from(day)) + Span::from_secs(n * 10),
                    value: Value::from_f64(11.0 + 0.02 * noise.bell()).unwrap(),
                    quality: Quality::Good,
                    reason: Reason::None,
                })
                .collect();
            store.import(sensor(ix * 2), samples).await.unwrap();
        }
    }
    let imported = real.now().up.since(began).secs();
    println!("import: {:.0} readings a second", f64::from(season * 4 * 8_640) / imported);
    let from = start + Span::from_days(1.0);
    let to = from + Span::from_days(f64::from(season));
    let mut times = Vec::new();
    for _ in 0..9 {
        let began = real.now().up;
        let bars =
            store.read(move |look| look.chart(&sensor(2), from, to, Span::from_hours(2))).await.unwrap();
        times.push(real.now().up.since(began).ms());
        assert_eq!(bars.len(), 60 * 12);
        assert_eq!(bars.iter().map(|bar| bar.used).sum::<u32>(), 60 * 8_640);
    }
    times.sort_unstable();
    println!("chart of 60 days: {} ms in the middle, {} ms at worst", times[4], times[8]);
    store.close().await.unwrap();
}
