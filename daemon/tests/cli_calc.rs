//! The calculators on the command line against published worked examples.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use serde_json::Value;
use std::io::Write as _;
use std::process::{Command, Output, Stdio};

fn calc(arguments: &str) -> Output {
    let words = arguments.split_whitespace();
    Command::new(env!("CARGO_BIN_EXE_nightjar")).arg("calc").args(words).output().unwrap()
}

fn number(arguments: &str, key: &str) -> f64 {
    let out = calc(&format!("{arguments} --format json"));
    assert!(out.status.success(), "{arguments}: {}", String::from_utf8_lossy(&out.stderr));
    let value: Value = serde_json::from_slice(&out.stdout).unwrap();
    value[key].as_f64().unwrap_or_else(|| panic!("{arguments}: no {key} in {value}"))
}

#[test]
fn worked_examples_come_out() {
    for (arguments, key, expected, tolerance) in [
        // Von Bayer's trough with the constant of the fitted pairs: 0.08 in are 132,129 to the quart.
        ("count trough --eggs 150 --length-in 12 --volume-qt 2.5", "eggs_per_qt", 132_129.0, 1.0),
        ("count trough --eggs 150 --length-in 12 --volume-qt 2.5", "eggs", 330_322.0, 2.0),
        ("count volume --eggs 1321 --sample-ml 10 --volume-l 2.366", "eggs", 312_549.0, 1.0),
        // Mean of 22.4 eggs to the gram.
        ("count weight --eggs 36 35 41 --sample-g 1.5 1.6 1.9 --weight-g 316.8", "eggs", 7_096.32, 0.01),
        // Wilson 1927; to five digits.
        ("proportion --hits 183 --of 200", "low", 0.868_10, 5e-6),
        ("proportion --hits 183 --of 200", "high", 0.946_25, 5e-6),
        // Drip treatment slides: 5 gallons a minute, 15 min, 1,667 ppm: 472.6 mL printed, within 0.2 %.
        ("dose formalin --target-ul-per-l 1667 --flow-gpm 5 --minutes 15", "drug_ml", 472.6, 0.945),
        ("dose formalin --target-ul-per-l 1667 --flow-l-per-min 18.9 --minutes 15", "drug_ml", 472.6, 0.945),
        ("dose formalin --target-ul-per-l 1000 --bath-l 7", "drug_ml", 7.0, 1e-9),
        // Saturation by Benson and Krause at sea level, 10 °C.
        ("oxygen --temp-c 10", "saturation_mg_per_l", 11.288, 0.002),
        ("oxygen stopped --eggs 312500 --temp-c 10 --stage green", "minutes_likely", 9.65, 0.05),
        // The table of the curve gives 32,650.9 ohm in ice.
        ("sensor thermistor --ohms 32650 --curve 10K3", "temp_c", 0.0, 0.02),
        // IEC 60751: 103.9025 ohm at 10 °C.
        ("sensor platinum --ohms 103.9025", "temp_c", 10.0, 0.01),
        ("sensor platinum --temp-c 100 --r0-ohm 1000", "ohms", 1385.055, 0.01),
        ("sensor pulses --pulses 75 --seconds 10 --per-litre 450", "flow_l_per_min", 1.0, 1e-9),
        ("sensor current --ma 7.2 --at-4-ma 0 --at-20-ma 50", "value", 10.0, 1e-9),
        ("sensor current --ma 4 --at-4-ma -5 --at-20-ma 50", "value", -5.0, 1e-9),
        ("breeders --females 60 --males 90", "effective_at_most", 144.0, 1e-9),
    ] {
        let found = number(arguments, key);
        assert!((found - expected).abs() <= tolerance, "{arguments}: {key} is {found}, expected {expected}");
    }
}

/// Every answer for programs is one object with keys in snake_case; a number says its unit in its key, or is a count,
/// a share or a resistance named as such.
#[test]
fn keys_of_answers_are_snake_case_and_say_their_unit() {
    const WITHOUT_UNIT: [&str; 14] = [
        "eggs",
        "low",
        "high",
        "share",
        "level",
        "hits",
        "of",
        "dispersion",
        "females",
        "males",
        "males_reused",
        "effective_at_most",
        "inbreeding_at_least",
        "value",
    ];
    const UNITS: [&str; 20] = [
        "_c",
        "_l",
        "_qt",
        "_ml",
        "_mm",
        "_in",
        "_g",
        "_kg",
        "_ma",
        "_m",
        "_atm",
        "_ohm",
        "ohms",
        "_per_l",
        "_per_min",
        "_per_litre",
        "_per_kg",
        "_h",
        "minutes",
        "_oz",
    ];
    let mut seen = std::collections::BTreeSet::new();
    for arguments in [
        "count trough --eggs 150 --length-in 12 --volume-qt 2.5",
        "count volume --eggs 1321 --sample-ml 10 --volume-l 2.366",
        "count weight --eggs 36 35 41 --sample-g 1.5 1.6 1.9 --weight-g 316.8",
        "proportion --hits 183 --of 200",
        "dose formalin --target-ul-per-l 1667 --flow-gpm 5 --minutes 15",
        "dose formalin --target-ul-per-l 1000 --bath-l 7",
        "dose peroxide --target-mg-per-l 500 --flow-l-per-min 10",
        "oxygen --temp-c 10",
        "oxygen stopped --eggs 312500 --temp-c 10 --stage green",
        "sensor thermistor --ohms 32650 --curve 10K3",
        "sensor platinum --ohms 103.9025",
        "sensor pulses --pulses 75 --seconds 10 --per-litre 450",
        "sensor current --ma 7.2 --at-4-ma 0 --at-20-ma 50",
        "breeders --females 60 --males 90",
    ] {
        let out = calc(&format!("{arguments} --format json"));
        assert!(out.status.success(), "{arguments}: {}", String::from_utf8_lossy(&out.stderr));
        let answer: serde_json::Map<String, Value> = serde_json::from_slice(&out.stdout).unwrap();
        for (key, value) in &answer {
            let snake = key.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
            assert!(snake, "{arguments}: {key}");
            let named = UNITS.iter().any(|unit| key.ends_with(unit)) || WITHOUT_UNIT.contains(&key.as_str());
            let bounded = ["_low", "_high", "_likely", "_short"].iter().any(|end| key.ends_with(end));
            assert!(!value.is_number() || named || bounded, "{arguments}: {key} is {value} of what?");
            seen.insert(key.clone());
        }
    }
    println!("{} keys: {seen:?}", seen.len());
}

