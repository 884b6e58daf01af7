//! `gapgrid apply`: corrects a job by a grid.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::{Args, ValueEnum};
use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM, Move, Point};
use gapkeeper_host_tools::apply::{ApplyError, ApplyReport, Settings, apply};
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::gcode::{Effect, WordCount};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, read_grid};
use gapkeeper_host_tools::{AtomicFile, FileError, Watched};

use super::length;
use super::surface::{self, SurfaceName};

/// Standard input or output instead of a file.
const STANDARD: &str = "-";
/// Names of words shown in one line of the report.
const SHOWN_NAMES: usize = 12;

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
    /// The surface between readings (default: as the survey chose, else refined)
    #[arg(long)]
    surface: Option<SurfaceName>,
    /// How far a piece may be off the corrected path
    #[arg(long, value_name = "UM", default_value_t = DEFAULT_TOLERANCE_UM)]
    tolerance_um: u16,
    /// Scale E to the layer thickness in the fade; prints the total change
    #[arg(long)]
    scale_flow: bool,
    /// Refuse a job that takes the nozzle below this machine height
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
    /// Pass lines that cannot be read as they are, and count them
    #[arg(long)]
    keep_going: bool,
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
    let document = read_grid(&arguments.grid)?;
    let correction = correction(arguments, &document)?;
    let at_rest = Move { start: Point::default(), end: Point::default(), extra_start: [0], extra_end: [0] };
    let unbounded = correction.clone().with_lowest_machine_z(i32::MIN);
    if let Err(error) = unbounded.split(&at_rest, arguments.tolerance_um) {
        bail!("--tolerance-um {}: {error}", arguments.tolerance_um);
    }
    let name = gapkeeper_host_tools::printed::name(&arguments.job);
    let is_standard = |path: &Path| path == Path::new(STANDARD);
    if !arguments.in_place && !is_standard(&arguments.job) && is_same_file(&arguments.job, &arguments.output) {
        bail!(
            "{}: the output would replace the job: name another file, or allow it with --in-place",
            arguments.output.display()
        );
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
        pass: &arguments.pass,
        origin_nm: origin.map(|um| um.map(|um| i64::from(um) * 1000)),
        e_follows_g91: arguments.e_follows_g91.map(|answer| matches!(answer, Answer::Yes)),
        lenient: arguments.lenient,
        keep_going: arguments.keep_going,
        ..Settings::new(&correction)
    };
    let corrected = |output: &mut dyn Write| {
        let report = apply(&name, input, output, &settings).map_err(|error| match error {
            // Whoever reads the output has perhaps seen enough.
            ApplyError::Output(error) if error.kind() == io::ErrorKind::BrokenPipe => error.into(),
            error => anyhow::Error::from(error),
        })?;
        if report.lines == 0 {
            bail!("{name}: the job is empty: check that it is the right file");
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
    tell(&report, &settings, &document)
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
    let mut correction = Correction::new(surface::of(document, arguments.surface)?).with_shift(document.shift_um)?;
    if let Some(fade) = document.fade {
        correction = correction.with_fade(fade)?;
    }
    Ok(match arguments.lowest_mm {
        Some(lowest_um) => correction.with_lowest_machine_z(lowest_um),
        None => correction,
    })
}

/// Prints what was done, beside the output and not in it; what asks for attention comes last.
fn tell(report: &ApplyReport, settings: &Settings<'_>, document: &GridDocument) -> anyhow::Result<()> {
    let mut out = io::stderr().lock();
    let growth = report.bytes_written as f64 / report.bytes_read.max(1) as f64;
    writeln!(
        out,
        "{} of {} lines became {} pieces; the job is {growth:.1} times as long",
        report.corrected_lines, report.lines, report.pieces
    )?;
    let millimetres = |um: i32| f64::from(um) / 1000.0;
    if let (Some((lowest_um, lowest_line)), Some((highest_um, highest_line))) =
        (report.reach.lowest, report.reach.highest)
    {
        let (lowest, highest) = (millimetres(lowest_um), millimetres(highest_um));
        writeln!(out, "machine Z: {lowest} mm (line {lowest_line}) to {highest} mm (line {highest_line})")?;
    }
    let celsius = |degrees: Option<i16>| degrees.map_or("not stated".to_owned(), |degrees| format!("{degrees} °C"));
    writeln!(
        out,
        "bed: {} in the job, {} in the grid; nozzle: {}",
        celsius(report.bed_temperature_c),
        celsius(document.bed_temperature_c),
        celsius(report.nozzle_temperature_c)
    )?;
    if settings.scale_flow && settings.correction.fade().is_none() {
        writeln!(out, "E is unchanged: without a fade every layer is as thick as the job has it")?;
    } else if settings.scale_flow {
        let millimetres = |nm: i64| nm as f64 / 1e6;
        let permille = report.e_change_nm as f64 / report.printed_e_nm.max(1) as f64 * 1000.0;
        writeln!(
            out,
            "E follows the layers: {:+.3} mm on {:.3} mm of printing ({permille:+.2} in a thousand)",
            millimetres(report.e_change_nm),
            millimetres(report.printed_e_nm),
        )?;
    }
    let words = || report.unknown_words.iter().chain(&report.unmodelled_words);
    let harmless = words().filter(|(_, word)| word.effect == Effect::Harmless);
    tell_words(&mut out, "passed through, harmless as far as their words show", harmless)?;
    let moving = words().filter(|(_, word)| word.effect > Effect::Harmless);
    tell_words(&mut out, "passed through, may move axes; the position was taken as unknown after them", moving)?;
    if report.bad_lines > 0 {
        let first = report.first_bad_line.as_deref().unwrap_or_default();
        writeln!(
            out,
            "warning: {} lines could not be read and were passed as they are, first {first}",
            report.bad_lines
        )?;
    }
    if report.lines_after_end > 0 {
        writeln!(
            out,
            "warning: {} lines after the program's end (M2 or M30) were passed as they are",
            report.lines_after_end
        )?;
    }
    if let Some(stretch) = report.unplaced.longest {
        writeln!(
            out,
            "warning: {} motions were passed as they are, since it was not known where the machine stood; \
             the most in a row: {} from line {} on, {} not known since line {} ({})",
            report.unplaced.lines, stretch.motions, stretch.first_line, stretch.axes, stretch.since_line, stretch.cause
        )?;
    }
    if report.corrected_lines == 0 {
        writeln!(out, "warning: nothing was corrected")?;
    }
    if let (Some(job_c), Some(grid_c)) = (report.bed_temperature_c, document.bed_temperature_c)
        && job_c.abs_diff(grid_c) > CheckSettings::default().temperature_window_c.into()
    {
        writeln!(out, "warning: the grid was measured with the bed at {grid_c} °C, and the job has it at {job_c} °C")?;
    }
    let switches: Vec<_> = words().filter_map(|(name, word)| Some((word.may_switch_on_line?, name))).collect();
    if let Some((line, name)) = switches.iter().min() {
        let others = match switches.len() - 1 {
            0 => String::new(),
            count => format!(" (and {count} more of the words above)"),
        };
        writeln!(
            out,
            "WARNING: {name} on line {line}{others} is not known here. If it switches on a correction in the controller \
             itself, the job is corrected twice: switch that off first."
        )?;
    }
    Ok(())
}

fn tell_words<'a>(
    out: &mut impl Write,
    what: &str,
    words: impl Iterator<Item = (&'a String, &'a WordCount)>,
) -> io::Result<()> {
    let mut words: Vec<_> = words.collect();
    if words.is_empty() {
        return Ok(());
    }
    words.sort_by_key(|(_, word)| word.first_line);
    let name = |(name, word): &(&String, &WordCount)| {
        format!("{name} ({} times, first on line {})", word.count, word.first_line)
    };
    let mut names: Vec<_> = words.iter().take(SHOWN_NAMES).map(name).collect();
    if words.len() > SHOWN_NAMES {
        names.push(format!("and {} more", words.len() - SHOWN_NAMES));
    }
    writeln!(out, "{what}: {}", names.join(", "))
}
