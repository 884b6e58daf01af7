//! `gapgrid completions`: what makes a shell complete commands and options.

use clap::{Args, Command};
use gapkeeper_host_tools::manual::CompletionsArguments;

/// Print what makes a shell complete this program's commands and options.
#[derive(Args)]
#[command(after_help = "Example: gapgrid completions bash > ~/.local/share/bash-completion/completions/gapgrid")]
pub struct Arguments {
    #[command(flatten)]
    completions: CompletionsArguments,
}

/// Prints the shell's script.
pub fn run(arguments: &Arguments, program: Command) -> anyhow::Result<()> {
    Ok(arguments.completions.run(program)?)
}
