//! What a replay found: plain data, filled by [`crate::replay`], shown by pictures, page and summary.
//!
//! Gap error everywhere: true gap minus logical height, in micrometres; positive means too far from the bed.

use serde::Serialize;

use crate::class::percent;

pub use crate::class::{Class, LOOSE_ABOVE, Measure, PerClass, TOO_CLOSE_BELOW, TOO_FAR_ABOVE};
pub use crate::layer_cells::CellGrid;
pub use gapkeeper_host_tools::estimate::Band;
pub use gapkeeper_host_tools::job::{FirstLayerHeights, JobCounts};
pub use gapkeeper_host_tools::picture::Field;

/// The three ways in which one job is run side by side; the order of every array of runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Run {
    /// The job as it is.
    Uncorrected,
    /// Corrected with the stations' grid.
    Corrected,
    /// Corrected with the grid refined from the stations.
    Refined,
}

impl Run {
    /// All runs, in the order of every array of runs.
    pub const ALL: [Run; 3] = [Run::Uncorrected, Run::Corrected, Run::Refined];

    /// The word used on screens and in pictures.
    pub const fn label(self) -> &'static str {
        match self {
            Run::Uncorrected => "uncorrected",
            Run::Corrected => "corrected",
            Run::Refined => "corrected, refined",
        }
    }
}

/// One place on the bed and the job line that led there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Place {
    /// Line of the job, counted from 1.
    pub job_line: u64,
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
    /// Logical height of the nozzle.
    pub z_mm: f64,
    /// True gap minus logical height.
    pub gap_error_um: f64,
}

impl Place {
    /// The gap that is left.
    pub fn gap_um(&self) -> f64 {
        self.gap_error_um + self.z_mm * 1000.0
    }
}

/// The first layer of one run, every figure weighted by length.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct GapFigures {
    /// Printed length of each class; what was refused and what lies beyond the plate is part of the whole.
    pub length_mm: PerClass,
    /// Gap error over what was judged; none where nothing was.
    pub errors: Option<GapErrors>,
}

impl GapFigures {
    /// Share that lies well, of all that is printed.
    pub fn good(&self) -> f64 {
        self.length_mm.share(Class::Good)
    }
}

/// Gap error over a stretch of printed path, every figure weighted by length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct GapErrors {
    /// Smallest (nearest to the bed).
    pub min_um: f64,
    /// Largest (farthest from the bed).
    pub max_um: f64,
    /// Mean.
    pub mean_um: f64,
    /// Root of the mean square.
    pub rms_um: f64,
    /// 95 % of the length has a smaller absolute error than this.
    pub p95_abs_um: f64,
    /// Where the absolute error is largest.
    pub worst: Place,
    /// Where it is smallest.
    pub nearest: Place,
    /// Where it is largest.
    pub farthest: Place,
}

impl GapErrors {
    /// Largest absolute error.
    pub fn largest_um(&self) -> f64 {
        self.max_um.max(-self.min_um)
    }
}

/// What one run of the job came to.
#[derive(Clone, Debug, Serialize)]
pub struct RunOutcome {
    /// Which run.
    pub run: Run,
    /// What lies on the bare bed.
    pub first_layer: GapFigures,
    /// Whether it would be used: the one with the best surface of the grid.
    pub in_use: bool,
    /// The worst places of the first layer, worst first, at least 10 mm apart.
    pub worst_places: Vec<Place>,
    /// Straight pieces handed to the motors, printing moves only.
    pub printing_pieces: u64,
    /// Straight pieces handed to the motors.
    pub pieces: u64,
    /// Largest Z speed during a printing move.
    pub largest_z_rate_mm_s: f64,
    /// Job line of that move.
    pub largest_z_rate_line: u64,
    /// Pieces whose Z speed is above the machine's limit.
    pub pieces_above_z_rate_limit: u64,
    /// Moves that the core refused, since they would have gone below the lowest height allowed.
    pub refused_moves: u64,
    /// Job line of the first of them.
    pub first_refused_line: Option<u64>,
    /// Where the nozzle is deepest in the bed while it prints the first layer, if it touches it.
    pub deepest_contact: Option<Place>,
    /// Lines on which the nozzle touches the bed and lays nothing down.
    pub travel_contacts: u64,
    /// Where it is deepest in the bed on them.
    pub deepest_travel_contact: Option<Place>,
}

