//! `gapgrid apply`: corrects a job by a grid.

mod told;

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM, Move, Point};
use gapkeeper_host_tools::apply::{ApplyError, Settings, apply};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument};
use gapkeeper_host_tools::printed::{masked, name};
use gapkeeper_host_tools::program::CoresOption;
use gapkeeper_host_tools::{AtomicFile, FileError, Watched};

use super::surface::SurfaceOption;
use super::{input, length};

/// Standard input or output instead of a file.
const STANDARD: &str = "-";

/// Correct a job by a grid, for a machine that cannot be flashed
///
/// Lines that move X, Y or Z become lines of straight pieces; every other line stays byte for byte. While the place of an
/// axis is not known (at the start, after homing, a macro, a tool change or an unknown word), lines stay as they are, and
/// the first move to a known place is one line. The output carries a comment, so that no job is corrected twice.
#[derive(Args)]
#[command(after_help = "Example: gapgrid apply tray.gcode --grid grid.json -o tray-corrected.gcode\n\n\
    Try the result with the nozzle far above the bed first, and stay beside the machine.")]
pub struct Arguments {
    /// The job, G-code; `-` for standard input
    job: PathBuf,
    /// The grid, JSON or CSV
    #[arg(long, value_name = "FILE")]
    grid: PathBuf,
    /// The corrected job; `-` for standard output
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Allow the output to replace the job
    #[arg(long)]
    in_place: bool,
    #[command(flatten)]
    surface: SurfaceOption,
    /// Largest distance of a piece from the corrected path
    #[arg(long, value_name = "UM", default_value_t = DEFAULT_TOLERANCE_UM)]
    tolerance_um: u16,
    /// Scale E to the layer thickness in the fade; prints the total change
    #[arg(long)]
    scale_flow: bool,
    /// Refuse a job that takes the nozzle below this machine height (default: the height that the grid states)
    #[arg(long, value_name = "MM", allow_hyphen_values = true, value_parser = length::whole_um)]
    lowest_mm: Option<i32>,
    /// Where the program's zero lies in the grid, X,Y or X,Y,Z in millimetres (default: 0,0,0)
    ///
    /// Holds in whatever way the job sets that zero, also by G92 before any axis is known.
    #[arg(long, value_name = "X,Y[,Z]", allow_hyphen_values = true, value_parser = origin_um)]
    origin: Option<Origin>,
    /// Whether G91 makes E relative although M82 is in force (default: refuse lines for which it matters)
    #[arg(long, value_name = "YES/NO")]
    e_follows_g91: Option<Answer>,
    /// Let these words through, such as G987,G55, though they may move or shift axes
    ///
    /// Their lines stay as they are, and the position is not known after them.
    #[arg(long, value_name = "WORDS", value_delimiter = ',', value_parser = word_name)]
    pass: Vec<String>,
    /// Allow two words of one group on a line; the later one counts
    #[arg(long)]
    lenient: bool,
    /// Pass unreadable lines as they are, and count them
    #[arg(long)]
    keep_going: bool,
    #[command(flatten)]
    cores: CoresOption,
}

/// Micrometres along X, Y and perhaps Z.
#[derive(Clone, Copy, Debug)]
struct Origin([Option<i32>; 3]);

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Answer {
    Yes,
    No,
}

fn origin_um(text: &str) -> Result<Origin, String> {
    let parts = text.split(',').map(length::whole_um).collect::<Result<Vec<_>, _>>()?;
    match parts.as_slice() {
        [x, y] => Ok(Origin([Some(*x), Some(*y), None])),
        [x, y, z] => Ok(Origin([Some(*x), Some(*y), Some(*z)])),
        _ => Err("give X,Y or X,Y,Z in millimetres, such as 10,12.5".to_owned()),
    }
}

/// A word's plain name: `g08` is `G8`.
fn word_name(text: &str) -> Result<String, String> {
    let name = text.trim().to_ascii_uppercase();
    let mut letters = name.chars();
    let (Some(letter), rest) = (letters.next(), letters.as_str()) else {
        return Err("name words such as G987".to_owned());
    };
    let is_number = rest.chars().all(|digit| digit.is_ascii_digit() || digit == '.');
    if letter == '/' && rest.is_empty() || letter.is_ascii_uppercase() && is_number {
        let (whole, fraction) = rest.split_once('.').unwrap_or((rest, ""));
        let whole = if whole.is_empty() { "" } else { whole.trim_start_matches('0') };
        let whole = if whole.is_empty() && !rest.is_empty() { "0" } else { whole };
        let point = if fraction.is_empty() { "" } else { "." };
        Ok(format!("{letter}{whole}{point}{fraction}"))
    } else {
        Err(format!("{text:?} is no word of a letter and a number, such as G987"))
    }
}

