//! The fuzz targets of `tests/fuzz` on a stable compiler: a bounded loop of simple mutations over the
//! small corpus kept there, the same inputs each time. `NIGHTJAR_FUZZ=300000` asks for more of them.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed, and says what it measured")]

#[path = "../../tests/fuzz/src/targets.rs"]
mod targets;
mod web_stand;

use axum::body::Body;
use axum::http::Request;
use http_body_util::BodyExt;
use nightjar::clock::{Clock, ManualClock};
use nightjar::ids::SensorId;
use nightjar::reading::{Quality, Reading, Reason, SensorIx, Value};
use nightjar::store::{FILE_NAME, Reader, StoreError, StoreOptions, look_at};
use nightjar_calc::time::{Span, Timestamp};
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;
use tower::ServiceExt;
use web_stand::{Stand, play_core, stand};

/// Inputs of each target where nothing else is asked for.
const USUAL: u64 = 4_000;

fn inputs() -> u64 {
    std::env::var("NIGHTJAR_FUZZ").ok().map_or(USUAL, |text| text.parse().expect("NIGHTJAR_FUZZ is a number"))
}

/// SplitMix64 (Steele, Lea & Flood 2014).
struct Chance(u64);

impl Chance {
    fn any(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.any() % end.max(1) as u64).unwrap()
    }

    fn byte(&mut self) -> u8 {
        self.any().to_le_bytes()[0]
    }
}

/// Words and bytes that parsers stumble over.
const WORDS: &[&[u8]] = &[
    b"\0",
    b"\xff",
    b"\xff\xff\xff\xff",
    b"\x7f",
    b"\x80",
    b"\n",
    b"\r\n",
    b"\t",
    b",",
    b";",
    b"*",
    b"$",
    b"\"",
    b"{",
    b"}",
    b"[",
    b"]",
    b"=",
    b"&",
    b"%00",
    b"%",
    b"-",
    b"+",
    b".",
    b"0",
    b"-0",
    b"1e999",
    b"1e-400",
    b"99999999999999999999",
    b"-9223372036854775808",
    b"4294967296",
    b"65536",
    b"nan",
    b"NaN",
    b"inf",
    b"null",
    b"true",
    b"0001-01-01T00:00:00Z",
    b"9999-12-31T23:59:60Z",
    b"1970-01-01T00:00:00Z",
    b"2026-03-08T02:30:00",
    b"\xe2\x80\xae",
    b"\xef\xbb\xbf",
    b"\xf0\x9f\x90\x9f",
    b"\xc3",
    b"../../",
    b"'; DROP TABLE entry;--",
    b"<b>",
];

fn mutated(corpus: &[Vec<u8>], chance: &mut Chance) -> Vec<u8> {
    let mut bytes = corpus[chance.below(corpus.len())].clone();
    for _ in 0..=chance.below(4) {
        let at = chance.below(bytes.len() + 1);
        let to = (at + chance.below(32)).min(bytes.len());
        match chance.below(9) {
            0 if at < bytes.len() => bytes[at] ^= 1 << chance.below(8),
            1 if at < bytes.len() => bytes[at] = chance.byte(),
            2 => drop(bytes.drain(at..to)),
            3 => {
                let piece = bytes[at..to].to_vec();
                bytes.splice(at..at, piece);
            }
            4 => bytes.truncate(at),
            5 => drop(bytes.splice(at..to, WORDS[chance.below(WORDS.len())].iter().copied())),
            6 => drop(bytes.splice(at..at, WORDS[chance.below(WORDS.len())].iter().copied())),
            7 => {
                let other = &corpus[chance.below(corpus.len())];
                let from = chance.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            _ => {
                let repeat = chance.below(200);
                let byte = chance.byte();
                bytes.splice(at..at, std::iter::repeat_n(byte, repeat));
            }
        }
    }
    bytes.truncate(64 * 1024);
    bytes
}

fn corpus(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fuzz/corpus").join(target);
    let mut files: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|file| file.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// Gives the whole corpus and then mutations of it to a target. A panic keeps its input.
fn fuzz(name: &str, corpus: &[Vec<u8>], inputs: u64, mut target: impl FnMut(&[u8])) {
    assert!(!corpus.is_empty(), "{name} has a corpus");
    let mut chance =
        Chance(name.bytes().fold(1, |seed: u64, byte| seed.wrapping_mul(31).wrapping_add(u64::from(byte))));
    let whole = corpus.iter().cloned();
    let mut number = 0_u64;
    let mut give = |bytes: &[u8]| {
        number += 1;
        if catch_unwind(AssertUnwindSafe(|| target(bytes))).is_err() {
            let kept = std::env::temp_dir().join(format!("nightjar-fuzz-{name}-{number}"));
            std::fs::write(&kept, bytes).unwrap();
            panic!("{name}: input {number} panics; it is kept in {}", kept.display());
        }
    };
    whole.for_each(|bytes| give(&bytes));
    for _ in 0..inputs {
        give(&mutated(corpus, &mut chance));
    }
    let line = format!("{name}: {number} inputs");
    drop(writeln!(std::io::stderr(), "{line}"));
}

#[test]
fn what_comes_from_outside_is_taken_or_refused() {
    for (name, target) in targets::TARGETS {
        fuzz(name, &corpus(name), inputs(), target);
    }
}

/// Forms, in the way of a browser: the kind of entry on the first line, the fields on the second.
#[test]
fn forms_are_answered_whatever_is_in_them() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()));
    let Stand { backend, present, asked, memory } = stand(Arc::clone(&clock) as Arc<dyn Clock>, true);
    let core = runtime.spawn(play_core(asked, Arc::clone(&memory)));
    let app = nightjar::web::router(backend);
    let mut answered = std::collections::BTreeMap::<u16, u64>::new();
    fuzz("form", &corpus("form"), inputs().min(30_000), |bytes| {
        let cut = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(0);
        let (kind, fields) = bytes.split_at(cut);
        let kind: String = kind.iter().filter(|b| b.is_ascii_lowercase()).map(|b| char::from(*b)).collect();
        let request = Request::post(format!("/entry/{kind}"))
            .header("host", "rack.local")
            .header("origin", "http://rack.local")
            .header("sec-fetch-site", "same-origin")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from(fields.get(1..).unwrap_or_default().to_vec()))
            .unwrap();
        // Not faster than one address may ask.
        clock.advance(Span::from_ms(100));
        let status = runtime.block_on(async {
            let answer = app.clone().oneshot(request).await.unwrap();
            let status = answer.status();
            answer.into_body().collect().await.unwrap();
            status
        });
        *answered.entry(status.as_u16()).or_default() += 1;
        assert_ne!(status.as_u16(), 500);
        memory.entries.lock().unwrap().clear();
    });
    drop(writeln!(std::io::stderr(), "answers by status: {answered:?}"));
    assert!(answered.contains_key(&303), "some entries are made");
    core.abort();
    drop(present);
}

