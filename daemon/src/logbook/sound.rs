//! What can be said of an entry without knowing the others: lengths of texts, ranges of numbers.

use super::{Act, Check, CountMethod, Take};

/// Characters of one line of text, at most.
const LINE: usize = 400;
/// Characters of a note, at most.
const NOTE: usize = 2_000;
/// Fish, crosses, dips or counts in one entry, at most.
const MOST: usize = 500;
/// Eggs or fry in one entry, at most.
const EGGS: f64 = 1.0e9;

/// Why an entry is refused whatever the others say, for people.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Unsound(pub String);

type Sound = Result<(), Unsound>;

fn wrong<T>(text: String) -> Result<T, Unsound> {
    Err(Unsound(text))
}

/// A text of at most `most` characters without control characters other than the end of a line.
fn text(what: &str, text: &str, most: usize) -> Sound {
    let length = text.chars().count();
    if length > most {
        return wrong(format!("{what}: {length} characters are too many; at most {most}"));
    }
    if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
        return wrong(format!("{what}: holds characters that cannot be written"));
    }
    Ok(())
}

fn needed(what: &str, words: &str, most: usize) -> Sound {
    if words.trim().is_empty() {
        return wrong(format!("{what}: is missing"));
    }
    text(what, words, most)
}

fn within(what: &str, value: f64, low: f64, high: f64) -> Sound {
    // A NaN is in no range.
    if (low..=high).contains(&value) {
        Ok(())
    } else {
        wrong(format!("{what}: {value} is outside {low} to {high}"))
    }
}

fn maybe(what: &str, value: Option<f64>, low: f64, high: f64) -> Sound {
    value.map_or(Ok(()), |value| within(what, value, low, high))
}

fn above_zero(what: &str, value: f64, high: f64) -> Sound {
    if value > 0.0 {
        within(what, value, 0.0, high)
    } else {
        wrong(format!("{what}: {value} must be above 0"))
    }
}

fn few(what: &str, number: usize) -> Sound {
    if number > MOST { wrong(format!("{what}: at most {MOST} in one entry")) } else { Ok(()) }
}

fn dips(pairs: impl ExactSizeIterator<Item = (u32, u32)>) -> Sound {
    few("dips", pairs.len())?;
    if pairs.len() == 0 {
        return wrong("dips: at least one is needed".into());
    }
    for (hits, of) in pairs {
        if of == 0 || hits > of {
            return wrong(format!("dips: {hits} of {of} cannot be; at least one egg, and no more than all"));
        }
    }
    Ok(())
}

fn temperature(what: &str, value: Option<f64>) -> Sound {
    maybe(what, value, -2.0, 40.0)
}

fn count(method: &CountMethod) -> Sound {
    let (eggs, amount) = match *method {
        CountMethod::VonBayer { eggs, length_in } => (eggs, length_in),
        CountMethod::Volumetric { eggs, sample_ml } => (eggs, sample_ml),
        CountMethod::Gravimetric { eggs, sample_g } => (eggs, sample_g),
        CountMethod::Displacement { eggs, displaced_ml } => (eggs, displaced_ml),
        CountMethod::PerLitre { eggs_per_l } => (eggs_per_l, 1.0),
    };
    above_zero("count: eggs", eggs, EGGS)?;
    above_zero("count: sample", amount, 1.0e6)
}

fn take(take: &Take) -> Sound {
    needed("water", &take.water, LINE)?;
    for (what, words) in [
        ("species", &take.species),
        ("gear", &take.gear),
        ("pan", &take.pan),
        ("disinfection", &take.disinfection),
    ] {
        text(what, words, LINE)?;
    }
    within("females", f64::from(take.females), 0.0, 1.0e5)?;
    within("males", f64::from(take.males), 0.0, 1.0e5)?;
    if take.males_reused > take.males {
        return wrong(format!("males_reused: {} of {} males cannot be", take.males_reused, take.males));
    }
    few("parents", take.parents.len())?;
    few("crosses", take.crosses.len())?;
    for parent in &take.parents {
        needed("parents: mark", &parent.mark, 40)?;
        maybe("parents: length_mm", parent.length_mm, 10.0, 3_000.0)?;
    }
    for cross in &take.crosses {
        needed("crosses: female", &cross.female, 40)?;
        text("crosses: pan", &cross.pan, 40)?;
        few("crosses: males", cross.males.len())?;
        cross.males.iter().try_for_each(|male| needed("crosses: males", male, 40))?;
    }
    maybe("volume_l", take.volume_l, 1.0e-6, 1.0e4)?;
    take.count.as_ref().map_or(Ok(()), count)?;
    maybe("clay_minutes", take.clay_minutes, 0.0, 1_440.0)?;
    temperature("hardening_temp_c", take.hardening_temp_c)?;
    temperature("transport_temp_c", take.transport_temp_c)?;
    let ends = [Some(take.fertilized_at), take.hardening_from, take.hardening_to];
    if !ends.into_iter().flatten().is_sorted() {
        return wrong("hardening begins after fertilization and ends after it began; check the times".into());
    }
    Ok(())
}

