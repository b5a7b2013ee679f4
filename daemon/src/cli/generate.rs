//! `nightjar generate` (hidden): man pages and shell completions out of the command definitions,
//! for the package.

use super::failure::{Failure, OrFail};
use clap::{Args, CommandFactory};
use clap_complete::Shell;
use std::path::{Path, PathBuf};

/// Where to.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Folder that receives `man/` and `completions/`
    #[arg(value_name = "FOLDER")]
    into: PathBuf,
}

/// Shells and the names their completions are looked for by.
const SHELLS: [(Shell, &str); 3] =
    [(Shell::Bash, "nightjar"), (Shell::Zsh, "_nightjar"), (Shell::Fish, "nightjar.fish")];

/// Writes everything.
///
/// # Errors
/// When a file cannot be written.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let (man, completions) = (arguments.into.join("man"), arguments.into.join("completions"));
    for folder in [&man, &completions] {
        std::fs::create_dir_all(folder).or_fail(&format!("create {}", folder.display()))?;
    }
    let mut command = super::Arguments::command();
    command.build();
    pages(&command, "nightjar", &man)?;
    for (shell, name) in SHELLS {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut command.clone(), "nightjar", &mut text);
        write(&completions.join(name), &text)?;
    }
    Ok(())
}

/// A page for a command and one for each command under it.
fn pages(command: &clap::Command, name: &str, folder: &Path) -> Result<(), Failure> {
    let mut text = Vec::new();
    let man = clap_mangen::Man::new(command.clone()).title(name);
    man.render(&mut text).or_fail("write a man page")?;
    write(&folder.join(format!("{name}.1")), &text)?;
    for under in command.get_subcommands().filter(|under| !under.is_hide_set() && under.get_name() != "help")
    {
        pages(under, &format!("{name}-{}", under.get_name()), folder)?;
    }
    Ok(())
}

fn write(path: &Path, text: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, text).or_fail(&format!("write {}", path.display()))
}
