//! The best record available at each moment.

use super::{Tallied, Tally};
use crate::time::Timestamp;

/// Several records of the same water in order of trust: jar probe, then header, then hand readings, then a
/// neighbouring jar.
///
/// Each stretch is taken from the first record that covers it, measured or bridged by that record's own
/// rules; what it leaves as a gap is asked of the next, and marked as borrowed. A gap that none of them
/// covers stays a gap.
///
/// ```
/// # use nightjar_calc::thermal::*;
/// # use nightjar_calc::time::{Span, Timestamp};
/// let start = Timestamp::parse("2026-04-18T00:00:00Z").unwrap();
/// let at = |h| start + Span::from_hours(h);
/// let rules = Rules::for_interval(Span::from_hours(1));
/// // The jar's probe is silent from hour 10 to hour 20; the header's is 0.5 °C warmer.
/// let jar: Vec<_> = (0..=24).filter(|h| !(11..20).contains(h)).map(|h| Sample::new(at(h), 10.0).unwrap()).collect();
/// let header: Vec<_> = (0..=24).map(|h| Sample::new(at(h), 10.5).unwrap()).collect();
/// let (jar, header) = (Record::from_samples(&jar, &rules), Record::from_samples(&header, &rules));
/// let (jar, header) = (jar.under(&DegreesAboveZero), header.under(&DegreesAboveZero));
/// let sum: ThermalSum = BestOf::new(vec![&jar, &header]).tally(at(0), at(24)).into();
/// assert_eq!(sum.borrowed_h, 10.0);
/// assert!((sum.c_days - (14.0 * 10.0 + 10.0 * 10.5) / 24.0).abs() < 1e-12);
/// ```
pub struct BestOf<'a> {
    sources: Vec<&'a dyn Tallied>,
}

impl<'a> BestOf<'a> {
    /// From records in order of trust.
    #[must_use]
    pub const fn new(sources: Vec<&'a dyn Tallied>) -> Self {
        Self { sources }
    }
}

impl Tallied for BestOf<'_> {
    fn tally(&self, from: Timestamp, to: Timestamp) -> Tally {
        let mut total = Tally::default();
        total.add_gap(from, to);
        for (rank, source) in self.sources.iter().enumerate() {
            for gap in std::mem::take(&mut total.gaps) {
                let part = source.tally(gap.from, gap.to);
                total.sum = total.sum.saturating_add(part.sum);
                total.bridged += part.bridged;
                total.exact &= part.exact;
                if rank == 0 {
                    total.measured += part.measured;
                    total.borrowed += part.borrowed;
                } else {
                    total.borrowed += part.measured + part.borrowed;
                }
                if let Some((low, high)) = part.extremes {
                    total.span_temperature(low, high);
                }
                for left in part.gaps {
                    total.add_gap(left.from, left.to);
                }
            }
        }
        total
    }
}
