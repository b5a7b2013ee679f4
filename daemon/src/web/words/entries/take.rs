//! Labels of a take, the longest form.

use super::{Label, hint, offer, word};

/// Its fields.
pub const FIELDS: &[Label] = &[
    hint("take", "Name of the take", "letters, digits, - _ . like T-0418"),
    word("species", "Species"),
    word("water", "Lake or river"),
    word("gear", "Net or trap"),
    word("fertilized_at", "Fertilized"),
    word("females", "Females"),
    word("males", "Males"),
    word("males_reused", "Males used before"),
    word("volume", "Volume of eggs, settled"),
    offer(
        "hardened",
        "The volume was read",
        &[("no", "before water-hardening"), ("yes", "after water-hardening")],
    ),
    offer(
        "method",
        "Counted by",
        &[
            ("none", "not counted"),
            ("von_bayer", "von Bayer trough: eggs, inches"),
            ("volumetric", "volume: eggs, mL"),
            ("gravimetric", "weight: eggs, g"),
            ("displacement", "displacement: eggs, mL"),
            ("per_litre", "known eggs to the litre"),
        ],
    ),
    word("eggs", "Eggs counted, or eggs to the litre"),
    word("sample", "On so many inches, mL or g"),
    hint("parents", "Fish, one a line", "mark and length in mm, like F1 612"),
    hint("crosses", "Crosses, one a line", "female x males, like F1 x M1 M2; a pan in brackets: (pan 2)"),
    word("pan", "Pans"),
    word("clay_minutes", "In clay"),
    word("hardening_from", "Into the hardening basket"),
    word("hardening_to", "Out of it"),
    word("hardening_temp", "Temperature while hardening"),
    word("hardening_sensor", "Probe in the hardening basket"),
    word("transport_temp", "Temperature on the way to the jars"),
    word("disinfection", "Disinfection"),
];
