//! The calculators themselves: numbers in, lines out.

use super::{Calculator, Given, Outcome};
use crate::web::words::{grouped, plain};
use nightjar_calc::breeders::effective_number;
use nightjar_calc::enumeration::{
    Estimate, Hardened, Settled, Subsample, displacement, gravimetric, volumetric, von_bayer,
};
use nightjar_calc::oxygen::{Bed, Pressure, StageForOxygen, saturation, stopped_minutes};
use nightjar_calc::proportion::{Sample, wilson};
use nightjar_calc::quantity::{Celsius, LitresPerMinute, Metres};
use nightjar_calc::sensor::platinum::Platinum;
use nightjar_calc::sensor::thermistor::Curve;
use nightjar_calc::treatment::{Agent, Target, flow_through, safety};

const fn given(name: &'static str, label: &'static str, unit: &'static str, example: &'static str) -> Given {
    Given { name, label, unit, example, optional: false }
}
const fn maybe(name: &'static str, label: &'static str, unit: &'static str, example: &'static str) -> Given {
    Given { name, label, unit, example, optional: true }
}

const VOLUME: Given = given("litres", "Eggs to be told, settled and hardened", "L", "2.366");

/// All calculators.
pub const CALCULATORS: &[Calculator] = &[
    Calculator {
        key: "trough",
        title: "Von Bayer trough",
        given: &[
            given("eggs", "Eggs in the row", "", "150"),
            given("length_in", "Length of the row", "in", "12"),
            VOLUME,
        ],
        source: "von Bayer 1910 for the method; constant 67.65 fitted to published pairs of diameter and count",
        work: trough,
    },
    Calculator {
        key: "volume",
        title: "Count by volume",
        given: &[given("eggs", "Eggs counted", "", "1321"), given("ml", "In", "mL", "10"), VOLUME],
        source: "plain proportion; error of a single count ±10 % at 95 %",
        work: |v| by_volume(v, false),
    },
    Calculator {
        key: "displacement",
        title: "Count by displaced water",
        given: &[
            given("eggs", "Eggs counted", "", "2153"),
            given("ml", "They displaced", "mL", "10"),
            VOLUME,
        ],
        source: "settled beds are 0.613 egg; the rest is water between them",
        work: |v| by_volume(v, true),
    },
    Calculator {
        key: "weight",
        title: "Count by weight",
        given: &[
            given("eggs", "Eggs counted", "", "112"),
            given("grams", "They weighed, drained", "g", "5"),
            given("whole", "All eggs weigh, drained", "g", "316.8"),
        ],
        source: "plain proportion; water on the eggs is the main error",
        work: weight,
    },
    Calculator {
        key: "proportion",
        title: "Share with its interval",
        given: &[given("hits", "Eyed, or alive", "", "183"), given("of", "Of", "", "200")],
        source: "Wilson 1927, score interval",
        work: proportion,
    },
    Calculator {
        key: "formalin",
        title: "Formalin into flowing water",
        given: &[
            given("ul_per_l", "Concentration", "µL/L", "1667"),
            given("flow", "Flow", "L/min", "18.9"),
            given("minutes", "For", "min", "15"),
            maybe("stock_ml", "Made up to", "mL", "946"),
        ],
        source: "volume = 0.001 × concentration × flow × time; rule: 21 CFR 529.1030, check the current edition",
        work: |v| dose(Target::Formalin { ul_per_l: at(v, 0) }, v, "Formalin"),
    },
    Calculator {
        key: "peroxide",
        title: "Hydrogen peroxide (35 %) into flowing water",
        given: &[
            given("mg_per_l", "Concentration", "mg/L", "500"),
            given("flow", "Flow", "L/min", "18.9"),
            given("minutes", "For", "min", "15"),
            maybe("stock_ml", "Made up to", "mL", "946"),
        ],
        source: "volume = concentration × flow × time / 396.1; rule: 21 CFR 529.1150, check the current edition",
        work: |v| dose(Target::HydrogenPeroxide { mg_per_l: at(v, 0) }, v, "Peroxide"),
    },
    Calculator {
        key: "oxygen",
        title: "Oxygen in the water",
        given: &[given("temp", "Water", "°C", "10"), given("altitude", "Height of the place", "m", "400")],
        source: "Benson and Krause 1984, as used in the national tables; pressure from the standard atmosphere",
        work: oxygen,
    },
    Calculator {
        key: "stopped",
        title: "How long a stopped jar has",
        given: &[
            given("litres", "Eggs, settled", "L", "2.366"),
            given("temp", "Water", "°C", "10"),
            given("altitude", "Height of the place", "m", "400"),
        ],
        source: "oxygen between the settled eggs over what they use; uptake by stage is assumed, errs short",
        work: stopped,
    },
    Calculator {
        key: "thermistor",
        title: "Thermistor (10 kΩ curve 3)",
        given: &[given("ohms", "Resistance", "Ω", "19900")],
        source: "Steinhart and Hart 1968; coefficients of the 10K3 curve",
        work: |v| {
            let t = Curve::TEN_K3.celsius(at(v, 0)).map_err(|e| e.to_string())?;
            lines(vec![("Temperature", degrees(t)), ("The same", format!("{:.2}\u{202f}°F", t * 1.8 + 32.0))])
        },
    },
    Calculator {
        key: "platinum",
        title: "Platinum thermometer",
        given: &[given("r0", "Resistance at 0 °C", "Ω", "100"), given("ohms", "Resistance", "Ω", "103.9")],
        source: "IEC 60751",
        work: |v| {
            let t = Platinum::new(at(v, 0)).and_then(|p| p.celsius(at(v, 1))).map_err(|e| e.to_string())?;
            lines(vec![("Temperature", degrees(t))])
        },
    },
    Calculator {
        key: "breeders",
        title: "Effective number of breeders",
        given: &[given("females", "Females", "", "60"), given("males", "Males", "", "90")],
        source: "Wright 1931: 4 × females × males / (females + males); an upper bound",
        work: breeders,
    },
];

