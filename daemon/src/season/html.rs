//! The report for reading and printing.

use super::journal::DAILY;
use super::table::{Cell, Column, Table};
use super::{Material, chart};
use crate::web::words;
use maud::{DOCTYPE, Markup, html};
use nightjar_calc::enumeration::round_known;
use nightjar_calc::time::Zone;
use std::collections::BTreeMap;

/// Columns a printed table holds side by side; a wider one is printed record by record.
const WIDE: usize = 9;

/// Places side by side in the table of daily temperatures.
const PLACES: usize = 9;
/// Share of a day below which its mean is marked.
const NEARLY_WHOLE: f64 = 0.9;

/// Looks of the printed page. Rows and records are never cut by the end of a page.
const STYLE: &str = "\
@page { margin: 14mm; }
body { font: 10.5pt/1.35 system-ui, sans-serif; color: #111; background: #fff; max-width: 62rem; margin: 1rem auto; padding: 0 1rem; }
h1 { font-size: 18pt; margin: 0 0 .2rem; } h2 { font-size: 13pt; margin: 1.4rem 0 .3rem; break-after: avoid; }
table { border-collapse: collapse; width: 100%; } thead { display: table-header-group; }
th, td { text-align: left; padding: .15rem .4rem; border-bottom: .5pt solid #999; vertical-align: top; overflow-wrap: anywhere; }
td { min-width: 3.5em; } th { overflow-wrap: normal; font-size: 9pt; } .by-day th, .by-day td { padding: .1rem .3rem; }
td.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
tr, .record { break-inside: avoid; }
.record { border-top: 1pt solid #444; padding: .3rem 0; }
.record dl.facts { display: grid; grid-template-columns: repeat(2, 1fr); gap: .1rem 1rem; margin: 0; }
.record div { display: flex; justify-content: space-between; gap: .5rem; border-bottom: .5pt dotted #999; }
.record dt { color: #444; } .record dd { margin: 0; text-align: right; overflow-wrap: anywhere; }
svg { width: 100%; height: auto; break-inside: avoid; } p.about { color: #444; margin: .1rem 0 .4rem; }
@media print { body { margin: 0; padding: 0; max-width: none; } }
";

/// A whole document that stands alone.
#[must_use]
pub fn document(material: &Material<'_>, tables: &[Table]) -> String {
    let zone = material.rack.zone;
    let title = format!("Season report, {}", material.rack.station);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (maud::PreEscaped(STYLE)) }
            }
            body {
                h1 { (title) }
                p.about { "Made " (words::date(zone, material.now)) " " (words::time(zone, material.now)) ". All times " (zone) "." }
                (body(material, tables))
            }
        }
    }
    .into_string()
}

/// Charts and tables.
#[must_use]
pub fn body(material: &Material<'_>, tables: &[Table]) -> Markup {
    let litres = material.books.uncounted_l();
    html! {
        @if litres > 0.0 { p.warning { (format!("{litres:.2}")) " L of eggs were loaded without a count; they are in no number of eggs here." } }
        @if !material.books.ledger().report(nightjar_calc::ledger::Level::Lot).is_empty() {
            h2 { "What became of the eggs" }
            (chart::lots(material))
        }
        @if !material.days.is_empty() { h2 { "Water temperature by day" } (chart::days(material)) }
        @for table in tables { (section(table, material.rack.zone)) }
        p.about { "Breeders: the effective number is an upper bound, because pooled milt does not give equal shares. Counts carry the error of their sample." }
    }
}

/// A table with its title.
#[must_use]
pub fn section(table: &Table, zone: Zone) -> Markup {
    html! {
        section {
            h2 { (table.title) }
            @if !table.about.is_empty() { p.about { (table.about) } }
            @if table.name == DAILY { (by_day(table)) }
            @else if table.columns.len() > WIDE { (records(table, zone)) }
            @else { (rows(table, zone)) }
        }
    }
}

fn head(key: &str) -> String {
    key.replace('_', " ")
}

fn rows(table: &Table, zone: Zone) -> Markup {
    html! {
        table.grid-table {
            thead { tr { @for column in &table.columns { th scope="col" title=(column.meaning) { (head(column.key)) } } } }
            tbody {
                @for row in &table.rows {
                    tr { @for (cell, column) in row.iter().zip(&table.columns) { td.n[matches!(cell, Cell::Number(..))] data-label=(head(column.key)) { (shown(cell, zone)) } } }
                }
            }
        }
    }
}

/// Means of the days, a day a row and the places side by side: a season on a page instead of seven.
fn by_day(table: &Table) -> Markup {
    let mut places: Vec<&str> = Vec::new();
    let mut days: BTreeMap<&str, BTreeMap<&str, (f64, f64)>> = BTreeMap::new();
    for row in &table.rows {
        if let [Cell::Text(place), Cell::Text(day), Cell::Number(mean, _), Cell::Number(share, _)] =
            row.as_slice()
        {
            if !places.contains(&place.as_str()) {
                places.push(place);
            }
            days.entry(day).or_default().insert(place, (*mean, *share));
        }
    }
    html! {
        @for block in places.chunks(PLACES) {
            table.grid-table.by-day {
                thead { tr { th scope="col" { "°C" } @for place in block { th scope="col" { (place) } } } }
                tbody {
                    @for (day, means) in &days {
                        tr {
                            th scope="row" { (day) }
                            @for place in block {
                                td.n data-label=(place) {
                                    @if let Some((mean, share)) = means.get(place) { (format!("{mean:.1}")) @if *share < NEARLY_WHOLE { "*" } }
                                }
                            }
                        }
                    }
                }
            }
        }
        p.about { "* less than nine tenths of the day were measured." }
    }
}

/// Wide rows, one block each, empty cells left out. A number with its bounds is one line, with no more
/// digits than are known.
fn records(table: &Table, zone: Zone) -> Markup {
    html! {
        @for row in &table.rows {
            div.record {
                dl.facts {
                    @for (column, text) in record(table, row, zone) {
                        div { dt title=(column.meaning) { (head(column.key)) } dd { (text) } }
                    }
                }
            }
        }
    }
}

fn record<'a>(table: &'a Table, row: &[Cell], zone: Zone) -> Vec<(&'a Column, String)> {
    let mut lines = Vec::new();
    let mut at = 0;
    while let (Some(column), Some(cell)) = (table.columns.get(at), row.get(at)) {
        at += 1;
        let bounded =
            table.columns.get(at).is_some_and(|next| next.key.strip_suffix("_low") == Some(column.key));
        if bounded {
            at += 2;
        }
        match (cell, row.get(at.wrapping_sub(2)), row.get(at.wrapping_sub(1))) {
            (Cell::Empty, ..) => {}
            (Cell::Number(likely, 0), Some(Cell::Number(low, _)), Some(Cell::Number(high, _))) if bounded => {
                let known = |value: f64| words::grouped(round_known(value, (high - low) / 2.0));
                lines.push((column, format!("{} ({} to {})", known(*likely), known(*low), known(*high))));
            }
            (Cell::Number(likely, _), Some(Cell::Number(low, _)), Some(Cell::Number(high, _))) if bounded => {
                let percent = |value: f64| words::plain((value * 1000.0).round() / 10.0);
                lines.push((
                    column,
                    format!("{} % ({} to {})", percent(*likely), percent(*low), percent(*high)),
                ));
            }
            (Cell::Text(_) | Cell::Number(..) | Cell::At(_), ..) => lines.push((column, shown(cell, zone))),
        }
    }
    lines
}

/// As people read it.
fn shown(cell: &Cell, zone: Zone) -> String {
    match cell {
        Cell::Number(value, 0) => words::grouped(*value),
        Cell::At(at) => zone.local(*at).format("%Y-%m-%d %H:%M").to_string(),
        Cell::Empty | Cell::Text(_) | Cell::Number(..) => cell.plain(zone),
    }
}

#[cfg(test)]
mod tests {
    use super::super::table::columns;
    use super::*;

    #[test]
    fn a_day_is_one_row_with_all_places_and_part_days_are_marked() {
        let row = |place: &str, day: &str, mean, share| {
            vec![Cell::text(place), Cell::text(day), Cell::Number(mean, 2), Cell::Number(share, 3)]
        };
        let table = Table {
            name: DAILY,
            title: "Daily water temperatures",
            about: "",
            columns: columns(&[("place", ""), ("date", ""), ("mean_c", ""), ("coverage_share", "")]),
            rows: vec![
                row("header A", "2026-04-16", 9.81, 0.751),
                row("header A", "2026-04-17", 9.86, 1.0),
                row("jar 01", "2026-04-17", 10.04, 1.0),
            ],
        };
        let drawn = section(&table, Zone::UTC).into_string();
        assert_eq!(drawn.matches("<tr>").count(), 3, "{drawn}");
        assert!(drawn.contains(">9.8*<"), "{drawn}");
        assert!(drawn.contains("data-label=\"jar 01\">10.0<"), "{drawn}");
    }
}
