//! Columns of the season report as people read them. The files keep their keys, which carry the unit.

use super::stage;

/// Heading of a column, with its unit.
pub fn heading(key: &str) -> String {
    let words = match key {
        "level" => "of",
        "removed" => "drawn off or dead",
        "alive_by_siphon" => "alive by siphon",
        "alive_by_eye_up" => "alive by eye-up",
        "gap_eggs" => "estimates differ by",
        "gap" => "what that may mean",
        "fertilized_share" => "fertilized",
        "eye_up_share" => "eyed",
        "hatch_share" => "hatched",
        "fry_out" => "fry counted",
        "males_reused" => "males used again",
        "breeders_at_most" => "breeders at most",
        "fertilized_at" => "fertilized",
        "volume_l" => "eggs, L",
        "state" => "read",
        "count" => "counted by",
        "eggs_per_l" => "eggs to the litre",
        "clay_min" => "in clay, min",
        "hardening_from" => "into the basket",
        "hardening_to" => "out of it",
        "hardening_c" => "basket, °C",
        "hardening_sensor" => "probe in the basket",
        "transport_c" => "on the way, °C",
        "length_mm" => "length, mm",
        "truck_c" => "truck, °C",
        "water_c" => "water, °C",
        "raised_at" => "came on",
        "acknowledged_at" => "acknowledged",
        "acknowledged_by" => "by",
        "response_min" => "answered after, min",
        "cleared_at" => "cleared",
        "lasted_min" => "lasted, min",
        "loaded_at" => "into the jar",
        "left_at" => "out of it",
        "c_days" => "°C·days",
        "f_days" => "°F·days",
        "coverage_share" => "measured",
        "bridged_h" => "bridged, h",
        "uncounted_h" => "not counted, h",
        "confidence" => "sure of dates",
        "reached_at" => "reached",
        "reached_by" => "known how",
        "forecast_made" => "early outlook of",
        "forecast_likely" => "which said",
        "late_by_days" => "came later by, days",
        "at" => "when",
        "concentration" => "wanted",
        "minutes" => "for, min",
        "flow_l_per_min" => "flow, L/min",
        "volume_ml" => "solution, mL",
        "grams" => "grams of it",
        "despite" => "given although",
        "water_l" => "water treated, L",
        "mean_c" => "mean, °C",
        "known" => "should read",
        _ => return key.replace('_', " "),
    };
    words.to_owned()
}

/// A value that is a key, in words; anything else as it was written.
pub fn value(column: &str, text: &str) -> String {
    match (column, text) {
        ("stage", _) => stage(text).to_owned(),
        ("kind", "eye_up") => "eye-up".to_owned(),
        ("species" | "kind", _) => text.replace('_', " "),
        _ => text.to_owned(),
    }
}
