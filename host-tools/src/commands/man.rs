//! `gapgrid man`: manual pages.

use clap::{Args, Command};
use gapkeeper_host_tools::manual::ManArguments;

/// Print this program's manual page, or write the pages of all its commands.
#[derive(Args)]
#[command(after_help = "Example: gapgrid man --out ~/.local/share/man/man1")]
pub struct Arguments {
    #[command(flatten)]
    man: ManArguments,
}

/// Prints or writes the pages.
pub fn run(arguments: &Arguments, program: Command) -> anyhow::Result<()> {
    Ok(arguments.man.run(program)?)
}
