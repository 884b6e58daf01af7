//! `gapgrid convert`: a grid from one format to another.

use std::path::PathBuf;

use anyhow::bail;
use clap::{Args, ValueEnum};
use gapkeeper_host_tools::grid_file::{
    Fact, FactList, GridFormat, LengthUnit, Loss, MissingFacts, RowOrder, read_grid_as, write_grid_as,
};
use gapkeeper_host_tools::printed::{name, print};

use super::length::place_um;
use super::output::left_out;
use super::surface::SurfaceOption;

/// Write a grid in another format, and list what that format cannot hold.
///
/// The first row of a table that is written is the one at the front; the program says so, and a .txt file does.
///
/// The file may lack some of the facts below; then add these options. Nothing is guessed.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid convert grid.json grid.csv\n  \
    gapgrid convert pasted.txt grid.json --unit mm --rows first-back --origin 10,10 --pitch 50,45.5\n  \
    gapgrid convert grid.json memory.hex --setup 3 --address 0x100")]
pub struct Arguments {
    /// The grid to read
    input: PathBuf,
    /// The file to write
    output: PathBuf,
    /// Format of the input (default: by its extension)
    #[arg(long, value_enum, value_name = "FORMAT")]
    from: Option<Format>,
    /// Format of the output (default: by its extension)
    #[arg(long, value_enum, value_name = "FORMAT")]
    to: Option<Format>,
    /// Unit of lengths in the input that have none
    #[arg(long, value_enum)]
    unit: Option<Unit>,
    /// Edge of the bed at the first row of the input
    #[arg(long, value_enum)]
    rows: Option<Rows>,
    /// X of the first column and Y of the front row, mm
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true)]
    origin: Option<(i32, i32)>,
    /// Distance between columns and between rows, mm
    #[arg(long, value_name = "X,Y", value_parser = pitch_um)]
    pitch: Option<(u32, u32)>,
    /// Bed temperature while the grid was measured
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    bed_temperature: Option<i16>,
    /// The mechanical state of the bed for which a record is written
    #[arg(long, value_name = "N")]
    setup: Option<u32>,
    /// Where the record is in the image of the memory, decimal or 0x...
    #[arg(long, value_name = "A", value_parser = address)]
    address: Option<u32>,
    /// Factor by which heights of a surface are exaggerated
    #[arg(long, value_name = "N")]
    exaggeration: Option<u32>,
    /// Whether each row of a pasted table begins with its label
    #[arg(long, value_enum)]
    row_labels: Option<Answer>,
    /// Whether the first row of a pasted table is labels of the columns
    #[arg(long, value_enum)]
    column_labels: Option<Answer>,
    /// Whether commas between digits of a pasted table are decimal commas
    #[arg(long, value_enum)]
    decimal_comma: Option<Answer>,
    /// Largest distance of a point from its node of the lattice
    #[arg(long, value_name = "UM")]
    snap: Option<u32>,
    #[command(flatten)]
    surface: SurfaceOption,
}

/// The formats of [`GridFormat`], as words of the command line.
#[derive(Clone, Copy, ValueEnum)]
enum Format {
    /// The whole grid document
    Json,
    /// Heights with their places in whole micrometres
    Csv,
    /// The bytes of one record of the persistent memory
    Record,
    /// An image of the persistent memory
    Hex,
    /// A table as pasted from a console
    Matrix,
    /// Points, one on each line
    Xyz,
    /// A NumPy array
    Npy,
    /// A surface as text
    Ply,
    /// A surface of triangles; only written
    Stl,
}

impl From<Format> for GridFormat {
    fn from(format: Format) -> Self {
        match format {
            Format::Json => GridFormat::Json,
            Format::Csv => GridFormat::Csv,
            Format::Record => GridFormat::Record,
            Format::Hex => GridFormat::Hex,
            Format::Matrix => GridFormat::Matrix,
            Format::Xyz => GridFormat::Xyz,
            Format::Npy => GridFormat::Npy,
            Format::Ply => GridFormat::Ply,
            Format::Stl => GridFormat::Stl,
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum Unit {
    /// Micrometres
    Um,
    /// Millimetres
    Mm,
}

#[derive(Clone, Copy, ValueEnum)]
enum Rows {
    /// At the smallest Y
    FirstFront,
    /// At the largest Y, as the bed looks from above
    FirstBack,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Answer {
    Yes,
    No,
}

/// Reads, writes, and says what was lost.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let format_of =
        |asked: Option<Format>, path| asked.map_or_else(|| GridFormat::of(path), |format| Ok(format.into()));
    let from = format_of(arguments.from, &arguments.input)?;
    let to = format_of(arguments.to, &arguments.output)?;
    let facts = facts(arguments);
    let is_of_use = |fact: &Fact| from.facts_of_reading().contains(fact) || to.facts_of_writing().contains(fact);
    let useless: Vec<Fact> = Fact::ALL.into_iter().filter(|fact| facts.has(*fact) && !is_of_use(fact)).collect();
    if !useless.is_empty() {
        bail!(
            "{}: neither file can make use of {}\n  leave it out, or look whether the files are what you think",
            name(&arguments.input),
            FactList(useless)
        );
    }
    let reading = read_grid_as(&arguments.input, from, &facts)?;
    let holds_setup = to.facts_of_writing().contains(&Fact::Setup);
    let to_write = MissingFacts { setup: facts.setup.or(reading.setup), ..facts };
    let written = write_grid_as(&arguments.output, to, &reading.document, &to_write)?;
    let given_up: String = reading.losses.iter().map(|loss| format!("given up in reading: {loss}\n")).collect();
    let setup = reading.setup.filter(|_| !holds_setup).map(Loss::Setup);
    let mut text = given_up + &left_out(written.into_iter().chain(setup));
    if matches!(to, GridFormat::Matrix | GridFormat::Npy) {
        text += &format!("{}: the first row is at the front (smallest Y)\n", name(&arguments.output));
    }
    Ok(print(&text)?)
}

fn facts(arguments: &Arguments) -> MissingFacts {
    let is_yes = |answer| answer == Answer::Yes;
    MissingFacts {
        unit: arguments.unit.map(|unit| match unit {
            Unit::Um => LengthUnit::Micrometre,
            Unit::Mm => LengthUnit::Millimetre,
        }),
        rows: arguments.rows.map(|rows| match rows {
            Rows::FirstFront => RowOrder::FirstFront,
            Rows::FirstBack => RowOrder::FirstBack,
        }),
        origin_um: arguments.origin,
        pitch_um: arguments.pitch,
        bed_temperature_c: arguments.bed_temperature,
        setup: arguments.setup,
        address: arguments.address,
        exaggeration: arguments.exaggeration,
        row_labels: arguments.row_labels.map(is_yes),
        column_labels: arguments.column_labels.map(is_yes),
        decimal_comma: arguments.decimal_comma.map(is_yes),
        snap_um: arguments.snap,
        surface: arguments.surface.asked(),
    }
}

fn pitch_um(text: &str) -> Result<(u32, u32), String> {
    let (x_um, y_um) = place_um(text)?;
    let positive = |um: i32| u32::try_from(um).map_err(|_| "give distances above 0".to_owned());
    Ok((positive(x_um)?, positive(y_um)?))
}

fn address(text: &str) -> Result<u32, String> {
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let address = digits.map_or_else(|| text.parse(), |digits| u32::from_str_radix(digits, 16));
    address.map_err(|error| error.to_string())
}