/// Bed and nozzle over the whole bed, at the first layer's logical height.
#[derive(Clone, Debug)]
pub struct Surfaces {
    /// The logical height at which most of the first layer lies.
    pub first_layer_um: f64,
    /// Height of the bed above the machine's zero.
    pub bed: Field,
    /// Height of the nozzle, a field for each run on the lattice of `bed`.
    pub nozzle: [Field; 3],
    /// Where the first layer laid something down, on the lattice of `bed`.
    pub printed: Vec<bool>,
    /// Where moves of the first layer were refused in a run.
    pub refused: [Vec<bool>; 3],
}

impl Surfaces {
    /// The same bed on a lattice `every` times as wide.
    #[must_use]
    pub fn coarser(&self, every: usize) -> Self {
        let bed = &self.bed;
        let cells = |count: usize| (count.saturating_sub(1)).div_ceil(every.max(1)).max(1);
        let (cells_x, cells_y) = (cells(bed.columns), cells(bed.rows));
        let at = |index: usize, cells: usize, count: usize| index * count.saturating_sub(1) / cells;
        // Of the points that are there, those nearest to the wider lattice's from the left and from the front.
        let picks: Vec<usize> = (0..=cells_y)
            .flat_map(|row| (0..=cells_x).map(move |column| (column, row)))
            .map(|(column, row)| at(row, cells_y, bed.rows) * bed.columns + at(column, cells_x, bed.columns))
            .collect();
        let field = |field: &Field| Field {
            step_x_mm: field.step_x_mm * field.columns.saturating_sub(1) as f64 / cells_x as f64,
            step_y_mm: field.step_y_mm * field.rows.saturating_sub(1) as f64 / cells_y as f64,
            columns: cells_x + 1,
            rows: cells_y + 1,
            values_um: picks.iter().map(|index| field.values_um.get(*index).copied().unwrap_or(f64::NAN)).collect(),
            ..*field
        };
        let mask = |mask: &Vec<bool>| picks.iter().map(|index| mask.get(*index) == Some(&true)).collect();
        Self {
            first_layer_um: self.first_layer_um,
            bed: field(bed),
            nozzle: self.nozzle.each_ref().map(field),
            printed: mask(&self.printed),
            refused: self.refused.each_ref().map(mask),
        }
    }

    /// Where a run laid the first layer down, on the lattice of [`Self::bed`].
    pub fn laid(&self, run: Run) -> Vec<bool> {
        self.printed.iter().zip(&self.refused[run as usize]).map(|(printed, refused)| *printed && !refused).collect()
    }

    /// Gap error of a run over the bed, on the lattice of [`Self::bed`].
    pub fn gap_error(&self, run: Run) -> Field {
        let nozzle = &self.nozzle[run as usize];
        let values_um = nozzle
            .values_um
            .iter()
            .zip(&self.bed.values_um)
            .map(|(nozzle_um, bed_um)| nozzle_um - bed_um - self.first_layer_um)
            .collect();
        Field { values_um, ..nozzle.clone() }
    }
}

/// Lowest and highest of something within one stretch of path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lowest.
    pub min_um: f64,
    /// Highest.
    pub max_um: f64,
}

/// One stretch of the first layer's path.
#[derive(Clone, Copy, Debug)]
pub struct ProfileStretch {
    /// Printed length before this stretch.
    pub start_mm: f64,
    /// Printed length at its end.
    pub end_mm: f64,
    /// Job lines of its first and its last sample.
    pub job_lines: [u64; 2],
    /// Where it starts.
    pub starts_at: BedPoint,
    /// Height of the bed below the path.
    pub bed: Range,
    /// Height of the nozzle in each run.
    pub nozzle: [Range; 3],
    /// Gap error in each run; the two ranges above cannot give it, since their ends lie at different places. Lowest
    /// above highest where nothing was judged.
    pub gap_error: [Range; 3],
}

/// One job line of the first layer.
#[derive(Clone, Debug, PartialEq)]
pub struct LineGap {
    /// Line of the job.
    pub job_line: u64,
    /// Its first place on the bed.
    pub starts_at: BedPoint,
    /// Its last place there.
    pub ends_at: BedPoint,
    /// Where its gap error is largest either way in the run that would be used.
    pub worst_at: BedPoint,
    /// Gap error in each run; lowest above highest where nothing was judged.
    pub gap_error: [Range; 3],
}

