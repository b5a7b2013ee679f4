//! `nightjar import records`: entries of past years from a CSV file, so that report and learning begin
//! with a history. All or nothing: a row that is wrong is named with its line, and nothing is written.

mod mapping;

use super::CommandResult;
use super::failure::{Failure, OrFail};
use super::output::{Format, Output};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::config::{self, overrides::Overrides};
use crate::logbook::{Entry, EntryId};
use crate::progress::Progress;
use crate::store::{import_entries, look_at};
use crate::supervise::restore;
use crate::web::words;
use clap::Args;
use mapping::Mapping;
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// What to take over.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Table of the records, with a line of column names
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Mapping file: which column goes into which field of an entry
    #[arg(long, value_name = "FILE")]
    map: PathBuf,
    /// Configuration file of the station
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Database, when it is not where the configuration says
    #[arg(long, value_name = "FILE")]
    database: Option<PathBuf>,
    /// Only tell what would be done
    #[arg(long)]
    dry_run: bool,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Entries looked at.
const MOST: u32 = 200_000;
/// Problems told at once.
const TOLD: usize = 20;

/// Imports.
///
/// # Errors
/// Exit 65 when a row or the mapping makes no sense, 74 when a file or the database cannot be used, 78 when
/// the configuration is refused. Nothing is written then.
pub fn run(arguments: &Arguments, output: &mut Output) -> CommandResult {
    let config =
        config::load(&arguments.config, &Overrides::from_environment()).map_err(Failure::configuration)?;
    let path =
        arguments.database.clone().unwrap_or_else(|| config.store.folder.join(crate::store::FILE_NAME));
    let text =
        std::fs::read_to_string(&arguments.map).or_fail(&format!("read {}", arguments.map.display()))?;
    let mapping = Mapping::parse(&text)
        .map_err(|error| Failure::data(format!("{}: {error}", arguments.map.display())))?;
    let table =
        std::fs::read_to_string(&arguments.file).or_fail(&format!("read {}", arguments.file.display()))?;
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let now = clock.now().utc;
    let rows =
        mapping.entries(&table, config.rack.zone, now).map_err(|problems| told(arguments, &problems))?;
    let there: Vec<Entry> = if path.exists() {
        let read = look_at(&path, |r| r.entries_after(0, MOST));
        read.map_err(|e| Failure::input_output(format!("cannot read {}: {e}", path.display())))?
            .into_iter()
            .map(|(_, entry)| entry)
            .collect()
    } else {
        return Err(Failure::input_output(format!("there is no database at {}", path.display())));
    };
    let species = restore::species(&config).map_err(|e| Failure::configuration(format!("{e:#}")))?;
    let mut progress = Progress::new(config.rack.clone(), species);
    let new: Vec<Entry> =
        beside(&mut progress, there, &rows).map_err(|problems| told(arguments, &problems))?;
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for entry in &new {
        *kinds.entry(words::act(&entry.act).0).or_default() += 1;
    }
    let known = rows.len() - new.len();
    let written = if arguments.dry_run {
        0
    } else {
        import_entries(&path, &new)
            .map_err(|e| Failure::input_output(format!("nothing was written to {}: {e}", path.display())))?
    };
    match arguments.format {
        Format::Json => output.json(&serde_json::json!({
            "dry_run": arguments.dry_run, "rows": rows.len(), "new": kinds, "known": known, "written": written,
        })),
        Format::Text => {
            output.line(format_args!("{} rows, {known} of them in the logbook already", rows.len()))?;
            for (kind, number) in kinds {
                output.line(format_args!("  {kind}: {number}"))?;
            }
            output.line(if arguments.dry_run {
                "nothing was written: this was a dry run".to_owned()
            } else {
                format!("{written} entries written; a running monitor shows them after its next start")
            })
        }
    }
}

/// Entries that are new, once all of them are sound and fit beside each other and the logbook.
fn beside(
    progress: &mut Progress,
    there: Vec<Entry>,
    rows: &[(u64, Entry)],
) -> Result<Vec<Entry>, Vec<(u64, String)>> {
    let known: BTreeMap<EntryId, Entry> = there.iter().map(|e| (e.id.clone(), e.clone())).collect();
    let same = |entry: &Entry| {
        known.get(&entry.id).is_some_and(|k| Entry { written_at: k.written_at, ..entry.clone() } == *k)
    };
    let new: Vec<(u64, Entry)> = rows.iter().filter(|(_, entry)| !same(entry)).cloned().collect();
    let mut problems: Vec<(u64, String)> = Vec::new();
    let mut lines: BTreeMap<EntryId, u64> = BTreeMap::new();
    for (line, entry) in &new {
        if let Err(unsound) = entry.act.sound() {
            problems.push((*line, unsound.to_string()));
        }
        if let Some(other) = lines.insert(entry.id.clone(), *line) {
            problems.push((*line, format!("says the same as line {other}")));
        }
    }
    progress.set_entries(there);
    let before: Vec<EntryId> = progress.books().left_out().iter().map(|(id, _)| id.clone()).collect();
    let all: Vec<Entry> = progress.entries().cloned().chain(new.iter().map(|(_, e)| e.clone())).collect();
    progress.set_entries(all);
    for (id, why) in progress.books().left_out() {
        match lines.get(id) {
            Some(line) => problems.push((*line, why.to_string())),
            None if before.contains(id) => {}
            None => problems.push((0, format!("entry {} of the logbook would no longer fit: {why}", id.0))),
        }
    }
    problems.sort();
    if problems.is_empty() { Ok(new.into_iter().map(|(_, entry)| entry).collect()) } else { Err(problems) }
}

fn told(arguments: &Arguments, problems: &[(u64, String)]) -> Failure {
    let mut text =
        format!("{}: nothing was written, {} to look at:", arguments.file.display(), problems.len());
    for (line, why) in problems.iter().take(TOLD) {
        text.push_str(&if *line > 0 { format!("\n  line {line}: {why}") } else { format!("\n  {why}") });
    }
    if problems.len() > TOLD {
        text.push_str(&format!("\n  and {} more", problems.len() - TOLD));
    }
    Failure::data(text)
}

/// Never a moment that has not come yet.
pub(super) fn not_future(at: Timestamp, now: Timestamp) -> Result<Timestamp, String> {
    if at <= now { Ok(at) } else { Err("the time given has not come yet".to_owned()) }
}
