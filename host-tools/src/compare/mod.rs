//! What changed from one grid to another: height, tilt, bow and local change apart, and what to do about each.
//!
//! The four are told apart by least squares over the common stations: the mean, the rest of the best plane, the rest of
//! the best surface of second degree, and what is left. Each is a change that something else causes and something else
//! cures: a shift, a screw, heat, or a slip of the hand.

mod advice;

use std::fmt;

use gapkeeper::{BedHeight, GridError, HeightGrid, Surface};

use crate::check::NodePlace;
use crate::flatness::places;
use crate::grid_file::{CAPACITY, GridDocument, SurfaceChoice};
use crate::surface_fit::{Degree, SurfaceFit};

pub use advice::{Advice, AdviceKind};

/// One part of a change over the common stations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// The largest value, with its sign; its place is a station of the first grid.
    pub most_um: f64,
    /// Where that is.
    pub place: NodePlace,
    /// Root of the mean square.
    pub rms_um: f64,
}

/// The change from a first grid to a second one: second less first.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Stations of the first grid that lie inside both.
    pub common: usize,
    /// Stations of the first grid.
    pub stations: usize,
    /// The surface of the second grid that stands in for its stations, if it has them elsewhere.
    pub between: Option<SurfaceChoice>,
    /// Mean change of height.
    pub height_um: f64,
    /// Slope of the change along X and along Y, in micrometres per millimetre.
    pub slope_um_per_mm: (f64, f64),
    /// The change of tilt: the best plane less its mean.
    pub tilt: Part,
    /// The change of bow and twist: the best surface of second degree less the best plane.
    pub bow: Part,
    /// What is left.
    pub local: Part,
    /// The whole change.
    pub all: Part,
}

/// Why two grids cannot be compared.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CompareError {
    /// Too few common places.
    #[error(
        "only {common} stations of the first grid lie inside the second, and they span no area\n  compare grids of the same part of the bed"
    )]
    NoOverlap {
        /// Stations inside both.
        common: usize,
    },
    /// The second grid's stations are elsewhere, and it has no refined surface between them.
    #[error(
        "the second grid has no refined surface between its stations: {0}\n  compare its bilinear surface (--surface bilinear)"
    )]
    NoSurface(GridError),
}

/// Compares two grids at the stations of the first that lie inside both.
///
/// Where the second has its stations elsewhere, its surface is taken ([`GridDocument::surface_choice`]). Shift, fade and
/// temperature are not looked at: it is the bed that is compared.
///
/// # Errors
/// [`CompareError`] if they have no area in common, or there is no such surface.
pub fn compare(first: &GridDocument, second: &GridDocument, asked: Option<Surface>) -> Result<Change, CompareError> {
    let (between, surface) = standing_in(first, second, asked);
    let surface = surface.map_err(CompareError::NoSurface)?;
    let nodes = NodePlace::all(&first.grid).zip(places(&first.grid));
    let (at, change): (Vec<NodePlace>, Vec<BedHeight>) = nodes
        .filter(|(_, node)| holds(&second.grid, node))
        .map(|(place, node)| {
            let height_um = surface.height_um(node.x_um, node.y_um) - node.height_um;
            (place, BedHeight { height_um, ..node })
        })
        .unzip();
    let spans = |coordinate: fn(&BedHeight) -> i32| {
        change.iter().any(|node| change.first().is_some_and(|first| coordinate(node) != coordinate(first)))
    };
    if !spans(|node| node.x_um) || !spans(|node| node.y_um) {
        return Err(CompareError::NoOverlap { common: change.len() });
    }
    let (plane, curved) = (SurfaceFit::new(&change, Degree::First), SurfaceFit::new(&change, Degree::Second));
    let height = |fit: &SurfaceFit, node: &BedHeight| fit.height_um(node.x_um.into(), node.y_um.into());
    let height_um = change.iter().map(|node| f64::from(node.height_um)).sum::<f64>() / change.len() as f64;
    let part = |value: &dyn Fn(&BedHeight) -> f64| part(&at, &change, value);
    let slope = |x_um: f64, y_um: f64| plane.height_um(x_um, y_um) - plane.height_um(0.0, 0.0);
    Ok(Change {
        common: change.len(),
        stations: first.grid.nodes_um().len(),
        between,
        height_um,
        slope_um_per_mm: (slope(1000.0, 0.0), slope(0.0, 1000.0)),
        tilt: part(&|node| height(&plane, node) - height_um),
        bow: part(&|node| height(&curved, node) - height(&plane, node)),
        local: part(&|node| f64::from(node.height_um) - height(&curved, node)),
        all: part(&|node| node.height_um.into()),
    })
}

