//! What `gapgrid` and `gapsim` do alike: arguments, messages, exit codes, closed pipes, signals.

use std::env;
use std::error::Error;
use std::ffi::OsString;
use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::process::ExitCode;

use clap::{Args, Parser};

use crate::atomic_file;
use crate::printed::{masked, one_line};

/// Exit code: the input is at fault, and nothing was written.
pub const BAD_INPUT: u8 = 2;

/// How many cores a command uses.
#[derive(Args, Clone, Copy, Debug)]
pub struct CoresOption {
    /// Number of cores (default: all); does not change the result
    #[arg(long, value_name = "N")]
    pub cores: Option<NonZeroUsize>,
}

/// Parses the arguments, does the work and returns its exit code; for `main`.
///
/// A closed pipe is a success: the reader has seen enough. Every other error goes to standard error, masked
/// ([`crate::printed`]), and ends with [`BAD_INPUT`]. Unfinished files vanish if a signal ends the program.
pub fn run<A: Parser>(work: impl FnOnce(A) -> anyhow::Result<ExitCode>) -> ExitCode {
    // Without it the program works as well, and may leave a temporary file.
    let _ = atomic_file::remove_on_signals();
    match parse(env::args_os().collect()) {
        Ok(arguments) => finish(work(arguments)),
        Err(error) => error.exit(),
    }
}

/// The arguments, or an error that shows nothing of them as it is.
fn parse<A: Parser>(words: Vec<OsString>) -> Result<A, clap::Error> {
    let is_safe =
        |word: &OsString| word.to_str().is_some_and(|text| matches!(one_line(text), std::borrow::Cow::Borrowed(_)));
    match parse_words(&words) {
        Err(error) if error.use_stderr() && !words.iter().all(is_safe) => {
            // The same words, masked, are wrong in the same way.
            let masked_words: Vec<OsString> =
                words.iter().map(|word| one_line(&word.to_string_lossy()).into_owned().into()).collect();
            match parse_words::<A>(&masked_words) {
                Err(masked_error) if masked_error.use_stderr() => Err(masked_error),
                _ => Err(A::command().error(error.kind(), "an argument has characters that cannot be used there")),
            }
        }
        outcome => outcome,
    }
}

fn parse_words<A: Parser>(words: &[OsString]) -> Result<A, clap::Error> {
    // A negative number is a wrong value of its option, not an option of its own.
    let mut command = A::command().mut_subcommands(|command| {
        command.mut_args(|argument| {
            let takes_value = argument.get_action().takes_values();
            if takes_value { argument.allow_negative_numbers(true) } else { argument }
        })
    });
    let matches = command.try_get_matches_from_mut(words);
    matches.and_then(|mut matches| A::from_arg_matches_mut(&mut matches)).map_err(|error| error.format(&mut command))
}

/// Prints the error, if there is one, and returns the exit code.
fn finish(outcome: anyhow::Result<ExitCode>) -> ExitCode {
    match outcome {
        Ok(code) => code,
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            // Nobody is left to be told if this cannot be written.
            let _ = writeln!(io::stderr(), "{}", masked(&format!("error: {}", message(&error))));
            ExitCode::from(BAD_INPUT)
        }
    }
}

fn is_closed_pipe(error: &anyhow::Error) -> bool {
    let is_closed = |cause: &(dyn Error + 'static)| {
        cause.downcast_ref::<io::Error>().is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe)
    };
    error.chain().any(is_closed)
}

/// The error and its causes; a cause that an error names itself is not said twice.
fn message(error: &anyhow::Error) -> String {
    let mut message = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if !message.contains(&cause) {
            message += if message.is_empty() { "" } else { ": " };
            message += &cause;
        }
    }
    message
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use anyhow::Context;

    use super::*;
    use crate::FileError;

    #[derive(Debug, Parser)]
    struct Arguments {
        #[command(subcommand)]
        _command: Command,
    }

    #[derive(Debug, clap::Subcommand)]
    enum Command {
        Feel {
            #[arg(long)]
            _feel_um: u8,
        },
    }

    fn refused(words: &[&str]) -> String {
        parse::<Arguments>(words.iter().map(OsString::from).collect()).unwrap_err().to_string()
    }

    #[test]
    fn a_cause_is_said_once() {
        let cause = || io::Error::from(io::ErrorKind::NotFound);
        let error = anyhow::Error::from(FileError::input(Path::new("a"))(cause()));
        assert_eq!(message(&error).matches("entity not found").count(), 1);
        let error = Err::<(), _>(cause()).context("first").context("second").unwrap_err();
        assert_eq!(message(&error), "second: first: entity not found");
    }

    #[test]
    fn a_closed_pipe_is_found_below_any_error() {
        let closed = || io::Error::from(io::ErrorKind::BrokenPipe);
        assert!(is_closed_pipe(&anyhow::Error::from(closed())));
        assert!(is_closed_pipe(&anyhow::Error::from(FileError::output(Path::new("a"))(closed())).context("b")));
        assert!(!is_closed_pipe(&anyhow::anyhow!("Broken pipe")));
    }

    #[test]
    fn what_was_typed_is_masked() {
        for words in [["x", "\u{1b}[31mfeel\n"], ["x", "--\u{202e}leef\r"]] {
            let text = refused(&words);
            assert!(text.contains('\u{fffd}') && !text.contains(['\u{1b}', '\u{202e}', '\r']), "{text:?}");
        }
        let text = refused(&["x", "feel", "--feel-um", "\u{1b}c\n5"]);
        assert!(text.contains("'\u{fffd}c\u{fffd}5'"), "{text:?}");
    }

    #[test]
    fn a_negative_number_is_a_wrong_value() {
        let text = refused(&["x", "feel", "--feel-um", "-5"]);
        assert!(text.contains("invalid value '-5' for '--feel-um"), "{text}");
    }
}
