//! `gapgrid blend`: a grid for a temperature between those of two.

use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper::{Bank, Choice, Correction, StoredGrid, TIE_LIMIT_UM, TemperatureWindows};
use gapkeeper_host_tools::estimate::TieCheck;
use gapkeeper_host_tools::flatness::places;
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, StationReading, SurveyMarks};
use gapkeeper_host_tools::printed::{name, print};

use super::older::Origin;
use super::readings::{PlateReadings, readings};
use super::{input, output};

/// Blend two grids of the same stations for a bed temperature between theirs.
///
/// Heights and shifts are in proportion, by the same arithmetic as on the machine; fade and the marks of a survey are
/// those of the nearer grid. Nothing is extrapolated: a few readings beyond both temperatures would not show whether the
/// whole shape goes on as it did.
///
/// With --tie, readings taken at the new temperature check the blend: screws may have been turned, so any tilt and twist
/// is allowed, and what is left is the residual. Above its limit nothing is written.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid blend at-60.json at-100.json --bed-temperature 75 -o at-75.json\n  \
    gapgrid blend at-60.json at-100.json --bed-temperature 75 --tie five-at-75.csv -o at-75.json")]
pub struct Arguments {
    /// One grid, with its bed temperature
    first: PathBuf,
    /// The other grid
    second: PathBuf,
    /// Bed temperature of the new grid
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    bed_temperature: i16,
    /// Readings at the new temperature that check the blend, five or more: a table, or a grid document that has kept its
    /// readings
    #[arg(long, value_name = "FILE")]
    tie: Option<PathBuf>,
    /// The grid to write; its extension tells the format
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

/// Blends the grids.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let (first, second) = (input::reading(&arguments.first)?, input::reading(&arguments.second)?);
    if let (Some(one), Some(other)) = (first.setup, second.setup)
        && one != other
    {
        bail!("the grids belong to the setups {one} and {other}: a screw was turned between them\n  measure both anew");
    }
    let origin = Origin::of(&arguments.first, &first.document);
    origin.check_plate(&Origin::of(&arguments.second, &second.document))?;
    let setup = first.setup.or(second.setup);
    let mut bank = Bank::<2, CAPACITY>::default();
    bank.set(0, Some(stored(&arguments.first, &first.document)?));
    bank.set(1, Some(stored(&arguments.second, &second.document)?));
    // Near is not enough here: a blend was asked for.
    let windows = TemperatureWindows { nearest_c: 0, ..TemperatureWindows::default() };
    let choice = bank.choose(arguments.bed_temperature, 0, windows);
    let refused = || refusal(choice, arguments.bed_temperature, windows);
    let chosen = bank.chosen(choice, arguments.bed_temperature)?.ok_or_else(refused)?;
    // Marks are given only where both grids have some: half of a blend comes from no survey otherwise.
    let are_surveyed = first.document.survey.is_some() && second.document.survey.is_some();
    let document = GridDocument {
        shift_um: chosen.shift_um.into(),
        fade: chosen.fade,
        bed_temperature_c: Some(arguments.bed_temperature),
        survey: are_surveyed.then_some(SurveyMarks {
            closure_um: chosen.closure_um,
            closure_accepted: chosen.closure_accepted,
            surface: chosen.surface,
            tie: chosen.tie,
        }),
        // The one that protects more.
        lowest_machine_z_um: first.document.lowest_machine_z_um.max(second.document.lowest_machine_z_um),
        plate: first.document.plate.clone(),
        // Readings of either grid belong to its own temperature.
        ..GridDocument::of_heights(chosen.grid)
    };
    let tied = arguments.tie.as_deref().map(|path| check(arguments, path, &document)).transpose()?;
    output::write(&arguments.output, &document, setup)?;
    Ok(print(&format!("{}{}", change(&first.document, &second.document), tied.unwrap_or_default()))?)
}

