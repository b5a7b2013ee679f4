//! What can be written into the logbook, as the description of the interface says it: the fields of each
//! act with their units and limits. `logbook::sound` refuses what is outside; a test holds both together.

use schema::{
    Field, above_zero, jar, may, moment, must, name, needed, object, one_of, or_null, several, tagged, whole,
    within, words,
};
use serde_json::{Map, Value, json};

mod schema;

/// Characters of one line, and of a note.
const LINE: usize = 400;
const NOTE: usize = 2_000;
/// Eggs or fry in one entry.
const EGGS: f64 = 1.0e9;

fn water_c(what: &str) -> Value {
    within(what, "°C", -2.0, 40.0)
}

fn agent() -> Value {
    one_of(
        "What is dosed: formalin of about 37 % formaldehyde, or peroxide of 35 %.",
        &["formalin", "hydrogen_peroxide"],
    )
}

fn concentration() -> Value {
    above_zero("Concentration", "µL/L for formalin, mg/L for peroxide", 1.0e5)
}

fn dips(hits: &'static str, what: &str) -> Value {
    let dip = object(vec![
        must(hits, json!({"type": "integer", "minimum": 0, "maximum": u32::MAX, "description": what})),
        must(
            "of",
            json!({"type": "integer", "minimum": 1, "maximum": u32::MAX, "description": "All eggs of the dip."}),
        ),
    ]);
    several("Each dip by itself.", 1, dip)
}

/// How eggs were counted.
fn count() -> Value {
    let eggs = || must("eggs", above_zero("Eggs counted", "", EGGS));
    let by = |key, fields| tagged("method", key, fields);
    json!({"description": "How they were counted.", "oneOf": [
        by("von_bayer", vec![eggs(), must("length_in", above_zero("Length of the row", "in", 1.0e6))]),
        by("volumetric", vec![eggs(), must("sample_ml", above_zero("Settled volume they filled", "mL", 1.0e6))]),
        by("gravimetric", vec![eggs(), must("sample_g", above_zero("Weight, drained", "g", 1.0e6))]),
        by("displacement", vec![eggs(), must("displaced_ml", above_zero("Water they displaced", "mL", 1.0e6))]),
        by("per_litre", vec![must("eggs_per_l", above_zero("Eggs to the settled litre", "", EGGS))]),
        {"type": "null"},
    ]})
}

fn take() -> Vec<Field> {
    let mark = || needed("Mark of the fish.", 40);
    let parent = object(vec![
        must("mark", mark()),
        may("length_mm", or_null(within("Total length", "mm", 10.0, 3_000.0))),
    ]);
    let cross = object(vec![
        must("female", mark()),
        must("males", several("Whose milt.", 0, mark())),
        may("pan", words("Pan it was done in.", 40)),
    ]);
    vec![
        must("take", name("Its name.")),
        must("species", words("Key of the species.", LINE)),
        must("water", needed("Lake or river of the parents.", LINE)),
        may("gear", words("Net or trap.", LINE)),
        must("fertilized_at", moment("Fertilization.")),
        must("females", whole("Females stripped", 1.0e5)),
        must("males", whole("Males used", 1.0e5)),
        may("males_reused", whole("Males of these used for an earlier take; no more than males", 1.0e5)),
        may("parents", several("Single fish.", 0, parent)),
        may("crosses", several("Who was crossed.", 0, cross)),
        may("volume_l", or_null(within("Eggs, settled", "L", 1.0e-6, 1.0e4))),
        may(
            "hardened",
            json!({"type": "boolean", "description": "The eggs had taken up water when volume and count were read."}),
        ),
        may("count", count()),
        may("pan", words("Pans it was fertilized in.", LINE)),
        may("clay_minutes", or_null(within("In the clay suspension", "min", 0.0, 1_440.0))),
        may("hardening_from", moment("Into the hardening basket; not before fertilization.")),
        may("hardening_to", moment("Out of it; not before it began.")),
        may("hardening_temp_c", or_null(water_c("Basket by hand"))),
        may("hardening_sensor", or_null(name("Probe in the basket."))),
        may("transport_temp_c", or_null(water_c("On the way to the jars by hand"))),
        may("disinfection", words("Disinfection, in words.", LINE)),
    ]
}

