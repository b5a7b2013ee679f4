//! The demo's season from end to end: the simulated board speaks over a pseudo-terminal, the daemon
//! listens, and what it shows is set beside what was true.

use nightjar_tests::programs::nightjar;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Write;

/// Thermal units may differ from the exact integral of the water by this much, per cent.
const UNITS_WITHIN_PERCENT: f64 = 0.1;

fn play(seed: u64, extra: &[&str]) -> Value {
    let seed = seed.to_string();
    // All have hatched by the twenty-first day.
    let output = nightjar()
        .args(["demo", "--headless", "--format", "json", "--days", "21", "--seed", &seed])
        .args(extra)
        .output()
        .expect("the demo can be started");
    let problems = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "seed {seed}: {problems}");
    serde_json::from_slice(&output.stdout).expect("the report is JSON")
}

fn print(line: std::fmt::Arguments<'_>) {
    drop(writeln!(std::io::stderr(), "{line}"));
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

/// All readings arrive, sums are right, nothing is refused. Gives the mean absolute error of the
/// peak hatch predicted at three quarters of the way, days.
fn check(report: &Value) -> f64 {
    let seed = &report["seed"];
    assert_eq!(report["readings_sent"], report["readings_in"], "seed {seed}");
    assert_eq!(report["readings_in"], report["readings_stored"], "seed {seed}");
    assert_eq!(report["frames_refused"], 0, "seed {seed}");
    assert_eq!(report["entries_refused"], Value::Array(Vec::new()), "seed {seed}");
    let units = number(&report["largest_thermal_unit_error_percent"]);
    let peak = number(&report["mean_absolute_peak_error_days_at_75_percent"]);
    print(format_args!(
        "seed {seed}: {} readings, thermal units within {units:.3} %, peak at 75 % of the way {peak:.2} d",
        report["readings_in"]
    ));
    assert!(units <= UNITS_WITHIN_PERCENT, "seed {seed}: thermal units are {units} % off");
    peak
}

/// The alarms that were raised, by kind, with how often.
fn raised(report: &Value) -> BTreeMap<String, u32> {
    let mut raised = BTreeMap::new();
    for alarm in report["alarms"].as_array().expect("alarms") {
        print(format_args!(
            "  {} {}: began {}, decided {}, message {}",
            alarm["kind"], alarm["asset"], alarm["cause_at"], alarm["decided_at"], alarm["message_at"]
        ));
        *raised.entry(alarm["kind"].as_str().unwrap_or("?").to_owned()).or_default() += 1;
    }
    raised
}

#[test]
fn the_demo_season_is_predicted_and_its_alarms_are_raised_once() {
    let report = play(1, &[]);
    let peak = check(&report);
    assert!(peak <= 1.0, "peak hatch is {peak} d off on average");
    let raised = raised(&report);
    // The script: a pump feeding both headers trips once; the warm spell passes the high limit.
    let expected: BTreeMap<String, u32> =
        [("no_flow_header".to_owned(), 1), ("temp_high".to_owned(), 1)].into();
    assert_eq!(raised, expected);
    let pump = report["alarms"].as_array().and_then(|all| all.iter().find(|a| a["kind"] == "no_flow_header"));
    assert_eq!(pump.map(|alarm| &alarm["asset"]["on"]), Some(&"pump".into()), "one pump feeds both headers");
}

#[test]
fn other_seasons_are_predicted_too() {
    // `NIGHTJAR_SEASONS=all` plays four.
    let all = std::env::var_os("NIGHTJAR_SEASONS").is_some();
    for seed in if all { vec![2, 3, 5, 8] } else { vec![8] } {
        let report = play(seed, &[]);
        let peak = check(&report);
        raised(&report);
        assert!(peak <= 1.5, "seed {seed}: peak hatch is {peak} d off on average");
    }
}
