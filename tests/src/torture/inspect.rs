//! What is in a database, by the database's own shell and the daemon's own export. The files are
//! copied first, since even looking takes the log over into the file.

use crate::programs;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Name of the database.
pub const DATABASE: &str = "nightjar.sqlite";

/// A database as found.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// What `PRAGMA integrity_check` says.
    pub integrity: String,
    /// Body of each entry by its number, as stored.
    pub entries: BTreeMap<String, String>,
    /// `sensor,time` of each reading.
    pub readings: BTreeSet<String>,
}

/// Copies the database and its log.
///
/// # Errors
/// When a file cannot be copied.
pub fn copy(from: &Path, to: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(to)?;
    for companion in ["", "-wal"] {
        let name = format!("{DATABASE}{companion}");
        let (source, target) = (from.join(&name), to.join(&name));
        drop(std::fs::remove_file(&target));
        if source.is_file() {
            std::fs::copy(source, target)?;
        }
    }
    drop(std::fs::remove_file(to.join(format!("{DATABASE}-shm"))));
    Ok(())
}

/// Asks the database's own shell.
///
/// # Errors
/// With its words when it refuses.
pub fn ask(folder: &Path, commands: &[&str]) -> Result<String, String> {
    let output = Command::new("sqlite3")
        .arg("-batch")
        .arg(folder.join(DATABASE))
        .args(commands)
        .output()
        .map_err(|error| format!("sqlite3 cannot be started: {error}"))?;
    let said = String::from_utf8_lossy(&output.stderr);
    if output.status.success() && said.trim().is_empty() {
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    } else {
        Err(format!("sqlite3: {}", said.trim()))
    }
}

/// The daemon's own export of readings, as `sensor,time`.
///
/// # Errors
/// With its words when it refuses.
pub fn readings(folder: &Path, from: Option<&str>) -> Result<BTreeSet<String>, String> {
    let mut command = programs::nightjar();
    command.args(["export", "--data"]).arg(folder);
    if let Some(from) = from {
        command.args(["--from", from]);
    }
    let output = command.output().map_err(|error| format!("the export cannot be started: {error}"))?;
    if !output.status.success() {
        return Err(format!("export: {}", String::from_utf8_lossy(&output.stderr).trim()));
    }
    let text = String::from_utf8_lossy(&output.stdout);
    Ok(text.lines().skip(1).map(|line| line.splitn(3, ',').take(2).collect::<Vec<_>>().join(",")).collect())
}

/// Looks at a copy; readings from a time on only, where one is given.
///
/// # Errors
/// With what refused to look.
pub fn look(folder: &Path, from: Option<&str>) -> Result<Found, String> {
    let readings = readings(folder, from)?;
    let text = ask(
        folder,
        &["PRAGMA integrity_check;", "SELECT id || char(9) || body FROM entry WHERE id LIKE 'torture-%';"],
    )?;
    let mut lines = text.lines();
    let mut found = Found { readings, ..Found::default() };
    lines.next().unwrap_or_default().clone_into(&mut found.integrity);
    for line in lines {
        match line.split_once('\t') {
            Some((id, body)) if found.entries.insert(id.to_owned(), body.to_owned()).is_none() => {}
            Some((id, _)) => return Err(format!("entry {id} is there twice")),
            // What is wrong takes several lines.
            None => found.integrity.push_str(line),
        }
    }
    Ok(found)
}
