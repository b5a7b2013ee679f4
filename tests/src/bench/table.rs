//! The table: what was measured, beside what, against which goal.

use std::fmt::Write as _;

/// Which side of the goal is good.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Goal {
    /// Not less.
    AtLeast(f64),
    /// Not more.
    AtMost(f64),
    /// Only told.
    None,
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What.
    pub what: String,
    /// As measured, in words with its unit.
    pub ours: String,
    /// What it stands beside, in words with its unit.
    pub beside: String,
    /// The number that is held against the goal: a ratio, or ours by itself.
    pub number: f64,
    /// Unit of the number; empty for a ratio.
    pub unit: &'static str,
    /// What it should be.
    pub goal: Goal,
}

impl Row {
    /// A number by itself.
    #[must_use]
    pub fn plain(what: impl Into<String>, number: f64, unit: &'static str, goal: Goal) -> Self {
        let (what, ours) = (what.into(), String::new());
        Self { what, ours, beside: String::new(), number, unit, goal }
    }

    /// Ours divided by that of another.
    #[must_use]
    pub fn ratio(what: impl Into<String>, ours: f64, beside: f64, unit: &str, goal: Goal) -> Self {
        Self {
            what: what.into(),
            ours: format!("{} {unit}", short(ours)),
            beside: format!("{} {unit}", short(beside)),
            number: ours / beside,
            unit: "",
            goal,
        }
    }

    /// With words about what was done.
    #[must_use]
    pub fn with(mut self, ours: impl Into<String>, beside: impl Into<String>) -> Self {
        (self.ours, self.beside) = (ours.into(), beside.into());
        self
    }

    /// Met or missed, and by how much of the goal.
    #[must_use]
    pub fn verdict(&self) -> String {
        let (goal, by, met) = match self.goal {
            Goal::None => return String::new(),
            Goal::AtLeast(goal) => (format!("≥ {}", short(goal)), self.number / goal, self.number >= goal),
            Goal::AtMost(goal) => (format!("≤ {}", short(goal)), self.number / goal, self.number <= goal),
        };
        let word = if met { "met" } else { "MISSED" };
        format!("{goal}{}: {word}, {:.0} % of it", unit(self.unit), by * 100.0)
    }
}

fn unit(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

/// Three figures, whatever the size.
#[must_use]
pub fn short(number: f64) -> String {
    match number.abs() {
        size if size >= 100.0 => format!("{number:.0}"),
        size if size >= 10.0 => format!("{number:.1}"),
        size if !(1e-9..0.1).contains(&size) => format!("{number:.2}"),
        _ => format!("{number:.4}"),
    }
}

/// The whole table as text.
#[must_use]
pub fn text(rows: &[Row]) -> String {
    let cells: Vec<[String; 5]> = rows
        .iter()
        .map(|row| {
            let number = format!("{}{}", short(row.number), unit(row.unit));
            [row.what.clone(), row.ours.clone(), row.beside.clone(), number, row.verdict()]
        })
        .collect();
    let head = ["what", "Nightjar", "beside", "number", "goal"].map(str::to_owned);
    let mut widths = [0_usize; 5];
    for cells in cells.iter().chain([&head]) {
        for (width, cell) in widths.iter_mut().zip(cells) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let mut text = String::new();
    for cells in [&head].into_iter().chain(&cells) {
        let padded: Vec<String> =
            cells.iter().zip(widths).map(|(cell, width)| format!("{cell:width$}")).collect();
        let _written = writeln!(text, "{}", padded.join("  ").trim_end());
    }
    let judged = rows.iter().filter(|row| row.goal != Goal::None).count();
    let missed = rows.iter().filter(|row| row.verdict().contains("MISSED")).count();
    let _written = writeln!(text, "{judged} goals, {} met, {missed} missed", judged - missed);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_goal_is_met_or_missed_and_by_how_much() {
        let rate = |ours| Row::ratio("rate", ours, 100.0, "msg/s", Goal::AtLeast(0.8));
        assert_eq!(rate(80.0).verdict(), "≥ 0.80: met, 100 % of it");
        assert_eq!(rate(40.0).verdict(), "≥ 0.80: MISSED, 50 % of it");
        let page = Row::plain("page", 30.0, "ms", Goal::AtMost(15.0));
        assert_eq!(page.verdict(), "≤ 15.0 ms: MISSED, 200 % of it");
        let table = text(&[rate(80.0), page]);
        assert!(table.ends_with("2 goals, 1 met, 1 missed\n"), "{table}");
    }
}