/// Corrects the job.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let document = input::grid(&arguments.grid)?;
    let correction = correction(arguments, &document).with_context(|| name(&arguments.grid))?;
    let at_rest = Move { start: Point::default(), end: Point::default(), extra_start: [0], extra_end: [0] };
    let unbounded = correction.clone().with_lowest_machine_z(i32::MIN);
    if let Err(error) = unbounded.split(&at_rest, arguments.tolerance_um) {
        bail!("--tolerance-um {}: {error}", arguments.tolerance_um);
    }
    let job_name = name(&arguments.job);
    let is_standard = |path: &Path| path == Path::new(STANDARD);
    if !arguments.in_place && !is_standard(&arguments.job) && is_same_file(&arguments.job, &arguments.output) {
        bail!(
            "{}: the output would replace the job\n  name another file, or allow it with --in-place",
            name(&arguments.output)
        );
    }
    if is_same_file(&arguments.grid, &arguments.output) {
        bail!("{}: the output would replace the grid\n  name another file", name(&arguments.output));
    }
    let input: Box<dyn Read> = if is_standard(&arguments.job) {
        Box::new(io::stdin().lock())
    } else {
        let file = File::open(&arguments.job).map_err(FileError::input(&arguments.job))?;
        let is_printed = is_standard(&arguments.output);
        Box::new(if is_printed { Watched::beside_output(file) } else { Watched::new(file) })
    };
    let origin = arguments.origin.map_or([None; 3], |Origin(um)| um);
    let settings = Settings {
        tolerance_um: arguments.tolerance_um,
        scale_flow: arguments.scale_flow,
        cores: arguments.cores.cores,
        pass: &arguments.pass,
        origin_nm: origin.map(|um| um.map(|um| i64::from(um) * 1000)),
        e_follows_g91: arguments.e_follows_g91.map(|answer| matches!(answer, Answer::Yes)),
        lenient: arguments.lenient,
        keep_going: arguments.keep_going,
        ..Settings::new(&correction)
    };
    let corrected = |output: &mut dyn Write| {
        let report = apply(&job_name, input, output, &settings).map_err(|error| match error {
            // The reader of the output may have seen enough.
            ApplyError::Output(error) if error.kind() == io::ErrorKind::BrokenPipe => error.into(),
            error => anyhow::Error::from(error),
        })?;
        if report.lines == 0 {
            bail!("{job_name}: the job is empty\n  check that it is the right file");
        }
        Ok(report)
    };
    let report = if is_standard(&arguments.output) {
        corrected(&mut io::stdout().lock())?
    } else {
        let mut file = AtomicFile::create(&arguments.output).map_err(FileError::output(&arguments.output))?;
        let report = corrected(&mut file)?;
        file.finish().map_err(FileError::output(&arguments.output))?;
        report
    };
    let surface = document.surface_choice(arguments.surface.asked());
    let text = told::text(&report, &settings, &document, surface);
    // Beside the output and not in it.
    Ok(io::stderr().lock().write_all(masked(&text).as_bytes())?)
}

/// Whether two names stand for one file.
fn is_same_file(one: &Path, other: &Path) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let identity = |path: &Path| fs::metadata(path).ok().map(|file| (file.dev(), file.ino()));
        identity(one).is_some_and(|one| Some(one) == identity(other))
    }
    #[cfg(not(unix))]
    {
        let identity = |path: &Path| fs::canonicalize(path).ok();
        identity(one).is_some_and(|one| Some(one) == identity(other))
    }
}

fn correction(arguments: &Arguments, document: &GridDocument) -> anyhow::Result<Correction<CAPACITY>> {
    let surface = document.surface_choice(arguments.surface.asked()).surface;
    let correction = Correction::new(document.surface_grid(surface)?).with_shift(document.shift_um)?;
    let correction = match document.fade {
        Some(fade) => correction.with_fade(fade)?,
        None => correction,
    };
    let lowest_um = arguments.lowest_mm.or(document.lowest_machine_z_um).unwrap_or(i32::MIN);
    Ok(correction.with_lowest_machine_z(lowest_um))
}
