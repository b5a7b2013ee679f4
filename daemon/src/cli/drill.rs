//! `nightjar drill restore`: takes the newest copy, puts it where nobody uses it, opens it as the
//! station would, and compares it with the database in use. Changes nothing.
//! `nightjar drill alarm`: see [`alarm`].

mod alarm;

use super::backup::{configuration, database};
use super::failure::Failure;
use super::output::{Format, Output};
use crate::backup::{newest, stamp_of};
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::store;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// What to try out.
#[derive(Debug, Args)]
pub struct Arguments {
    #[command(subcommand)]
    drill: Drill,
}

#[derive(Debug, Subcommand)]
enum Drill {
    /// Restore the newest copy beside the database in use, open it and count what is in it
    Restore(Restore),
    /// Let the station at work raise a P1 that means nothing, and see which phones answer, how soon
    Alarm(alarm::Arguments),
}

#[derive(Debug, Args)]
struct Restore {
    /// Configuration file
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// Folder of the copies; that of the nightly copies when missing
    #[arg(long, value_name = "FOLDER")]
    from: Option<PathBuf>,
    /// Put the restored database here and keep it: the folder must be empty or missing
    #[arg(long, value_name = "FOLDER")]
    into: Option<PathBuf>,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs a drill.
///
/// # Errors
/// When there is no copy, or it cannot be restored.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    match &arguments.drill {
        Drill::Restore(restore) => run_restore(restore, output),
        Drill::Alarm(arguments) => alarm::run(arguments, output),
    }
}

fn run_restore(arguments: &Restore, output: &mut Output) -> Result<(), Failure> {
    let config = configuration(&arguments.config)?;
    let from = arguments.from.as_ref().or(config.store.backup_folder.as_ref()).ok_or_else(|| {
        Failure::usage("say where the copies are with --from FOLDER, or set store.backup-folder")
    })?;
    let copy = newest(from)
        .map_err(|error| Failure::input_output(format!("cannot read {}: {error}", from.display())))?
        .ok_or_else(|| Failure::data(format!("there is no copy in {}", from.display())))?;
    let clock = SystemClock::new(Box::new(NotBeforeBuild));
    let began = clock.now();
    let scratch = config.store.folder.join("restore-drill");
    let into = arguments.into.as_ref().unwrap_or(&scratch);
    let restored = put(&copy, into)?;
    let checked = store::check_backup(&restored).map_err(Failure::input_output);
    if arguments.into.is_none() {
        // A drill leaves nothing behind; what cannot be removed is in the way of the next one only.
        drop(std::fs::remove_dir_all(into));
    }
    let report = checked?;
    let in_use = database(&config).ok().and_then(|path| store::look_at(&path, |r| r.stored_readings()).ok());
    let age_h = stamp_of(&copy).map(|at| began.utc.since(at).hours());
    let seconds = clock.now().up.since(began.up).secs();
    match arguments.format {
        Format::Json => output.json(&serde_json::json!({
            "copy": copy, "age_hours": age_h, "took_seconds": seconds, "readings": report.readings,
            "readings_in_use": in_use, "entries": report.entries, "journal_lines": report.journal_lines,
        })),
        Format::Text => {
            output.line(format_args!(
                "{} restored and checked in {seconds:.1} s: {} readings, {} entries, {} journal lines",
                copy.display(),
                report.readings,
                report.entries,
                report.journal_lines
            ))?;
            if let Some(age) = age_h {
                output.line(format_args!("It is {age:.1} hours old; what came since would be lost."))?;
            }
            if let Some(readings) = in_use {
                output.line(format_args!("The database in use has {readings} readings."))?;
            }
            Ok(())
        }
    }
}

/// The copy under the name that the station opens, in an empty folder.
fn put(copy: &std::path::Path, into: &std::path::Path) -> Result<PathBuf, Failure> {
    let failed = |what: &str, error: std::io::Error| {
        Failure::input_output(format!("cannot {what} {}: {error}", into.display()))
    };
    std::fs::create_dir_all(into).map_err(|error| failed("create", error))?;
    if std::fs::read_dir(into).map_err(|error| failed("read", error))?.next().is_some() {
        return Err(Failure::input_output(format!(
            "{} is not empty: nothing was touched; name an empty folder with --into",
            into.display()
        )));
    }
    let restored = into.join(crate::store::FILE_NAME);
    std::fs::copy(copy, &restored).map_err(|error| failed("write into", error))?;
    Ok(restored)
}
