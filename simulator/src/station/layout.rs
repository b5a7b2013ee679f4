//! The station as a scenario lays it out: takes and plans, tanks, headers and jars.

use super::{Jar, Manifold, Take, Tank};
use crate::chance::Chance;
use crate::crew::{Agenda, Duty};
use crate::embryo::Stock;
use crate::plumbing::{Header, Passage, Supply};
use crate::probe::{FlowMeter, Thermometer};
use crate::scenario::{Scenario, SupplyPlan, TakePlan, header_name, jar_name};
use nightjar_calc::time::{Span, Timestamp, Zone};

pub(super) fn draw_takes(scenario: &Scenario, seed: u64) -> Vec<Take> {
    let names = scenario.jar_names();
    let place = |jar: &String| names.iter().position(|name| name == jar);
    let one = |plan: &TakePlan| Take {
        stock: Stock::draw(&mut Chance::new(seed, &format!("stock {}", plan.name))),
        jars: plan.jars.iter().filter_map(place).collect(),
    };
    scenario.take.iter().map(one).collect()
}

pub(super) fn plan(
    scenario: &Scenario,
    takes: &[Take],
    start: Timestamp,
    zone: Zone,
) -> Result<Agenda, String> {
    let mut planned = Vec::new();
    if scenario.crew.ice_check {
        planned.push((start, Duty::IceCheck));
    }
    for (i, (plan, _)) in scenario.take.iter().zip(takes).enumerate() {
        let at = scenario.instant(plan.day, &plan.at)?;
        planned.push((at, Duty::Take(i)));
        planned.push((at + Span::from_days(scenario.crew.hardening_h / 24.0), Duty::Load(i)));
    }
    Ok(Agenda::new(planned, scenario.crew.rounds, zone, start))
}

pub(super) fn tanks(scenario: &Scenario) -> Vec<Tank> {
    let (count, jars) = match scenario.supply {
        SupplyPlan::Shared => (1, scenario.jars()),
        SupplyPlan::PerHeader => (scenario.headers, scenario.jars_per_header),
    };
    let layout = scenario.crew.eyed_l_per_min.max(scenario.crew.green_l_per_min);
    (0..count)
        .map(|_| Tank {
            supply: Supply::for_jars(jars, layout),
            temp_c: scenario.season.start_c,
            passage: Passage::default(),
        })
        .collect()
}

pub(super) fn manifolds(scenario: &Scenario, seed: u64) -> Vec<Manifold> {
    let layout = scenario.crew.eyed_l_per_min.max(scenario.crew.green_l_per_min);
    let quality = scenario.sensors;
    (0..scenario.headers)
        .map(|place| {
            let name = header_name(place);
            Manifold {
                tank: if scenario.supply == SupplyPlan::Shared { 0 } else { place },
                pipe: Header::for_jars(scenario.jars_per_header, layout),
                temp_c: scenario.season.start_c,
                flow: 0.0,
                thermometer: Thermometer::new(
                    seed,
                    &format!("H{name}T"),
                    quality.bias_sd_c,
                    quality.noise_sd_c,
                ),
                meter: FlowMeter::new(seed, &format!("H{name}F"), quality.flow_noise_share),
                name,
            }
        })
        .collect()
}

pub(super) fn jars(scenario: &Scenario, seed: u64) -> Vec<Jar> {
    let quality = scenario.sensors;
    (0..scenario.jars())
        .map(|place| {
            let name = jar_name(place);
            let mut drift = Chance::new(seed, &format!("valve {name}"));
            Jar {
                header: place / scenario.jars_per_header,
                place: place % scenario.jars_per_header,
                set_l_per_min: scenario.crew.idle_l_per_min,
                temp_c: scenario.season.start_c,
                flow: 0.0,
                // Bare glass of a seven-litre jar: 1 to 2 W/K, over 4,186 J/(L K).
                exchange: drift.between(1.0, 2.0) / 4186.0,
                thermometer: Thermometer::new(
                    seed,
                    &format!("J{name}T"),
                    quality.bias_sd_c,
                    quality.noise_sd_c,
                ),
                meter: FlowMeter::new(seed, &format!("J{name}F"), quality.flow_noise_share),
                drift,
                eggs: None,
                beyond: [None; 4],
                name,
            }
        })
        .collect()
}
