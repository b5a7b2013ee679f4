//! A whole season on a clock moved by hand, see `daemon/examples/virtual_season`: a seed that fails is printed
//! and fails again anywhere with `cargo run --release -p nightjar --example virtual_season -- --seed N`.

use nightjar_tests::programs::virtual_season;
use serde_json::Value;

/// Days played: `NIGHTJAR_SEASON_DAYS=120` plays the season whole, which takes a minute a seed.
fn days() -> u64 {
    let asked = std::env::var("NIGHTJAR_SEASON_DAYS").unwrap_or_else(|_| "24".to_owned());
    asked.parse().expect("NIGHTJAR_SEASON_DAYS is a number")
}

/// Seeds played: `NIGHTJAR_SEASON_SEEDS=1,2,3` plays others.
fn seeds() -> Vec<u64> {
    let asked = std::env::var("NIGHTJAR_SEASON_SEEDS").unwrap_or_else(|_| "1".to_owned());
    asked.split(',').map(|seed| seed.trim().parse().expect("NIGHTJAR_SEASON_SEEDS holds numbers")).collect()
}

#[test]
fn a_season_on_the_virtual_clock_goes_as_its_script_has_it() {
    let days = days();
    for seed in seeds() {
        let (seed_word, days_word) = (seed.to_string(), days.to_string());
        let words = ["--seed", seed_word.as_str(), "--days", days_word.as_str()];
        let output = virtual_season().args(words).output().expect("the season can be started");
        let (report, problems) =
            (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success(), "seed {seed}: {problems}{report}");
        let report: Value = serde_json::from_str(&report).expect("the report is JSON");
        let number = |name: &str| report[name].as_u64().unwrap_or_else(|| panic!("{name} in {report:#}"));
        // A season in which nothing happened would pass too.
        assert!(number("readings_sent") > days * 66_000, "seed {seed}: {report:#}");
        assert!(number("alarms_expected") > days / 4, "seed {seed}: {report:#}");
        assert!(
            number("starts") > days / 20 && number("sums_compared") > days * 5,
            "seed {seed}: {report:#}"
        );
    }
}
