//! A whole season on a clock moved by hand, see `daemon/examples/virtual_season`: a seed that fails is printed
//! and fails again anywhere with `cargo run --release -p nightjar --example virtual_season -- --seed N`.

use nightjar_tests::programs::virtual_season;
use serde_json::Value;

/// Seeds played: `NIGHTJAR_SEASON_SEEDS=1,2,3` plays others.
fn seeds() -> Vec<u64> {
    let asked = std::env::var("NIGHTJAR_SEASON_SEEDS").unwrap_or_else(|_| "1".to_owned());
    asked.split(',').map(|seed| seed.trim().parse().expect("NIGHTJAR_SEASON_SEEDS holds numbers")).collect()
}

#[test]
fn a_season_on_the_virtual_clock_goes_as_its_script_has_it() {
    for seed in seeds() {
        let output =
            virtual_season().args(["--seed", &seed.to_string()]).output().expect("the season can be started");
        let (report, problems) =
            (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success(), "seed {seed}: {problems}{report}");
        let report: Value = serde_json::from_str(&report).expect("the report is JSON");
        let number = |name: &str| report[name].as_u64().unwrap_or_else(|| panic!("{name} in {report:#}"));
        // A season in which nothing happened would pass too.
        assert!(number("readings_sent") > 8_000_000, "seed {seed}: {report:#}");
        assert!(number("alarms_expected") > 40, "seed {seed}: {report:#}");
        assert!(number("starts") > 5 && number("sums_compared") > 500, "seed {seed}: {report:#}");
    }
}
