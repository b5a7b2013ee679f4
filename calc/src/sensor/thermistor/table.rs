//! Resistance tables typed in by hand or scanned: rows that cannot be right.

use super::ZERO_CELSIUS_K;
use std::fmt;

/// One row of a resistance table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TableRow {
    /// °C.
    pub celsius: f64,
    /// Ohms.
    pub ohm: f64,
}

/// A row that cannot be right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TableFault {
    /// Not a resistance or temperature at all.
    NotANumber {
        /// Position of the row, from 0.
        row: usize,
    },
    /// The temperature does not rise, or the resistance does not fall, from the row before.
    NotMonotone {
        /// Position of the later row, from 0.
        row: usize,
    },
    /// In sequence, but off the line its neighbours draw.
    OffTheLine {
        /// Position of the row, from 0.
        row: usize,
        /// What the neighbours imply, ohms.
        implied_ohm: f64,
        /// Error in °C if the row were believed.
        error_c: f64,
    },
}

impl TableFault {
    /// Position of the row, from 0.
    #[must_use]
    pub const fn row(self) -> usize {
        match self {
            Self::NotANumber { row } | Self::NotMonotone { row } | Self::OffTheLine { row, .. } => row,
        }
    }
}

impl fmt::Display for TableFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = self.row() + 1;
        match self {
            Self::NotANumber { .. } => write!(f, "row {number} is not a resistance at a temperature"),
            Self::NotMonotone { .. } => {
                write!(f, "row {number}: the temperature must rise and the resistance fall from row to row")
            }
            Self::OffTheLine { implied_ohm, error_c, .. } => {
                write!(
                    f,
                    "row {number}: neighbours imply {implied_ohm:.0} ohm; believed, it is {error_c:+.2} °C off"
                )
            }
        }
    }
}

/// Rows that cannot be right, in the order of the table.
///
/// A misprint can leave a table in sequence, so besides the sequence each row is compared with the
/// straight line of `ln R` over `1/T` through its two neighbours; the worst row further than
/// `tolerance_c` from it is taken out and the rest looked at again, so that one misprint does not
/// accuse its neighbours. For rows 0.5 to 1 °C apart 0.1 °C is a fair tolerance; rows further apart
/// than 2 °C need more, since the line of a real thermistor is a little bent.
///
/// ```
/// # use nightjar_calc::sensor::thermistor::{TableFault, TableRow, check_table};
/// // A printed service chart (TAYL, 49 to 53 °F): the row at 51 °F is a misprint that leaves the sequence falling.
/// let chart = [(9.444, 20_447.0), (10.0, 19_900.0), (10.556, 19_884.0), (11.111, 18_881.0), (11.667, 18_392.0)]
///     .map(|(celsius, ohm)| TableRow { celsius, ohm });
/// let faults = check_table(&chart, 0.1);
/// assert!(matches!(faults[..], [TableFault::OffTheLine { row: 2, .. }]));
/// ```
#[must_use]
pub fn check_table(rows: &[TableRow], tolerance_c: f64) -> Vec<TableFault> {
    let mut faults = Vec::new();
    let mut kept: Vec<(usize, TableRow)> = Vec::new();
    for (row, &entry) in rows.iter().enumerate() {
        if !(entry.ohm > 0.0 && entry.ohm.is_finite() && entry.celsius.abs() < ZERO_CELSIUS_K) {
            faults.push(TableFault::NotANumber { row });
            continue;
        }
        if let Some((_, before)) = kept.last()
            && !(entry.celsius > before.celsius && entry.ohm < before.ohm)
        {
            faults.push(TableFault::NotMonotone { row });
            continue;
        }
        kept.push((row, entry));
    }
    while let Some((at, fault)) = worst(&kept, tolerance_c) {
        faults.push(fault);
        kept.remove(at);
    }
    faults.sort_by_key(|fault| fault.row());
    faults
}

/// The row furthest off the line of its neighbours, if beyond the tolerance.
fn worst(kept: &[(usize, TableRow)], tolerance_c: f64) -> Option<(usize, TableFault)> {
    let mut found: Option<(usize, f64, TableFault)> = None;
    for (i, trio) in kept.windows(3).enumerate() {
        let [(_, before), (row, middle), (_, after)] = [trio[0], trio[1], trio[2]];
        let y = |r: TableRow| 1.0 / (r.celsius + ZERO_CELSIUS_K);
        let slope = (after.ohm.ln() - before.ohm.ln()) / (y(after) - y(before));
        let implied = before.ohm.ln() + slope * (y(middle) - y(before));
        let off = middle.ohm.ln() - implied;
        let kelvin = middle.celsius + ZERO_CELSIUS_K;
        // A resistance too high reads too cold: dT = −T² dln R / β.
        let error_c = -off * kelvin * kelvin / slope;
        if error_c.abs() > tolerance_c && found.is_none_or(|(_, worst, _)| error_c.abs() > worst) {
            let fault = TableFault::OffTheLine { row, implied_ohm: implied.exp(), error_c };
            found = Some((i + 1, error_c.abs(), fault));
        }
    }
    found.map(|(at, _, fault)| (at, fault))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sensor::thermistor::Curve;

    #[test]
    fn a_true_table_has_no_faults_and_every_kind_of_slip_is_found() {
        let mut rows: Vec<TableRow> = (0..30)
            .map(|t| TableRow { celsius: f64::from(t), ohm: Curve::TEN_K3.ohms(f64::from(t)).unwrap() })
            .collect();
        assert_eq!(check_table(&rows, 0.1), []);
        rows[5].ohm *= 1.01;
        rows[12].ohm = f64::NAN;
        rows[20].ohm = rows[19].ohm + 1.0;
        let found: Vec<usize> = check_table(&rows, 0.1).iter().map(|fault| fault.row()).collect();
        assert_eq!(found, [5, 12, 20]);
    }
}
