//! Words of the entry forms: title, caution and fields of each kind of entry. The kinds, and what goes into
//! their fields, are in `forms::table`; a test there fails while the two differ.

mod take;

/// Words of one kind of entry.
pub struct Entry {
    /// Its key.
    pub kind: &'static str,
    /// Its title.
    pub title: &'static str,
    /// Caution above the fields, or nothing.
    pub caution: &'static str,
    /// Its fields.
    pub fields: &'static [Label],
}

/// Words of one field.
pub struct Label {
    /// Its key.
    pub name: &'static str,
    /// Its label.
    pub label: &'static str,
    /// A line of help, or nothing.
    pub hint: &'static str,
    /// What can be chosen: key and words.
    pub choices: &'static [(&'static str, &'static str)],
}

/// Of a kind of entry.
pub fn of(kind: &str) -> Option<&'static Entry> {
    ENTRIES.iter().find(|entry| entry.kind == kind)
}

/// Of one of its fields.
pub fn field(kind: &str, name: &str) -> Option<&'static Label> {
    of(kind)?.fields.iter().find(|field| field.name == name)
}

const fn word(name: &'static str, label: &'static str) -> Label {
    Label { name, label, hint: "", choices: &[] }
}
const fn hint(name: &'static str, label: &'static str, hint: &'static str) -> Label {
    Label { name, label, hint, choices: &[] }
}
const fn offer(
    name: &'static str,
    label: &'static str,
    choices: &'static [(&'static str, &'static str)],
) -> Label {
    Label { name, label, hint: "", choices }
}

/// Unit of a concentration, which depends on the agent.
pub const DOSE: &str = "µL/L or mg/L";
/// Unit of what a sensor said.
pub const READING: &str = "°C or L/min";

const JAR: &str = "Jar";
const AGENTS: &[(&str, &str)] = &[
    ("formalin", "formalin (37 % formaldehyde), µL/L"),
    ("hydrogen_peroxide", "hydrogen peroxide (35 %), mg/L"),
];