/// How much the shape changes with the temperature; nothing where the stations are too few to tell.
fn change(first: &GridDocument, second: &GridDocument) -> String {
    let temperatures = first.bed_temperature_c.zip(second.bed_temperature_c);
    let Some((one_c, other_c)) = temperatures.filter(|(one_c, other_c)| one_c != other_c) else {
        return String::new();
    };
    let readings: Vec<StationReading> =
        places(&second.grid).into_iter().map(|at| StationReading { at, spread_um: None }).collect();
    let Ok(TieCheck { residual_um, .. }) = TieCheck::of_surface(&readings, first.grid.lattice(), &first.grid) else {
        return String::new();
    };
    format!(
        "the shape changes by {residual_um:.0} um from {} to {} °C, {:.1} um a degree; tilt and twist are not \
         counted\n",
        one_c.min(other_c),
        one_c.max(other_c),
        residual_um / f64::from(other_c.abs_diff(one_c))
    )
}

/// Checks the blend against readings at its temperature.
fn check(arguments: &Arguments, path: &Path, document: &GridDocument) -> anyhow::Result<String> {
    let PlateReadings { newest, document: tie, .. } = readings(path)?;
    if let Some(tie) = tie {
        Origin::of(&arguments.output, document).check(&Origin::of(path, &tie))?;
    }
    let surface = document
        .surface_grid(document.surface_choice(None).surface)
        .map_err(|error| anyhow!("{}: {error}\n  measure the stations again", name(&arguments.first)))?;
    let tie = TieCheck::of_surface(&newest, document.grid.lattice(), &surface)
        .map_err(|error| anyhow!("{}: {error}", name(path)))?;
    let TieCheck { residual_um, readings } = tie;
    if !tie.holds() {
        bail!(
            "{}: the blend is off by {residual_um:.0} um from these readings, more than {TIE_LIMIT_UM}, whatever the screws \
             did\n  survey the whole bed at {} °C",
            name(path),
            arguments.bed_temperature
        );
    }
    Ok(format!(
        "the blend holds: residual {residual_um:.0} um at {readings} readings, up to {TIE_LIMIT_UM} is allowed\n"
    ))
}

/// A grid as the bank of a machine holds it; both are of one setup here.
fn stored(path: &Path, document: &GridDocument) -> anyhow::Result<StoredGrid<CAPACITY>> {
    let correction = Correction::new(document.grid.clone())
        .with_shift(document.shift_um)
        .map_err(|error| anyhow!("{}: {error}\n  correct the shift with gapgrid shift", name(path)))?;
    let no_temperature = || anyhow!("{}: it does not say its bed temperature\n  write it into the file", name(path));
    let surface = document.surface_choice(None).surface;
    let marks = document.survey.unwrap_or(SurveyMarks { closure_um: 0, closure_accepted: false, surface, tie: None });
    Ok(StoredGrid {
        grid: document.grid.clone(),
        // Checked to be within 14 bits.
        shift_um: correction.shift_um() as i16,
        fade: document.fade,
        bed_temperature_c: document.bed_temperature_c.ok_or_else(no_temperature)?,
        setup: 0,
        closure_um: marks.closure_um,
        closure_accepted: marks.closure_accepted,
        surface: marks.surface,
        tie: marks.tie,
    })
}

fn refusal(choice: Choice, now_c: i16, windows: TemperatureWindows) -> anyhow::Error {
    match choice {
        Choice::NoBlend { cooler_c, warmer_c } => anyhow!(
            "the grids of {cooler_c} °C and {warmer_c} °C cannot be blended\n  they must have the same stations, and be \
             no more than {} °C apart",
            windows.blend_c
        ),
        Choice::TooFar { nearest_c } => anyhow!(
            "{now_c} °C does not lie between the grids; the nearer is for {nearest_c} °C\n  measure there: nothing is \
             extrapolated"
        ),
        other => anyhow!("no grid for {now_c} °C: {other}\n  measure at this temperature"),
    }
}
