//! The mapping file: which column of a table goes into which field of an entry.
//!
//! ```toml
//! kind = "take"                 # as in the JSON form of entries
//! who = "archive"
//! happened-at = { column = "Date", time = "%m/%d/%Y %H:%M" }
//! [fields]
//! take = { column = "Take" }
//! species = { column = "Fish", words = { "WAE" = "walleye" } }
//! water = { column = "Lake" }
//! females = { column = "F", number = true }
//! volume_l = { column = "Quarts", number = true, times = 0.946352946 }
//! hardened = { value = true }
//! "count.method" = { value = "per_litre" }
//! "count.eggs_per_l" = { column = "Eggs/qt", number = true, times = 1.05668821 }
//! ```

use super::not_future;
use crate::ids::PersonId;
use crate::logbook::{Act, Entry, EntryId};
use chrono::NaiveDateTime;
use nightjar_calc::time::{Timestamp, Zone};
use serde::Deserialize;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// Rows of one file, at most.
const MOST_ROWS: usize = 100_000;

/// A mapping.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Mapping {
    kind: String,
    who: PersonId,
    happened_at: From,
    fields: BTreeMap<String, From>,
}

/// Where one field comes from.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct From {
    /// Name of the column.
    column: Option<String>,
    /// The same in every row.
    value: Option<Value>,
    /// A number.
    #[serde(default)]
    number: bool,
    /// The number times this.
    times: Option<f64>,
    /// A time in this notation (that of `strftime`), local to the station; without it RFC 3339.
    time: Option<String>,
    /// Pieces with spaces or commas between.
    #[serde(default)]
    list: bool,
    /// Pairs like 93/100 with spaces between.
    #[serde(default)]
    dips: bool,
    /// Words that stand for others.
    #[serde(default)]
    words: BTreeMap<String, String>,
}

/// A row that cannot be read: line and reason.
type Problems = Vec<(u64, String)>;

impl Mapping {
    /// Reads a mapping file.
    ///
    /// # Errors
    /// Says where it makes no sense.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mapping: Self = toml::from_str(text).map_err(|error| error.to_string().trim_end().to_owned())?;
        for (name, from) in
            mapping.fields.iter().map(|(n, f)| (n.as_str(), f)).chain([("happened-at", &mapping.happened_at)])
        {
            if from.column.is_some() == from.value.is_some() {
                return Err(format!("{name}: give a column or a value"));
            }
        }
        Ok(mapping)
    }

    /// The entries of a table, each with its line.
    ///
    /// # Errors
    /// Every row that cannot be read, with its line.
    pub fn entries(&self, table: &str, zone: Zone, now: Timestamp) -> Result<Vec<(u64, Entry)>, Problems> {
        let mut reader =
            csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(table.as_bytes());
        let head = reader.headers().map_err(|error| vec![(1, error.to_string())])?.clone();
        let missing: Problems = self
            .fields
            .values()
            .chain([&self.happened_at])
            .filter_map(|from| from.column.as_ref())
            .filter(|column| !head.iter().any(|name| name == column.as_str()))
            .map(|column| (1, format!("there is no column \"{column}\"")))
            .collect();
        if !missing.is_empty() {
            return Err(missing);
        }
        let (mut entries, mut problems) = (Vec::new(), Vec::new());
        for row in reader.records().take(MOST_ROWS + 1) {
            let row = match row {
                Ok(row) => row,
                Err(error) => {
                    problems.push((error.position().map_or(0, csv::Position::line), error.to_string()));
                    continue;
                }
            };
            let line = row.position().map_or(0, csv::Position::line);
            let cell = |column: &str| {
                head.iter().position(|name| name == column).and_then(|at| row.get(at)).unwrap_or_default()
            };
            match self.entry(&cell, zone, now) {
                Ok(entry) => entries.push((line, entry)),
                Err(why) => problems.push((line, why)),
            }
        }
        if entries.len() > MOST_ROWS {
            problems.push((0, format!("more than {MOST_ROWS} rows; divide the file")));
        }
        if problems.is_empty() { Ok(entries) } else { Err(problems) }
    }

    fn entry<'a>(
        &self,
        cell: &impl Fn(&str) -> &'a str,
        zone: Zone,
        now: Timestamp,
    ) -> Result<Entry, String> {
        let at = self.happened_at.read(cell, zone).map_err(|why| format!("happened-at: {why}"))?;
        let at = at.as_ref().and_then(Value::as_str).ok_or("happened-at: is missing")?;
        let happened_at = not_future(zone.parse(at).map_err(|e| format!("happened-at: {e}"))?, now)?;
        let mut act = json!({"kind": self.kind});
        for (name, from) in &self.fields {
            if let Some(value) = from.read(cell, zone).map_err(|why| format!("{name}: {why}"))? {
                put(&mut act, name, value);
            }
        }
        // The same row gives the same entry, so that a repeat changes nothing.
        let content = json!([self.who, happened_at, act]).to_string();
        let act: Act = serde_json::from_value(act).map_err(|error| error.to_string())?;
        let digest = Sha256::digest(content.as_bytes());
        let name: String = digest.iter().take(20).map(|byte| format!("{byte:02x}")).collect();
        let id = EntryId(format!("import-{name}"));
        Ok(Entry { id, happened_at, written_at: now, who: self.who.clone(), act })
    }
}

