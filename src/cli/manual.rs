//! `halfsplit completions` and `halfsplit man`: from the same definitions as the commands themselves.

use super::output::{self, Form};
use super::screen::{Failure, Screen};
use std::path::PathBuf;

/// Prints the completion script of a shell
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit completions bash > ~/.local/share/bash-completion/completions/halfsplit\n  halfsplit completions fish > ~/.config/fish/completions/halfsplit.fish"
)]
pub struct CompletionsArgs {
    /// The shell
    #[arg(value_enum)]
    shell: clap_complete::Shell,
}

/// Prints the manual page, or writes all of them into a folder
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  halfsplit man | man -l -\n  halfsplit man ~/.local/share/man/man1")]
pub struct ManArgs {
    /// The folder for all pages, one a command; it must be there
    #[arg(value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Replace files of those names that are there, whoever wrote them
    #[arg(long, requires = "folder")]
    force: bool,
}

/// Runs `completions`.
///
/// # Errors
/// When stdout can't be written.
pub fn completions(
    args: &CompletionsArgs,
    mut command: clap::Command,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut command, "halfsplit", &mut text);
    Ok(screen.out.write_all(&text)?)
}

/// Runs `man`.
///
/// # Errors
/// When stdout or the folder can't be written.
pub fn man(args: &ManArgs, mut command: clap::Command, screen: &mut Screen<'_>) -> Result<(), Failure> {
    command.build();
    let Some(folder) = &args.folder else {
        return Ok(screen.out.write_all(&page(command)?)?);
    };
    let mut pages = Vec::new();
    let mut open = vec![(String::from("halfsplit"), command)];
    while let Some((name, command)) = open.pop() {
        for inner in command.get_subcommands().filter(|c| c.get_name() != "help") {
            open.push((format!("{name}-{}", inner.get_name()), inner.clone()));
        }
        let path = folder.join(format!("{name}.1"));
        output::check(&path, args.force)?;
        let text =
            String::from_utf8(page(command.name(name))?).map_err(|e| Failure::System(e.to_string()))?;
        pages.push((path, text));
    }
    for (path, text) in &pages {
        output::write(path, text, Form::Page, args.force, screen)?;
    }
    screen.say(&format!(
        "{} pages written to {}",
        pages.len(),
        super::target::quoted(&folder.display().to_string())
    ))
}

fn page(command: clap::Command) -> Result<Vec<u8>, Failure> {
    let mut text = Vec::new();
    clap_mangen::Man::new(command).render(&mut text)?;
    Ok(text)
}
