//! The calculators of the page: which numbers each asks for, by what label.

use super::{Calculator, Given};
use crate::web::words::calculators::given as label;
use crate::web::words::calculators::{
    breeders, displacement, platinum, proportion, title, trough, volume, weight,
};

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

const VOLUME: Given = given("volume_l", label::TO_BE_TOLD, "L", "2.366");
const FLOW: Given = given("flow_l_per_min", label::FLOW, "L/min", "18.9");
const MINUTES: Given = given("minutes", label::FOR, "min", "15");
const STOCK: Given = maybe("stock_ml", label::MADE_UP_TO, "mL", "946");
const WATER: Given = given("temp_c", label::WATER, "°C", "10");
const HEIGHT: Given = given("altitude_m", label::HEIGHT, "m", "400");
const STAGE: Given = Given {
    choices: &[
        ("green", label::STAGES[0]),
        ("eyed", label::STAGES[1]),
        ("near-hatch", label::STAGES[2]),
        ("fry", label::STAGES[3]),
    ],
    ..given("stage", label::STAGE, "", "green")
};

/// All of them, in the order of a season.
pub const CALCULATORS: &[Calculator] = &[
    calculator(
        "trough",
        "count/trough",
        trough::TITLE,
        &[given("eggs", trough::EGGS, "", "150"), given("length_in", trough::LENGTH, "in", "12"), VOLUME],
    ),
    calculator(
        "volume",
        "count/volume",
        volume::TITLE,
        &[given("eggs", label::EGGS_COUNTED, "", "1321"), given("sample_ml", volume::IN, "mL", "10"), VOLUME],
    ),
    calculator(
        "displacement",
        "count/displacement",
        displacement::TITLE,
        &[
            given("eggs", label::EGGS_COUNTED, "", "2153"),
            given("displaced_ml", displacement::DISPLACED, "mL", "10"),
            VOLUME,
        ],
    ),
    calculator(
        "weight",
        "count/weight",
        weight::TITLE,
        &[
            given("eggs", label::EGGS_COUNTED, "", "112"),
            given("sample_g", weight::SAMPLE, "g", "5"),
            given("weight_g", weight::ALL, "g", "316.8"),
        ],
    ),
    calculator(
        "proportion",
        "proportion",
        proportion::TITLE,
        &[given("hits", proportion::HITS, "", "183"), given("of", proportion::OF, "", "200")],
    ),
    calculator(
        "formalin",
        "dose/formalin",
        title::FORMALIN,
        &[given("target_ul_per_l", label::CONCENTRATION, "µL/L", "1667"), FLOW, MINUTES, STOCK],
    ),
    calculator(
        "peroxide",
        "dose/peroxide",
        title::PEROXIDE,
        &[given("target_mg_per_l", label::CONCENTRATION, "mg/L", "500"), FLOW, MINUTES, STOCK],
    ),
    calculator("oxygen", "oxygen", title::OXYGEN, &[WATER, HEIGHT]),
    calculator(
        "stopped",
        "oxygen/stopped",
        title::STOPPED,
        &[given("volume_l", label::EGGS, "L", "2.366"), WATER, HEIGHT, STAGE],
    ),
    calculator(
        "flowing",
        "oxygen/flowing",
        title::FLOWING,
        &[given("volume_l", label::EGGS, "L", "2.366"), WATER, HEIGHT, STAGE, FLOW],
    ),
    Calculator {
        always: &[("curve", "10K3")],
        ..calculator(
            "thermistor",
            "sensor/thermistor",
            title::THERMISTOR,
            &[given("ohms", label::RESISTANCE, "Ω", "19900")],
        )
    },
    calculator(
        "platinum",
        "sensor/platinum",
        platinum::TITLE,
        &[given("r0_ohm", platinum::AT_ZERO, "Ω", "100"), given("ohms", label::RESISTANCE, "Ω", "103.9")],
    ),
    calculator(
        "breeders",
        "breeders",
        breeders::TITLE,
        &[given("females", breeders::FEMALES, "", "60"), given("males", breeders::MALES, "", "90")],
    ),
];
