//! What is fuzzed: everything that reads bytes from outside. A target takes any bytes and may refuse
//! them; it must not panic, and what it takes must keep the promises stated here.
//!
//! Used by the fuzzer's targets beside this file and, on a stable compiler, by
//! `daemon/tests/fuzz_loop.rs`.

use nightjar::clock::Uptime;
use nightjar::ingest::decode::message::{Pick, Topic, TopicFilter, decode};
use nightjar::ingest::decode::{Columns, LineFormat, Sentences, columns::Column};
use nightjar::ingest::frame::{LONGEST_LINE, LineSplitter, Piece};
use nightjar::ingest::modbus::register::{Coding, Register, Table};
use nightjar::logbook::Entry;
use nightjar::notify::gsm::{Deliver, StatusReport, Submit, split};
use nightjar::notify::modem::{Job, JobId, Machine, Output};
use nightjar::notify::reply::understand;
use nightjar_calc::time::Zone;

/// A target by its name.
pub type Target = (&'static str, fn(&[u8]));

/// Those that need nothing but bytes.
pub const TARGETS: [Target; 8] = [
    ("serial", serial),
    ("mqtt", mqtt),
    ("modbus", modbus),
    ("modem", modem),
    ("pdu", pdu),
    ("csv", csv),
    ("configuration", configuration),
    ("json", json),
];

/// Bytes of a serial port, in pieces, in all three forms.
pub fn serial(bytes: &[u8]) {
    let column = |name: &str| Column::Sensor(name.to_owned());
    let formats = [
        LineFormat::Sentences(Sentences::default()),
        LineFormat::Sentences(Sentences { checksum_required: false, ..Sentences::default() }),
        LineFormat::JsonLines,
        LineFormat::Columns(Columns {
            separator: ',',
            columns: vec![Column::Time, column("J01T"), Column::Ignored, column("J01F")],
            checksum_required: false,
        }),
    ];
    let mut lines: [Vec<Vec<u8>>; 2] = Default::default();
    // The same bytes whole and in pieces give the same lines.
    for (lines, size) in lines.iter_mut().zip([bytes.len().max(1), 7]) {
        let mut splitter = LineSplitter::default();
        for piece in bytes.chunks(size) {
            splitter.push(piece, |found| match found {
                Piece::Line(line) => lines.push(line.to_vec()),
                Piece::Overlong(start) => assert!(start.len() <= LONGEST_LINE),
            });
        }
    }
    assert_eq!(lines[0], lines[1]);
    for line in &lines[0] {
        assert!(line.len() <= LONGEST_LINE);
        for format in &formats {
            // Refused with a word, or read.
            if let Ok(decoded) = format.decode(line) {
                assert!(decoded.readings.len() + decoded.refused.len() <= LONGEST_LINE);
            }
        }
    }
}

/// A topic up to the first line end, and the payload behind it.
pub fn mqtt(bytes: &[u8]) {
    let cut = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(bytes.len());
    let (topic, payload) = bytes.split_at(cut);
    let payload = payload.get(1..).unwrap_or_default();
    let Ok(topic) = std::str::from_utf8(topic) else { return };
    let filter = |text: &str| TopicFilter::parse(text).expect("a filter");
    let pick =
        |pointer: Option<&str>| Pick { sensor: "{sensor}".to_owned(), pointer: pointer.map(str::to_owned) };
    let topics = [
        Topic::plain(filter("sensors/+")),
        Topic {
            filter: filter("json/+/#"),
            picks: vec![pick(Some("/value")), pick(Some("/deep/0/value"))],
            at: Some("/at".to_owned()),
        },
    ];
    // Any filter can come from a configuration.
    drop(TopicFilter::parse(topic));
    drop(decode(&topics, topic, payload));
}

/// The words of an answer, by every coding.
pub fn modbus(bytes: &[u8]) {
    let words: Vec<u16> =
        bytes.chunks(2).map(|pair| pair.iter().fold(0, |sum, byte| sum << 8 | u16::from(*byte))).collect();
    for coding in [Coding::U16, Coding::I16, Coding::U32, Coding::I32, Coding::F32] {
        for (low_word_first, low_byte_first) in [(false, false), (true, false), (false, true), (true, true)] {
            let register = Register {
                sensor: "J01T".to_owned(),
                unit: 1,
                table: Table::Input,
                address: 0,
                coding,
                low_word_first,
                low_byte_first,
                scale: 0.1,
                offset: -40.0,
            };
            let length = usize::from(coding.registers());
            assert!(register.value(&words).is_ok() || words.len() != length);
            if let Some(words) = words.get(..length) {
                assert!(register.value(words).is_ok());
            }
        }
    }
}

/// What a modem says, while a text waits to be sent; time passes between lines.
pub fn modem(bytes: &[u8]) {
    let now = |ms: u64| Uptime::from_ms(1_000 + ms);
    let mut machine =
        Machine::new(Some("1234".to_owned()), bytes.first().is_some_and(|b| b & 1 == 1), now(0));
    let mut ms = 0;
    let mut job =
        Some(Job { id: JobId(1), units: vec![("0001000B9131214365870900000568656C6C6F".to_owned(), 18)] });
    for byte in bytes {
        // A machine that goes on asking without an answer would never come to rest.
        for _ in 0..200 {
            match machine.poll_output() {
                Some(Output::Open) => machine.opened(now(ms)),
                Some(Output::Arrived { index: Some(index), .. }) => machine.committed(index, now(ms)),
                Some(
                    Output::Write(_)
                    | Output::Close
                    | Output::CutPower
                    | Output::Done(..)
                    | Output::Arrived { index: None, .. }
                    | Output::Note(_),
                ) => {}
                None => break,
            }
        }
        assert!(machine.poll_output().is_none(), "it goes on without an answer");
        machine.handle_byte(*byte, now(ms));
        if *byte == b'\n' {
            if let Some(job) = job.take() {
                machine.send(job, now(ms));
            }
            ms += 40;
            if let Some(due) = machine.poll_timeout()
                && bytes.len().is_multiple_of(3)
            {
                ms = ms.max(due.ms().saturating_sub(1_000));
                machine.handle_timeout(now(ms));
            }
        }
        if *byte == 0xff {
            machine.lost("unplugged", now(ms));
        }
    }
}

/// A unit from the modem; one that is read is written the same again, and any text can be sent and
/// understood.
pub fn pdu(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let line = text.trim();
    if let Ok(deliver) = Deliver::from_hex(line)
        && let Ok(again) = deliver.hex()
    {
        assert_eq!(Deliver::from_hex(&again).as_ref(), Ok(&deliver));
    }
    if let Ok(report) = StatusReport::from_hex(line) {
        let _arrival = report.arrival();
        if let Ok(again) = report.hex() {
            assert_eq!(StatusReport::from_hex(&again).as_ref(), Ok(&report));
        }
    }
    if let Ok(submit) = Submit::from_hex(line)
        && let Ok((again, _)) = submit.hex()
    {
        assert_eq!(Submit::from_hex(&again).as_ref(), Ok(&submit));
    }
    if let Ok(parts) = split(&text, 7) {
        assert!(!parts.is_empty());
    }
    let _meant = understand(&text);
}

/// Files of readings, and of temperatures.
pub fn csv(bytes: &[u8]) {
    let zone = Zone::named("America/Chicago").expect("a zone");
    let known = ["J01T".to_owned(), "J01F".to_owned()];
    if let Ok(trace) = nightjar::replay::trace::read(bytes, &known, zone) {
        assert!(trace.rows.is_sorted_by_key(|row| row.at));
    }
    let columns = nightjar::cli::temperatures::Columns { zone: Some(zone), ..Default::default() };
    // Refused with its line, or read.
    drop(nightjar::cli::temperatures::parse(bytes, "file", &columns));
}

/// A configuration. What is refused says where and why.
pub fn configuration(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match nightjar::config::parse(text, "file") {
        Ok(config) => assert!(!config.rack.headers.is_empty()),
        Err(refused) => assert!(refused.to_string().contains("file")),
    }
}

/// An entry; one that is read is written the same again.
pub fn json(bytes: &[u8]) {
    if let Ok(entry) = serde_json::from_slice::<Entry>(bytes) {
        let again = serde_json::to_vec(&entry).expect("an entry can be written");
        let again: Entry = serde_json::from_slice(&again).expect("what was written can be read");
        assert_eq!(again, entry);
    }
}