fn check() -> Value {
    let by = |key, fields| tagged("check", key, fields);
    let near = |what: &str| within(what, "°C or L/min", -50.0, 1.0e4);
    json!({"description": "How it was checked.", "oneOf": [
        by("ice_point", vec![must("reading_c", within("Reading in melting ice", "°C", -20.0, 20.0))]),
        by("bucket", vec![
            must("litres", above_zero("Water caught", "L", 1.0e4)),
            must("seconds", above_zero("In this time", "s", 86_400.0)),
            must("reading_l_per_min", within("What the meter said meanwhile", "L/min", 0.0, 1.0e4)),
        ]),
        by("reference", vec![must("reference", near("What the reference said")), must("reading", near("What the sensor said"))]),
    ]})
}

/// Fields of an act; `None` when there is no such act.
fn fields(kind: &str) -> Option<Vec<Field>> {
    let lot = |what: &str| name(what);
    let flow = |what: &str, high| within(what, "L/min", 0.0, high);
    let minutes = || must("minutes", above_zero("For how long", "min", 1_440.0));
    let fry = || must("fry", above_zero("Fry", "", EGGS));
    Some(match kind {
        "take" => take(),
        "lot" => vec![
            must("lot", lot("Its name.")),
            must("takes", several("Takes pooled into it.", 0, name("A take."))),
            may("strain", words("Strain.", LINE)),
        ],
        "load" => vec![
            must("jar", jar("Into.")),
            must("lot", lot("Eggs of this lot.")),
            must("volume_l", above_zero("Eggs, settled", "L", 1.0e4)),
            may("eggs", or_null(within("Eggs, if counted", "", 1.0, EGGS))),
        ],
        "move" => vec![must("from", jar("Out of.")), must("to", jar("Into; must be empty."))],
        "pool" => vec![
            must("from", jar("Out of; is empty afterwards.")),
            must("into", jar("To the eggs of this jar.")),
        ],
        "split" => vec![
            must("from", jar("Out of.")),
            must("to", jar("Into.")),
            must(
                "share",
                json!({"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1, "description": "Share poured over."}),
            ),
        ],
        "empty" => vec![must("jar", jar("Which.")), may("reason", words("Why.", LINE))],
        "flow_set_point" => {
            vec![must("jar", jar("Which.")), must("flow_l_per_min", flow("Flow it should have", 200.0))]
        }
        "hand_reading" => vec![
            must("jar", jar("Where.")),
            may("temp_c", or_null(water_c("Temperature; this, the flow or both"))),
            may("flow_l_per_min", or_null(flow("Flow", 1_000.0))),
        ],
        "siphon" => vec![
            must("jar", jar("Out of.")),
            must("volume_ml", above_zero("Drawn off, settled", "mL", 1.0e6)),
            may("dead_share", within("Share of them dead; all when absent", "", 0.0, 1.0)),
        ],
        "treatment" => vec![
            must("jar", jar("Which.")),
            must("agent", agent()),
            must("concentration", concentration()),
            minutes(),
            must("flow_l_per_min", flow("Flow it was dosed into", 1_000.0)),
            must("volume_ml", within("Solution used", "mL", 0.0, 1.0e5)),
            may("batch", words("Batch on the bottle.", LINE)),
            may("store_coldest_c", or_null(within("Coldest the formalin has been", "°C", -60.0, 60.0))),
            may(
                "despite",
                words(
                    "Why it was given although a rule speaks against it; without this such a treatment is refused.",
                    LINE,
                ),
            ),
        ],
        "treatment_plan" => vec![
            must("species", needed("Key of the species.", 60)),
            must("agent", agent()),
            must("concentration", concentration()),
            minutes(),
            must("every_h", within("From one to the next", "h", 1.0, 1_440.0)),
            must("first_after_h", within("In the jar before the first", "h", 0.0, 1_440.0)),
            must(
                "until",
                one_of("Until when; never ends an earlier plan.", &["eyed", "before_hatch", "never"]),
            ),
            must(
                "stop_before_hatch_h",
                within("None is given from so long before the earliest hatch", "h", 0.0, 336.0),
            ),
        ],
        "fertilization_sample" => vec![
            must("take", name("Of this take.")),
            must("dips", dips("fertilized", "Fertilized eggs; no more than all.")),
        ],
        "eye_up_sample" => {
            vec![must("jar", jar("Out of.")), must("dips", dips("eyed", "Eyed eggs; no more than all."))]
        }
        "hatch_seen" => vec![
            must("jar", jar("Where.")),
            must("point", one_of("How far it had come.", &["first", "peak", "last"])),
        ],
        "fry_count" => vec![
            must("lot", lot("Of this lot.")),
            may("jar", or_null(jar("When kept apart."))),
            must("counts", several("Fry in each sub-sample.", 0, within("Fry", "", 0.0, 1.0e7))),
            must("sample_ml", above_zero("A sub-sample", "mL", 1.0e6)),
            must("tank_l", above_zero("The tank", "L", 1.0e6)),
        ],
        "held" => vec![must("lot", lot("Of this lot.")), fry(), may("note", words("Where or why.", LINE))],
        "stocked" => vec![
            must("lot", lot("Of this lot.")),
            must("water", needed("Into this water.", LINE)),
            fry(),
            may("truck", words("Truck or bags.", LINE)),
            may("truck_temp_c", or_null(water_c("In the truck"))),
            may("water_temp_c", or_null(water_c("The water"))),
        ],
        "mortality" => vec![
            must("lot", lot("Of this lot.")),
            may("jar", or_null(jar("If in one."))),
            must("number", above_zero("Eggs or fry found dead", "", EGGS)),
            must("cause", words("Why, as far as known.", LINE)),
        ],
        "note" => vec![may("jar", or_null(jar("If about one."))), must("text", needed("The words.", NOTE))],
        "calibration" => vec![must("sensor", name("Which.")), must("how", check())],
        "probe_move" => vec![must("sensor", name("Which.")), must("text", needed("What was done.", LINE))],
        "void" => vec![
            must(
                "entry",
                json!({"type": "string", "pattern": "^[A-Za-z0-9-]{8,64}$", "description": "Which entry."}),
            ),
            must("reason", needed("Why.", LINE)),
            may(
                "instead",
                json!({"$ref": "#/components/schemas/Act", "description": "What should have been written, at the time of the other; not void."}),
            ),
        ],
        _ => return None,
    })
}

/// Every kind of act.
const KINDS: [&str; 23] = [
    "take",
    "lot",
    "load",
    "move",
    "split",
    "pool",
    "empty",
    "flow_set_point",
    "hand_reading",
    "siphon",
    "treatment",
    "treatment_plan",
    "fertilization_sample",
    "eye_up_sample",
    "hatch_seen",
    "fry_count",
    "held",
    "stocked",
    "mortality",
    "note",
    "calibration",
    "probe_move",
    "void",
];

/// The schemas of acts, and `Act`, which is one of them.
pub fn schemas() -> Map<String, Value> {
    let mut all = Map::new();
    let mut refs = Vec::new();
    for kind in KINDS {
        let path = format!("Act.{kind}");
        refs.push(json!({"$ref": format!("#/components/schemas/{path}")}));
        if let Some(fields) = fields(kind) {
            all.insert(path, tagged("kind", kind, fields));
        }
    }
    let mapping: Map<String, Value> = KINDS
        .iter()
        .map(|kind| ((*kind).to_owned(), json!(format!("#/components/schemas/Act.{kind}"))))
        .collect();
    all.insert(
        "Act".into(),
        json!({"oneOf": refs, "discriminator": {"propertyName": "kind", "mapping": mapping}}),
    );
    all
}
