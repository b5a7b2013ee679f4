//! What the watcher keeps over a restart, in one small file that is replaced as a whole.

use super::watcher::Kept;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// A message that has not been taken yet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pending {
    /// Unique name, the same at each attempt.
    pub key: String,
    /// Address.
    pub to: String,
    /// First line.
    pub subject: String,
    /// All of it.
    pub text: String,
    /// What it is about.
    pub about: String,
    /// True when somebody has to get up.
    pub urgent: bool,
}

/// The file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Memory {
    /// Stations by name.
    pub stations: BTreeMap<String, Kept>,
    /// Messages not yet taken, oldest first.
    pub pending: Vec<Pending>,
    /// Numbers the messages.
    pub messages: u64,
    /// Local day of the last daily report.
    pub reported: Option<String>,
}

/// A file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("cannot {action} {path}: {source}")]
pub struct NoMemory {
    action: &'static str,
    path: PathBuf,
    source: std::io::Error,
}

impl Memory {
    /// Reads the file; a missing one is empty. A damaged one is moved aside and begun anew: better
    /// a repeated message than no watcher.
    ///
    /// # Errors
    /// When it is there and cannot be read or moved.
    pub fn load(path: &Path) -> Result<Self, NoMemory> {
        let trouble = |action| move |source| NoMemory { action, path: path.to_owned(), source };
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(trouble("read")(error)),
        };
        match serde_json::from_str(&text) {
            Ok(memory) => Ok(memory),
            Err(error) => {
                let aside = path.with_extension("damaged");
                tracing::error!(%error, path = %path.display(), "the watcher's file is damaged and moved aside");
                std::fs::rename(path, aside).map_err(trouble("move aside"))?;
                Ok(Self::default())
            }
        }
    }

    /// Writes the file whole, on disk when this returns.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), NoMemory> {
        let trouble = |action| move |source| NoMemory { action, path: path.to_owned(), source };
        let part = path.with_extension("part");
        let text = serde_json::to_string_pretty(self).unwrap_or_default();
        let mut file = std::fs::File::create(&part).map_err(trouble("write"))?;
        file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(trouble("write"))?;
        std::fs::rename(&part, path).map_err(trouble("replace"))
    }
}
