//! Which day needs people, tank and truck, over all lots.

use crate::time::{Day, Timestamp, Zone};
use std::collections::BTreeMap;

/// What is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Resource {
    /// Hands at the jars.
    People,
    /// A tank for the fry.
    Tank,
    /// The truck, to stock them.
    Truck,
}

/// Dates of one lot. Of a stage that was reached, all three are that moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Earliest moment.
    pub earliest: Timestamp,
    /// Likely moment.
    pub likely: Timestamp,
    /// Latest moment.
    pub latest: Timestamp,
}

/// The hatch of one lot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotDates {
    /// Its name.
    pub lot: String,
    /// Start of hatch.
    pub start: Window,
    /// End of hatch.
    pub end: Window,
}

/// How this station works; all days count from the hatch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Habits {
    /// Days people come before the start of hatch, to make ready.
    pub ready_days: i64,
    /// Days fry stay in the tank after the end of hatch.
    pub tank_days: i64,
    /// Days after the end of hatch by which the truck must have been.
    pub truck_days: i64,
}

impl Default for Habits {
    /// Common practice, no source: ready the day before, fry stocked within three days.
    fn default() -> Self {
        Self { ready_days: 1, tank_days: 3, truck_days: 3 }
    }
}

/// One lot's claim on a day.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Booking {
    /// What is needed.
    pub resource: Resource,
    /// For which lot.
    pub lot: String,
    /// True on the likely days, false on days that are needed only if it comes early or late.
    pub likely: bool,
}

/// What a day needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayNeeds {
    /// Local day.
    pub day: Day,
    /// All claims, in order.
    pub bookings: Vec<Booking>,
}

impl DayNeeds {
    /// Lots that are likely to need a resource on this day: more than one tank or truck may be short.
    #[must_use]
    pub fn likely_lots(&self, resource: Resource) -> usize {
        self.bookings.iter().filter(|b| b.resource == resource && b.likely).count()
    }
}

/// Longest stretch one lot may claim, days.
const LONGEST: i64 = 120;

/// Spreads the windows of all lots over local days; days without any claim are left out.
///
/// With `e`, `l`, `f` the days of the earliest, likely and latest start of hatch, `E`, `L`, `F` those of its end, and
/// the [`Habits`] `r`, `k`, `u`: people from `e − r` to `F` (likely `l − r` to `L`), a tank from `e` to `F + k` (likely
/// `l` to `L + k`), the truck from `E` to `F + u` (likely `L` to `L + u`). Common practice, no source.
///
/// ```
/// # use nightjar_calc::plan::*;
/// # use nightjar_calc::time::{Span, Timestamp, Zone};
/// let at = |day: &str| Timestamp::parse(&format!("{day}T12:00:00Z")).unwrap();
/// let window = |likely: Timestamp| Window {
///     earliest: likely - Span::from_hours(24), likely, latest: likely + Span::from_hours(24),
/// };
/// let lot = LotDates { lot: "A".into(), start: window(at("2026-05-04")), end: window(at("2026-05-06")) };
/// let days = calendar(&[lot], Zone::named("UTC").unwrap(), &Habits::default());
/// // People from the day before the earliest start, the truck until three days after the latest end.
/// assert_eq!(days[0].day.to_string(), "2026-05-02");
/// assert_eq!(days[days.len() - 1].day.to_string(), "2026-05-10");
/// let hatch = days.iter().find(|needs| needs.day.to_string() == "2026-05-05").unwrap();
/// assert_eq!((hatch.likely_lots(Resource::People), hatch.likely_lots(Resource::Truck)), (1, 0));
/// ```
#[must_use]
pub fn calendar(lots: &[LotDates], zone: Zone, habits: &Habits) -> Vec<DayNeeds> {
    let mut days: BTreeMap<Day, Vec<Booking>> = BTreeMap::new();
    for lot in lots {
        let on = |at: Timestamp| zone.day_of(at);
        let (start, end) = (&lot.start, &lot.end);
        // From, to: outer days, then likely ones.
        let claims = [
            (
                Resource::People,
                (on(start.earliest).plus(-habits.ready_days), on(end.latest)),
                (on(start.likely).plus(-habits.ready_days), on(end.likely)),
            ),
            (
                Resource::Tank,
                (on(start.earliest), on(end.latest).plus(habits.tank_days)),
                (on(start.likely), on(end.likely).plus(habits.tank_days)),
            ),
            (
                Resource::Truck,
                (on(end.earliest), on(end.latest).plus(habits.truck_days)),
                (on(end.likely), on(end.likely).plus(habits.truck_days)),
            ),
        ];
        for (resource, (from, to), (likely_from, likely_to)) in claims {
            for n in 0..=to.days_since(from).min(LONGEST) {
                let day = from.plus(n);
                let likely = (likely_from..=likely_to).contains(&day);
                let booking = Booking { resource, lot: lot.lot.clone(), likely };
                days.entry(day).or_default().push(booking);
            }
        }
    }
    days.into_iter()
        .map(|(day, mut bookings)| {
            bookings.sort();
            DayNeeds { day, bookings }
        })
        .collect()
}
