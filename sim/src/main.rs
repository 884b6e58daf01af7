//! `gapsim`: replays a job through the Gapkeeper core over a modelled bed and shows the gap.

mod commands;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};
use gapkeeper_host_tools::manual::{CompletionsArguments, ManArguments};
use gapkeeper_host_tools::program;

/// Simulate your machine before you flash it
#[derive(Parser)]
#[command(name = "gapsim", version, arg_required_else_help = true)]
#[command(after_help = "Example: gapsim demo")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Demo(commands::demo::Arguments),
    Replay(commands::replay::Arguments),
    Plan(commands::plan::Arguments),
    Verify(commands::verify::Arguments),
    Survey(commands::survey::Arguments),
    Rehearse(commands::rehearse::Arguments),
    Life(commands::life::Arguments),
    #[command(after_help = "Example: gapsim completions bash > ~/.local/share/bash-completion/completions/gapsim")]
    Completions(CompletionsArguments),
    #[command(after_help = "Example: gapsim man --out ~/.local/share/man/man1")]
    Man(ManArguments),
}

fn main() -> ExitCode {
    program::run(run)
}

fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    match arguments.command {
        Command::Demo(arguments) => commands::demo::run(&arguments),
        Command::Replay(arguments) => commands::replay::run(&arguments),
        Command::Plan(arguments) => commands::plan::run(arguments).map(|()| ExitCode::SUCCESS),
        Command::Verify(arguments) => commands::verify::run(&arguments),
        Command::Survey(arguments) => commands::survey::run(&arguments).map(|()| ExitCode::SUCCESS),
        Command::Rehearse(arguments) => commands::rehearse::run(&arguments),
        Command::Life(arguments) => commands::life::run(arguments),
        Command::Completions(arguments) => Ok(arguments.run(Arguments::command()).map(|()| ExitCode::SUCCESS)?),
        Command::Man(arguments) => Ok(arguments.run(Arguments::command()).map(|()| ExitCode::SUCCESS)?),
    }
}