/// The job lines of the first layer, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct JobLines {
    /// The lines.
    pub lines: Vec<LineGap>,
    /// How many more there are: beyond thirty thousand none is kept.
    pub left_out: u64,
}

/// How every layer lies on what is below it, cell by cell, in the run that would be used.
#[derive(Clone, Debug, PartialEq)]
pub struct LayerMaps {
    /// Where the cells lie.
    pub grid: CellGrid,
    /// For each layer, in the order of [`Outcome::layers`], the worst class printed in each cell, rows along X from the
    /// front; none where nothing is printed. On the bare bed the gap counts, above it the thickness.
    pub layers: Vec<Vec<Option<Class>>>,
}

/// Shape of the top of one layer: height of the nozzle above the plane that the layer would be without any bed (logical
/// height plus mean and shift of the grid). Above the first layer this counts, and the bed does not.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct LayerFigures {
    /// Logical height of the layer.
    pub z_mm: f64,
    /// Figures of each run; none where all was refused.
    pub runs: [Option<LayerRun>; 3],
}

/// Shape of the top of one layer in one run.
#[derive(Clone, Copy, Debug, Default, Serialize)]
pub struct LayerRun {
    /// Smallest.
    pub min_um: f64,
    /// Mean, weighted by length.
    pub mean_um: f64,
    /// Largest.
    pub max_um: f64,
}

/// A point on the bed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BedPoint {
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
}

/// All that a replay found.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Name of the job's file, without its folders.
    pub job_name: String,
    /// Name of the scenario.
    pub scenario_name: String,
    /// Where the grid came from, in words.
    pub grid_origin: String,
    /// Whether a person read it, or it is read off the model and the bed is still to be measured.
    pub by_hand: bool,
    /// How sure its surface is, where readings tell it.
    pub band: Option<Band>,
    /// Stations or nodes of the grid in use, columns and rows.
    pub grid_size: [u8; 2],
    /// Nodes of the refined grid, columns and rows.
    pub refined_size: [u8; 2],
    /// Gap errors up to this are good, as far as the squeeze is.
    pub tolerance_um: f64,
    /// What counts as good: that, and whether the job lays anything down.
    pub measure: Measure,
    /// Heights at which the first layer was looked for.
    pub first_layer_heights: FirstLayerHeights,
    /// Heights between which the correction fades, if it does.
    pub fade_um: Option<[i32; 2]>,
    /// Fastest Z that the machine allows.
    pub z_rate_limit_mm_s: f64,
    /// Screws below the bed.
    pub screws: Vec<BedPoint>,
    /// Nodes of the grid in use.
    pub stations: Vec<BedPoint>,
    /// What the job holds.
    pub counts: JobCounts,
    /// The three runs, in the order of [`Run::ALL`].
    pub runs: Vec<RunOutcome>,
    /// Bed and nozzle over the bed.
    pub surfaces: Surfaces,
    /// The first layer's path, in order.
    pub profile: Vec<ProfileStretch>,
    /// Its job lines, in order.
    pub lines: JobLines,
    /// Every layer, lowest first.
    pub layers: Vec<LayerFigures>,
    /// Their maps; none unless asked for, or watched.
    pub layer_maps: LayerMaps,
    /// What came of it in one sentence, and what to do.
    pub verdict: Verdict,
    /// What must not be in the run that would be used, in plain sentences: contact and refusal.
    pub faults: Vec<String>,
    /// Things that a person should know, in plain sentences.
    pub warnings: Vec<String>,
    /// Unknown words that move nothing, as far as they show, with their first lines.
    pub passed_over: Option<String>,
}

/// What came out, and what to do.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Verdict {
    /// One sentence.
    pub headline: String,
    /// At most three, the one that gains the most first.
    pub actions: Vec<Action>,
}

/// Something that a person can do.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Action {
    /// One sentence.
    pub text: String,
    /// How much of the first layer is then good.
    pub share_percent: Option<f64>,
}

impl Action {
    /// The sentence, and what is then to be expected.
    pub fn line(&self) -> String {
        match self.share_percent {
            Some(share) => format!("{} {} good.", self.text, percent(share / 100.0)),
            None => self.text.clone(),
        }
    }
}
