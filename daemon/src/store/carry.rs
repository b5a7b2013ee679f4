//! Carrying over what can still be read of a damaged file into the fresh one that takes its place.
//! The damaged file is only read. What is carried is checked, so that the fresh file is sound.

use super::error::StoreError;
use super::{chunk, pack, schema, tail};
use rusqlite::types::Value as Sql;
use rusqlite::{Connection, Row, params_from_iter};
use std::path::Path;

/// Tables in the order of what matters most; sessions are not carried, people sign in anew.
const TABLES: [(&str, Order); 13] = [
    ("run", Order::Number("id")),
    ("clock_step", Order::Number("id")),
    ("channel", Order::Number("id")),
    ("entry", Order::Number("seq")),
    ("state", Order::Key("key")),
    ("outbox", Order::Number("id")),
    ("setting", Order::Key("key")),
    ("cursor", Order::Key("name")),
    ("incoming", Order::Number("id")),
    ("journal", Order::Number("id")),
    ("unplaced", Order::Number("id")),
    ("tail", Order::Number("id")),
    ("chunk", Order::Number("id")),
];

#[derive(Clone, Copy)]
enum Order {
    /// Can be read from both ends, around a damaged page.
    Number(&'static str),
    /// Is read from the beginning as far as possible.
    Key(&'static str),
}

/// What became of a table.
#[derive(Default)]
struct Carried {
    rows: u64,
    refused: u64,
    whole: bool,
}

/// Copies every table as far as it can be read. Answers what was carried, in words.
///
/// # Errors
/// When the fresh file cannot be written.
pub(super) fn carry_over(damaged: &Path, fresh: &mut Connection) -> Result<String, StoreError> {
    let old = match schema::open_reader(damaged) {
        Ok(old) => old,
        Err(error) => return Ok(format!("nothing: {error}")),
    };
    // A row may outlive the one it refers to.
    fresh.pragma_update(None, "foreign_keys", false)?;
    let mut words = Vec::new();
    for (table, order) in TABLES {
        let carried = carry_table(&old, fresh, table, order)?;
        let (gap, refused) = (
            if carried.whole { "" } else { " with a gap" },
            if carried.refused > 0 { format!(", {} unreadable", carried.refused) } else { String::new() },
        );
        words.push(format!("{table} {}{refused}{gap}", carried.rows));
    }
    fresh.pragma_update(None, "foreign_keys", true)?;
    Ok(words.join("; "))
}

fn carry_table(
    old: &Connection,
    fresh: &mut Connection,
    table: &str,
    order: Order,
) -> Result<Carried, StoreError> {
    let mut carried = Carried::default();
    let tx = fresh.transaction()?;
    match order {
        Order::Key(key) => {
            let sql = format!("SELECT * FROM {table} ORDER BY {key}");
            carried.whole = carry_rows(old, &tx, table, &sql, &mut carried)?;
        }
        Order::Number(id) => {
            let up = format!("SELECT * FROM {table} ORDER BY {id}");
            carried.whole = carry_rows(old, &tx, table, &up, &mut carried)?;
            if !carried.whole {
                let last: Option<i64> =
                    tx.query_row(&format!("SELECT max({id}) FROM {table}"), [], |row| row.get(0))?;
                let last = last.unwrap_or(i64::MIN);
                let down = format!("SELECT * FROM {table} WHERE {id} > {last} ORDER BY {id} DESC");
                carry_rows(old, &tx, table, &down, &mut carried)?;
            }
        }
    }
    tx.commit()?;
    Ok(carried)
}

/// Copies rows until the end or the first page that cannot be read. True at the end.
fn carry_rows(
    old: &Connection,
    fresh: &Connection,
    table: &str,
    sql: &str,
    carried: &mut Carried,
) -> Result<bool, StoreError> {
    let Ok(mut select) = old.prepare(sql) else { return Ok(false) };
    let columns: Vec<String> = select.column_names().map(str::to_owned).collect();
    let places = vec!["?"; columns.len()].join(", ");
    let mut insert = fresh.prepare(&format!("INSERT OR IGNORE INTO {table} VALUES ({places})"))?;
    let Ok(mut rows) = select.query([]) else { return Ok(false) };
    loop {
        let values = match rows.next() {
            Ok(Some(row)) => sound(row, table, &columns),
            Ok(None) => return Ok(true),
            Err(_) => return Ok(false),
        };
        let Some(values) = values else {
            carried.refused += 1;
            continue;
        };
        match insert.execute(params_from_iter(values)).map_err(StoreError::from) {
            Ok(n) => carried.rows += n as u64,
            Err(error @ StoreError::Failing(_)) => return Err(error),
            // A value that does not fit its column: damaged, too.
            Err(_) => carried.refused += 1,
        }
    }
}

/// The values of a row, if what can be checked is as it was written.
fn sound(row: &Row<'_>, table: &str, columns: &[String]) -> Option<Vec<Sql>> {
    let mut values = Vec::with_capacity(columns.len());
    for (n, column) in columns.iter().enumerate() {
        let value: Sql = row.get(n).ok()?;
        let good = match (&value, column.as_str()) {
            (Sql::Text(text), "body") if table != "incoming" => {
                serde_json::from_str::<serde_json::Value>(text).is_ok()
            }
            (Sql::Blob(packed), "packed") if table == "chunk" => {
                let id: i64 = row.get("id").ok()?;
                chunk::decode(tail::chunk_place(id).1, packed).is_ok()
            }
            (Sql::Blob(packed), "packed") => pack::unpack(packed).is_ok(),
            _ => true,
        };
        if !good {
            return None;
        }
        values.push(value);
    }
    Some(values)
}
