//! The encoder against hand-written frames, which the decoder of the monitor is held to as well.

use super::{Reading, checksum, column_lines, json_lines, xdr_lines};
use crate::probe::Measure;
use nightjar_calc::time::Timestamp;

const FRAMES: &str = include_str!("../../tests/fixtures/frames.txt");

/// One line of the file with what is said about it.
struct Frame {
    form: String,
    line: String,
    values: Vec<(String, String, String)>,
    at: Option<Timestamp>,
    /// Something must not be taken, or the line must be refused.
    faulty: bool,
}

fn frames() -> Vec<Frame> {
    let mut frames: Vec<Frame> = Vec::new();
    let mut form = String::new();
    for text in FRAMES.lines().filter(|l| !l.starts_with('#') && !l.is_empty()) {
        let (mark, rest) = text.split_once(' ').unwrap();
        let words: Vec<&str> = rest.split(' ').collect();
        match mark {
            "@" => rest.clone_into(&mut form),
            ">" => frames.push(Frame {
                form: form.clone(),
                line: rest.into(),
                values: Vec::new(),
                at: None,
                faulty: false,
            }),
            "=" => {
                let [name, value, unit] = words[..] else { panic!("{text}") };
                frames.last_mut().unwrap().values.push((name.into(), value.into(), unit.into()));
            }
            "at" => frames.last_mut().unwrap().at = Some(Timestamp::parse(rest).unwrap()),
            "!" | "~" => frames.last_mut().unwrap().faulty = true,
            other => panic!("unknown mark {other}"),
        }
    }
    frames
}

fn readings(frame: &Frame) -> Vec<Reading> {
    let one = |(sensor, value, unit): &(String, String, String)| Reading {
        sensor: sensor.clone(),
        measure: if unit == "L/min" { Measure::Flow } else { Measure::Temperature },
        value: Some(value.parse().unwrap()),
        pulses: None,
    };
    frame.values.iter().map(one).collect()
}

#[test]
fn checksums_of_the_file_are_ours() {
    let mut checked = 0;
    for frame in frames().iter().filter(|f| f.form == "xdr") {
        let Some((body, sum)) = frame.line.strip_prefix('$').and_then(|l| l.split_once('*')) else {
            continue;
        };
        let right = u8::from_str_radix(sum, 16).unwrap() == checksum(body);
        assert_eq!(right, !frame.line.contains("18.42"), "{}", frame.line);
        checked += 1;
    }
    assert!(checked >= 10, "{checked}");
}

#[test]
fn sentences_are_built_as_the_hand_written_ones() {
    let mut built = 0;
    for frame in frames().iter().filter(|f| f.form == "xdr" && !f.faulty && f.line.starts_with("$NJXDR")) {
        assert_eq!(xdr_lines(&readings(frame)), [format!("{}\r\n", frame.line)]);
        built += 1;
    }
    assert!(built >= 4, "{built}");
}

#[test]
fn json_lines_say_the_same_as_the_hand_written_ones() {
    let parse = |line: &str| serde_json::from_str::<serde_json::Value>(line).unwrap();
    let mut built = 0;
    for frame in frames().iter().filter(|f| f.form == "json" && !f.faulty) {
        let ours = json_lines(&readings(frame), frame.at);
        let (mut ours, mut theirs) = (parse(&ours[0]), parse(&frame.line));
        if let Some(at) = frame.at {
            for value in [&mut ours, &mut theirs] {
                assert_eq!(Timestamp::parse(value["at"].as_str().unwrap()).unwrap(), at);
                value.as_object_mut().unwrap().remove("at");
            }
        }
        assert_eq!(ours, theirs);
        built += 1;
    }
    assert!(built >= 2, "{built}");
}

#[test]
fn columns_hold_raw_counts_in_order() {
    let temperature =
        |value| Reading { sensor: "J01T".into(), measure: Measure::Temperature, value, pulses: None };
    let flow = |pulses: Option<u32>| Reading {
        sensor: "J01F".into(),
        measure: Measure::Flow,
        value: pulses.map(f64::from),
        pulses,
    };
    // 25 °C is half of full scale; the broken wire is full scale.
    let line =
        column_lines(&[temperature(Some(25.0)), flow(Some(223)), temperature(Some(-127.0)), flow(None)]);
    assert_eq!(line, ["32768,223,65535,\r\n"]);
    assert!(column_lines(&[]).is_empty());
}
