//! Units of text messages against two independent implementations (smspdudecoder and node-pdu; the
//! scripts that wrote the lines stand beside them), and against random input.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::clock::Uptime;
use nightjar::notify::gsm::{
    Address, Coding, Deliver, Received, Submit, UserData, pack, septet_text, text_septets, unpack,
};
use nightjar::notify::modem::{Job, JobId, Machine, Output, Splitter};
use nightjar::notify::reply::understand;
use nightjar_calc::time::{Span, Timestamp};
use serde_json::Value;

fn lines(name: &str) -> Vec<Value> {
    let path = format!("{}/tests/fixtures/notify_pdu/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn text<'a>(line: &'a Value, key: &str) -> &'a str {
    line[key].as_str().unwrap()
}

fn octets(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect()
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02X}")).collect()
}

#[test]
fn texts_numbers_and_times_agree_with_an_independent_implementation() {
    let mut seen = [0; 3];
    for line in lines("texts.jsonl") {
        match text(&line, "what") {
            "packed" => {
                let septets = text_septets(text(&line, "text")).unwrap();
                assert_eq!(Some(septets.len() as u64), line["septets"].as_u64());
                assert_eq!(hex(&pack(&septets, 0)), text(&line, "hex"), "{line}");
                let back = unpack(&octets(text(&line, "hex")), septets.len(), 0).unwrap();
                assert_eq!(septet_text(&back).unwrap(), text(&line, "text"));
                seen[0] += 1;
            }
            "number" => {
                let number = format!("+{}", text(&line, "text"));
                let data = UserData::whole("x");
                let to = Address::from_number(&number).unwrap();
                let submit = Submit { to, validity: None, report: false, reject_duplicates: false, data };
                let written = submit.hex().unwrap().0;
                assert!(written[10..].starts_with(text(&line, "hex")), "{written} for {line}");
                seen[1] += 1;
            }
            "deliver" => {
                let read = Deliver::from_hex(text(&line, "hex")).unwrap();
                assert_eq!(read.from.number(), text(&line, "number"));
                assert_eq!(read.data.text, text(&line, "text"));
                assert_eq!(read.at.at, Timestamp::parse(text(&line, "at")).unwrap(), "{line}");
                assert_eq!(read.hex().unwrap(), text(&line, "hex").to_uppercase());
                seen[2] += 1;
            }
            other => panic!("{other}"),
        }
    }
    println!("packed {}, numbers {}, texts from people {}", seen[0], seen[1], seen[2]);
    assert_eq!(seen, [92, 15, 60]);
}

#[test]
fn units_to_send_agree_with_an_independent_implementation() {
    let mut seen = [0; 2];
    for line in lines("units.jsonl") {
        match text(&line, "what") {
            "submit" => {
                let to = Address::from_number(text(&line, "to")).unwrap();
                let data = UserData::whole(text(&line, "text"));
                let submit = Submit { to, validity: None, report: false, reject_duplicates: false, data };
                assert_eq!(submit.hex().unwrap().0, text(&line, "hex"), "{line}");
                assert_eq!(Submit::from_hex(text(&line, "hex")).unwrap(), submit);
                seen[0] += 1;
            }
            "joined" => {
                let mut whole = String::new();
                let parts = line["parts"].as_array().unwrap();
                for (at, part) in parts.iter().enumerate() {
                    let read = Submit::from_hex(part.as_str().unwrap()).unwrap();
                    let place = read.data.part.unwrap();
                    assert_eq!((usize::from(place.number), usize::from(place.total)), (at + 1, parts.len()));
                    assert!(place.wide);
                    assert_eq!(read.hex().unwrap().0, part.as_str().unwrap());
                    whole.push_str(&read.data.text);
                }
                assert_eq!(whole, text(&line, "text"));
                seen[1] += 1;
            }
            other => panic!("{other}"),
        }
    }
    println!("units {}, joined texts {}", seen[0], seen[1]);
    assert_eq!(seen, [60, 10]);
}

/// `xorshift64*` (Vigna 2016): random enough, and the same every time.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 16
    }

    fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next()).unwrap_or(0) % n
    }
}

