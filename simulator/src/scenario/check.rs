//! Whether a scenario can be played: every problem, each with its place.

use super::{Cause, JARS_LIMIT, Scenario, header_name, jar_name};
use crate::probe::ProbeFault;
use std::collections::BTreeSet;

/// Everything that is wrong with a scenario.
pub(super) fn problems(s: &Scenario) -> Vec<String> {
    let mut found = Vec::new();
    let mut within = |key: &str, value: f64, low: f64, high: f64| {
        if !(low..=high).contains(&value) {
            found.push(format!("{key}: {value} is not between {low} and {high}"));
        }
    };
    within("days", s.days, 0.01, 400.0);
    within("interval-s", s.interval_s, 0.1, 3600.0);
    within("headers", s.headers as f64, 1.0, 16.0);
    within("jars-per-header", s.jars_per_header as f64, 1.0, 24.0);
    within("headers times jars-per-header", s.jars() as f64, 1.0, JARS_LIMIT as f64);
    within("season.start-c", s.season.start_c, 0.5, 25.0);
    within("season.warming-c-per-day", s.season.warming_c_per_day, -1.0, 1.0);
    within("season.weather-sd-c", s.season.weather_sd_c, 0.0, 5.0);
    within("season.day-swing-c", s.season.day_swing_c, 0.0, 5.0);
    within("season.heater-c", s.season.heater_c.unwrap_or(10.0), 0.5, 25.0);
    within("season.chiller-c", s.season.chiller_c.unwrap_or(10.0), 0.5, 25.0);
    within("sensors.bias-sd-c", s.sensors.bias_sd_c, 0.0, 2.0);
    within("sensors.noise-sd-c", s.sensors.noise_sd_c, 0.0, 2.0);
    within("sensors.flow-noise-share", s.sensors.flow_noise_share, 0.0, 0.5);
    within("crew.idle-l-per-min", s.crew.idle_l_per_min, 0.2, 20.0);
    within("crew.green-l-per-min", s.crew.green_l_per_min, 0.2, 20.0);
    within("crew.eyed-l-per-min", s.crew.eyed_l_per_min, 0.2, 20.0);
    within("crew.hardening-h", s.crew.hardening_h, 0.5, 72.0);
    within("crew.rounds", f64::from(s.crew.rounds[0].max(s.crew.rounds[1])), 0.0, 23.0);
    within("watch.back-c", s.watch.back_c, 0.0, 5.0);
    within("watch.no-flow-share", s.watch.no_flow_share, 0.0, 1.0);
    within("watch.low-flow-share", s.watch.low_flow_share, 0.0, 1.0);
    if s.watch.low_c >= s.watch.high_c {
        found.push(format!("watch: low-c {} is not below high-c {}", s.watch.low_c, s.watch.high_c));
    }
    if let Err(problem) = s.begins() {
        found.push(problem);
        // Every other time depends on it.
        return found;
    }
    if !found.is_empty() {
        return found;
    }
    takes(s, &mut found);
    faults(s, &mut found);
    found
}

fn takes(s: &Scenario, found: &mut Vec<String>) {
    let jars: BTreeSet<String> = s.jar_names().into_iter().collect();
    let mut used = BTreeSet::new();
    let mut names = BTreeSet::new();
    for (i, take) in s.take.iter().enumerate() {
        let at = format!("take[{i}]");
        if let Err(problem) = s.instant(take.day, &take.at) {
            found.push(format!("{at}.at: {problem}"));
        }
        if !names.insert(&take.name) {
            found.push(format!("{at}.name: \"{}\" is used twice", take.name));
        }
        if take.females == 0 || take.males == 0 {
            found.push(format!("{at}: needs at least one female and one male"));
        }
        if !(0.05..=5.0).contains(&take.litres_per_jar) {
            found.push(format!("{at}.litres-per-jar: {} is not between 0.05 and 5", take.litres_per_jar));
        }
        for jar in &take.jars {
            if !jars.contains(jar) {
                found.push(format!(
                    "{at}.jars: there is no jar \"{jar}\" (01 to {})",
                    jar_name(jars.len() - 1)
                ));
            } else if !used.insert(jar) {
                found.push(format!("{at}.jars: jar \"{jar}\" is already given to a take"));
            }
        }
    }
}

