//! Every calculator refuses nonsense with one clear line, exit 64 or 65, and no answer. The list of calculators is
//! read from the program's own help, so that a new one cannot be forgotten here.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test fails by panicking, and says what it measured"
)]

use std::collections::BTreeSet;
use std::process::{Command, Output};

fn calc(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightjar")).arg("calc").args(words).output().unwrap()
}

/// Nonsense, its exit code, and a word of the answer.
const REFUSED: &[(&str, i32, &str)] = &[
    // No eggs, less than nothing, more than the trough holds, not a number, one list longer than the other.
    ("count trough --eggs 0 --length-in 12", 64, "above zero"),
    ("count trough --eggs -150 --length-in 12", 64, "above zero"),
    ("count trough --eggs 150 --length-in -12", 64, "above zero"),
    ("count trough --eggs 150 --length-in 12 --length-mm 300", 64, "exactly one"),
    ("count trough --eggs 150 --length-in 12 --volume-qt -2.5", 64, "above zero"),
    ("count trough --eggs many --length-in 12", 64, "--eggs"),
    ("count volume --eggs 0 --sample-ml 10 --volume-l 2", 64, ""),
    ("count volume --eggs 10 --sample-ml -10 --volume-l 2", 64, "above zero"),
    ("count volume --eggs 10 20 --sample-ml 1 --volume-l 2", 64, "as many"),
    ("count volume --eggs 10 --sample-ml 1 --volume-l -2", 64, "above zero"),
    ("count weight --eggs 0 --sample-g 1.5", 64, ""),
    ("count weight --eggs 36 --sample-g 0", 64, "above zero"),
    ("count weight --eggs 36 --sample-g 1.5 --weight-g -3", 64, "above zero"),
    ("count displacement --eggs 0 --displaced-ml 3", 64, ""),
    ("count displacement --eggs 100 --displaced-ml -3", 64, "above zero"),
    ("proportion --hits 201 --of 200", 64, "more than there were"),
    ("proportion --hits 0 --of 0", 64, "at least one"),
    ("proportion --hits -1 --of 200", 64, "--hits"),
    ("proportion --hits 1 2 --of 20", 64, "as many"),
    ("proportion --hits 1 --of 20 --level 1.5", 64, "level"),
    // Doses outside their rule are data; water that cannot be is usage.
    ("dose formalin --target-ul-per-l 5000 --flow-l-per-min 18.9", 65, "1000 to 2000"),
    ("dose formalin --target-ul-per-l 500 --flow-l-per-min 18.9", 65, "1000 to 2000"),
    ("dose formalin --target-ul-per-l 1800 --flow-l-per-min 18.9 --eggs sturgeon", 65, "1500"),
    ("dose formalin --flow-l-per-min -18.9", 64, "possible flow"),
    ("dose formalin --flow-l-per-min 4 --minutes -15", 64, ""),
    ("dose formalin --flow-l-per-min 4 --minutes 60", 65, "15 min"),
    ("dose formalin --flow-l-per-min 4 --hours-to-hatch 6", 65, "hatch"),
    ("dose formalin --flow-l-per-min 1 --set-point-l-per-min 4", 65, "set-point"),
    ("dose formalin --flow-l-per-min 4 --coldest-f 30", 65, "40"),
    ("dose formalin", 64, "exactly one"),
    ("dose formalin --bath-l -5", 64, "possible volume"),
    ("dose peroxide --target-mg-per-l 5000 --flow-l-per-min 10", 65, "500 to 1000"),
    ("dose peroxide --target-mg-per-l -500 --flow-l-per-min 10", 64, "above zero"),
    ("dose peroxide --flow-l-per-min 10 --hours-since-last 3", 65, "day"),
    ("dose peroxide --bath-l 5", 65, "flow"),
    ("oxygen", 64, "--temp-c"),
    ("oxygen --temp-c 95", 64, "temperature"),
    ("oxygen --temp-c 10 --altitude-m 30000", 64, ""),
    ("oxygen --temp-c 10 --pressure-hpa -900", 64, ""),
    ("oxygen --temp-c 10 --salinity -1", 64, ""),
    ("oxygen stopped --eggs 0 --temp-c 10 --stage green", 64, "eggs"),
    ("oxygen stopped --eggs -5 --temp-c 10 --stage green", 64, "eggs"),
    ("oxygen stopped --volume-l -2 --temp-c 10 --stage green", 64, ""),
    ("oxygen stopped --eggs 1000 --temp-c 10 --stage purple", 64, "--stage"),
    ("oxygen flowing --eggs 300000 --temp-c 10 --stage green --flow-l-per-min 0", 64, ""),
    ("oxygen flowing --eggs 300000 --temp-c 10 --stage green --flow-l-per-min -2", 64, ""),
    ("sensor thermistor --ohms -1 --curve 10K3", 64, "resistance"),
    ("sensor thermistor --ohms 10000 --curve 10K4", 64, "known are"),
    ("sensor thermistor --ohms 10000", 64, "exactly one"),
    ("sensor thermistor --ohms 10000 --beta-k -3950", 64, ""),
    ("sensor thermistor --counts 5000 --full-scale 4095 --curve 10K3", 64, ""),
    ("sensor thermistor --ohms 10000 --coefficients 1 2", 64, "--coefficients"),
    ("sensor platinum --ohms -5", 64, ""),
    ("sensor platinum --ohms 100 --r0-ohm 0", 64, ""),
    ("sensor platinum --temp-c -400", 64, ""),
    ("sensor platinum", 64, "exactly one"),
    ("sensor pulses --pulses -1 --seconds 10 --per-litre 450", 64, ""),
    ("sensor pulses --pulses 75 --seconds 0 --per-litre 450", 64, ""),
    ("sensor pulses --pulses 75 --seconds 10 --per-litre 7.5", 64, "multiplied by 60"),
    ("sensor current --ma 0 --at-4-ma 0 --at-20-ma 50", 64, "wire broken"),
    ("sensor current --ma 12 --at-4-ma 5 --at-20-ma 5", 64, ""),
    ("sensor current --ma 40 --at-4-ma 0 --at-20-ma 50", 64, ""),
    ("breeders --females 0 --males 3", 64, "at least 1"),
    ("breeders --females 3 --males 3 --males-reused 4", 64, ""),
    ("breeders --females 3 4 --males 3", 64, "as many"),
    ("faults --readings no.csv --time-column t --value-column v", 74, "no.csv"),
    ("faults --readings FILE --time-column when --value-column v", 65, "time, temp_c"),
    ("faults --readings FILE --time-column time --value-column temp_c --tz Mars/Base", 64, "--tz"),
    ("faults --readings FILE --time-column time --value-column temp_c", 65, "line 3"),
];