/// Rows and hours of readings with bytes changed: read with an error, or as some readings.
#[test]
fn damaged_blobs_of_readings_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let start = Timestamp::parse("2026-04-18T06:00:00Z").unwrap();
    let clock = Arc::new(ManualClock::new(start + Span::from_hours(12)));
    let mut options = StoreOptions::new(folder.path().join(FILE_NAME), vec![SensorId::new("J01T").unwrap()]);
    options.ballast_bytes = 0;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let store = nightjar::store::open(options, clock as Arc<dyn Clock>).unwrap();
    let append = |hour: i64| {
        let reading = |n: i64| Reading {
            sensor: SensorIx(0),
            at: start + Span::from_hours(hour) + Span::from_secs(10 * n),
            value: Value(i32::try_from(110_000 + n * 37 % 500).unwrap()),
            quality: if n % 50 == 7 { Quality::Bad } else { Quality::Good },
            reason: if n % 50 == 7 { Reason::Range } else { Reason::None },
        };
        store.append((0..200).map(reading).collect(), None).unwrap();
    };
    runtime.block_on(async {
        append(0);
        store.compact().await.unwrap();
        append(12);
        store.flush().await.unwrap();
        store.close().await.unwrap();
    });
    let path = folder.path().join(FILE_NAME);
    let db = rusqlite::Connection::open(&path).unwrap();
    db.pragma_update(None, "synchronous", "off").unwrap();
    for table in ["tail", "chunk"] {
        let (id, whole): (i64, Vec<u8>) = db
            .query_row(&format!("SELECT id, packed FROM {table}"), [], |row| Ok((row.get(0)?, row.get(1)?)))
            .unwrap();
        let count = |reader: &Reader<'_>| {
            let mut number = 0_u64;
            reader
                .each_reading(Timestamp::from_ms(0), start + Span::from_hours(48), |_, _| {
                    number += 1;
                    Ok::<(), StoreError>(())
                })
                .map(|()| number)
        };
        assert_eq!(look_at(&path, count).unwrap(), 400);
        let (mut read, mut refused) = (0_u64, 0_u64);
        let mut put = db.prepare(&format!("UPDATE {table} SET packed = ?2 WHERE id = ?1")).unwrap();
        fuzz(table, std::slice::from_ref(&whole), inputs().min(100_000), |bytes| {
            put.execute(rusqlite::params![id, bytes]).unwrap();
            let outcome = look_at(&path, count);
            if outcome.is_ok() { read += 1 } else { refused += 1 }
        });
        put.execute(rusqlite::params![id, whole]).unwrap();
        drop(writeln!(std::io::stderr(), "{table}: {read} read as something, {refused} refused"));
        assert!(refused > 0 && read > 0);
    }
}
