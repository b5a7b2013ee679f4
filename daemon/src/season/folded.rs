//! A table as paper holds it: a number with its bounds in one cell, nothing that is empty all the way
//! down, and no more columns side by side than can be read; what is left stands in a second block.

use super::table::{Cell, Column, Table};
use crate::web::words;
use crate::web::words::columns::{heading, value};
use nightjar_calc::enumeration::round_known;
use nightjar_calc::time::Zone;

/// Columns side by side.
const MOST: usize = 10;

/// What is printed in one column.
pub(super) struct Folded {
    /// Heading, with the unit.
    pub head: String,
    /// What it means.
    pub meaning: &'static str,
    /// A text for each row.
    pub cells: Vec<Shown>,
}

/// A cell as people read it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Shown {
    /// The value.
    pub text: String,
    /// Its bounds.
    pub bounds: Option<String>,
    /// Stands at the right edge.
    pub number: bool,
}

/// Columns of a table in blocks; each block begins with the columns that name the row.
pub(super) fn blocks(table: &Table, zone: Zone) -> Vec<Vec<Folded>> {
    let mut names = Vec::new();
    let mut rest = Vec::new();
    let naming = naming(table.name);
    let mut at = 0;
    while let Some(column) = table.columns.get(at) {
        let bounded =
            table.columns.get(at + 1).is_some_and(|low| low.key.strip_suffix("_low") == Some(column.key));
        let folded = fold(table, at, bounded, zone);
        if naming.contains(&column.key) {
            names.push(at);
        } else if folded.cells.iter().any(|cell| !cell.text.is_empty()) {
            rest.push(folded);
        }
        at += if bounded { 3 } else { 1 };
    }
    let room = MOST.saturating_sub(names.len()).max(1);
    let blocks = rest.len().div_ceil(room).max(1);
    // As wide as each other: a block of one column beside one of nine looks like a mistake.
    let each = rest.len().div_ceil(blocks).max(1);
    let mut list = Vec::with_capacity(blocks);
    let mut rest = rest.into_iter().peekable();
    loop {
        let mut block: Vec<Folded> = names.iter().map(|at| fold(table, *at, false, zone)).collect();
        block.extend(rest.by_ref().take(each));
        list.push(block);
        if rest.peek().is_none() {
            return list;
        }
    }
}

/// Columns that say what a row is about; they stand in every block.
fn naming(table: &str) -> &'static [&'static str] {
    match table {
        "accounts" => &["level", "name"],
        "thermal" => &["jar", "lot"],
        "stages" => &["jar", "lot", "stage"],
        "takes" => &["take"],
        "treatments" => &["at", "jar"],
        _ => &[],
    }
}

fn fold(table: &Table, at: usize, bounded: bool, zone: Zone) -> Folded {
    let column = table.columns[at];
    let cells = table
        .rows
        .iter()
        .map(|row| match (row.get(at), row.get(at + 1), row.get(at + 2)) {
            (
                Some(Cell::Number(likely, decimals)),
                Some(Cell::Number(low, _)),
                Some(Cell::Number(high, _)),
            ) if bounded => {
                let say = |value: f64| match decimals {
                    // No more digits than are known.
                    0 => words::grouped(round_known(value, (high - low) / 2.0)),
                    _ => words::plain((value * 1000.0).round() / 10.0),
                };
                let unit = if *decimals == 0 { "" } else { " %" };
                Shown {
                    text: format!("{}{unit}", say(*likely)),
                    bounds: Some(format!("{} to {}", say(*low), say(*high))),
                    number: true,
                }
            }
            // Of a species the files carry the key.
            (Some(Cell::Text(key)), ..)
                if column.key == "name" && row.first() == Some(&Cell::text("species")) =>
            {
                Shown { text: value("species", key), ..Shown::default() }
            }
            (Some(cell), ..) => shown(&column, cell, zone),
            (None, ..) => Shown::default(),
        })
        .collect();
    Folded { head: heading(column.key), meaning: column.meaning, cells }
}

/// One value as people read it.
fn shown(column: &Column, cell: &Cell, zone: Zone) -> Shown {
    let text = match cell {
        Cell::Empty => String::new(),
        Cell::Number(share, _) if column.key.ends_with("share") => {
            format!("{} %", words::plain((share * 1000.0).round() / 10.0))
        }
        Cell::Number(number, 0) => words::grouped(*number),
        Cell::Number(..) => cell.plain(zone).replace('-', "−"),
        Cell::At(at) => words::moment(zone, *at),
        Cell::Text(text) => value(column.key, text),
    };
    Shown { text, bounds: None, number: matches!(cell, Cell::Number(..)) }
}

#[cfg(test)]
mod tests {
    use super::super::table::columns;
    use super::*;

    fn table(keys: &[(&'static str, &'static str)], rows: Vec<Vec<Cell>>) -> Table {
        Table { name: "accounts", title: "", about: "", columns: columns(keys), rows }
    }

    #[test]
    fn bounds_join_their_number_and_empty_columns_go() {
        let keys = [
            ("name", ""),
            ("eggs_in", ""),
            ("eggs_in_low", ""),
            ("eggs_in_high", ""),
            ("gap", ""),
            ("eye_up_share", ""),
        ];
        let row = |name: &str, share: f64| {
            vec![
                Cell::text(name),
                Cell::whole(1_853_211.0),
                Cell::whole(1_690_312.0),
                Cell::whole(2_013_004.0),
                Cell::Empty,
                Cell::Number(share, 3),
            ]
        };
        let drawn = blocks(&table(&keys, vec![row("T1", 0.981), row("T2", 1.0)]), Zone::UTC);
        let heads: Vec<&str> = drawn[0].iter().map(|c| c.head.as_str()).collect();
        assert_eq!(heads, ["name", "eggs in", "eyed"]);
        assert_eq!(drawn[0][1].cells[0].text, "1\u{202f}850\u{202f}000");
        assert_eq!(
            drawn[0][1].cells[0].bounds.as_deref(),
            Some("1\u{202f}690\u{202f}000 to 2\u{202f}010\u{202f}000")
        );
        assert_eq!(drawn[0][2].cells[0].text, "98.1 %");
        assert_eq!(drawn.len(), 1);
    }

    #[test]
    fn many_columns_stand_in_blocks_that_all_name_their_rows() {
        const KEYS: [&str; 14] = ["a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "m", "n"];
        let mut keys = vec![("level", ""), ("name", "")];
        keys.extend(KEYS.map(|key| (key, "")));
        let row: Vec<Cell> = (0..keys.len()).map(|i| Cell::text(format!("v{i}"))).collect();
        let drawn = blocks(&table(&keys, vec![row]), Zone::UTC);
        assert_eq!(drawn.iter().map(Vec::len).collect::<Vec<_>>(), [9, 9]);
        assert!(drawn.iter().all(|block| block[0].head == "of" && block[1].head == "name"));
    }
}
