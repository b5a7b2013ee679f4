//! What the simulated crew did, as entries of the logbook.

use crate::ids::{JarId, LotId, PersonId, SensorId, TakeId};
use crate::logbook::{
    Act, Calibration, Check, CountMethod, Dip, Empty, Entry, EntryId, EyeUpSample, FlowSetPoint, HatchPoint,
    HatchSeen, Load, Siphon, Take,
};
use anyhow::Result;
use nightjar_calc::time::Timestamp;
use nightjar_simulator::crew::{CrewAct, CrewEvent, HatchSeen as Seen};

/// The entries of one thing done.
pub fn entries(event: &CrewEvent, who: &PersonId, number: &mut u64) -> Result<Vec<Entry>> {
    let acts = acts(&event.act)?;
    Ok(acts
        .into_iter()
        .map(|act| {
            *number += 1;
            Entry {
                id: EntryId(format!("crew-{:06}", *number)),
                happened_at: event.at,
                written_at: Timestamp::from_ms(0),
                who: who.clone(),
                act,
            }
        })
        .collect())
}

fn acts(act: &CrewAct) -> Result<Vec<Act>> {
    let set_flow = |jar: &str, flow| -> Result<Act> {
        Ok(Act::FlowSetPoint(FlowSetPoint { jar: JarId::new(jar)?, flow_l_per_min: flow }))
    };
    Ok(match act {
        CrewAct::IceCheck { sensor, read_c } => vec![Act::Calibration(Calibration {
            sensor: SensorId::new(sensor)?,
            check: Check::IcePoint { reading_c: *read_c },
        })],
        CrewAct::Take { take, fertilized_at, females, males, volume_l, eggs_per_l, hardening_temp_c } => {
            vec![Act::Take(Box::new(Take {
                take: TakeId::new(take)?,
                species: "walleye".to_owned(),
                water: "Alder Lake (invented)".to_owned(),
                gear: "fyke net".to_owned(),
                fertilized_at: *fertilized_at,
                females: *females,
                males: *males,
                males_reused: 0,
                parents: Vec::new(),
                crosses: Vec::new(),
                volume_l: Some(*volume_l),
                hardened: true,
                count: Some(CountMethod::PerLitre { eggs_per_l: *eggs_per_l }),
                pan: String::new(),
                clay_minutes: None,
                hardening_from: None,
                hardening_to: None,
                hardening_temp_c: Some(*hardening_temp_c),
                hardening_sensor: None,
                transport_temp_c: None,
                disinfection: String::new(),
            }))]
        }
        CrewAct::Load { jar, take, volume_l, flow_l_per_min, .. } => vec![
            Act::Load(Load {
                jar: JarId::new(jar)?,
                lot: LotId::new(take)?,
                volume_l: *volume_l,
                eggs: None,
            }),
            set_flow(jar, *flow_l_per_min)?,
        ],
        CrewAct::FlowSetPoint { jar, l_per_min } => vec![set_flow(jar, *l_per_min)?],
        CrewAct::Siphon { jar, volume_ml } => {
            vec![Act::Siphon(Siphon { jar: JarId::new(jar)?, volume_ml: *volume_ml, dead_share: 1.0 })]
        }
        CrewAct::EyeUpSample { jar, eyed, of } => vec![Act::EyeUpSample(EyeUpSample {
            jar: JarId::new(jar)?,
            dips: vec![Dip { eyed: *eyed, of: *of }],
        })],
        CrewAct::HatchSeen { jar, seen } => vec![Act::HatchSeen(HatchSeen {
            jar: JarId::new(jar)?,
            point: match seen {
                Seen::First => HatchPoint::First,
                Seen::Peak => HatchPoint::Peak,
                Seen::Last => HatchPoint::Last,
            },
        })],
        CrewAct::Empty { jar } => {
            vec![Act::Empty(Empty { jar: JarId::new(jar)?, reason: "hatched".to_owned() })]
        }
    })
}
