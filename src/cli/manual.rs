//! `manual`: manual pages, generated from the command line's own description.

use super::shell::{Outcome, Shell};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use clap::CommandFactory;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury manual ~/.local/share/man/man1";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// Folder for the pages; made if missing, nothing that exists is overwritten.
    pub(crate) dir: PathBuf,
}

/// Writes one page for the program and one for each command.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    std::fs::create_dir_all(&args.dir).map_err(|error| cannot_write(&args.dir, &error))?;
    let mut program = super::Cli::command();
    program.build();
    let commands: Vec<_> = program.get_subcommands().filter(|c| c.get_name() != "help" && !c.is_hide_set()).cloned().collect();
    let mut written = vec![page(&args.dir, "cabjury", program)?];
    for command in commands {
        let name = format!("cabjury-{}", command.get_name());
        written.push(page(&args.dir, &name, command)?);
    }
    let names: Vec<_> = written.iter().map(|p| p.display().to_string()).collect();
    shell.say(&names.join("\n"));
    shell.document(&serde_json::json!({ "files": names }));
    Ok(Outcome::Done)
}

fn page(dir: &Path, name: &str, command: clap::Command) -> Result<PathBuf, Failure> {
    let path = dir.join(format!("{name}.1"));
    let mut text = Vec::new();
    clap_mangen::Man::new(command).title(name).render(&mut text).map_err(|error| cannot_write(&path, &error))?;
    let mut file = OpenOptions::new().write(true).create_new(true).open(&path).map_err(|error| {
        if error.kind() == std::io::ErrorKind::AlreadyExists {
            Failure::at_path(
                "exists-already",
                Fate::Refused,
                &path,
                format!("{} exists already", path.display()),
                "choose an empty folder, or remove the old page yourself",
            )
        } else {
            cannot_write(&path, &error)
        }
    })?;
    file.write_all(&text).map_err(|error| cannot_write(&path, &error))?;
    Ok(path)
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Failure {
    Failure::at_path(
        "cannot-write",
        Fate::Failed,
        path,
        format!("{} cannot be written: {error}", path.display()),
        "choose a folder that you may write to, on a disk with room",
    )
}
