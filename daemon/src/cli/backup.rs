//! `nightjar backup`: a checked copy of the database, or everything in it as CSV.

use super::failure::Failure;
use super::output::{Format, Output};
use crate::backup::{KEEP, csv, stamp};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::config::{self, Config, overrides::Overrides};
use crate::store::{self, StoreError};
use clap::Args;
use std::path::{Path, PathBuf};

/// What to copy, and where to.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file: tells where the database is
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Folder for the copy; that of the nightly copies when missing
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// Copies kept in that folder
    #[arg(long, value_name = "NUMBER", default_value_t = KEEP)]
    keep: usize,
    /// Write everything as CSV files into this folder instead
    #[arg(long, value_name = "FOLDER", conflicts_with = "to")]
    csv: Option<PathBuf>,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// The database of a configuration.
///
/// # Errors
/// When there is none yet.
pub fn database(config: &Config) -> Result<PathBuf, Failure> {
    let path = config.store.folder.join(crate::store::FILE_NAME);
    if path.is_file() {
        return Ok(path);
    }
    let place = path.display();
    Err(Failure::input_output(format!("there is no database at {place}: has the station ever run?")))
}

/// The configuration.
///
/// # Errors
/// Exit 78 when it is refused.
pub fn configuration(path: &Path) -> Result<Config, Failure> {
    config::load(path, &Overrides::from_environment()).map_err(Failure::configuration)
}

/// Copies.
///
/// # Errors
/// When there is no database, the copy cannot be written or does not pass its check.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let config = configuration(&arguments.config)?;
    let path = database(&config)?;
    let failed = |error: StoreError| Failure::input_output(error);
    if let Some(folder) = &arguments.csv {
        let written = store::look_at(&path, |reader| Ok(csv::write_all(reader, folder))).map_err(failed)?;
        let report = written.map_err(Failure::input_output)?;
        return match arguments.format {
            Format::Json => {
                let rows: std::collections::BTreeMap<_, _> = report.files.iter().copied().collect();
                output.json(&serde_json::json!({"folder": folder, "rows": rows}))
            }
            Format::Text => {
                for (name, rows) in report.files {
                    output.line(format_args!("{rows:>10} rows  {}", folder.join(name).display()))?;
                }
                Ok(())
            }
        };
    }
    let folder = arguments.to.as_ref().or(config.store.backup_folder.as_ref()).ok_or_else(|| {
        Failure::usage("say where to with --to FOLDER, or set store.backup-folder in the configuration")
    })?;
    let now = SystemClock::new(Box::new(NotBeforeBuild)).now();
    let (copy, report) =
        store::backup(&path, folder, &stamp(now.utc), arguments.keep.max(1)).map_err(failed)?;
    match arguments.format {
        Format::Json => output.json(&serde_json::json!({
            "copy": copy, "size_bytes": report.bytes, "readings": report.readings,
            "entries": report.entries, "journal_lines": report.journal_lines, "messages": report.messages,
        })),
        Format::Text => output.line(format_args!(
            "{}: {} bytes, {} readings, {} entries, {} journal lines, {} messages; checked",
            copy.display(),
            report.bytes,
            report.readings,
            report.entries,
            report.journal_lines,
            report.messages
        )),
    }
}