type Answer = Result<Outcome, String>;

/// The value at a place; what may not be empty has been looked at before.
fn at(values: &[Option<f64>], i: usize) -> f64 {
    values.get(i).copied().flatten().unwrap_or(0.0)
}

fn lines(lines: Vec<(&'static str, String)>) -> Answer {
    Ok(Outcome { lines, notes: Vec::new() })
}

fn degrees(celsius: f64) -> String {
    format!("{celsius:.2}\u{202f}°C")
}

fn estimate(estimate: Estimate) -> String {
    let interval = estimate.interval();
    format!("{} ({} to {})", grouped(estimate.known()), grouped(interval.low), grouped(interval.high))
}

fn whole(values: &[Option<f64>], i: usize, what: &str) -> Result<u32, String> {
    let value = at(values, i);
    if !(0.0..=1e6).contains(&value) || value.fract().abs() > 1e-9 {
        return Err(format!("{what}: {} is not a count from 0 to 1 000 000", plain(value)));
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "range and wholeness checked"
    )]
    let whole = value as u32;
    Ok(whole)
}

fn trough(v: &[Option<f64>]) -> Answer {
    let trough = von_bayer::<Hardened>(at(v, 0), at(v, 1)).map_err(|e| e.to_string())?;
    let eggs = Settled::litres(at(v, 2)).map_err(|e| e.to_string())?;
    lines(vec![
        (
            "Diameter of an egg",
            format!("{:.4}\u{202f}in = {:.2}\u{202f}mm", trough.diameter_in, trough.diameter_mm),
        ),
        ("To the quart", estimate(trough.per_litre.per_quart())),
        ("To the litre", estimate(trough.per_litre.estimate())),
        ("Eggs", estimate(trough.per_litre.eggs_in(eggs))),
    ])
}

fn by_volume(v: &[Option<f64>], displaced: bool) -> Answer {
    let sample = [Subsample { eggs: at(v, 0), amount: at(v, 1) }];
    let per_litre =
        if displaced { displacement::<Hardened>(&sample) } else { volumetric::<Hardened>(&sample) };
    let per_litre = per_litre.map_err(|e| e.to_string())?;
    let eggs = Settled::litres(at(v, 2)).map_err(|e| e.to_string())?;
    lines(vec![
        ("To the quart", estimate(per_litre.per_quart())),
        ("To the litre", estimate(per_litre.estimate())),
        ("Eggs", estimate(per_litre.eggs_in(eggs))),
    ])
}