fn faults(s: &Scenario, found: &mut Vec<String>) {
    let headers: Vec<String> = (0..s.headers).map(header_name).collect();
    let jars = s.jar_names();
    for (i, fault) in s.fault.iter().enumerate() {
        let at = format!("fault[{i}]");
        if let Err(problem) = s.span_of(fault) {
            found.push(format!("{at}.at: {problem}"));
        }
        if !(fault.hours > 0.0 && fault.hours <= 24.0 * 400.0) {
            found.push(format!("{at}.hours: {} is not a length of time", fault.hours));
        }
        let mut known = |what: &str, name: &str, names: &[String]| {
            if !names.iter().any(|n| n == name) {
                found.push(format!("{at}: there is no {what} \"{name}\""));
            }
        };
        let share = match &fault.cause {
            Cause::PumpTrip { header } => {
                known("header", header, &headers);
                None
            }
            Cause::IntakeClog { header, share } | Cause::HeaderClog { header, share } => {
                known("header", header, &headers);
                Some(*share)
            }
            Cause::JarsBlocked { jars: blocked, left } => {
                blocked.iter().for_each(|jar| known("jar", jar, &jars));
                Some(*left)
            }
            Cause::Garbage { share } => Some(*share),
            Cause::Sensor { sensor, fails } => {
                known("sensor", sensor, &sensor_names(&jars, &headers));
                if let ProbeFault::Spikes { share, .. } = fails { Some(*share) } else { None }
            }
            Cause::WarmSpell { surface_c } => {
                if !(0.5..=30.0).contains(surface_c) {
                    found.push(format!("{at}: surface-c {surface_c} is not between 0.5 and 30"));
                }
                None
            }
            Cause::ConditionerOff | Cause::BoardSilent => None,
        };
        if let Some(share) = share
            && !(0.0..=1.0).contains(&share)
        {
            found.push(format!("{at}: {share} is not a share between 0 and 1"));
        }
    }
}

/// Names of all sensors: jar temperature and flow, then header temperature and flow.
pub(crate) fn sensor_names(jars: &[String], headers: &[String]) -> Vec<String> {
    let of_jars = jars.iter().flat_map(|jar| [format!("J{jar}T"), format!("J{jar}F")]);
    let of_headers = headers.iter().flat_map(|header| [format!("H{header}T"), format!("H{header}F")]);
    of_jars.chain(of_headers).collect()
}

#[cfg(test)]
mod tests {
    use crate::scenario::{Scenario, ScenarioError, names};

    const QUIET: &str = include_str!("../../scenarios/quiet.toml");

    #[test]
    fn every_scenario_that_comes_along_is_sound_and_named_as_listed() {
        for name in names() {
            assert_eq!(Scenario::named(name).unwrap().name, name);
        }
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_known_ones() {
        let error = Scenario::named("pumptrip").unwrap_err().to_string();
        assert!(error.contains("\"pumptrip\"") && error.contains("clogged-header"), "{error}");
    }

    #[test]
    fn unknown_keys_and_wrong_types_name_their_line() {
        for (from, to) in [("days =", "dayz ="), ("headers = 2", "headers = \"2\"")] {
            let error = Scenario::from_toml(&QUIET.replace(from, to)).unwrap_err().to_string();
            assert!(error.contains("line"), "{error}");
        }
    }

    #[test]
    fn all_problems_are_told_at_once() {
        let text = format!(
            "{QUIET}
[[fault]]\nday = 1\nat = \"25:99\"\nhours = 1\ncause.pump-trip = {{ header = \"Q\" }}
[[take]]\nname = \"X\"\nday = 0\nat = \"14:00\"\nfemales = 0\nmales = 1\njars = [\"99\"]"
        );
        let Err(ScenarioError::Refused(problems)) = Scenario::from_toml(&text) else { panic!("accepted") };
        assert_eq!(problems.len(), 4, "{problems:?}");
    }

    #[test]
    fn jars_can_be_multiplied_and_takes_follow() {
        let big = Scenario::named("demo").unwrap().with_jars(24).unwrap();
        assert_eq!((big.headers, big.jars_per_header), (4, 6));
        assert_eq!(big.take.iter().map(|take| take.jars.len()).sum::<usize>(), 24);
        assert!(Scenario::named("demo").unwrap().with_jars(23).is_err());
        assert!(Scenario::named("demo").unwrap().with_jars(0).is_err());
        assert!(Scenario::named("probe-failure").unwrap().with_jars(2).is_err());
    }
}