impl Act {
    /// Looks at the entry by itself.
    ///
    /// # Errors
    /// Names the field and says what is wrong with it.
    pub fn sound(&self) -> Result<(), Unsound> {
        match self {
            Self::Take(a) => take(a),
            Self::Lot(a) => few("takes", a.takes.len()).and_then(|()| text("strain", &a.strain, LINE)),
            Self::Load(a) => {
                above_zero("volume_l", a.volume_l, 1.0e4)?;
                maybe("eggs", a.eggs, 1.0, EGGS)
            }
            Self::Split(a) => {
                if a.share > 0.0 && a.share < 1.0 {
                    return Ok(());
                }
                wrong(format!("share: {} moved cannot be; more than 0 and less than 1", a.share))
            }
            Self::Move(_) | Self::Pool(_) | Self::HatchSeen(_) => Ok(()),
            Self::Empty(a) => text("reason", &a.reason, LINE),
            Self::FlowSetPoint(a) => within("flow_l_per_min", a.flow_l_per_min, 0.0, 200.0),
            Self::HandReading(a) => {
                if a.temp_c.is_none() && a.flow_l_per_min.is_none() {
                    return wrong("give a temperature, a flow or both".into());
                }
                temperature("temp_c", a.temp_c)?;
                maybe("flow_l_per_min", a.flow_l_per_min, 0.0, 1_000.0)
            }
            Self::Siphon(a) => {
                above_zero("volume_ml", a.volume_ml, 1.0e6)?;
                within("dead_share", a.dead_share, 0.0, 1.0)
            }
            Self::Treatment(a) => {
                above_zero("concentration", a.concentration, 1.0e5)?;
                above_zero("minutes", a.minutes, 1_440.0)?;
                within("flow_l_per_min", a.flow_l_per_min, 0.0, 1_000.0)?;
                within("volume_ml", a.volume_ml, 0.0, 1.0e5)?;
                maybe("store_coldest_c", a.store_coldest_c, -60.0, 60.0)?;
                text("batch", &a.batch, LINE)?;
                text("despite", &a.despite, LINE)
            }
            Self::TreatmentPlan(a) => {
                needed("species", &a.species, 60)?;
                above_zero("concentration", a.concentration, 1.0e5)?;
                above_zero("minutes", a.minutes, 1_440.0)?;
                within("every_h", a.every_h, 1.0, 24.0 * 60.0)?;
                within("first_after_h", a.first_after_h, 0.0, 24.0 * 60.0)?;
                within("stop_before_hatch_h", a.stop_before_hatch_h, 0.0, 24.0 * 14.0)
            }
            Self::FertilizationSample(a) => dips(a.dips.iter().map(|dip| (dip.fertilized, dip.of))),
            Self::EyeUpSample(a) => dips(a.dips.iter().map(|dip| (dip.eyed, dip.of))),
            Self::FryCount(a) => {
                few("counts", a.counts.len())?;
                a.counts.iter().try_for_each(|count| within("counts", *count, 0.0, 1.0e7))?;
                above_zero("sample_ml", a.sample_ml, 1.0e6)?;
                above_zero("tank_l", a.tank_l, 1.0e6)
            }
            Self::Held(a) => above_zero("fry", a.fry, EGGS).and_then(|()| text("note", &a.note, LINE)),
            Self::Stocked(a) => {
                needed("water", &a.water, LINE)?;
                above_zero("fry", a.fry, EGGS)?;
                text("truck", &a.truck, LINE)?;
                temperature("truck_temp_c", a.truck_temp_c)?;
                temperature("water_temp_c", a.water_temp_c)
            }
            Self::Mortality(a) => {
                above_zero("number", a.number, EGGS).and_then(|()| text("cause", &a.cause, LINE))
            }
            Self::Note(a) => needed("text", &a.text, NOTE),
            Self::Calibration(a) => match a.check {
                Check::IcePoint { reading_c } => within("reading_c", reading_c, -20.0, 20.0),
                Check::Bucket { litres, seconds, reading_l_per_min } => {
                    above_zero("litres", litres, 1.0e4)?;
                    above_zero("seconds", seconds, 86_400.0)?;
                    within("reading_l_per_min", reading_l_per_min, 0.0, 1.0e4)
                }
                Check::Reference { reference, reading } => {
                    within("reference", reference, -50.0, 1.0e4)?;
                    within("reading", reading, -50.0, 1.0e4)
                }
            },
            Self::ProbeMove(a) => needed("text", &a.text, LINE),
            Self::Void(a) => {
                needed("reason", &a.reason, LINE)?;
                match a.instead.as_deref() {
                    None => Ok(()),
                    Some(Self::Void(_)) => {
                        wrong("instead: an entry cannot be replaced by taking back".into())
                    }
                    Some(act) => act.sound(),
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn act(json: serde_json::Value) -> Act {
        serde_json::from_value(json).unwrap()
    }

    #[test]
    fn long_names_and_control_characters_are_refused_and_formulas_are_only_text() {
        let note = |text: &str| act(serde_json::json!({"kind": "note", "text": text})).sound();
        assert!(note(&"x".repeat(10_000)).unwrap_err().to_string().contains("10000 characters"));
        assert!(note("bell \u{7}").is_err());
        assert!(note("   ").is_err());
        for harmless in ["=cmd|' /C calc'!A0", "<svg onload=alert(1)>", "two\nlines"] {
            assert_eq!(note(harmless), Ok(()));
        }
    }

    #[test]
    fn impossible_numbers_are_refused() {
        for json in [
            serde_json::json!({"kind": "siphon", "jar": "J1", "volume_ml": -3.0}),
            serde_json::json!({"kind": "siphon", "jar": "J1", "volume_ml": 3.0, "dead_share": 1.1}),
            serde_json::json!({"kind": "split", "from": "J1", "to": "J2", "share": 1.0}),
            serde_json::json!({"kind": "eye_up_sample", "jar": "J1", "dips": []}),
            serde_json::json!({"kind": "eye_up_sample", "jar": "J1", "dips": [{"eyed": 3, "of": 2}]}),
            serde_json::json!({"kind": "hand_reading", "jar": "J1"}),
            serde_json::json!({"kind": "stocked", "lot": "L", "water": "W", "fry": 0.0}),
        ] {
            assert!(act(json.clone()).sound().is_err(), "{json}");
        }
    }
}