fn weight(v: &[Option<f64>]) -> Answer {
    let sample = [Subsample { eggs: at(v, 0), amount: at(v, 1) }];
    let per_gram = gravimetric::<Hardened>(&sample).map_err(|e| e.to_string())?;
    let eggs = per_gram.eggs_in_grams(at(v, 2)).map_err(|e| e.to_string())?;
    lines(vec![("To the gram", format!("{:.2}", per_gram.estimate().value)), ("Eggs", estimate(eggs))])
}

fn proportion(v: &[Option<f64>]) -> Answer {
    let sample =
        Sample::new(whole(v, 0, "Eyed, or alive")?, whole(v, 1, "Of")?).map_err(|e| e.to_string())?;
    let interval = wilson(sample, 0.95).map_err(|e| e.to_string())?;
    lines(vec![
        ("Share", format!("{:.1}\u{202f}%", sample.share() * 100.0)),
        ("Between (95 %)", format!("{:.1} to {:.1}\u{202f}%", interval.low * 100.0, interval.high * 100.0)),
    ])
}

fn dose(target: Target, v: &[Option<f64>], name: &'static str) -> Answer {
    let flow = LitresPerMinute::new(at(v, 1)).map_err(|e| e.to_string())?;
    let stock = v.get(3).copied().flatten();
    let dose = flow_through(target, flow, at(v, 2), stock).map_err(|e| e.to_string())?;
    let ml = |value: f64| format!("{value:.1}\u{202f}mL");
    let mut list = vec![(name, ml(dose.drug_ml)), ("Water to make up with", ml(dose.make_up_water_ml))];
    if let Some(feed) = dose.feed_ml_per_min {
        list.push(("Feed at", format!("{feed:.2}\u{202f}mL/min")));
    }
    let agent: Agent = target.agent();
    let notes = safety(agent).iter().map(|note| format!("{} ({})", note.text, note.source)).collect();
    Ok(Outcome { lines: list, notes })
}

fn oxygen(v: &[Option<f64>]) -> Answer {
    let (t, pressure) = water(at(v, 0), at(v, 1))?;
    let full = saturation(t, pressure, 0.0).map_err(|e| e.to_string())?;
    lines(vec![("Saturation", format!("{:.2}\u{202f}mg/L", full.get()))])
}

fn water(celsius: f64, metres: f64) -> Result<(Celsius, Pressure), String> {
    let t = Celsius::new(celsius).map_err(|e| e.to_string())?;
    let altitude = Metres::new(metres).map_err(|e| e.to_string())?;
    Ok((t, Pressure::at_altitude(altitude).map_err(|e| e.to_string())?))
}

fn stopped(v: &[Option<f64>]) -> Answer {
    let bed = Bed::of_volume(at(v, 0)).map_err(|e| e.to_string())?;
    let t = Celsius::new(at(v, 1)).map_err(|e| e.to_string())?;
    let altitude = Metres::new(at(v, 2)).map_err(|e| e.to_string())?;
    let stages = [
        ("Green", StageForOxygen::Green),
        ("Eyed", StageForOxygen::Eyed),
        ("Near hatch", StageForOxygen::NearHatch),
        ("Fry in the jar", StageForOxygen::Fry),
    ];
    let mut list = Vec::new();
    for (name, stage) in stages {
        let minutes = stopped_minutes(bed, t, altitude, stage).map_err(|e| e.to_string())?;
        list.push((name, minutes.to_string()));
    }
    let notes =
        vec!["A rough estimate that errs short. Do not wait for it: get water to the jar.".to_owned()];
    Ok(Outcome { lines: list, notes })
}

fn breeders(v: &[Option<f64>]) -> Answer {
    let breeders =
        effective_number(whole(v, 0, "Females")?, whole(v, 1, "Males")?).map_err(|e| e.to_string())?;
    lines(vec![
        ("Effective number, at most", plain((breeders.effective_at_most * 10.0).round() / 10.0)),
        (
            "Inbreeding, at least",
            format!("{:.2}\u{202f}% a generation", breeders.inbreeding_at_least * 100.0),
        ),
    ])
}
