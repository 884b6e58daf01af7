//! Verdicts: what can be wrong with a grid, how grave it is, and what to do.

use std::fmt;

use gapkeeper::{BedHeight, CorrectionError, GridAxis, GridError, HeightGrid, MAX_HEIGHT_UM};

use crate::estimate::Band;
use crate::grid_file::{GridDocument, StationReading};

/// A station of the grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NodePlace {
    /// Column, counted from 1 at the smallest X.
    pub column: u8,
    /// Row, counted from 1 at the smallest Y.
    pub row: u8,
    /// X of the station.
    pub x_um: i32,
    /// Y of the station.
    pub y_um: i32,
}

impl NodePlace {
    /// The place of a node that is counted from 0.
    pub fn of<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>, column: u8, row: u8) -> Self {
        let (x_um, y_um) = grid.lattice().node_um(column, row);
        // At most 15 each.
        Self { column: column.saturating_add(1), row: row.saturating_add(1), x_um, y_um }
    }

    /// All nodes, row by row, as their heights stand in the grid.
    pub fn all<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>) -> impl Iterator<Item = Self> {
        let lattice = grid.lattice();
        (0..lattice.rows).flat_map(move |row| (0..lattice.columns).map(move |column| Self::of(grid, column, row)))
    }
}

/// As people say it: `column 2, row 3 (x 110, y 98.5 mm)`.
impl fmt::Display for NodePlace {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mm = |um: i32| f64::from(um) / 1000.0;
        write!(out, "column {}, row {} (x {}, y {} mm)", self.column, self.row, mm(self.x_um), mm(self.y_um))
    }
}

/// A reading that a document has kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadingPlace {
    /// How many surveys are newer than its own.
    pub age: usize,
    /// Its number in its survey, counted from 1.
    pub number: usize,
    /// X of the station.
    pub x_um: i32,
    /// Y of the station.
    pub y_um: i32,
    /// What was read.
    pub height_um: i32,
}

impl ReadingPlace {
    /// All readings of a document, those of older surveys after the newest.
    pub fn all(document: &GridDocument) -> Vec<Self> {
        let surveys = std::iter::once(&document.readings).chain(&document.older.readings).enumerate();
        surveys
            .flat_map(|(age, readings)| {
                (1..).zip(readings).map(move |(number, StationReading { at, .. })| {
                    let BedHeight { x_um, y_um, height_um } = *at;
                    Self { age, number, x_um, y_um, height_um }
                })
            })
            .collect()
    }
}

/// As people say it: `reading 4 (x 110, y 98.5 mm)`.
impl fmt::Display for ReadingPlace {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mm = |um: i32| f64::from(um) / 1000.0;
        write!(out, "reading {}", self.number)?;
        if self.age > 0 {
            write!(out, " of older survey {}", self.age)?;
        }
        write!(out, " (x {}, y {} mm)", mm(self.x_um), mm(self.y_um))
    }
}

/// How grave a verdict is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// To be looked at; the grid can be used.
    Warning,
    /// The grid cannot be used as it is.
    Unusable,
}

impl fmt::Display for Severity {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(match self {
            Severity::Warning => "warning",
            Severity::Unusable => "unusable",
        })
    }
}

/// One thing that speaks against a grid, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The station, if it is about one.
    pub place: Option<NodePlace>,
    /// What it is.
    pub finding: Finding,
}

