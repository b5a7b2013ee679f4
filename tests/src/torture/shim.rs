//! The library between the station and its disk (`shim.c`): built when it is needed.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Compiles it into a folder.
///
/// # Errors
/// With the compiler's words.
pub fn build(folder: &Path) -> Result<PathBuf, String> {
    let (source, library) = (folder.join("shim.c"), folder.join("shim.so"));
    std::fs::write(&source, include_str!("shim.c")).map_err(|error| error.to_string())?;
    let output = Command::new("cc")
        .args(["-shared", "-fPIC", "-O2", "-Wall", "-Wextra", "-Werror", "-o"])
        .args([&library, &source])
        .output()
        .map_err(|error| format!("cc cannot be started: {error}"))?;
    if output.status.success() {
        Ok(library)
    } else {
        Err(format!("shim.c: {}", String::from_utf8_lossy(&output.stderr)))
    }
}

/// Variables that trace the files of a folder.
#[must_use]
pub fn tracing(library: &Path, data: &Path, trace: &Path) -> Vec<(&'static str, OsString)> {
    vec![
        ("LD_PRELOAD", library.into()),
        ("NIGHTJAR_SHIM_FOLDER", data.into()),
        ("NIGHTJAR_SHIM_TRACE", trace.into()),
    ]
}

/// Variables that let calls on the files of a folder fail as ordered.
#[must_use]
pub fn failing(library: &Path, data: &Path, orders: &Path) -> Vec<(&'static str, OsString)> {
    vec![
        ("LD_PRELOAD", library.into()),
        ("NIGHTJAR_SHIM_FOLDER", data.into()),
        ("NIGHTJAR_SHIM_ORDERS", orders.into()),
    ]
}