const REAL: [&str; 6] = [
    "0791448720003023240C914477581006500000916042113312800AE8329BFD4697D9EC37",
    "06917228195339040B917228214365F70000313062315352800A800D8A5E98D337A910",
    "0006D60B911326880736F4111011719551401110117195714000",
    "0041000B912120550541F3000885060804E0070401007820AC00790020",
    "00440B917228214365F7000031308051206180A0050003000301986F79B90D",
    "0011000B912120550541F300080B2C00540065006D007000E9",
];
const SAID: [&str; 16] = [
    "OK\r\n",
    "ERROR\r\n",
    "\r\n> ",
    "+CMS ERROR: 500\r\n",
    "+CMS ERROR: x\r\n",
    "+CME ERROR: 11\r\n",
    "+CMGS: 113\r\n",
    "+CMTI: \"ME\",3\r\n",
    "+CDS: 26\r\n",
    "+CPIN: READY\r\n",
    "+CREG: 0,1\r\n",
    "+CREG: 2\r\n",
    "+CMGR: 0,,27\r\n",
    "+CMGL: 1,1,,27\r\n",
    "+CSQ: 99,99\r\n",
    "RING\r\n",
];

/// Anything may come out of the air or the cable. `NIGHTJAR_RANDOM_UNITS` sets how many rounds.
#[test]
fn random_units_lines_and_texts_break_nothing() {
    let rounds =
        std::env::var("NIGHTJAR_RANDOM_UNITS").ok().and_then(|n| n.parse().ok()).unwrap_or(20_000_u32);
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    let mut now = Uptime::from_ms(0);
    let mut machine = Machine::new(Some("1234".into()), true, now);
    let mut splitter = Splitter::default();
    let (mut read, mut most) = (0_u32, 0);
    for round in 0..rounds {
        let mut unit = REAL[random.below(REAL.len())].to_owned().into_bytes();
        for _ in 0..=random.below(4) {
            let at = random.below(unit.len());
            match random.below(3) {
                0 => unit[at] = b"0123456789ABCDEFx"[random.below(17)],
                1 => unit.truncate(at.max(1)),
                _ => unit.insert(at, b"0123456789ABCDEF"[random.below(16)]),
            }
        }
        let unit = String::from_utf8(unit).unwrap();
        read += u32::from(Received::from_hex(&unit).is_ok());
        let _any = Submit::from_hex(&unit);
        let noise: Vec<u8> = (0..random.below(40)).map(|_| random.next().to_le_bytes()[0]).collect();
        let noise_text = String::from_utf8_lossy(&noise).into_owned();
        let _any = (understand(&noise_text), Received::from_hex(&noise_text));
        // What was understood as a text can be written again unless it held what we never send.
        if let Ok(Received::Text(text)) = Received::from_hex(&unit) {
            assert!(text.data.coding == Coding::Ucs2 || text.data.text.chars().count() <= 160);
        }
        let said = match random.below(4) {
            0 => noise,
            1 => format!("{unit}\r\n").into_bytes(),
            _ => SAID[random.below(SAID.len())].as_bytes().to_vec(),
        };
        for byte in said {
            splitter.push(byte);
            machine.handle_byte(byte, now);
        }
        if random.below(5) == 0 {
            machine.send(Job { id: JobId(u64::from(round)), units: vec![(unit, 20)] }, now);
        }
        if random.below(50) == 0 {
            machine.lost("pulled", now);
        }
        if random.below(3) == 0 {
            now = machine.poll_timeout().map_or(now, |at| at.max(now));
            machine.handle_timeout(now);
        } else {
            now = now.after(Span::from_ms(20));
        }
        let mut count = 0;
        while let Some(output) = machine.poll_output() {
            count += 1;
            match output {
                Output::Open => machine.opened(now),
                Output::Arrived { index: Some(index), .. } => machine.committed(index, now),
                Output::Arrived { index: None, .. }
                | Output::Write(_)
                | Output::Close
                | Output::CutPower
                | Output::Done(..)
                | Output::Note(_) => {}
            }
            assert!(count < 1000, "no end of output");
        }
        most = most.max(count);
    }
    println!("{rounds} rounds, {read} units still readable, at most {most} outputs at once");
    assert!(read > 0);
}
