//! How a drill is asked for: a small file in the data folder, which only its user can write.
//!
//! A file and no way over the network: who can write there can do more than wake people.

use std::io::{self, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, chown};
use std::path::{Path, PathBuf};

/// Name of the file in the data folder.
pub const FILE: &str = "drill-request";
/// Longest name of a drill.
const LONGEST_ID: usize = 64;

/// Why a request is not followed.
#[derive(Debug, thiserror::Error)]
pub enum BadRequest {
    /// Not a file, or others than its user may write or read it.
    #[error("the request is not a plain file of the user of the data folder alone")]
    NotOurs,
    /// Its text is not one of ours.
    #[error("the request does not name a drill")]
    NoName,
    /// It cannot be read.
    #[error("the request cannot be read: {0}")]
    Unreadable(#[from] io::Error),
}

/// Where the request lies.
#[must_use]
pub fn path(folder: &Path) -> PathBuf {
    folder.join(FILE)
}

/// Asks for a drill of this name.
///
/// # Errors
/// When a request waits already, or the file cannot be written.
pub fn ask(folder: &Path, id: &str) -> io::Result<()> {
    let (path, part) = (path(folder), folder.join(format!("{FILE}.part")));
    if path.symlink_metadata().is_ok() {
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, "another request waits already"));
    }
    // What an earlier try left half done.
    if let Err(error) = std::fs::remove_file(&part)
        && error.kind() != io::ErrorKind::NotFound
    {
        return Err(error);
    }
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&part)?;
    file.write_all(id.as_bytes())?;
    let (owner, user) = (folder.metadata()?, file.metadata()?);
    if owner.uid() != user.uid() {
        // Asked for by root: the station must be able to read it.
        chown(&part, Some(owner.uid()), Some(owner.gid()))?;
    }
    std::fs::rename(&part, &path)
}

/// Takes the request away, if there is one: the name of the drill.
///
/// # Errors
/// When there is one that is not to be followed; it is taken away all the same.
pub fn take(folder: &Path) -> Result<Option<String>, BadRequest> {
    let path = path(folder);
    let about = match path.symlink_metadata() {
        Ok(about) => about,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let ours = about.is_file() && about.mode() & 0o077 == 0 && about.uid() == folder.metadata()?.uid();
    let text = if ours { read(&path) } else { Err(BadRequest::NotOurs) };
    std::fs::remove_file(&path)?;
    text.map(Some)
}

fn read(path: &Path) -> Result<String, BadRequest> {
    let mut text = String::new();
    let most = u64::try_from(LONGEST_ID).unwrap_or(u64::MAX) + 1;
    std::fs::File::open(path)?.take(most).read_to_string(&mut text)?;
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | ':' | '.' | '+');
    if text.is_empty() || text.len() > LONGEST_ID || !text.chars().all(plain) {
        return Err(BadRequest::NoName);
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_request_is_taken_once() {
        let folder = tempfile::tempdir().unwrap();
        assert!(take(folder.path()).unwrap().is_none());
        ask(folder.path(), "2026-04-18T02:00:00Z-7").unwrap();
        assert_eq!(ask(folder.path(), "other").unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(take(folder.path()).unwrap().as_deref(), Some("2026-04-18T02:00:00Z-7"));
        assert!(take(folder.path()).unwrap().is_none());
    }

    #[test]
    fn what_others_could_have_written_is_taken_away_and_not_followed() {
        let folder = tempfile::tempdir().unwrap();
        let file = path(folder.path());
        std::fs::write(&file, "drill").unwrap();
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o666)).unwrap();
        assert!(matches!(take(folder.path()), Err(BadRequest::NotOurs)));
        assert!(!file.exists());
        let real = folder.path().join("real");
        std::fs::write(&real, "drill").unwrap();
        std::os::unix::fs::symlink(&real, &file).unwrap();
        assert!(matches!(take(folder.path()), Err(BadRequest::NotOurs)));
        assert!(real.exists() && !file.exists());
        for text in ["", "a name with spaces", &"x".repeat(65)] {
            ask(folder.path(), text).unwrap();
            assert!(matches!(take(folder.path()), Err(BadRequest::NoName)), "{text}");
        }
    }
}
