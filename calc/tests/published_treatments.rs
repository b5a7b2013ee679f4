//! Doses and their rules against published examples (`data/doses.csv`, sources in `data/SOURCES.md`).

#[path = "data/table.rs"]
mod table;

use nightjar_calc::quantity::{Litres, LitresPerMinute};
use nightjar_calc::treatment::{
    Agent, Caution, EggKind, Flow, Guard, Hatch, HeadTank, IODOPHOR, Method, Proposal, Refusal,
    STOP_BEFORE_HATCH_H, Target, bath, flow_through, from_gallons_per_minute, safety,
};

fn target(agent: &str, concentration: f64) -> Target {
    match agent {
        "formalin" => Target::Formalin { ul_per_l: concentration },
        _ => Target::HydrogenPeroxide { mg_per_l: concentration },
    }
}

#[test]
fn doses_follow_the_published_examples() {
    for row in table::rows(include_str!("data/doses.csv")) {
        let flow = match row.text("flow_unit") {
            "gpm" => from_gallons_per_minute(row.number("flow")).unwrap(),
            _ => LitresPerMinute::new(row.number("flow")).unwrap(),
        };
        let target = target(row.text("agent"), row.number("concentration"));
        let ours = flow_through(target, flow, row.number("minutes"), None).unwrap().drug_ml;
        let printed = row.number("drug_ml");
        let off = 100.0 * (ours / printed - 1.0);
        println!(
            "{target} into {flow}: {} prints {printed} mL, ours {ours:.2} mL, {off:+.3} %",
            row.text("source")
        );
        assert!(off.abs() < 0.2);
        if row.text("provenance") == "computed" {
            assert!((ours - printed).abs() <= row.half_digit("drug_ml") + 0.01);
        }
    }
}

/// DRIP: 75 gallons treated, made up to 946 mL with 473.4 mL of water, fed at 63.07 mL/min.
#[test]
fn the_drip_example_is_whole() {
    let flow = from_gallons_per_minute(5.0).unwrap();
    let dose = flow_through(Target::Formalin { ul_per_l: 1667.0 }, flow, 15.0, Some(946.0)).unwrap();
    assert!((dose.water_l / 3.785_411_784 - 75.0).abs() < 1e-9);
    assert!((dose.make_up_water_ml / 473.4 - 1.0).abs() < 0.002);
    assert!((dose.feed_ml_per_min.unwrap() - 63.07).abs() < 0.005);
    // The trough of 72 × 11 × 12 inches holds 41.1 gallons and turns over at least once.
    let trough_gal: f64 = 72.0 * 11.0 * 12.0 / 231.0;
    assert!((trough_gal - 41.1).abs() < 0.05 && 75.0 > trough_gal);
}

/// Fully mixed tank: 63, 86 and 95 % after one, two and three exchanges.
#[test]
fn a_head_tank_reaches_what_is_published() {
    let tank = HeadTank::new(Litres::new(150.0).unwrap(), LitresPerMinute::new(10.0).unwrap()).unwrap();
    for (exchanges, percent) in [(1.0, 63.0), (2.0, 86.0), (3.0, 95.0)] {
        let minutes = exchanges * tank.exchange_min();
        assert!((100.0 * tank.share_at(minutes, minutes) - percent).abs() < 0.6);
    }
    assert!(tank.mean_share(15.0) < 0.40, "with one exchange the eggs average less than they end at");
}

#[test]
fn a_bath_is_a_dimensional_identity() {
    let dose = bath(Target::HydrogenPeroxide { mg_per_l: 396.1 }, Litres::new(10.0).unwrap(), None).unwrap();
    assert!((dose.drug_ml - 10.0).abs() < 1e-12 && (dose.grams - 3.961).abs() < 1e-12);
}

