//! `gapgrid`: height grids and jobs as files, moved from one form to another and checked on the way.

mod commands;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};
use gapkeeper_host_tools::program;

use commands::{
    apply, blend, check, completions, convert, diff, estimate, man, next, patches, refine, shift, show, source, tram,
};

/// Height grids and jobs as files: read strictly, written whole, every loss said.
#[derive(Parser)]
#[command(name = "gapgrid", version, arg_required_else_help = true)]
#[command(after_help = "Example: gapgrid convert grid.json grid.csv")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

/// One variant for each command; its arguments, its help and its work stand in `commands/`, in a file of its name.
#[derive(Subcommand)]
enum Command {
    Apply(apply::Arguments),
    Blend(blend::Arguments),
    Check(check::Arguments),
    Convert(convert::Arguments),
    Diff(diff::Arguments),
    Estimate(estimate::Arguments),
    Next(next::Arguments),
    Patches(patches::Arguments),
    Refine(refine::Arguments),
    Shift(shift::Arguments),
    Show(show::Arguments),
    Source(source::Arguments),
    Tram(tram::Arguments),
    Completions(completions::Arguments),
    Man(man::Arguments),
}

fn main() -> ExitCode {
    program::run(run)
}

fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let done = |()| ExitCode::SUCCESS;
    match arguments.command {
        Command::Apply(arguments) => apply::run(&arguments).map(done),
        Command::Blend(arguments) => blend::run(&arguments).map(done),
        Command::Check(arguments) => check::run(&arguments),
        Command::Convert(arguments) => convert::run(&arguments).map(done),
        Command::Diff(arguments) => diff::run(&arguments),
        Command::Estimate(arguments) => estimate::run(&arguments).map(done),
        Command::Next(arguments) => next::run(&arguments),
        Command::Patches(arguments) => patches::run(&arguments).map(done),
        Command::Refine(arguments) => refine::run(&arguments).map(done),
        Command::Shift(arguments) => shift::run(&arguments).map(done),
        Command::Show(arguments) => show::run(&arguments).map(done),
        Command::Source(arguments) => source::run(&arguments).map(done),
        Command::Tram(arguments) => tram::run(&arguments).map(done),
        Command::Completions(arguments) => completions::run(&arguments, Arguments::command()).map(done),
        Command::Man(arguments) => man::run(&arguments, Arguments::command()).map(done),
    }
}
