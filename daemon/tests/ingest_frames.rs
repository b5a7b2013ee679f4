//! Decoders against the captured frames that boards and simulators are held to, and against any
//! bytes at all.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::ingest::decode::columns::{Column, Columns};
use nightjar::ingest::decode::message::{self, Pick, Topic, TopicFilter};
use nightjar::ingest::decode::{Decoded, LineFormat, Sentences};
use nightjar::ingest::{Refusal, SourceCounters};
use nightjar_calc::time::Timestamp;
use proptest::prelude::*;
use std::path::Path;

/// A line of the fixture file with what it means.
#[derive(Default)]
struct Frame {
    form: String,
    line: Vec<u8>,
    values: Vec<(String, f64)>,
    none: Vec<String>,
    at: Option<Timestamp>,
    refused: Option<String>,
}

fn frames() -> Vec<Frame> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fixtures/frames.txt");
    let mut frames: Vec<Frame> = Vec::new();
    let mut form = String::new();
    for line in std::fs::read_to_string(path).unwrap().lines() {
        let Some((mark, rest)) = line.split_once(' ') else { continue };
        let words: Vec<&str> = rest.split(' ').collect();
        match mark {
            "@" => rest.clone_into(&mut form),
            ">" => frames.push(Frame { form: form.clone(), line: bytes(rest), ..Frame::default() }),
            "=" => frames.last_mut().unwrap().values.push((words[0].to_owned(), words[1].parse().unwrap())),
            "~" => frames.last_mut().unwrap().none.push(words[0].to_owned()),
            "at" => frames.last_mut().unwrap().at = Some(Timestamp::parse(rest).unwrap()),
            "!" => frames.last_mut().unwrap().refused = Some(rest.to_owned()),
            _ => {}
        }
    }
    frames
}

fn bytes(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        rest = after;
        if first != b'\\' {
            bytes.push(first);
        } else if rest[0] == b'\\' {
            bytes.push(b'\\');
            rest = &rest[1..];
        } else {
            bytes.push(u8::from_str_radix(std::str::from_utf8(&rest[1..3]).unwrap(), 16).unwrap());
            rest = &rest[3..];
        }
    }
    bytes
}

fn columns() -> LineFormat {
    LineFormat::Columns(Columns {
        separator: ',',
        columns: ["J01T", "J01F", "J02T", "J02F"].map(|name| Column::Sensor(name.to_owned())).to_vec(),
        checksum_required: false,
    })
}

fn format(form: &str) -> LineFormat {
    match form {
        "xdr" => LineFormat::Sentences(Sentences::default()),
        "json" => LineFormat::JsonLines,
        "columns" => columns(),
        other => panic!("unknown form {other}"),
    }
}

fn reason(refused: Refusal) -> &'static [&'static str] {
    match refused {
        Refusal::Checksum | Refusal::NoChecksum => &["checksum"],
        Refusal::Overlong => &["too-long"],
        Refusal::NotText => &["framing"],
        Refusal::Malformed => &["framing", "syntax"],
        Refusal::Columns => &["syntax"],
        Refusal::OtherSentence
        | Refusal::NotANumber
        | Refusal::NoValue
        | Refusal::UnknownUnit
        | Refusal::DuplicateName
        | Refusal::BadTime
        | Refusal::UnknownTopic
        | Refusal::UnknownName
        | Refusal::Device => &[],
    }
}

#[test]
fn captured_frames_mean_what_their_fixture_says() {
    let frames = frames();
    assert!(frames.len() >= 20, "only {} frames", frames.len());
    for frame in frames {
        let line = String::from_utf8_lossy(&frame.line).into_owned();
        let decoded = format(&frame.form).decode(&frame.line);
        if let Some(expected) = &frame.refused {
            let why = decoded.expect_err(&line);
            assert!(reason(why).contains(&expected.as_str()), "{line}: {why:?} is not {expected}");
            continue;
        }
        if frame.values.is_empty() && frame.none.is_empty() {
            assert_eq!(decoded, Err(Refusal::OtherSentence), "{line}");
            continue;
        }
        let Decoded { readings, .. } = decoded.unwrap_or_else(|why| panic!("{line}: {why:?}"));
        for (name, value) in &frame.values {
            let found = readings.iter().find(|r| r.name == *name).unwrap_or_else(|| panic!("{line}: {name}"));
            assert!((found.value - value).abs() < 1e-9, "{line}: {name} is {}", found.value);
            assert_eq!(found.at, frame.at, "{line}");
        }
        // NaN and infinity pass, to be judged; no number may.
        for name in &frame.none {
            assert!(readings.iter().all(|r| r.name != *name || !r.value.is_finite()), "{line}: {name}");
        }
        assert!(readings.len() <= frame.values.len() + frame.none.len(), "{line}");
    }
}

fn node() -> Vec<Topic> {
    let pick =
        |pointer: Option<&str>| Pick { sensor: "{sensor}".to_owned(), pointer: pointer.map(str::to_owned) };
    vec![
        Topic { filter: TopicFilter::parse("shed/{sensor}").unwrap(), picks: vec![pick(None)], at: None },
        Topic {
            filter: TopicFilter::parse("node/{sensor}/#").unwrap(),
            picks: vec![pick(Some("/v")), pick(Some("/a/0/b"))],
            at: Some("/at".to_owned()),
        },
    ]
}

proptest! {
    #[test]
    fn no_bytes_make_a_decoder_panic(line in proptest::collection::vec(any::<u8>(), 0..1024)) {
        let counters = SourceCounters::default();
        for format in ["xdr", "json", "columns"] {
            if let Err(why) = self::format(format).decode(&line) {
                counters.refuse(why, &line);
            }
        }
        let (_, example) = counters.last_refused().unwrap_or((Refusal::Malformed, String::new()));
        prop_assert!(example.len() <= 80 && example.bytes().all(|b| (b' '..=b'~').contains(&b)));
        for topic in ["shed/J1", "node/J1/x", "$SYS/x", ""] {
            let _any = message::decode(&node(), topic, &line);
        }
    }

    #[test]
    fn nothing_that_looks_like_a_frame_makes_a_decoder_panic(
        line in "[$!]?[A-Z]{0,6}(XDR)?[,CRLF0-9.eE+*naN{}\\[\\]\":-]{0,200}"
    ) {
        for format in ["xdr", "json", "columns"] {
            let _any = self::format(format).decode(line.as_bytes());
        }
        let _any = message::decode(&node(), &line, line.as_bytes());
        let _any = TopicFilter::parse(&line);
    }

    #[test]
    fn a_damaged_sentence_is_never_taken_for_a_sound_one(
        tenths in -20_i32..300, at in any::<proptest::sample::Index>(), bit in 0_u8..7,
    ) {
        let body = format!("NJXDR,C,{}.{},C,J07T", tenths / 10, (tenths % 10).abs());
        let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
        let sound = format!("${body}*{sum:02X}").into_bytes();
        let sentences = format("xdr");
        prop_assert!(sentences.decode(&sound).is_ok());
        let mut damaged = sound.clone();
        let at = at.index(damaged.len());
        damaged[at] ^= 1 << bit;
        // The case of a hex digit says nothing.
        if !damaged.eq_ignore_ascii_case(&sound) || at < sound.len() - 2 {
            prop_assert!(sentences.decode(&damaged).is_err(), "{}", String::from_utf8_lossy(&damaged));
        }
    }
}
