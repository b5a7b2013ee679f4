//! The programs under test, as they ship: built for release.

use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

static BUILT: OnceLock<PathBuf> = OnceLock::new();
static SEASON: OnceLock<PathBuf> = OnceLock::new();

/// Folder of the release build, brought up to date once a test process; or the one that is named by
/// `NIGHTJAR_PROGRAMS`, such as that of an installed package.
fn folder() -> &'static PathBuf {
    BUILT.get_or_init(|| {
        if let Some(named) = std::env::var_os("NIGHTJAR_PROGRAMS") {
            return named.into();
        }
        build(&["-p", "nightjar", "-p", "nightjar-simulator"]);
        target().join("release")
    })
}

/// Builds for release.
fn build(what: &[&str]) {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let built = Command::new(cargo)
        .args(["build", "--release", "--locked", "--quiet"])
        .args(what)
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
        // Cargo sets it for what it runs, and the build of a cryptography library watches it: with
        // it all would be built anew each time.
        .env_remove("CARGO_MANIFEST_DIR")
        .status()
        .expect("cargo can be started");
    assert!(built.success(), "{what:?} cannot be built");
}

/// The target folder: a test lies in TARGET/PROFILE/deps, a program in TARGET/PROFILE.
fn target() -> PathBuf {
    let program = std::env::current_exe().expect("a program knows where it is");
    let folder = program.parent().expect("a program lies in a folder");
    let profile = if folder.ends_with("deps") { folder.parent().expect("a profile") } else { folder };
    profile.parent().expect("a target folder").to_owned()
}

/// What fills databases with an invented season, built by `tests/bench`.
#[must_use]
pub fn stored_season() -> Command {
    Command::new(target().join("release/examples/stored_season"))
}

/// What plays a season on a clock moved by hand, built once a test process.
#[must_use]
pub fn virtual_season() -> Command {
    let program = SEASON.get_or_init(|| {
        build(&["-p", "nightjar", "--example", "virtual_season"]);
        target().join("release/examples/virtual_season")
    });
    Command::new(program)
}

/// The daemon and its commands.
#[must_use]
pub fn nightjar() -> Command {
    Command::new(folder().join("nightjar"))
}

/// The simulator.
#[must_use]
pub fn simulator() -> Command {
    Command::new(folder().join("nightjar-sim"))
}

/// A TCP port nobody listens on.
#[must_use]
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    listener.local_addr().expect("an address").port()
}

/// Whether a program is installed; says so when a test is passed over for want of it.
#[must_use]
pub fn installed(program: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path)
        .chain([PathBuf::from("/usr/sbin")])
        .any(|folder| folder.join(program).is_file());
    if !found {
        use std::io::Write;
        let word = writeln!(std::io::stderr(), "passed over: {program} is not installed");
        drop(word);
    }
    found
}
