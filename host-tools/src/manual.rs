//! Completions for shells and manual pages, from the definition of a program's command line itself.

use std::io;
use std::path::{Path, PathBuf};

use clap::{Args, Command};
use clap_complete::Shell;

use crate::atomic_file::write_all_atomically;
use crate::file_error::FileError;
use crate::printed::print_bytes;

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
        print_bytes(&script)
    }
}

/// Print this program's manual page, or write the pages of all its commands.
#[derive(Args)]
pub struct ManArguments {
    /// Folder for a page of the program and one of each command (default: print the program's page)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

impl ManArguments {
    /// Prints or writes the pages of a program.
    ///
    /// # Errors
    /// Those of the output or of the folder; all pages are written or none.
    pub fn run(&self, program: Command) -> Result<(), FileError> {
        let mut program = program.disable_help_subcommand(true);
        // Gives the commands their whole names.
        program.build();
        let standard = |outcome: io::Result<()>| outcome.map_err(FileError::output(Path::new("standard output")));
        let Some(folder) = &self.out else { return standard(page(&program).and_then(|page| print_bytes(&page))) };
        let mut pages = Vec::new();
        collect_pages(&program, folder, &mut pages)
            .and_then(|()| std::fs::create_dir_all(folder))
            .map_err(FileError::output(folder))?;
        write_all_atomically(&pages)
    }
}

fn collect_pages(command: &Command, folder: &Path, pages: &mut Vec<(PathBuf, Vec<u8>)>) -> io::Result<()> {
    let name = command.get_display_name().unwrap_or(command.get_name());
    pages.push((folder.join(format!("{name}.1")), page(command)?));
    command.get_subcommands().try_for_each(|command| collect_pages(command, folder, pages))
}

fn page(command: &Command) -> io::Result<Vec<u8>> {
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    Ok(page)
}
