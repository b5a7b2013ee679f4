//! Times of a few inner pieces: `cargo bench -p nightjar`. The table of whole paths is `tests/bench`.
#![allow(missing_docs, clippy::unwrap_used, reason = "a bench that cannot begin has nothing to measure")]

#[path = "../examples/stored_season/season.rs"]
mod season;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use nightjar::alarm::engine::Plan;
use nightjar::alarm::record::Stored;
use nightjar::clock::{Clock, ManualClock, Now};
use nightjar::config::{self, Config};
use nightjar::core::limits;
use nightjar::core::run::usable;
use nightjar::core::state::{Begin, State};
use nightjar::core::water::Water;
use nightjar::ingest::decode::message::{Topic, TopicFilter, decode};
use nightjar::ingest::decode::{LineFormat, Sentences};
use nightjar::notify::route::{Directory, Router};
use nightjar::progress::Progress;
use nightjar::progress::followed::Season;
use nightjar::rack::{JarIx, Measure};
use nightjar::reading::{FromSource, Quality, RawReading, Reading, Reason, SensorIx, SourceIx, Value};
use nightjar::store::packed_bytes;
use nightjar_calc::development::species;
use nightjar_calc::stages::Courses;
use nightjar_calc::thermal::{DegreesAboveZero, Ledger, Rules, Sample, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use std::collections::BTreeMap;
use std::hint::black_box;
use std::sync::Arc;

const JARS: usize = 24;

fn end() -> Timestamp {
    Timestamp::parse("2026-05-02T12:00:00-05:00").unwrap()
}

fn station() -> Config {
    let rows: Vec<String> = (0..JARS / 8)
        .map(|header| {
            let jars: Vec<String> = (1..=8).map(|jar| format!("{:02}", header * 8 + jar)).collect();
            format!("[[rack.header]]\nid = \"{header}\"\nrows = [{jars:?}]\n")
        })
        .collect();
    let text = format!(
        "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\naltitude-m = 300\nwater-type = \"lake-fed\"\n\
         [rack]\nheader-temperature = \"H{{header}}T\"\n{}[[source.mqtt]]\nid = \"broker\"\nhost = \"localhost\"\n\
         client-id = \"nightjar\"\ninterval = \"10s\"\n[[source.mqtt.topic]]\nfilter = \"sensors/{{sensor}}\"\n\
         [[people]]\nid = \"kim\"\nemail = \"kim@station.example\"\n[[people]]\nid = \"lee\"\n\
         email = \"lee@station.example\"\n[rota]\nweeks = [[\"kim\", \"lee\"]]\n[notify]\nmail-folder = \"/nowhere\"\n",
        rows.concat()
    );
    config::parse(&text, "the bench").map_err(|refused| refused.to_string()).unwrap()
}

/// Lots two weeks old, with all their temperatures.
fn grown(config: &Config) -> Progress {
    let rack = Arc::clone(&config.rack);
    let mut progress = Progress::new(Arc::clone(&rack), species::all().to_vec());
    progress.set_entries(season::entries(&rack, end()).unwrap());
    let from = end() - Span::from_days(season::EGGS_SINCE);
    for (number, sensor) in (0_u16..).zip(&rack.sensors).filter(|(_, s)| s.measure == Measure::Temperature) {
        let samples = season::samples(sensor, number.into(), from, end(), Span::from_secs(10));
        progress.set_hours(SensorIx(number), [], usable(&samples));
    }
    progress.settle();
    progress
}

fn state(config: &Config, progress: Progress, now: Now) -> State {
    let plan = Plan {
        rack: (*config.rack).clone(),
        sources: vec!["broker".to_owned()],
        routes: vec!["folder".to_owned()],
        settings: limits::settings(&config.alarm),
        code_seed: 1,
    };
    let begin = Begin {
        rack: Arc::clone(&config.rack),
        plan,
        stored: Stored::default(),
        off_for: None,
        progress,
        water_type: config.water_type,
        router: Router::new(Directory::new(config)),
        followed: Season::restored(BTreeMap::new()),
        last_told: None,
    };
    State::new(begin, now)
}

fn frames(c: &mut Criterion) {
    let topics = [Topic::plain(TopicFilter::parse("sensors/{sensor}").unwrap())];
    c.bench_function("decode a message of MQTT", |b| {
        b.iter(|| decode(&topics, black_box("sensors/J07T"), black_box(b"11.42")));
    });
    let body = "NJXDR,C,11.42,C,J07T,R,0.0512,L,J07F";
    let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
    let line = format!("${body}*{sum:02X}");
    let format = LineFormat::Sentences(Sentences::default());
    assert!(format.decode(line.as_bytes()).is_ok_and(|decoded| decoded.readings.len() == 2));
    c.bench_function("decode a sentence of two readings", |b| {
        b.iter(|| format.decode(black_box(line.as_bytes())))
    });
}

/// One message through the core: judged, summed, held against its alarms.
fn core_step(c: &mut Criterion) {
    let config = station();
    let clock = ManualClock::new(end());
    let mut state = state(&config, grown(&config), clock.now());
    state.refresh(clock.now());
    let names: Vec<String> = config.rack.sensors.iter().map(|sensor| sensor.id.to_string()).collect();
    let mut turn = 0_usize;
    c.bench_function("one reading through the core, 24 jars", |b| {
        b.iter(|| {
            let name = &names[turn % names.len()];
            clock.advance(Span::from_ms(200));
            let value = if name.ends_with('T') { 9.0 } else { 3.0 } + (turn % 7) as f64 * 0.01;
            turn += 1;
            let readings = vec![RawReading { name: name.clone(), value, at: None, retained: false }];
            let arrived = clock.now();
            state.handle_source(FromSource::Readings {
                source: SourceIx(0),
                arrived,
                readings,
                receipt: None,
            });
            state.handle_timeout(arrived);
            while let Some(output) = state.poll_output() {
                black_box(output);
            }
        });
    });
}

fn sums(c: &mut Criterion) {
    let samples: Vec<Sample> = (0..360)
        .map(|n| Sample {
            at: end() + Span::from_secs(10 * n),
            ten_thousandths: 90_000 + (n % 7) as i32 * 100,
        })
        .collect();
    let (hour, rules) = (hour_of(end()), Rules::for_interval(Span::from_secs(10)));
    c.bench_function("thermal ledger: an hour of 360 readings put", |b| {
        b.iter_batched_ref(
            || Ledger::new(DegreesAboveZero, rules),
            |ledger| ledger.put(hour, black_box(&samples)),
            BatchSize::SmallInput,
        );
    });
    c.bench_function("thermal ledger: one reading added", |b| {
        b.iter_batched_ref(
            || {
                let mut ledger = Ledger::new(DegreesAboveZero, rules);
                ledger.put(hour, &samples[..359]);
                ledger
            },
            |ledger| ledger.add(black_box(samples[359])),
            BatchSize::SmallInput,
        );
    });
}

fn outlooks(c: &mut Criterion) {
    let config = station();
    let progress = grown(&config);
    let mut water = Water::new(Arc::clone(&config.rack), config.water_type);
    let jar = JarIx(5);
    let header = config.rack.jar(jar).header;
    c.bench_function("outlook of the water of a header", |b| {
        b.iter(|| water.outlook(&progress, header, end()));
    });
    let futures = water.outlook(&progress, header, end());
    let courses = || futures.as_ref().map(Courses::new);
    assert!(progress.view(jar, end(), courses().as_ref()).is_some());
    c.bench_function("outlook of one jar", |b| {
        b.iter(|| progress.view(jar, end(), courses().as_ref()));
    });
}

fn packing(c: &mut Criterion) {
    let scan: Vec<Reading> = (0..48_u16)
        .map(|ix| Reading {
            sensor: SensorIx(ix),
            at: end(),
            value: Value(110_000 + 37 * i32::from(ix)),
            quality: Quality::Good,
            reason: Reason::None,
        })
        .collect();
    c.bench_function("packing a scan of 48 readings", |b| b.iter(|| packed_bytes(black_box(&scan))));
}

criterion_group!(inner, frames, core_step, sums, outlooks, packing);
criterion_main!(inner);