fn proposal(target: Target) -> Proposal {
    let flow = LitresPerMinute::new(4.0).expect("a flow");
    Proposal {
        target,
        minutes: 15.0,
        method: Method::FlowThrough,
        eggs: EggKind::ColdOrCoolWater,
        flow: Flow::Measured(flow),
        set_point: Some(flow),
        hatch: Hatch::InHours(96.0),
        c_days: Some(100.0),
        hours_since_peroxide: None,
        formalin_coldest_f: Some(40.0),
    }
}

/// Every concentration published for eggs, and what the rules say to it. The conflicts stay visible.
#[test]
fn published_doses_meet_the_rules() {
    let cases = [
        ("CFR529.1030 low", "formalin", 1000.0, true),
        ("CFR529.1030 high", "formalin", 2000.0, true),
        ("RACH-EGG", "formalin", 1667.0, true),
        ("WAEFORM best", "formalin", 1667.0, true),
        ("WAEFORM lower", "formalin", 834.0, false),
        ("RBTFORM least effective", "formalin", 750.0, false),
        ("WWBOOK low", "formalin", 100.0, false),
        ("WWBOOK high", "formalin", 250.0, false),
        ("MERCK19 low, µL per mL", "formalin", 1_000_000.0, false),
        ("CFR529.1150 low", "peroxide", 500.0, true),
        ("CFR529.1150 high", "peroxide", 1000.0, true),
        ("INAD", "peroxide", 750.0, true),
        ("WAEFORM peroxide", "peroxide", 200.0, false),
        ("UMESC-B unsafe for walleye", "peroxide", 3000.0, false),
    ];
    for (source, agent, concentration, within) in cases {
        let guard = Guard::look(&proposal(target(agent, concentration)), STOP_BEFORE_HATCH_H).unwrap();
        let said = guard.refused_because().iter().map(|finding| finding.text.clone()).collect::<Vec<_>>();
        println!(
            "{source:28} {concentration:>9}: {}",
            if said.is_empty() { "within the rule".into() } else { said.join("; ") }
        );
        assert_eq!(guard.allows(), within, "{source}");
    }
}

/// UMESC-A saw losses of trout eggs at 78 to 135 °C·days: inside the window of the rule.
#[test]
fn the_trout_window_covers_where_losses_were_seen() {
    for c_days in [78.0, 100.0, 135.0] {
        let trout = Proposal {
            eggs: EggKind::RainbowTrout,
            c_days: Some(c_days),
            ..proposal(Target::HydrogenPeroxide { mg_per_l: 500.0 })
        };
        let guard = Guard::look(&trout, STOP_BEFORE_HATCH_H).unwrap();
        assert!(guard.allows() && guard.cautions == [Caution::TroutWindow { c_days: Some(c_days) }]);
    }
}

/// Storage from 40 °F on is allowed (CFR529.1030); 4.4 °C is the same.
#[test]
fn formalin_stored_cold_is_refused() {
    let at = |coldest_f| {
        let proposal = Proposal {
            formalin_coldest_f: Some(coldest_f),
            ..proposal(Target::Formalin { ul_per_l: 1667.0 })
        };
        Guard::look(&proposal, STOP_BEFORE_HATCH_H).unwrap().refusals
    };
    assert_eq!(at(40.0), []);
    assert_eq!(at(39.0), [Refusal::FormalinCold { coldest_f: 39.0 }]);
    assert!(((40.0 - 32.0) / 1.8_f64 - 4.4).abs() < 0.05);
}

#[test]
fn every_rule_names_its_edition_and_every_agent_its_care() {
    for agent in [Agent::Formalin, Agent::HydrogenPeroxide] {
        assert!(agent.citation().contains("2015 edition; check the current one"));
        assert!(safety(agent).iter().any(|note| note.text.contains("gloves")));
        assert!(safety(agent).iter().any(|note| note.text.contains("label")));
    }
    // OSHA: 0.75 ppm over 8 hours, 2 ppm over 15 minutes.
    assert!(
        safety(Agent::Formalin)
            .iter()
            .any(|note| note.text.contains("0.75 ppm") && note.text.contains("2 ppm"))
    );
    assert!(IODOPHOR.iter().all(|note| !note.source.is_empty()));
}