/// The change of height at every station of the first grid, as a grid of its own.
///
/// The second's surface is chosen as [`compare`] chooses it. None where a station lies outside the second grid, there is
/// no such surface, or a change is beyond what a grid holds.
pub fn difference(first: &GridDocument, second: &GridDocument, asked: Option<Surface>) -> Option<HeightGrid<CAPACITY>> {
    let surface = standing_in(first, second, asked).1.ok()?;
    let change = places(&first.grid)
        .iter()
        .map(|node| {
            let height_um = surface.height_um(node.x_um, node.y_um) - node.height_um;
            holds(&second.grid, node).then_some(height_um).and_then(|um| i16::try_from(um).ok())
        })
        .collect::<Option<Vec<i16>>>()?;
    HeightGrid::new(first.grid.lattice(), &change).ok()
}

/// What of the second grid is compared at the stations of the first: where they are elsewhere, how it was chosen.
fn standing_in(
    first: &GridDocument,
    second: &GridDocument,
    asked: Option<Surface>,
) -> (Option<SurfaceChoice>, Result<HeightGrid<CAPACITY>, GridError>) {
    let between = (first.grid.lattice() != second.grid.lattice()).then(|| second.surface_choice(asked));
    // At its own stations every surface is the readings.
    (between, second.surface_grid(between.map_or(Surface::Bilinear, |choice| choice.surface)))
}

/// Whether a grid has this place between its first and last stations.
fn holds(grid: &HeightGrid<CAPACITY>, node: &BedHeight) -> bool {
    let lattice = grid.lattice();
    let (last_x_um, last_y_um) = lattice.node_um(lattice.columns - 1, lattice.rows - 1);
    (lattice.x0_um..=last_x_um).contains(&node.x_um) && (lattice.y0_um..=last_y_um).contains(&node.y_um)
}

fn part(at: &[NodePlace], change: &[BedHeight], value: &dyn Fn(&BedHeight) -> f64) -> Part {
    let values: Vec<f64> = change.iter().map(value).collect();
    let squares: f64 = values.iter().map(|um| um * um).sum();
    // Of equals, the first.
    let most = at.iter().zip(&values).rev().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    // There are three places at least; none would be a change of nothing.
    let nowhere = NodePlace { column: 0, row: 0, x_um: 0, y_um: 0 };
    let (place, most_um) = most.map_or((nowhere, 0.0), |(place, um)| (*place, *um));
    Part { most_um, place, rms_um: (squares / values.len().max(1) as f64).sqrt() }
}

/// The figures as a small table, without advice.
impl fmt::Display for Change {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { common, stations, .. } = self;
        write!(out, "{common} of {stations} stations compared, second less first, in um")?;
        if let Some(choice) = self.between {
            write!(out, "; the second's surface stands in for its stations: {choice}")?;
        }
        writeln!(out)?;
        // Adding a zero turns a negative one around.
        let tenths = |um: f64| (um * 10.0).round() / 10.0 + 0.0;
        writeln!(out, "{:<8}{:>+8.1}", "height", tenths(self.height_um))?;
        for (name, part) in [("tilt", self.tilt), ("bow", self.bow), ("local", self.local), ("all", self.all)] {
            match tenths(part.most_um) {
                0.0 => writeln!(out, "{name:<8}{:>8.1}", 0.0)?,
                most_um => writeln!(out, "{name:<8}{most_um:>+8.1} at {}, RMS {:.1}", part.place, part.rms_um)?,
            }
        }
        let (x, y) = self.slope_um_per_mm;
        let thousandths = |slope: f64| (slope * 1000.0).round() / 1000.0 + 0.0;
        writeln!(out, "tilt is {:+.3} um per mm along X, {:+.3} along Y", thousandths(x), thousandths(y))
    }
}
