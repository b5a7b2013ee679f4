//! Which fields each kind of entry has. Their words are in `words::entries`.

use super::{Field, Form, Input};
use crate::web::units::Quantity;
use crate::web::words::entries;

const fn field(name: &'static str, input: Input) -> Field {
    Field { name, input, optional: false }
}
const fn maybe(name: &'static str, input: Input) -> Field {
    Field { name, input, optional: true }
}

const JAR: Field = field("jar", Input::Jar);
const FLOW: Input = Input::Measure(Quantity::Flow, 0.0, 1_000.0);
const TEMP: Input = Input::Measure(Quantity::Temperature, -2.0, 40.0);
const LITRES: Input = Input::Measure(Quantity::Litres, 0.0, 10_000.0);
const MILLILITRES: Input = Input::Measure(Quantity::Millilitres, 0.0, 1_000_000.0);

/// All kinds of entries, those made at the jar first.
pub const FORMS: &[Form] = &[
    Form {
        kind: "siphon",
        fields: &[JAR, field("volume", MILLILITRES), maybe("dead", Input::Number("%", 0.0, 100.0))],
    },
    Form { kind: "flow_set_point", fields: &[JAR, field("flow", FLOW)] },
    Form {
        kind: "treatment",
        fields: &[
            JAR,
            field("agent", Input::Choice(&["formalin", "hydrogen_peroxide"])),
            field("concentration", Input::Number(entries::DOSE, 0.0, 100_000.0)),
            field("minutes", Input::Number("min", 0.0, 1_440.0)),
            field("flow", FLOW),
            field("volume_ml", Input::Number("mL", 0.0, 100_000.0)),
            maybe("store_coldest", Input::Measure(Quantity::Temperature, -60.0, 60.0)),
            maybe("batch", Input::Line(80)),
            maybe("despite", Input::Line(400)),
        ],
    },
    Form { kind: "eye_up_sample", fields: &[JAR, field("dips", Input::Dips)] },
    Form { kind: "hatch_seen", fields: &[JAR, field("point", Input::Choice(&["first", "peak", "last"]))] },
    Form { kind: "note", fields: &[maybe("jar", Input::Jar), field("text", Input::Text(2_000))] },
    Form { kind: "hand_reading", fields: &[JAR, maybe("temp", TEMP), maybe("flow", FLOW)] },
    Form {
        kind: "take",
        fields: &[
            field("take", Input::Line(32)),
            field("species", Input::Species),
            field("water", Input::Line(80)),
            maybe("gear", Input::Line(80)),
            field("fertilized_at", Input::Moment),
            field("females", Input::Whole(0.0, 100_000.0)),
            field("males", Input::Whole(0.0, 100_000.0)),
            maybe("males_reused", Input::Whole(0.0, 100_000.0)),
            maybe("volume", LITRES),
            field("hardened", Input::Choice(&["no", "yes"])),
            field(
                "method",
                Input::Choice(&[
                    "none",
                    "von_bayer",
                    "volumetric",
                    "gravimetric",
                    "displacement",
                    "per_litre",
                ]),
            ),
            maybe("eggs", Input::Number("", 0.0, 10_000_000.0)),
            maybe("sample", Input::Number("", 0.0, 100_000.0)),
            maybe("parents", Input::Text(8_000)),
            maybe("crosses", Input::Text(8_000)),
            maybe("pan", Input::Line(80)),
            maybe("clay_minutes", Input::Number("min", 0.0, 1_440.0)),
            maybe("hardening_from", Input::Moment),
            maybe("hardening_to", Input::Moment),
            maybe("hardening_temp", TEMP),
            maybe("hardening_sensor", Input::Sensor),
            maybe("transport_temp", TEMP),
            maybe("disinfection", Input::Line(200)),
        ],
    },
    Form {
        kind: "fertilization_sample",
        fields: &[field("take", Input::Line(32)), field("dips", Input::Dips)],
    },
    Form {
        kind: "treatment_plan",
        fields: &[
            field("species", Input::Species),
            field("agent", Input::Choice(&["formalin", "hydrogen_peroxide"])),
            field("concentration", Input::Number(entries::DOSE, 0.0, 100_000.0)),
            field("minutes", Input::Number("min", 0.0, 1_440.0)),
            field("every_h", Input::Number("h", 1.0, 1_440.0)),
            field("first_after_h", Input::Number("h", 0.0, 1_440.0)),
            field("until", Input::Choice(&["before_hatch", "eyed", "never"])),
            field("stop_before_hatch_h", Input::Number("h", 0.0, 336.0)),
        ],
    },
    Form {
        kind: "lot",
        fields: &[
            field("lot", Input::Line(32)),
            field("takes", Input::Line(400)),
            maybe("strain", Input::Line(80)),
        ],
    },
    Form {
        kind: "load",
        fields: &[
            JAR,
            field("lot", Input::Lot),
            field("volume", LITRES),
            maybe("eggs", Input::Number("", 0.0, 100_000_000.0)),
        ],
    },
    Form { kind: "move", fields: &[field("from", Input::Jar), field("to", Input::OtherJar)] },
    Form {
        kind: "split",
        fields: &[
            field("from", Input::Jar),
            field("to", Input::OtherJar),
            field("share", Input::Number("%", 0.0, 100.0)),
        ],
    },
    Form { kind: "pool", fields: &[field("from", Input::Jar), field("into", Input::OtherJar)] },
    Form { kind: "empty", fields: &[JAR, maybe("reason", Input::Line(200))] },
    Form {
        kind: "fry_count",
        fields: &[
            field("lot", Input::Lot),
            maybe("jar", Input::Jar),
            field("counts", Input::Numbers),
            field("sample_ml", Input::Number("mL", 0.0, 100_000.0)),
            field("tank", LITRES),
        ],
    },
    Form {
        kind: "held",
        fields: &[
            field("lot", Input::Lot),
            field("fry", Input::Number("", 0.0, 100_000_000.0)),
            maybe("note", Input::Line(200)),
        ],
    },
    Form {
        kind: "stocked",
        fields: &[
            field("lot", Input::Lot),
            field("water", Input::Line(80)),
            field("fry", Input::Number("", 0.0, 100_000_000.0)),
            maybe("truck", Input::Line(80)),
            maybe("truck_temp", TEMP),
            maybe("water_temp", TEMP),
        ],
    },
    Form {
        kind: "mortality",
        fields: &[
            field("lot", Input::Lot),
            maybe("jar", Input::Jar),
            field("number", Input::Number("", 0.0, 100_000_000.0)),
            field("cause", Input::Line(200)),
        ],
    },
    Form {
        kind: "calibration",
        fields: &[
            field("sensor", Input::Sensor),
            field("check", Input::Choice(&["ice_point", "bucket", "reference"])),
            field("reading", Input::Number(entries::READING, -50.0, 100_000.0)),
            maybe("reference", Input::Number("°C", -50.0, 50.0)),
            maybe("litres", Input::Number("L", 0.0, 1_000.0)),
            maybe("seconds", Input::Number("s", 0.0, 3_600.0)),
        ],
    },
    Form { kind: "probe_move", fields: &[field("sensor", Input::Sensor), field("text", Input::Line(400))] },
];

