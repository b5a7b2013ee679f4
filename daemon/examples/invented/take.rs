//! A take as the invented seasons write it down.

use nightjar::ids::TakeId;
use nightjar::logbook::{Act, CountMethod, Take};
use nightjar_calc::time::Timestamp;

/// Eggs of so many litres, if they were measured, that were taken and fertilized at a moment.
pub fn taken(take: TakeId, at: Timestamp, volume_l: Option<f64>) -> Act {
    Act::Take(Box::new(Take {
        take,
        species: "walleye".to_owned(),
        water: "Alder Lake (invented)".to_owned(),
        gear: String::new(),
        fertilized_at: at,
        females: 20,
        males: 20,
        males_reused: 0,
        parents: Vec::new(),
        crosses: Vec::new(),
        volume_l,
        hardened: true,
        count: Some(CountMethod::PerLitre { eggs_per_l: 130_000.0 }),
        pan: String::new(),
        clay_minutes: None,
        hardening_from: None,
        hardening_to: None,
        hardening_temp_c: Some(9.0),
        hardening_sensor: None,
        transport_temp_c: None,
        disinfection: String::new(),
    }))
}
