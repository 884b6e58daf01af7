//! `gapgrid`: height grids and jobs as files, moved from one form to another and checked on the way.

mod commands;

use std::io::{self, Write};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use commands::{apply, check, convert, show, source};

/// Nothing was written: the input is at fault.
const BAD_INPUT: u8 = 2;

/// Height grids and jobs as files: read strictly, written whole, every loss said.
#[derive(Parser)]
#[command(version, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

/// One variant for each command; its arguments and its work stand in `commands/`, in a file of its name.
#[derive(Subcommand)]
enum Command {
    Apply(apply::Arguments),
    Check(check::Arguments),
    Convert(convert::Arguments),
    Show(show::Arguments),
    Source(source::Arguments),
}

fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Apply(arguments) => apply::run(&arguments),
        Command::Check(arguments) => match check::run(&arguments) {
            Ok(code) => return code,
            Err(error) => Err(error),
        },
        Command::Convert(arguments) => convert::run(&arguments),
        Command::Show(arguments) => show::run(&arguments),
        Command::Source(arguments) => source::run(&arguments),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            // Nobody is left to be told if this cannot be written.
            let _ = writeln!(io::stderr(), "error: {error:#}");
            ExitCode::from(BAD_INPUT)
        }
    }
}

/// Whoever read our output has seen enough, which is no fault.
fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.downcast_ref::<io::Error>().is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe)
}
