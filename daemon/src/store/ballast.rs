//! A file that only takes up space, to be given up when the disk is full so that alarms and
//! messages can still be written while somebody comes to help.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The file, beside the database.
#[derive(Debug)]
pub(super) struct Ballast {
    path: PathBuf,
    bytes: u64,
}

/// Written in pieces of this size, to keep memory small.
const PIECE: usize = 64 * 1024;

/// The disk must have this many times the ballast free before it is put back.
const ROOM: u64 = 8;

impl Ballast {
    /// Beside the database; of no bytes it is never written.
    pub(super) fn beside(database: &Path, bytes: u64) -> Self {
        let mut path = database.as_os_str().to_owned();
        path.push(".ballast");
        Self { path: path.into(), bytes }
    }

    /// Writes it unless it is there, when there is plenty of room.
    pub(super) fn put(&self, free: Option<u64>) {
        let there = fs::metadata(&self.path).map_or(0, |file| file.len());
        let room = free.is_some_and(|free| free >= self.bytes.saturating_mul(ROOM));
        if self.bytes == 0 || there >= self.bytes || !room {
            return;
        }
        if let Err(error) = self.write() {
            tracing::warn!(%error, "cannot write the ballast file");
            self.free();
        }
    }

    fn write(&self) -> std::io::Result<()> {
        let mut file = fs::File::create(&self.path)?;
        let piece = vec![0_u8; PIECE];
        let mut left = self.bytes;
        while left > 0 {
            let n = usize::try_from(left).unwrap_or(PIECE).min(PIECE);
            file.write_all(&piece[..n])?;
            left -= n as u64;
        }
        file.sync_all()
    }

    /// Gives the space up. True when there was some.
    pub(super) fn free(&self) -> bool {
        fs::remove_file(&self.path).is_ok()
    }
}

/// Free bytes of the file system that holds a path.
pub(super) fn free_bytes(path: &Path) -> Option<u64> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let stat = rustix::fs::statvfs(folder).ok()?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize))
}
