//! `[alarm]`: limits in order, delays short against the time the eggs have, actions written.

use super::value;
use crate::config::checked::{Alarm, Delay, STAGES, TemperatureLimits};
use crate::config::raw;
use crate::config::report::{Problem, nearest};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// Kinds whose delays and action may be set, with the stage-independent default on-delay.
/// Flow alarms (the first three) are held against the time the eggs have.
pub const KINDS: [(&str, i64); 12] = [
    ("no-flow", 15),
    ("low-flow", 30),
    ("no-flow-header", 15),
    ("high-flow", 30),
    ("temperature-outer", 60),
    ("temperature-inner", 180),
    ("temperature-rate", 600),
    ("disagreement", 900),
    ("blind-flow", 60),
    ("blind-temperature", 300),
    ("stuck", 3_600),
    ("mains", 10),
];
/// Kinds that guard the flow.
const FLOW_KINDS: [&str; 3] = ["no-flow", "low-flow", "no-flow-header"];

/// Minutes the settled eggs of a jar have without flow, before the station states its own: ten
/// and two and a half minutes are computed for a full walleye jar at 10 °C, green and near hatch
/// (see `calc::oxygen`); between them by judgment. On-delays may take a fifth.
const USUAL_EGGS_HAVE: [Span; 3] = [Span::from_minutes(10), Span::from_minutes(5), Span::from_secs(150)];

/// Temperature limits for walleye, the first user: warn below 6 and above 15 °C, alarm above
/// 19.2 °C (Colby, McNicol & Ryder 1979 as transcribed); the outer limit below is an engineering
/// choice.
const USUAL_LIMITS: TemperatureLimits =
    TemperatureLimits { very_low_c: 2.0, low_c: 6.0, high_c: 15.0, very_high_c: 19.2 };

pub fn check(raw: &raw::Alarm, problems: &mut Vec<Problem>) -> Alarm {
    let share = |given, default, key: &str, problems: &mut Vec<Problem>| {
        value::number(given, default, (0.0, 10.0), &format!("alarm.{key}"), problems)
    };
    let no_flow_share = share(raw.no_flow_share, 0.10, "no-flow-share", problems);
    let low_flow_share = share(raw.low_flow_share, 0.70, "low-flow-share", problems);
    let high_flow_share = share(raw.high_flow_share, 1.50, "high-flow-share", problems);
    if !(no_flow_share < low_flow_share && low_flow_share < 1.0 && 1.0 < high_flow_share) {
        problems.push(Problem::at("alarm", "flow shares are crossed").hint(
            "they are shares of the jar's set flow: no-flow-share < low-flow-share < 1 < high-flow-share",
        ));
    }
    let delays = delays(raw, problems);
    let eggs_have = eggs_have(raw, problems);
    check_delays_against_eggs(&delays, eggs_have, problems);
    Alarm {
        no_flow_share,
        low_flow_share,
        high_flow_share,
        rate_limit_c_per_h: value::number(
            raw.rate_limit_c_per_h,
            2.0,
            (0.1, 20.0),
            "alarm.rate-limit-c-per-h",
            problems,
        ),
        disagreement_c: value::number(
            raw.disagreement_c,
            0.5,
            (0.05, 10.0),
            "alarm.disagreement-c",
            problems,
        ),
        temperature: temperature(raw, problems),
        delays,
        eggs_have,
        actions: actions(raw, problems),
    }
}

fn temperature(raw: &raw::Alarm, problems: &mut Vec<Problem>) -> [TemperatureLimits; 3] {
    let mut limits = [USUAL_LIMITS; 3];
    for (at, given) in raw.temperature.iter().enumerate() {
        let path = format!("alarm.temperature[{at}]");
        let stage = given.stage.as_deref();
        let position = STAGES.iter().position(|known| Some(*known) == stage);
        if position.is_none() && !matches!(stage, None | Some("any")) {
            problems.push(
                Problem::at(format!("{path}.stage"), format!("\"{}\" is not a stage", stage.unwrap_or("")))
                    .hint("known: any, green, eyed, hatching"),
            );
            continue;
        }
        let one = |given: Option<f64>, default, key: &str, problems: &mut Vec<Problem>| {
            value::number(given, default, (-2.0, 40.0), &format!("{path}.{key}"), problems)
        };
        let base = position.map_or(USUAL_LIMITS, |at| limits[at]);
        let own = TemperatureLimits {
            very_low_c: one(given.very_low_c, base.very_low_c, "very-low-c", problems),
            low_c: one(given.low_c, base.low_c, "low-c", problems),
            high_c: one(given.high_c, base.high_c, "high-c", problems),
            very_high_c: one(given.very_high_c, base.very_high_c, "very-high-c", problems),
        };
        let ordered = own.very_low_c < own.low_c && own.low_c < own.high_c && own.high_c < own.very_high_c;
        if !ordered {
            problems.push(
                Problem::at(&path, "limits are crossed").hint("very-low-c < low-c < high-c < very-high-c"),
            );
        }
        match position {
            Some(at) => limits[at] = own,
            None => limits = [own; 3],
        }
    }
    limits
}

