//! The calculators of the page: which numbers each asks for, by what words.

use super::{Calculator, Given};

const fn given(name: &'static str, label: &'static str, unit: &'static str, example: &'static str) -> Given {
    Given { name, label, unit, example, optional: false, choices: &[] }
}
const fn maybe(name: &'static str, label: &'static str, unit: &'static str, example: &'static str) -> Given {
    Given { name, label, unit, example, optional: true, choices: &[] }
}
const fn calculator(
    key: &'static str,
    path: &'static str,
    title: &'static str,
    given: &'static [Given],
) -> Calculator {
    Calculator { key, path, title, given, always: &[] }
}

const VOLUME: Given = given("volume_l", "Eggs to be told, settled and hardened", "L", "2.366");
const FLOW: Given = given("flow_l_per_min", "Flow, as measured", "L/min", "18.9");
const MINUTES: Given = given("minutes", "For", "min", "15");
const STOCK: Given = maybe("stock_ml", "Made up to", "mL", "946");
const WATER: Given = given("temp_c", "Water", "°C", "10");
const HEIGHT: Given = given("altitude_m", "Height of the place", "m", "400");
const STAGE: Given = Given {
    choices: &[("green", "Green"), ("eyed", "Eyed"), ("near-hatch", "Near hatch"), ("fry", "Fry in the jar")],
    ..given("stage", "How far the eggs are", "", "green")
};

/// All of them, in the order of a season.
pub const CALCULATORS: &[Calculator] = &[
    calculator(
        "trough",
        "count/trough",
        "Von Bayer trough",
        &[
            given("eggs", "Eggs in the row", "", "150"),
            given("length_in", "Length of the row", "in", "12"),
            VOLUME,
        ],
    ),
    calculator(
        "volume",
        "count/volume",
        "Count by volume",
        &[given("eggs", "Eggs counted", "", "1321"), given("sample_ml", "In", "mL", "10"), VOLUME],
    ),
    calculator(
        "displacement",
        "count/displacement",
        "Count by displaced water",
        &[
            given("eggs", "Eggs counted", "", "2153"),
            given("displaced_ml", "They displaced", "mL", "10"),
            VOLUME,
        ],
    ),
    calculator(
        "weight",
        "count/weight",
        "Count by weight",
        &[
            given("eggs", "Eggs counted", "", "112"),
            given("sample_g", "They weighed, drained", "g", "5"),
            given("weight_g", "All eggs weigh, drained", "g", "316.8"),
        ],
    ),
    calculator(
        "proportion",
        "proportion",
        "Share with its interval",
        &[given("hits", "Eyed, or alive", "", "183"), given("of", "Of", "", "200")],
    ),
    calculator(
        "formalin",
        "dose/formalin",
        "Formalin into flowing water",
        &[given("target_ul_per_l", "Concentration", "µL/L", "1667"), FLOW, MINUTES, STOCK],
    ),
    calculator(
        "peroxide",
        "dose/peroxide",
        "Hydrogen peroxide (35 %) into flowing water",
        &[given("target_mg_per_l", "Concentration", "mg/L", "500"), FLOW, MINUTES, STOCK],
    ),
    calculator("oxygen", "oxygen", "Oxygen in the water", &[WATER, HEIGHT]),
    calculator(
        "stopped",
        "oxygen/stopped",
        "How long a stopped jar has",
        &[given("volume_l", "Eggs, settled", "L", "2.366"), WATER, HEIGHT, STAGE],
    ),
    calculator(
        "flowing",
        "oxygen/flowing",
        "Oxygen a jar takes from its water",
        &[given("volume_l", "Eggs, settled", "L", "2.366"), WATER, HEIGHT, STAGE, FLOW],
    ),
    Calculator {
        always: &[("curve", "10K3")],
        ..calculator(
            "thermistor",
            "sensor/thermistor",
            "Thermistor (10 kΩ curve 3)",
            &[given("ohms", "Resistance", "Ω", "19900")],
        )
    },
    calculator(
        "platinum",
        "sensor/platinum",
        "Platinum thermometer",
        &[given("r0_ohm", "Resistance at 0 °C", "Ω", "100"), given("ohms", "Resistance", "Ω", "103.9")],
    ),
    calculator(
        "breeders",
        "breeders",
        "Effective number of breeders",
        &[given("females", "Females", "", "60"), given("males", "Males", "", "90")],
    ),
];
