//! Thermal units as the station shows them beside the exact integral of the water.

use crate::eggs::jar_name;
use crate::script::Script;
use crate::stage::Stage;
use crate::water::Water;
use nightjar_calc::time::Span;

/// Sums may differ from the exact integral by this share.
const WITHIN: f64 = 0.001;
/// A sum of fewer °C·days is not compared: the second at which a jar is filled is a share of it.
const FEWEST: f64 = 15.0;
/// Hours that are said not to be counted may differ by this: what a clock was set by.
const UNCOUNTED_WITHIN_H: f64 = 0.05;
/// Sums are made anew once an hour.
const SEEN_AFTER: Span = Span::from_hours(1);

/// What was seen of the sums.
#[derive(Default)]
pub struct Sums {
    pub compared: u64,
    pub largest_error: f64,
    pub problems: Vec<String>,
}

impl Sums {
    /// Compares the sum of a jar at this moment.
    pub fn look(&mut self, jar: usize, stage: &Stage, water: &Water, script: &Script) {
        let picture = stage.picture();
        let Some(shown) = picture.jars[jar].progress.as_ref() else { return };
        let from = shown.fertilized_at.since(stage.wall(Span::ZERO));
        let until = stage.moment(shown.as_of);
        let gaps: Vec<(Span, Span)> = script.gaps(jar).filter(|gap| from < gap.0 && gap.0 < until).collect();
        let exact = gaps
            .iter()
            .fold(water.c_days(jar, from, until), |sum, gap| sum - water.c_days(jar, gap.0, gap.1));
        // A gap is known as one when it is over.
        if exact < FEWEST || gaps.iter().any(|gap| until < gap.1 + SEEN_AFTER) {
            return;
        }
        let error = (shown.c_days / exact - 1.0).abs();
        let uncounted_h: f64 = gaps.iter().map(|gap| (gap.1 - gap.0).hours()).sum();
        self.compared += 1;
        self.largest_error = self.largest_error.max(error);
        if error > WITHIN || (shown.uncounted_h - uncounted_h).abs() > UNCOUNTED_WITHIN_H {
            self.problems.push(format!(
                "jar {} at {}: {:.3} °C·days are shown and {:.2} h are not counted; {exact:.3} and {uncounted_h:.2} are true",
                jar_name(jar),
                shown.as_of,
                shown.c_days,
                shown.uncounted_h
            ));
        }
    }
}