fn known_kind(kind: &str, path: &str, problems: &mut Vec<Problem>) -> bool {
    let known = KINDS.iter().any(|(name, _)| *name == kind);
    if !known {
        let names = KINDS.iter().map(|(name, _)| *name);
        let hint = nearest(kind, names.clone()).map_or_else(
            || format!("known: {}", names.collect::<Vec<_>>().join(", ")),
            |near| format!("did you mean \"{near}\"?"),
        );
        problems.push(Problem::at(path, format!("no alarm is called \"{kind}\"")).hint(hint));
    }
    known
}

fn delays(raw: &raw::Alarm, problems: &mut Vec<Problem>) -> BTreeMap<String, Delay> {
    let mut delays = BTreeMap::new();
    for (kind, given) in &raw.delay {
        let path = format!("alarm.delay.{kind}");
        if !known_kind(kind, &path, problems) {
            continue;
        }
        let one = |given: &Option<String>, key: &str, problems: &mut Vec<Problem>| {
            given.as_ref().map(|text| {
                let range = (Span::ZERO, Span::from_hours(4));
                value::duration(Some(text), Span::ZERO, range, &format!("{path}.{key}"), problems)
            })
        };
        if given.deadband.is_some_and(|deadband| !(0.0..=100.0).contains(&deadband)) {
            problems.push(Problem::at(format!("{path}.deadband"), "is outside 0 to 100"));
        }
        let (on, off) = (one(&given.on, "on", problems), one(&given.off, "off", problems));
        delays.insert(kind.clone(), Delay { on, off, deadband: given.deadband });
    }
    delays
}

fn eggs_have(raw: &raw::Alarm, problems: &mut Vec<Problem>) -> [Span; 3] {
    let given = [&raw.eggs_have.green, &raw.eggs_have.eyed, &raw.eggs_have.hatching];
    let mut have = USUAL_EGGS_HAVE;
    for ((slot, given), stage) in have.iter_mut().zip(given).zip(STAGES) {
        let range = (Span::from_secs(30), Span::from_hours(24));
        *slot = value::duration(given.as_ref(), *slot, range, &format!("alarm.eggs-have.{stage}"), problems);
    }
    have
}

/// A delay is legitimate only if it is short against the time the eggs have: a fifth at most.
fn check_delays_against_eggs(
    delays: &BTreeMap<String, Delay>,
    eggs_have: [Span; 3],
    problems: &mut Vec<Problem>,
) {
    let shortest = eggs_have.into_iter().min().unwrap_or(Span::ZERO);
    for kind in FLOW_KINDS {
        let default = KINDS.iter().find(|(name, _)| *name == kind).map_or(0, |(_, seconds)| *seconds);
        let on = delays.get(kind).and_then(|delay| delay.on).unwrap_or(Span::from_secs(default));
        if on.ms().saturating_mul(5) > shortest.ms() {
            problems.push(
                Problem::at(
                    format!("alarm.delay.{kind}.on"),
                    format!(
                        "{} is more than a fifth of the {} the eggs have",
                        value::duration_text(on),
                        value::duration_text(shortest)
                    ),
                )
                .hint("shorten the delay, or state in alarm.eggs-have how long your eggs really have"),
            );
        }
    }
}

fn actions(raw: &raw::Alarm, problems: &mut Vec<Problem>) -> BTreeMap<String, String> {
    let mut actions = BTreeMap::new();
    for (kind, words) in &raw.action {
        let path = format!("alarm.action.{kind}");
        if !known_kind(kind, &path, problems) {
            continue;
        }
        if words.trim().is_empty() {
            problems.push(
                Problem::at(path, "says nothing")
                    .hint("an alarm nobody can act on is not an alarm: say what to do"),
            );
        } else {
            actions.insert(kind.clone(), words.trim().chars().take(200).collect());
        }
    }
    actions
}
