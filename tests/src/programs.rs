//! The programs under test, as they ship: built for release.

use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

static BUILT: OnceLock<PathBuf> = OnceLock::new();

/// What `tests/run` builds at its beginning too. All in one command: libraries of the tests ask some crates for
/// more, and a build without them would build the rest anew.
const PROGRAMS: [&str; 7] =
    ["-p", "nightjar", "-p", "nightjar-simulator", "--bins", "--example", "virtual_season"];

/// Folder of the release build, brought up to date once a test process.
fn built() -> &'static PathBuf {
    BUILT.get_or_init(|| {
        build();
        target().join("release")
    })
}

/// Folder of the programs: that of the release build, or the one that is named by `NIGHTJAR_PROGRAMS`, such as
/// that of an installed package.
fn folder() -> PathBuf {
    std::env::var_os("NIGHTJAR_PROGRAMS").map_or_else(|| built().clone(), Into::into)
}

/// Builds for release.
fn build() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut build = Command::new(cargo);
    build.args(["build", "--release", "--locked", "--quiet"]).args(PROGRAMS);
    // Cargo sets these for what it runs, and the build of a cryptography library watches them: with them all
    // would be built anew.
    for (name, _) in std::env::vars_os() {
        if name.to_str().is_some_and(|n| n.starts_with("CARGO_PKG_") || n.starts_with("CARGO_MANIFEST_")) {
            build.env_remove(name);
        }
    }
    let built =
        build.current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).status().expect("cargo can be started");
    assert!(built.success(), "the programs cannot be built");
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

/// What plays a season on a clock moved by hand.
#[must_use]
pub fn virtual_season() -> Command {
    Command::new(built().join("examples/virtual_season"))
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