/// The kinds of verdicts with their figures; as text, the reason.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// A reading is not what its neighbours predict.
    OffNeighbours {
        /// Reading less prediction.
        off_um: i32,
        /// Stations that stand out as much: with few readings the slip may be at any of them.
        as_likely: Vec<NodePlace>,
    },
    /// A reading is not what all others predict.
    OffOthers {
        /// Which.
        reading: ReadingPlace,
        /// Reading less prediction.
        off_um: i32,
        /// Readings that stand out as much: with few of them the slip may be any.
        as_likely: Vec<ReadingPlace>,
    },
    /// The bed rises faster from this station to the next than a plate does.
    Steep {
        /// The way to the next station.
        axis: GridAxis,
        /// Rise to the next station; negative: fall.
        rise_um: i32,
        /// Distance to it.
        run_um: u32,
        /// Further pairs of stations that are too steep.
        others: usize,
    },
    /// The same, so steep that the unit or a pitch must be wrong.
    Impossible {
        /// The way to the next station.
        axis: GridAxis,
        /// Rise to the next station; negative: fall.
        rise_um: i32,
        /// Distance to it.
        run_um: u32,
        /// Further pairs of stations that are too steep.
        others: usize,
    },
    /// Readings at the end of what a grid holds.
    AtEnd {
        /// How many.
        nodes: usize,
    },
    /// The lowest or the highest readings are alike, and the others predict that the bed goes on beyond.
    CutOff {
        /// Their height.
        height_um: i16,
        /// How many.
        nodes: usize,
        /// How far beyond, on the mean.
        beyond_um: i32,
    },
    /// All readings are alike.
    AllAlike {
        /// Their height.
        height_um: i16,
    },
    /// A row or a column is that before it once more.
    Repeated {
        /// X: a row, which runs along X; Y: a column.
        axis: GridAxis,
        /// The row or column, counted from 1.
        line: u8,
    },
    /// The surface between stations is uncertain by more than the tolerance.
    TooFewStations {
        /// The estimate.
        error_um: u32,
        /// Whether the surface is refined.
        is_refined: bool,
    },
    /// The readings do not make the surface sure enough.
    Unsure(Band),
    /// The surface that the survey asks for cannot be made.
    NoSurface(GridError),
    /// The grid cannot be put in force with this shift or fade.
    NoCorrection(CorrectionError),
    /// The fade changes the thickness of layers too much.
    FadeSteep {
        /// Largest change, in thousandths.
        permille: u32,
        /// A height of zero correction that would do.
        zero_above_um: i64,
    },
    /// The nozzle cannot go down to the bed.
    NoHeadroom {
        /// How far it stops above.
        above_um: i64,
        /// The grid's shift, which may be what brings it there.
        shift_um: i32,
    },
    /// The nozzle would go far below the zero of the machine, and nobody said how low it can go.
    Low {
        /// Lowest machine height at a station.
        lowest_um: i64,
    },
    /// The whole grid is shifted farther than a first layer is thick.
    Shift {
        /// The shift.
        shift_um: i32,
    },
    /// The bed leans by more than is to be left to the correction.
    Tilt {
        /// Lowest to highest of the least-squares plane over the stations.
        tilt_um: u32,
    },
    /// The first station was not found again where it was.
    Closure {
        /// The change.
        closure_um: i16,
        /// Whether a person took it all the same.
        accepted: bool,
    },
    /// Measured at another temperature.
    OtherTemperature {
        /// The grid's.
        measured_c: i16,
        /// The bed's.
        now_c: i16,
    },
    /// The grid does not say at which temperature it was measured.
    UnknownTemperature,
    /// No bed is as cold or as warm.
    StrangeTemperature {
        /// The grid's.
        measured_c: i16,
    },
    /// A screw was turned since the grid was measured.
    OtherSetup {
        /// The grid's.
        measured: u32,
        /// The machine's.
        now: u32,
    },
    /// The grid was measured long ago.
    Old {
        /// Days since its file was written; the readings are as old at least.
        days: u32,
    },
}

/// Shift below which no first layer is thick enough to keep the nozzle off the bed; own limit, no source.
const DEEPEST_SHIFT_UM: i32 = -1000;