/// All kinds.
pub const ENTRIES: &[Entry] = &[
    Entry {
        kind: "siphon",
        title: "Siphon",
        caution: "",
        fields: &[
            word("jar", JAR),
            word("volume", "Eggs drawn off"),
            hint("dead", "Dead among them", "left empty: all of them"),
        ],
    },
    Entry {
        kind: "flow_set_point",
        title: "Flow",
        caution: "",
        fields: &[word("jar", JAR), word("flow", "Flow it should have from now on")],
    },
    Entry {
        kind: "treatment",
        title: "Treatment",
        caution: "Only as the label, the prescribing veterinarian, the discharge permit and local rules allow. Gloves, \
            eye protection, fresh air: formalin can cause cancer, strong peroxide burns.",
        fields: &[
            word("jar", JAR),
            offer("agent", "What", AGENTS),
            word("concentration", "Concentration"),
            word("minutes", "For"),
            word("flow", "Into a flow of"),
            word("volume_ml", "Amount used"),
            word("store_coldest", "Coldest the formalin has been"),
            word("batch", "Batch on the bottle"),
            hint(
                "despite",
                "Why it was given although a rule speaks against it",
                "only when it was given all the same",
            ),
        ],
    },
    Entry {
        kind: "eye_up_sample",
        title: "Eye-up sample",
        caution: "",
        fields: &[word("jar", JAR), word("dips", "Eyed, of all eggs in the dip")],
    },
    Entry {
        kind: "hatch_seen",
        title: "Hatch seen",
        caution: "",
        fields: &[
            word("jar", JAR),
            offer(
                "point",
                "How far",
                &[("first", "first fry"), ("peak", "most are hatching"), ("last", "last fry")],
            ),
        ],
    },
    Entry { kind: "note", title: "Note", caution: "", fields: &[word("jar", JAR), word("text", "Words")] },
    Entry {
        kind: "hand_reading",
        title: "Hand reading",
        caution: "",
        fields: &[word("jar", JAR), word("temp", "Temperature"), word("flow", "Flow")],
    },
    Entry { kind: "take", title: "Take", caution: "", fields: take::FIELDS },
    Entry {
        kind: "fertilization_sample",
        title: "Fertilization sample",
        caution: "",
        fields: &[hint("take", "Take", "its name"), word("dips", "Fertilized, of all eggs in the dip")],
    },
    Entry {
        kind: "treatment_plan",
        title: "Treatment plan",
        caution: "Only as the label, the prescribing veterinarian, the discharge permit and local rules allow.",
        fields: &[
            word("species", "Species"),
            offer("agent", "What", AGENTS),
            word("concentration", "Concentration"),
            word("minutes", "For"),
            word("every_h", "Every"),
            word("first_after_h", "First so long after loading"),
            offer(
                "until",
                "Until",
                &[
                    ("before_hatch", "the stop before hatch"),
                    ("eyed", "eye-up"),
                    ("never", "never: ends an earlier plan"),
                ],
            ),
            word("stop_before_hatch_h", "Stop before the earliest hatch"),
        ],
    },
    Entry {
        kind: "lot",
        title: "Lot",
        caution: "",
        fields: &[
            hint("lot", "Name of the lot", "letters, digits, - _ ."),
            hint("takes", "Takes in it", "names with spaces between"),
            word("strain", "Strain"),
        ],
    },
    Entry {
        kind: "load",
        title: "Load a jar",
        caution: "",
        fields: &[
            word("jar", JAR),
            word("lot", "Lot"),
            word("volume", "Eggs, settled"),
            word("eggs", "Number of eggs, if counted"),
        ],
    },
    Entry {
        kind: "move",
        title: "Move",
        caution: "",
        fields: &[word("from", "From"), word("to", "Into the empty jar")],
    },
    Entry {
        kind: "split",
        title: "Split",
        caution: "",
        fields: &[word("from", "From"), word("to", "Into the empty jar"), word("share", "Share moved")],
    },
    Entry {
        kind: "pool",
        title: "Pool",
        caution: "",
        fields: &[word("from", "Emptied"), word("into", "Added to")],
    },
    Entry {
        kind: "empty",
        title: "Empty a jar",
        caution: "",
        fields: &[word("jar", JAR), word("reason", "Why")],
    },
    Entry {
        kind: "fry_count",
        title: "Fry count",
        caution: "",
        fields: &[
            word("lot", "Lot"),
            word("jar", "Out of jar"),
            word("counts", "Fry in each sub-sample"),
            word("sample_ml", "One sub-sample"),
            word("tank", "Tank"),
        ],
    },
    Entry {
        kind: "held",
        title: "Fry held",
        caution: "",
        fields: &[word("lot", "Lot"), word("fry", "Fry"), word("note", "Where or why")],
    },
    Entry {
        kind: "stocked",
        title: "Stocked",
        caution: "Moving and stocking fish needs the permits and health checks of the place.",
        fields: &[
            word("lot", "Lot"),
            word("water", "Into"),
            word("fry", "Fry"),
            word("truck", "Truck or bags"),
            word("truck_temp", "Temperature in the truck"),
            word("water_temp", "Temperature of the water"),
        ],
    },
    Entry {
        kind: "mortality",
        title: "Mortality",
        caution: "",
        fields: &[
            word("lot", "Lot"),
            word("jar", JAR),
            word("number", "Dead"),
            word("cause", "Why, as far as known"),
        ],
    },
    Entry {
        kind: "calibration",
        title: "Calibration",
        caution: "",
        fields: &[
            word("sensor", "Sensor"),
            offer(
                "check",
                "Checked by",
                &[
                    ("ice_point", "melting ice"),
                    ("bucket", "bucket and watch"),
                    ("reference", "a thermometer beside it"),
                ],
            ),
            word("reading", "What the sensor said"),
            hint("reference", "What the thermometer said", "with a thermometer only"),
            hint("litres", "Caught", "with a bucket only"),
            hint("seconds", "In", "with a bucket only"),
        ],
    },
    Entry {
        kind: "probe_move",
        title: "Probe swapped or moved",
        caution: "Electricity near water: ground-fault protection, and wiring by a licensed electrician.",
        fields: &[word("sensor", "Sensor"), word("text", "What was done")],
    },
];
