//! Writes every message to a file of its own: for the demo, for drills, and to look at texts
//! before the first one is sent to anybody.

use super::{Body, Sent};
use crate::clock::Now;
use std::path::{Path, PathBuf};

/// A folder that takes messages.
#[derive(Clone, Debug)]
pub struct FolderRoute {
    folder: PathBuf,
}

impl FolderRoute {
    /// Into this folder, made when missing.
    #[must_use]
    pub fn new(folder: PathBuf) -> Self {
        Self { folder }
    }

    /// Writes one message, under a name made of its key: a repeat replaces the same file. The file
    /// appears whole or not at all.
    pub async fn send(&self, key: &str, body: &Body, now: Now) -> Sent {
        let name = file_name(key);
        match self.write(&name, &text(body, now)).await {
            Ok(()) => Sent::Accepted(Some(name)),
            Err(error) => Sent::Retry(format!("cannot write into {}: {error}", self.folder.display())),
        }
    }

    async fn write(&self, name: &str, text: &str) -> std::io::Result<()> {
        tokio::fs::create_dir_all(&self.folder).await?;
        let (part, whole) = (self.path(&format!("{name}.part")), self.path(name));
        tokio::fs::write(&part, text).await?;
        tokio::fs::rename(&part, &whole).await
    }

    fn path(&self, name: &str) -> PathBuf {
        Path::new(&self.folder).join(name)
    }
}

fn file_name(key: &str) -> String {
    let safe = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '+' };
    format!("{}.txt", key.chars().map(safe).collect::<String>())
}

fn text(body: &Body, now: Now) -> String {
    format!("Date: {}\nTo: {}\nSubject: {}\n\n{}\n", now.utc.rfc3339(), body.to, body.subject, body.text)
}
