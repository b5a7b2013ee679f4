//! The file as a whole: readers' connections, moving it aside, copies of it.

use super::error::StoreError;
use super::schema;
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError, RwLock};

/// Connections kept open for readers.
const POOL: usize = 4;

/// Lets readers in, and keeps them out while the file is moved: a file must never be renamed while
/// it is open.
#[derive(Debug)]
pub(super) struct ReadGate {
    path: PathBuf,
    open: RwLock<()>,
    pool: Mutex<Vec<Connection>>,
}

impl ReadGate {
    pub(super) fn new(path: PathBuf) -> Self {
        Self { path, open: RwLock::new(()), pool: Mutex::default() }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// One read transaction.
    pub(super) fn read<T>(
        &self,
        look: impl FnOnce(&Connection) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let _inside = self.open.read().unwrap_or_else(PoisonError::into_inner);
        let pooled = self.pool.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut db = match pooled {
            Some(db) => db,
            None => schema::open_reader(&self.path)?,
        };
        // Ends without a commit: nothing was written.
        let tx = db.transaction()?;
        let found = look(&tx)?;
        tx.finish()?;
        let mut pool = self.pool.lock().unwrap_or_else(PoisonError::into_inner);
        if pool.len() < POOL {
            pool.push(db);
        }
        Ok(found)
    }

    /// Work on the file by its path, while it stays where it is.
    pub(super) fn inside<T>(&self, work: impl FnOnce(&Path) -> T) -> T {
        let _inside = self.open.read().unwrap_or_else(PoisonError::into_inner);
        work(&self.path)
    }

    /// Waits until no reader is inside, closes their connections and keeps them out meanwhile.
    pub(super) fn alone<T>(&self, work: impl FnOnce() -> T) -> T {
        let _alone = self.open.write().unwrap_or_else(PoisonError::into_inner);
        self.pool.lock().unwrap_or_else(PoisonError::into_inner).clear();
        work()
    }
}

/// The file and its companions under a new name, none of which existed before.
pub(super) fn move_aside(path: &Path, stamp: i64) -> Result<PathBuf, StoreError> {
    let mut tries = 0;
    let aside = loop {
        let name = with_suffix(
            path,
            &format!(".damaged-{stamp}{}", if tries == 0 { String::new() } else { format!("-{tries}") }),
        );
        if !name.exists() {
            break name;
        }
        tries += 1;
    };
    for companion in ["", "-wal", "-shm"] {
        let from = with_suffix(path, companion);
        match std::fs::rename(&from, with_suffix(&aside, companion)) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound && !companion.is_empty() => {}
            Err(source) => return Err(StoreError::File { action: "move aside", path: from, source }),
        }
    }
    Ok(aside)
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

/// Size of the log beside a database.
pub(super) fn wal_bytes(path: &Path) -> u64 {
    std::fs::metadata(with_suffix(path, "-wal")).map_or(0, |file| file.len())
}

/// What a backup holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BackupReport {
    /// Size of the file.
    pub bytes: u64,
    /// Its schema.
    pub schema: i64,
    /// Readings in it.
    pub readings: u64,
    /// Entries of the logbook.
    pub entries: u64,
    /// Lines of the journal.
    pub journal_lines: u64,
    /// Messages.
    pub messages: u64,
}

/// Writes a consistent, compact copy of the database into a folder while it is in use, checks it,
/// and keeps the newest `keep` copies there. `stamp` goes into its name, which sorts by it.
///
/// # Errors
/// When the copy cannot be written or does not pass its check; older copies are then all kept.
pub fn backup(
    path: &Path,
    folder: &Path,
    stamp: &str,
    keep: usize,
) -> Result<(PathBuf, BackupReport), StoreError> {
    let stem = path.file_stem().and_then(|s| s.to_str()).unwrap_or("nightjar");
    let target = folder.join(format!("{stem}-{stamp}.db"));
    let partial = folder.join(format!("{stem}-{stamp}.db.partial"));
    std::fs::create_dir_all(folder).map_err(|source| StoreError::File {
        action: "create",
        path: folder.to_owned(),
        source,
    })?;
    drop(std::fs::remove_file(&partial));
    {
        let db = schema::open_reader(path)?;
        db.pragma_update(None, "query_only", false)?;
        let name = partial.to_str().ok_or_else(|| StoreError::File {
            action: "write",
            path: partial.clone(),
            source: std::io::Error::other("the path is not UTF-8"),
        })?;
        db.execute("VACUUM INTO ?1", [name])?;
    }
    let report = check_backup(&partial)?;
    let synced = std::fs::File::open(&partial).and_then(|file| file.sync_all());
    synced.and_then(|()| std::fs::rename(&partial, &target)).map_err(|source| StoreError::File {
        action: "finish",
        path: target.clone(),
        source,
    })?;
    prune(folder, stem, keep.max(1))?;
    Ok((target, report))
}

fn prune(folder: &Path, stem: &str, keep: usize) -> Result<(), StoreError> {
    let trouble = |source| StoreError::File { action: "list", path: folder.to_owned(), source };
    let mut copies: Vec<PathBuf> = Vec::new();
    for file in std::fs::read_dir(folder).map_err(trouble)? {
        let path = file.map_err(trouble)?.path();
        let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
        if name.strip_prefix(stem).is_some_and(|rest| rest.starts_with('-')) && name.ends_with(".db") {
            copies.push(path);
        }
    }
    copies.sort();
    let old = copies.len().saturating_sub(keep);
    for path in copies.drain(..old) {
        std::fs::remove_file(&path).map_err(|source| StoreError::File { action: "remove", path, source })?;
    }
    Ok(())
}

/// Reads a database by its path, whether a station works on it or not. Everything read in `look` is
/// of the same moment.
///
/// # Errors
/// Those of `look`; and when it cannot be opened.
pub fn look_at<T>(
    path: &Path,
    look: impl FnOnce(&super::read::Reader<'_>) -> Result<T, StoreError>,
) -> Result<T, StoreError> {
    let mut db = schema::open_reader(path)?;
    let tx = db.transaction()?;
    look(&super::read::Reader::new(&tx))
}

/// Opens a copy, checks all of it and counts what is in it: the drill before it is needed.
///
/// # Errors
/// When it cannot be opened or is damaged.
pub fn check_backup(path: &Path) -> Result<BackupReport, StoreError> {
    let db = schema::open_reader(path)?;
    let verdict: String = db.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
    if verdict != "ok" {
        return Err(StoreError::Failing(super::error::Trouble::Corrupt(verdict)));
    }
    let count = |sql: &str| -> Result<u64, StoreError> {
        let n: i64 = db.query_row(sql, [], |row| row.get(0))?;
        Ok(n.unsigned_abs())
    };
    Ok(BackupReport {
        bytes: std::fs::metadata(path).map_or(0, |file| file.len()),
        schema: schema::version(&db)?,
        readings: super::read::Reader::new(&db).stored_readings()?,
        entries: count("SELECT count(*) FROM entry")?,
        journal_lines: count("SELECT count(*) FROM journal")?,
        messages: count("SELECT count(*) FROM outbox")?,
    })
}