/// Sets a field; a dot leads into the field of a field.
fn put(act: &mut Value, name: &str, value: Value) {
    match name.split_once('.') {
        None => act[name] = value,
        Some((outer, inner)) => {
            if !act[outer].is_object() {
                act[outer] = Value::Object(Map::new());
            }
            put(&mut act[outer], inner, value);
        }
    }
}

impl From {
    /// The value for a row; `None` when the cell is empty.
    fn read<'a>(&self, cell: &impl Fn(&str) -> &'a str, zone: Zone) -> Result<Option<Value>, String> {
        let Some(column) = &self.column else { return Ok(self.value.clone()) };
        let text = cell(column);
        let text = self.words.get(text).map_or(text, String::as_str);
        if text.is_empty() {
            return Ok(None);
        }
        let shown: String = text.chars().take(40).collect();
        if let Some(notation) = &self.time {
            let local = NaiveDateTime::parse_from_str(text, notation)
                .or_else(|_| {
                    let day = chrono::NaiveDate::parse_from_str(text, notation)?;
                    // A day without a time is taken at noon.
                    Ok(day.and_time(chrono::NaiveTime::MIN) + chrono::TimeDelta::hours(12))
                })
                .map_err(|_: chrono::ParseError| format!("\"{shown}\" is not a time like {notation}"))?;
            let at = zone.instant(local).map_err(|error| error.to_string())?;
            return Ok(Some(json!(at)));
        }
        if self.number || self.times.is_some() {
            let plain: String = text.chars().filter(|c| *c != ',' && !c.is_whitespace()).collect();
            let number =
                plain.parse::<f64>().ok().filter(|n| n.is_finite() && !plain.contains(['n', 'N', 'i', 'I']));
            let number =
                number.ok_or_else(|| format!("\"{shown}\" is not a number"))? * self.times.unwrap_or(1.0);
            // Whole numbers stay whole: fish are counted so.
            #[expect(clippy::cast_possible_truncation, reason = "below 2^53 and without a fraction")]
            let whole = (number.fract() == 0.0 && number.abs() < 9.0e15).then_some(number as i64);
            return Ok(Some(whole.map_or_else(|| json!(number), |whole| json!(whole))));
        }
        if self.dips {
            let pairs = text.split([' ', ';', ',']).filter(|piece| !piece.is_empty()).map(|piece| {
                let (eyed, of) = piece.split_once('/').unwrap_or((piece, ""));
                match (eyed.parse::<u32>(), of.parse::<u32>()) {
                    (Ok(eyed), Ok(of)) => Ok(json!({"eyed": eyed, "of": of})),
                    (Ok(_) | Err(_), _) => Err(format!("\"{shown}\" is not a pair like 93/100")),
                }
            });
            return Ok(Some(Value::Array(pairs.collect::<Result<_, _>>()?)));
        }
        if self.list {
            let pieces = text.split([' ', ';', ',']).filter(|piece| !piece.is_empty());
            return Ok(Some(pieces.map(Value::from).collect()));
        }
        Ok(Some(Value::from(text)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MAP: &str = r#"
        kind = "take"
        who = "archive"
        happened-at = { column = "Date", time = "%m/%d/%Y" }
        [fields]
        take = { column = "Take" }
        species = { column = "Fish", words = { WAE = "walleye" } }
        water = { column = "Lake" }
        fertilized_at = { column = "Date", time = "%m/%d/%Y" }
        females = { column = "F", number = true }
        males = { column = "M", number = true }
        volume_l = { column = "Quarts", times = 0.946352946 }
        hardened = { value = true }
        "count.method" = { value = "per_litre" }
        "count.eggs_per_l" = { column = "Eggs", number = true }
    "#;

    fn read(rows: &str) -> Result<Vec<(u64, Entry)>, Problems> {
        let table = format!("Take,Fish,Lake,Date,F,M,Quarts,Eggs\n{rows}");
        let now = Timestamp::parse("2026-06-01T00:00:00Z").unwrap();
        Mapping::parse(MAP).unwrap().entries(&table, Zone::named("America/Chicago").unwrap(), now)
    }

    #[test]
    fn a_row_becomes_an_entry_and_the_same_row_the_same_entry() {
        let row = "T-1,WAE,=cmd|evil,04/18/2025,10,20,2.5,\"132,000\"\n";
        let entries = read(row).unwrap();
        let (line, entry) = &entries[0];
        assert_eq!((*line, entry.id.clone()), (2, read(row).unwrap()[0].1.id.clone()));
        let Act::Take(take) = &entry.act else { panic!("not a take") };
        assert_eq!((take.species.as_str(), take.females, take.water.as_str()), ("walleye", 10, "=cmd|evil"));
        assert!((take.volume_l.unwrap() - 2.365_882_365).abs() < 1e-9);
        assert_eq!(take.fertilized_at, Timestamp::parse("2025-04-18T12:00:00-05:00").unwrap());
    }

    #[test]
    fn every_bad_row_is_named_with_its_line() {
        let rows = "T-1,WAE,Lake,04/18/2025,ten,20,2.5,1\nT-2,WAE,Lake,2025-04-18,1,2,3,4\nT-3,WAE,Lake,04/18/2027,1,2,3,4\n";
        let problems = read(rows).unwrap_err();
        assert_eq!(problems.iter().map(|(line, _)| *line).collect::<Vec<_>>(), [2, 3, 4]);
        assert!(problems[0].1.contains("\"ten\" is not a number"), "{problems:?}");
        assert!(Mapping::parse("kind = \"take\"\nwho = \"a\"\nhappened-at = {}\n[fields]\n").is_err());
    }
}