#[cfg(test)]
mod tests {
    use super::*;

    /// The keys of a field and of what can be chosen in it.
    type Keys<'a> = Vec<(&'a str, Vec<&'a str>)>;

    #[test]
    fn every_form_field_and_choice_has_words_and_no_word_is_left_over() {
        let kinds: Vec<_> = FORMS.iter().map(|form| form.kind).collect();
        assert_eq!(kinds, entries::ENTRIES.iter().map(|entry| entry.kind).collect::<Vec<_>>());
        for (form, entry) in FORMS.iter().zip(entries::ENTRIES) {
            let wanted: Keys<'_> = form.fields.iter().map(|f| (f.name, choices(f.input))).collect();
            let told = |label: &entries::Label| label.choices.iter().map(|(value, _)| *value).collect();
            let there: Keys<'_> = entry.fields.iter().map(|label| (label.name, told(label))).collect();
            assert_eq!(wanted, there, "{}", form.kind);
            let words = entry.fields.iter().flat_map(|f| f.choices.iter().map(|c| c.1).chain([f.label]));
            assert!(words.chain([entry.title]).all(|words| !words.trim().is_empty()), "{}", form.kind);
        }
    }

    fn choices(input: Input) -> Vec<&'static str> {
        if let Input::Choice(values) = input { values.to_vec() } else { Vec::new() }
    }
}
