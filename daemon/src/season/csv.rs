//! Tables as CSV files (RFC 4180) that a spreadsheet may open without harm.
//!
//! A cell of words that a spreadsheet could take for a formula gets an apostrophe in front; numbers
//! and times are written by this program and stay as they are.

use super::table::{Cell, Table};
use nightjar_calc::time::Zone;

/// Words that no spreadsheet runs: those that begin, after blanks, with `=`, `+`, `-`, `@`, or with
/// a tab or an end of line, get an apostrophe in front. Nothing else is changed.
#[must_use]
pub fn safe(words: &str) -> String {
    let hidden = words.starts_with(['\t', '\r', '\n']);
    let formula = words.trim_start().starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠']);
    if hidden || formula { format!("'{words}") } else { words.to_owned() }
}

/// A table as the text of a file: a line of keys, then the rows.
#[must_use]
pub fn file(table: &Table, zone: Zone) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let keys: Vec<&str> = table.columns.iter().map(|column| column.key).collect();
    let rows = table.rows.iter().map(|row| {
        row.iter()
            .map(|cell| match cell {
                Cell::Text(words) => safe(words),
                Cell::Empty | Cell::Number(..) | Cell::At(_) => cell.plain(zone),
            })
            .collect::<Vec<String>>()
    });
    // Writing to memory does not fail, and each row is as long as the first.
    let mut fits = writer.write_record(&keys).is_ok();
    for row in rows {
        fits &= writer.write_record(&row).is_ok();
    }
    debug_assert!(fits, "rows of {} differ in length", table.name);
    writer.into_inner().ok().and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default()
}

/// The file that says what the columns of the others mean.
#[must_use]
pub fn meanings(tables: &[Table]) -> String {
    use std::fmt::Write as _;
    let mut text = String::from("file,column,meaning\n");
    for table in tables {
        for column in &table.columns {
            let meaning = column.meaning.replace('"', "\"\"");
            // Writing to a String does not fail.
            let _written = writeln!(text, "{}.csv,{},\"{meaning}\"", table.name, column.key);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::table::columns;

    #[test]
    fn words_that_look_like_formulas_are_only_words() {
        for evil in ["=cmd|' /C calc'!A0", "+1", "-2+3", "@SUM(A1)", "  =1", "\t=1", "＝1"] {
            assert_eq!(safe(evil), format!("'{evil}"));
        }
        for plain in ["Heron Lake", "a=b", "", "2026-04-18", "<svg onload=alert(1)>"] {
            assert_eq!(safe(plain), plain);
        }
    }

    #[test]
    fn numbers_below_zero_stay_numbers_and_quotes_are_doubled() {
        let table = Table {
            name: "t",
            title: "",
            about: "",
            columns: columns(&[("a", "first"), ("b", "second")]),
            rows: vec![
                vec![Cell::Number(-1.5, 1), Cell::text("say \"hm\", twice")],
                vec![Cell::Number(-0.001, 1), Cell::Empty],
            ],
        };
        assert_eq!(file(&table, Zone::UTC), "a,b\n-1.5,\"say \"\"hm\"\", twice\"\n0.0,\n");
        assert_eq!(meanings(&[table]), "file,column,meaning\nt.csv,a,\"first\"\nt.csv,b,\"second\"\n");
    }
}
