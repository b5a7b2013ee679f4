//! The `nightjar` program: reads its arguments, runs one command, ends with its exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    nightjar::cli::main()
}
