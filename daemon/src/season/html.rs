//! The report for reading and printing.

use super::folded::{Folded, blocks};
use super::journal::DAILY;
use super::table::{Cell, Table};
use super::{Material, chart};
use crate::web::words;
use maud::{DOCTYPE, Markup, html};
use nightjar_calc::time::Zone;
use std::collections::BTreeMap;

/// Most places side by side in the table of daily temperatures.
const PLACES: usize = 12;
/// Rows of a table that is kept on one sheet.
const SHORT: usize = 16;
/// Share of a day below which its mean is marked.
const NEARLY_WHOLE: f64 = 0.9;

/// Looks of the printed page. A row is never cut by the end of a page.
const STYLE: &str = "\
@page { margin: 14mm; }
body { font: 10.5pt/1.35 system-ui, sans-serif; color: #111; background: #fff; max-width: 62rem; margin: 1rem auto; padding: 0 1rem; }
h1 { font-size: 18pt; margin: 0 0 .2rem; } h2 { font-size: 13pt; margin: 1.4rem 0 .3rem; break-after: avoid; }
table { border-collapse: collapse; width: 100%; margin-bottom: .6rem; font-size: 8.5pt; } thead { display: table-header-group; }
th, td { text-align: left; padding: .15rem .35rem; border-bottom: .5pt solid #999; vertical-align: top; overflow-wrap: break-word; }
thead th { vertical-align: bottom; border-bottom: 1pt solid #444; }
td.n, th.n { text-align: right; } td.n, .by-day th { font-variant-numeric: tabular-nums; white-space: nowrap; }
.bounds { display: block; font-size: 7pt; color: #444; white-space: normal; }
tr { break-inside: avoid; } section.short { break-inside: avoid; }
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
        section.short[table.rows.len() <= SHORT] {
            h2 { (table.title) }
            @if !table.about.is_empty() { p.about { (table.about) } }
            @if table.name == DAILY { (by_day(table)) }
            @else { @for block in blocks(table, zone) { (rows(&block)) } }
        }
    }
}

fn rows(block: &[Folded]) -> Markup {
    let rows = block.first().map_or(0, |column| column.cells.len());
    let number = |column: &Folded| column.cells.iter().any(|cell| cell.number);
    html! {
        table.grid-table {
            thead { tr { @for column in block { th.n[number(column)] scope="col" title=(column.meaning) { (column.head) } } } }
            tbody {
                @for row in 0..rows {
                    tr {
                        @for column in block {
                            @if let Some(cell) = column.cells.get(row) {
                                td.n[cell.number] data-label=(column.head) {
                                    (cell.text)
                                    @if let Some(bounds) = &cell.bounds { " " span.bounds { (bounds) } }
                                }
                            }
                        }
                    }
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
        @for block in places.chunks(places.len().div_ceil(places.len().div_ceil(PLACES).max(1)).max(1)) {
            table.grid-table.by-day {
                thead { tr { th scope="col" { "°C" } @for place in block { th.n scope="col" { (place) } } } }
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
