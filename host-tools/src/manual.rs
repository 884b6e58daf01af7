//! Completions for shells and manual pages, from the definition of a program's command line itself.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Command};
use clap_complete::Shell;

use crate::atomic_file::write_atomically;

/// Print what makes a shell complete this program's commands and options.
#[derive(Args)]
pub struct CompletionsArguments {
    /// The shell
    shell: Shell,
}

impl CompletionsArguments {
    /// Prints the shell's script for a program.
    ///
    /// # Errors
    /// Those of the output.
    pub fn run(&self, mut program: Command) -> io::Result<()> {
        let name = program.get_name().to_owned();
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut program, name, &mut script);
        print(&script)
    }
}

/// Print this program's manual page, or write the pages of all its commands.
#[derive(Args)]
pub struct ManArguments {
    /// Folder for one page of the program and one of each command; without it the program's own is printed
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

impl ManArguments {
    /// Prints or writes the pages of a program.
    ///
    /// # Errors
    /// Those of the output or of the folder.
    pub fn run(&self, program: Command) -> io::Result<()> {
        let mut program = program.disable_help_subcommand(true);
        // Gives the commands their whole names.
        program.build();
        let Some(folder) = &self.out else { return print(&page(&program)?) };
        std::fs::create_dir_all(folder)
            .and_then(|()| write_pages(&program, folder))
            .map_err(|error| io::Error::new(error.kind(), format!("{}: {error}", folder.display())))
    }
}

fn write_pages(command: &Command, folder: &Path) -> io::Result<()> {
    let name = command.get_display_name().unwrap_or(command.get_name());
    write_atomically(&folder.join(format!("{name}.1")), &page(command)?)?;
    command.get_subcommands().try_for_each(|command| write_pages(command, folder))
}

fn page(command: &Command) -> io::Result<Vec<u8>> {
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    Ok(page)
}

fn print(text: &[u8]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(text)?;
    out.flush()
}
