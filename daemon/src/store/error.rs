//! What can go wrong with the store, told so that a caller can act on it.

use super::outbox::NewMessage;
use std::path::PathBuf;

/// Stored bytes that are not what was written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Damage {
    /// The bytes end early.
    #[error("bytes are missing")]
    Short,
    /// There are more bytes than belong there.
    #[error("bytes are left over")]
    Long,
    /// A layout this program does not know.
    #[error("unknown layout {0}")]
    Version(u8),
    /// A quality or reason this program does not know.
    #[error("unknown mark {0}")]
    Mark(u8),
    /// A number out of its range.
    #[error("a number is out of range")]
    Number,
    /// The codec refused.
    #[error("codec: {0}")]
    Codec(String),
    /// Text that is no longer what was written.
    #[error("text: {0}")]
    Text(String),
}

/// Why a verb of the store failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The store cannot write or open its file at the moment; it keeps trying.
    #[error("storage is failing: {0}")]
    Failing(Trouble),
    /// The file was written by a newer program. Nothing was touched.
    #[error(
        "{path} has schema {found}, this program knows up to {known}: install the newer program again, or open a backup taken before the upgrade"
    )]
    NewerSchema {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: i64,
        /// The newest schema this program knows.
        known: i64,
    },
    /// The queue to the writer is full.
    #[error("storage is lagging: its queue is full")]
    Lagging,
    /// The writer did not answer in time.
    #[error("storage did not answer within {seconds} s")]
    Stalled {
        /// How long was waited.
        seconds: i64,
    },
    /// The writer has ended.
    #[error("the store is closed")]
    Closed,
    /// The same id was used for something else before.
    #[error("entry {id} is in the logbook already with other content")]
    OtherContent {
        /// The id.
        id: String,
    },
    /// No such row.
    #[error("there is no {what} {id}")]
    Missing {
        /// Kind of thing.
        what: &'static str,
        /// Which one.
        id: String,
    },
    /// Stored bytes that cannot be read.
    #[error("{place} cannot be read: {damage}")]
    Damaged {
        /// Table and row.
        place: String,
        /// What is wrong.
        damage: Damage,
    },
    /// A file beside the database could not be written or moved.
    #[error("cannot {action} {path}")]
    File {
        /// What was tried.
        action: &'static str,
        /// On which file.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// Anything else the database says.
    #[error("database: {0}")]
    Database(String),
}

/// Why the store cannot write.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No space left.
    #[error("the disk is full: {0}")]
    Full(String),
    /// The file or its file system is read-only.
    #[error("the file is read-only: {0}")]
    ReadOnly(String),
    /// The medium fails.
    #[error("the medium fails: {0}")]
    Io(String),
    /// The file is damaged.
    #[error("the file is damaged: {0}")]
    Corrupt(String),
    /// The file cannot be opened, or another program holds it.
    #[error("the file cannot be used: {0}")]
    Unusable(String),
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        match trouble_of(&error) {
            Some(trouble) => Self::Failing(trouble),
            None => Self::Database(error.to_string()),
        }
    }
}

/// Sorts an error of the database: trouble with the medium, or `None` for a mistake in a request.
#[must_use]
fn trouble_of(error: &rusqlite::Error) -> Option<Trouble> {
    use rusqlite::ErrorCode as Code;
    let code = error.sqlite_error_code()?;
    let text = error.to_string();
    if matches!(code, Code::DiskFull) {
        Some(Trouble::Full(text))
    } else if matches!(code, Code::ReadOnly) {
        Some(Trouble::ReadOnly(text))
    } else if matches!(code, Code::DatabaseCorrupt | Code::NotADatabase) {
        Some(Trouble::Corrupt(text))
    } else if matches!(code, Code::SystemIoFailure | Code::NoLargeFileSupport) {
        Some(Trouble::Io(text))
    } else if matches!(
        code,
        Code::CannotOpen
            | Code::PermissionDenied
            | Code::DatabaseBusy
            | Code::DatabaseLocked
            | Code::FileLockingProtocolFailed
            | Code::AuthorizationForStatementDenied
    ) {
        Some(Trouble::Unusable(text))
    } else {
        None
    }
}

/// A transition that was not written. The messages come back so that they can be sent directly.
#[derive(Debug, thiserror::Error)]
#[error("transition not written: {why}")]
pub struct Refused {
    /// Why.
    pub why: StoreError,
    /// The messages it would have queued.
    pub messages: Vec<NewMessage>,
}