#[test]
fn people_read_the_answer_first_and_chemicals_come_with_cautions() {
    let out = calc("dose formalin --target-ul-per-l 1667 --flow-l-per-min 18.9 --minutes 15");
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.starts_with("472.6 mL of formalin"), "{text}");
    for part in ["caution: formalin can cause cancer", "veterinarian", "21 CFR 529.1030", "discharge"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let text =
        String::from_utf8(calc("count trough --eggs 150 --length-in 12 --volume-qt 2.5").stdout).unwrap();
    assert!(text.starts_with("330,000 (300,000 to 360,000) hardened eggs"), "{text}");
}

#[test]
fn nonsense_is_refused_with_one_line() {
    for (arguments, code, expected) in [
        ("count trough --eggs 0 --length-in 12", 64, "above zero"),
        ("count trough --eggs 150 --length-in 12 --volume-qt -2.5", 64, "above zero"),
        ("count trough --eggs 150 --length-in 120", 64, "check the length"),
        ("count volume --eggs 10 20 --sample-ml 1 --volume-l 2", 64, "as many"),
        ("count trough --length-in 12", 64, "--eggs"),
        ("proportion --hits 201 --of 200", 64, "more than there were"),
        ("proportion --hits 0 --of 0", 64, "at least one"),
        ("proportion --hits -1 --of 200", 64, "--hits"),
        ("proportion --hits 1 --of 2 --level NaN", 64, "level"),
        ("dose formalin --target-ul-per-l 5000 --flow-l-per-min 18.9", 65, "outside the 1000 to 2000"),
        ("dose formalin --target-ul-per-l 1.667 --flow-l-per-min 18.9", 65, "then 1667"),
        ("dose formalin --target-ul-per-l NaN --flow-l-per-min 18.9", 64, "above zero"),
        ("dose formalin --flow-l-per-min 0", 64, "above zero"),
        ("dose formalin --flow-l-per-min 4 --minutes 60", 65, "15 min of the rule"),
        ("dose formalin --flow-l-per-min 4 --hours-to-hatch 6", 65, "hatch may begin"),
        ("dose formalin --flow-l-per-min 4 --bath-l 5", 64, "exactly one"),
        ("dose peroxide --bath-l 5", 65, "continuous flow"),
        ("oxygen --temp-c nan", 64, "water temperature"),
        ("oxygen", 64, "--temp-c"),
        ("oxygen stopped --eggs 0 --temp-c 10 --stage green", 64, "no bed of eggs"),
        ("sensor thermistor --ohms -1 --curve 10K3", 64, "not the resistance"),
        ("sensor thermistor --ohms 100 --curve 11", 64, "known are"),
        ("sensor current --ma 0 --at-4-ma 0 --at-20-ma 50", 64, "wire broken"),
        ("sensor pulses --pulses 75 --seconds 10 --per-litre 7.5", 64, "multiplied by 60"),
        ("breeders --females 0 --males 3", 64, "at least 1"),
    ] {
        let out = calc(arguments);
        let told = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(code), "{arguments}: {told}");
        assert!(told.contains(expected), "{arguments}: {told}");
        assert_eq!(told.lines().count(), 1, "{arguments}: {told}");
        assert!(out.stdout.is_empty(), "{arguments}");
    }
}

#[test]
fn a_secret_is_read_from_standard_input() {
    let hash = |secret: &str, arguments: &[&str]| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_nightjar"))
            .arg("hash-secret")
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(secret.as_bytes()).unwrap();
        child.wait_with_output().unwrap()
    };
    let good = hash("seven grey herons\n", &[]);
    assert!(good.status.success() && good.stdout.starts_with(b"$argon2id$v=19$"));
    assert_eq!(hash("herons\n", &[]).status.code(), Some(65));
    assert_eq!(hash("1234\n", &["--pin"]).status.code(), Some(65));
}