impl Finding {
    /// The kind as one word with hyphens; stable, for scripts.
    pub fn word(&self) -> &'static str {
        match self {
            Finding::OffNeighbours { .. } => "off-neighbours",
            Finding::OffOthers { .. } => "off-others",
            Finding::Steep { .. } => "steep",
            Finding::Impossible { .. } => "impossible-slope",
            Finding::AtEnd { .. } => "at-end-of-range",
            Finding::CutOff { .. } => "cut-off",
            Finding::AllAlike { .. } => "all-alike",
            Finding::Repeated { .. } => "repeated",
            Finding::TooFewStations { .. } => "too-few-stations",
            Finding::Unsure(_) => "unsure",
            Finding::NoSurface(_) => "no-surface",
            Finding::NoCorrection(_) => "no-correction",
            Finding::FadeSteep { .. } => "fade-steep",
            Finding::NoHeadroom { .. } => "no-headroom",
            Finding::Low { .. } => "low",
            Finding::Shift { .. } => "shift",
            Finding::Tilt { .. } => "tilt",
            Finding::Closure { .. } => "closure",
            Finding::OtherTemperature { .. } => "other-temperature",
            Finding::UnknownTemperature => "unknown-temperature",
            Finding::StrangeTemperature { .. } => "strange-temperature",
            Finding::OtherSetup { .. } => "other-setup",
            Finding::Old { .. } => "old",
        }
    }

    /// How grave it is.
    pub fn severity(&self) -> Severity {
        match self {
            Finding::Impossible { .. }
            | Finding::AtEnd { .. }
            | Finding::NoSurface(_)
            | Finding::NoCorrection(_)
            | Finding::OtherSetup { .. }
            | Finding::OtherTemperature { .. } => Severity::Unusable,
            Finding::Shift { shift_um } if *shift_um < DEEPEST_SHIFT_UM => Severity::Unusable,
            _ => Severity::Warning,
        }
    }

    /// What to do.
    pub fn remedy(&self) -> String {
        match self {
            Finding::OffNeighbours { as_likely, .. } if as_likely.is_empty() => "measure this station once more".into(),
            Finding::OffNeighbours { .. } => "measure these stations once more".into(),
            Finding::OffOthers { reading, .. } if reading.age > 0 => {
                "leave that survey out, and compute the surface anew (gapgrid estimate)".into()
            }
            Finding::OffOthers { .. } => {
                "read there once more, put that in its place, and compute the surface anew (gapgrid estimate)".into()
            }
            Finding::Steep { .. } => "measure both stations once more; tram the bed first if it only leans".into(),
            Finding::Impossible { .. } => {
                "look at the unit, the pitch and the row order of the file it came from".into()
            }
            Finding::AtEnd { .. } => "bring the bed nearer to level by its screws, and measure again".into(),
            Finding::CutOff { .. } => {
                "see what was in the way, a limit switch or the end of a knob, and measure again".into()
            }
            Finding::AllAlike { .. } => "measure the bed: no plate is that flat".into(),
            Finding::Repeated { .. } => "look whether it was copied, and measure it".into(),
            Finding::TooFewStations { is_refined: false, .. } => {
                "use the refined surface if the plate bows, else measure more stations".into()
            }
            Finding::TooFewStations { is_refined: true, .. } => "measure with more care, or at more stations".into(),
            Finding::Unsure(_) => {
                "read more stations (gapgrid next says where), or compute the surface anew (gapgrid estimate)".into()
            }
            Finding::NoSurface(_) => "measure the stations again, or use the bilinear surface".into(),
            Finding::NoCorrection(_) => "change the shift or the fade of the grid".into(),
            Finding::FadeSteep { zero_above_um, .. } => format!("let it fade up to {zero_above_um} um or higher"),
            // The lowest height protects bed and nozzle, so it is never what is to give way.
            Finding::NoHeadroom { above_um, shift_um } if i64::from(*shift_um) <= -above_um => {
                "take the shift back (gapgrid shift), and leave the lowest height as it is".into()
            }
            Finding::NoHeadroom { .. } => {
                "raise the bed by its screws and measure again; leave the lowest height as it is".into()
            }
            Finding::Low { .. } => {
                "check with the lowest height of the machine (--lowest-mm); see that zero is where the bed is".into()
            }
            Finding::Shift { .. } => {
                "take it back (gapgrid shift), and find it anew in small steps from above the bed".into()
            }
            Finding::Tilt { .. } => "tram the bed (gapgrid tram says which screw), and measure again".into(),
            Finding::Closure { .. } => "find what moved or was still warming up, and measure again".into(),
            Finding::OtherTemperature { .. } => {
                "measure at this temperature, or blend two grids that stand on either side of it".into()
            }
            Finding::UnknownTemperature => "write it into the file, if it is known".into(),
            Finding::StrangeTemperature { .. } => "correct it in the file, or measure again".into(),
            Finding::OtherSetup { .. } => "measure again: no grid outlives a turned screw".into(),
            Finding::Old { .. } => "measure again, or measure anew and compare (gapgrid diff)".into(),
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Finding::OffNeighbours { off_um, as_likely } => off(out, *off_um, "its neighbours predict", as_likely),
            Finding::OffOthers { reading, off_um, as_likely } => {
                write!(out, "{reading} is ")?;
                off(out, *off_um, "all others predict", as_likely)
            }
            Finding::Steep { axis, rise_um, run_um, others } => {
                steep(out, *axis, *rise_um, *run_um, *others, "steeper than a plate bends")
            }
            Finding::Impossible { axis, rise_um, run_um, others } => {
                steep(out, *axis, *rise_um, *run_um, *others, "no plate is as steep")
            }
            Finding::AtEnd { nodes } => {
                let more = if *nodes > 1 { format!(", as are {} more", nodes - 1) } else { String::new() };
                write!(out, "at the end of what a grid holds, {MAX_HEIGHT_UM} um{more}: the bed may reach beyond")
            }
            Finding::CutOff { height_um, nodes, beyond_um } => write!(
                out,
                "{nodes} stations are all {height_um} um, where the others predict {beyond_um} um on the mean beyond \
                 that: they may be cut off"
            ),
            Finding::AllAlike { height_um } => write!(out, "all stations are {height_um} um"),
            Finding::Repeated { axis, line } => {
                let name = if *axis == GridAxis::X { "row" } else { "column" };
                write!(out, "{name} {line} is {name} {} once more, to the micrometre", line.saturating_sub(1))
            }
            Finding::TooFewStations { error_um, is_refined: false } => {
                write!(
                    out,
                    "the bilinear surface may be off by {error_um} um beside this station, as the bed bends here"
                )
            }
            Finding::TooFewStations { error_um, is_refined: true } => write!(
                out,
                "the refined surface may be off by {error_um} um beside this station, as readings scatter or the bend changes"
            ),
            Finding::Unsure(band) => write!(
                out,
                "{:.0} % of the surface may be off by more than {} um, up to {:.0} um (95 % sure)",
                (100.0 * (1.0 - band.sure_share)).ceil(),
                band.tolerance_um,
                band.worst.half_width_um
            ),
            Finding::NoSurface(error) => write!(out, "no refined surface: {error}"),
            Finding::NoCorrection(error) => error.fmt(out),
            Finding::FadeSteep { permille, .. } => write!(
                out,
                "the fade makes layers up to {}.{} % thinner or thicker, more than 10 %",
                permille / 10,
                permille % 10
            ),
            Finding::NoHeadroom { above_um, .. } => {
                write!(out, "the nozzle stops {above_um} um above the bed here, at its lowest height")
            }
            Finding::Low { lowest_um } => {
                write!(out, "the nozzle goes to {lowest_um} um here, far below the zero of the machine")
            }
            Finding::Shift { shift_um } => {
                let way = if *shift_um < 0 { "into the bed" } else { "away from the bed" };
                write!(out, "a shift of {shift_um} um takes the nozzle {way} by more than a first layer")
            }
            Finding::Tilt { tilt_um } => {
                write!(
                    out,
                    "the bed leans by {tilt_um} um over its stations, more than is to be left to the correction"
                )
            }
            Finding::Closure { closure_um, accepted } => {
                let accepted = if *accepted { "; that was accepted" } else { "" };
                write!(out, "the first station was {closure_um} um off at the end of the survey{accepted}")
            }
            Finding::OtherTemperature { measured_c, now_c } => {
                write!(out, "measured at {measured_c} °C, which is too far from {now_c} °C")
            }
            Finding::UnknownTemperature => write!(out, "it does not say at which bed temperature it was measured"),
            Finding::StrangeTemperature { measured_c } => {
                write!(out, "measured at {measured_c} °C, which no bed has")
            }
            Finding::OtherSetup { measured, now } => {
                write!(out, "measured in setup {measured}, and the machine is in setup {now}: a screw was turned since")
            }
            Finding::Old { days } => write!(out, "its file was written {days} days ago, so the readings are as old"),
        }
    }
}

fn steep(
    out: &mut fmt::Formatter<'_>,
    axis: GridAxis,
    rise_um: i32,
    run_um: u32,
    others: usize,
    judgement: &str,
) -> fmt::Result {
    let (way, run_mm) = (if rise_um < 0 { "falls" } else { "rises" }, f64::from(run_um) / 1000.0);
    write!(out, "{way} {} um over the {run_mm} mm to the next station along {axis:?}: {judgement}", rise_um.abs())?;
    match others {
        0 => Ok(()),
        others => write!(out, " ({others} more)"),
    }
}

/// How far a height is off, and where the slip may be as well.
fn off(out: &mut fmt::Formatter<'_>, off_um: i32, than: &str, as_likely: &[impl fmt::Display]) -> fmt::Result {
    let way = if off_um < 0 { "lower" } else { "higher" };
    write!(out, "{} um {way} than {than}", off_um.unsigned_abs())?;
    match as_likely {
        [] => Ok(()),
        [other] => write!(out, "; the slip may as well be at {other}"),
        [first, second] => write!(out, "; the slip may as well be at {first} or {second}"),
        others => write!(out, "; the slip may as well be at any of {} others", others.len()),
    }
}
