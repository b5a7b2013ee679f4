//! The logbook of the invented station: takes, lots, loads and what was done since, as far back as the
//! lots of the picture. What the page shows of a season is worked out from these.

use nightjar::clock::Now;
use nightjar::ids::{JarId, LotId, PersonId, TakeId};
use nightjar::logbook::{
    Act, Agent, CountMethod, Dip, Entry, EntryId, EyeUpSample, FlowSetPoint, HatchPoint, HatchSeen, Load,
    Lot, PlannedUntil, Siphon, Take, Treatment, TreatmentPlan,
};
use nightjar::web::backend::Booked;
use nightjar_calc::time::Span;

/// Lot, species, days since fertilization, jars from and to, litres in a jar, eggs to the litre.
const LOTS: [(&str, &str, f64, u16, u16, f64, f64); 3] = [
    ("WAE-26-1", "walleye", 12.2, 1, 8, 1.5, 125_000.0),
    ("WAE-26-2", "walleye", 7.4, 9, 15, 1.5, 128_400.0),
    ("NOP-26-1", "northern_pike", 3.1, 17, 23, 1.2, 61_300.0),
];

struct Pen {
    now: Now,
    list: Vec<Booked>,
}

impl Pen {
    fn write(&mut self, hours_ago: f64, who: &str, act: Act) {
        let happened_at = self.now.utc - Span::from_days(hours_ago / 24.0);
        let entry = Entry {
            id: EntryId(format!("invented-{:04}", self.list.len())),
            happened_at,
            written_at: happened_at + Span::from_minutes(2),
            who: PersonId::new(who).unwrap(),
            act,
        };
        self.list.push(Booked { entry, voided: None });
    }
}

/// Everything before what `Memory::new` knows, without jar J03: its entries stand there.
pub fn season(now: Now) -> Vec<Booked> {
    let mut pen = Pen { now, list: Vec::new() };
    for (n, (lot, species, days, first, last, volume_l, eggs_per_l)) in LOTS.into_iter().enumerate() {
        let taken = days * 24.0;
        // J03 was loaded 270 h ago.
        let loaded = if n == 0 { 270.0 } else { taken - 24.0 };
        let take = TakeId::new(&format!("T-{}", n + 1)).unwrap();
        let jars = f64::from(last - first + 1);
        let act = Act::Take(Box::new(Take {
            take: take.clone(),
            species: species.into(),
            water: if n == 2 { "Alder Slough".into() } else { "Long Alder Lake".into() },
            gear: "trap net".into(),
            fertilized_at: now.utc - Span::from_days(days),
            females: [11, 9, 14][n],
            males: [26, 22, 31][n],
            males_reused: [0, 3, 0][n],
            parents: Vec::new(),
            crosses: Vec::new(),
            volume_l: Some(volume_l * jars),
            hardened: true,
            count: Some(CountMethod::PerLitre { eggs_per_l }),
            pan: String::new(),
            clay_minutes: Some(2.0),
            hardening_from: None,
            hardening_to: None,
            hardening_temp_c: Some(10.4),
            hardening_sensor: None,
            transport_temp_c: None,
            disinfection: String::new(),
        }));
        pen.write(taken - 0.5, "kim", act);
        let id = LotId::new(lot).unwrap();
        pen.write(
            taken - 0.4,
            "kim",
            Act::Lot(Lot { lot: id.clone(), takes: vec![take], strain: String::new() }),
        );
        for number in first..=last {
            let jar = JarId::new(&format!("J{number:02}")).unwrap();
            let later = f64::from(number) * 0.05;
            if number != 3 {
                let eggs = Some(volume_l * eggs_per_l);
                pen.write(
                    loaded - later,
                    "kim",
                    Act::Load(Load { jar: jar.clone(), lot: id.clone(), volume_l, eggs }),
                );
            }
            pen.write(
                loaded - later - 0.2,
                "kim",
                Act::FlowSetPoint(FlowSetPoint { jar: jar.clone(), flow_l_per_min: 4.0 }),
            );
            tend(&mut pen, &jar, number, loaded - later, n);
        }
    }
    let plan = TreatmentPlan {
        species: "walleye".into(),
        agent: Agent::Formalin,
        concentration: 1_667.0,
        minutes: 15.0,
        every_h: 24.0,
        first_after_h: 48.0,
        until: PlannedUntil::BeforeHatch,
        stop_before_hatch_h: 24.0,
    };
    pen.write(300.0, "ada", Act::TreatmentPlan(plan));
    pen.list
}

/// Siphoned daily from the third day on, treated until the day before hatch, sampled and seen hatching.
fn tend(pen: &mut Pen, jar: &JarId, number: u16, loaded: f64, n: usize) {
    let odd = f64::from(number % 4);
    let mut ago = loaded - 48.0;
    let mut day = 0.0;
    while ago > 20.0 {
        let volume_ml = 38.0 - 2.5 * day + 4.0 * odd;
        if number != 3 {
            pen.write(
                ago,
                if number.is_multiple_of(2) { "kim" } else { "ada" },
                Act::Siphon(Siphon { jar: jar.clone(), volume_ml, dead_share: 0.95 }),
            );
        }
        if n < 2 && ago > 60.0 && number.is_multiple_of(3) {
            let treatment = Treatment {
                jar: jar.clone(),
                agent: Agent::Formalin,
                concentration: 1_667.0,
                minutes: 15.0,
                flow_l_per_min: 4.0,
                volume_ml: 100.0,
                batch: "FA-0311".into(),
                store_coldest_c: Some(8.0),
                despite: String::new(),
            };
            pen.write(ago - 1.0, "ada", Act::Treatment(Box::new(treatment)));
        }
        ago -= 24.0;
        day += 1.0;
    }
    if n == 0 {
        let dips =
            [(96, 100), (93, 100)].map(|(eyed, of)| Dip { eyed: eyed - u32::from(number % 4), of }).to_vec();
        pen.write(80.0, "kim", Act::EyeUpSample(EyeUpSample { jar: jar.clone(), dips }));
        if number == 1 || number == 5 {
            pen.write(7.0, "kim", Act::HatchSeen(HatchSeen { jar: jar.clone(), point: HatchPoint::First }));
        }
    }
}
