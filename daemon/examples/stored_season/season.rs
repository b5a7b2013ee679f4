//! An invented season of any rack: eggs that came and went, eggs that are there, and what the
//! sensors would have said. Nothing in it is random, so two runs store the same bytes.

#[path = "../invented/take.rs"]
mod take;

use nightjar::ids::{LotId, PersonId, TakeId};
use nightjar::logbook::{Act, Empty, Entry, EntryId, FlowSetPoint, Load, Lot, Siphon};
use nightjar::rack::{Measure, Rack, Sensor};
use nightjar::reading::{Quality, Reason, Value};
use nightjar::store::Sample;
use nightjar_calc::time::{Span, Timestamp};
use take::taken;

/// L/min of every jar.
pub const FLOW: f64 = 3.0;
/// Days since the eggs came that are in the jars.
pub const EGGS_SINCE: f64 = 14.0;
/// Days since the eggs before them came, and since they were taken out.
const EARLIER: (f64, f64) = (60.0, 20.0);

/// The logbook: two takes, each in all jars, and a siphon of each jar a day.
pub fn entries(rack: &Rack, now: Timestamp) -> Result<Vec<Entry>, Box<dyn std::error::Error>> {
    let mut book = Book { entries: Vec::new(), who: PersonId::new("kim")? };
    let days_ago = |days: f64| now - Span::from_days(days);
    for (name, came, left) in [("T1", EARLIER.0, EARLIER.1), ("T2", EGGS_SINCE, 0.0)] {
        let (take, lot) = (TakeId::new(name)?, LotId::new(&format!("{name}L"))?);
        book.write(days_ago(came), taken(take.clone(), days_ago(came), None));
        book.write(
            days_ago(came),
            Act::Lot(Lot { lot: lot.clone(), takes: vec![take], strain: String::new() }),
        );
        for jar in &rack.jars {
            let jar = jar.id.clone();
            let load = Load { jar: jar.clone(), lot: lot.clone(), volume_l: 2.0, eggs: None };
            book.write(days_ago(came), Act::Load(load));
            book.write(
                days_ago(came),
                Act::FlowSetPoint(FlowSetPoint { jar: jar.clone(), flow_l_per_min: FLOW }),
            );
            let mut day = came - 1.0;
            while day > left {
                book.write(
                    days_ago(day),
                    Act::Siphon(Siphon { jar: jar.clone(), volume_ml: 15.0, dead_share: 0.9 }),
                );
                day -= 1.0;
            }
            if left > 0.0 {
                book.write(days_ago(left), Act::Empty(Empty { jar, reason: "hatched".to_owned() }));
            }
        }
    }
    Ok(book.entries)
}

struct Book {
    entries: Vec<Entry>,
    who: PersonId,
}

impl Book {
    fn write(&mut self, at: Timestamp, act: Act) {
        let id = EntryId(format!("invented-{:06}", self.entries.len()));
        self.entries.push(Entry { id, happened_at: at, written_at: at, who: self.who.clone(), act });
    }
}

/// What one sensor said between two moments: a daily swing and the noise of a thermistor at a
/// 12-bit converter, or whole pulses of a flow meter.
pub fn samples(sensor: &Sensor, number: u32, from: Timestamp, to: Timestamp, step: Span) -> Vec<Sample> {
    let mut noise = Noise(0x5eed_cafe_f00d ^ (u64::from(number) << 20) ^ from.ms().unsigned_abs());
    let mut samples = Vec::new();
    let mut at = from;
    while at < to {
        let day = at.since(Timestamp::from_ms(0)).days();
        let value = match sensor.measure {
            Measure::Flow => ((FLOW + 0.03 * noise.bell()) * 13.3 / 6.0).round() * 6.0 / 13.3,
            Measure::Temperature | Measure::Mains | Measure::Battery => {
                9.0 + 0.8 * (day * std::f64::consts::TAU).sin() + 0.02 * noise.bell()
            }
        };
        let late = Span::from_ms(noise.below(40));
        if let Some(value) = Value::from_f64(value) {
            samples.push(Sample { at: at + late, value, quality: Quality::Good, reason: Reason::None });
        }
        at = at + step;
    }
    samples
}

/// Small, repeatable noise (xorshift); the sum of four uniform numbers is near enough to a bell.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        f64::from(u32::try_from(self.0 >> 32).unwrap_or(0)) / f64::from(u32::MAX)
    }

    fn below(&mut self, limit: i64) -> i64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        i64::try_from(self.0 >> 33).unwrap_or(0) % limit
    }

    /// Standard deviation 1.
    fn bell(&mut self) -> f64 {
        let sum: f64 = (0..4).map(|_| self.uniform() - 0.5).sum();
        sum * 3.0_f64.sqrt()
    }
}
