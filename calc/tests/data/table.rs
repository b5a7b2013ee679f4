//! Reads the small tables of published figures beside this file.

use std::collections::BTreeMap;

/// One row: values by column.
pub struct Row(BTreeMap<String, String>);

impl Row {
    /// Text of a column.
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).map(String::as_str).expect("the table has this column")
    }

    /// Number in a column.
    pub fn number(&self, column: &str) -> f64 {
        self.text(column).parse().expect("a number")
    }

    /// Half of the last digit printed in a column: what rounding can hide.
    pub fn half_digit(&self, column: &str) -> f64 {
        let decimals = self.text(column).split_once('.').map_or(0, |(_, digits)| digits.len());
        0.5 / 10_f64.powi(i32::try_from(decimals).expect("few digits"))
    }
}

/// All rows of a table with a header.
pub fn rows(table: &str) -> Vec<Row> {
    let mut lines = table.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    let header: Vec<&str> = lines.next().expect("a header").split(',').collect();
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            assert_eq!(cells.len(), header.len(), "{line}");
            Row(header.iter().zip(cells).map(|(name, cell)| ((*name).to_owned(), cell.to_owned())).collect())
        })
        .collect()
}