#[test]
fn every_calculator_refuses_nonsense_with_one_line() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("r.csv");
    std::fs::write(&file, "time,temp_c\n2026-04-18T00:00,8\nyesterday,8\n").unwrap();
    let mut wrong = Vec::new();
    for (line, code, expected) in REFUSED {
        let words: Vec<&str> =
            line.split_whitespace().map(|w| if w == "FILE" { file.to_str().unwrap() } else { w }).collect();
        let out = calc(&words);
        let told = String::from_utf8(out.stderr).unwrap();
        let good = out.status.code() == Some(*code)
            && told.contains(expected)
            && told.lines().count() == 1
            && told.starts_with("nightjar: ")
            && out.stdout.is_empty();
        if !good {
            wrong.push(format!(
                "{line}: exit {:?}, wanted {code} and \"{expected}\": {told}",
                out.status.code()
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The words that lead to each calculator, as the help names them.
fn calculators(path: &[String], found: &mut BTreeSet<String>) {
    let words: Vec<&str> = path.iter().map(String::as_str).chain(["--help"]).collect();
    let help = String::from_utf8(calc(&words).stdout).unwrap();
    let commands: Vec<String> = help
        .lines()
        .skip_while(|line| *line != "Commands:")
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter_map(|line| line.strip_prefix("  ").filter(|rest| !rest.starts_with(' ')))
        .filter_map(|line| line.split_whitespace().next().map(str::to_owned))
        .filter(|name| name != "help")
        .collect();
    if commands.is_empty() {
        found.insert(path.join(" "));
    }
    for command in commands {
        calculators(&[path, &[command]].concat(), found);
    }
}

#[test]
fn no_calculator_is_forgotten() {
    let mut found = BTreeSet::new();
    calculators(&[], &mut found);
    println!("{found:?}");
    assert!(found.len() >= 15, "{found:?}");
    for calculator in found {
        let tried = REFUSED.iter().filter(|(line, ..)| line.starts_with(&format!("{calculator} "))).count();
        assert!(tried >= 2, "{calculator} is not tried with nonsense");
    }
}
