//! What a job prints on the bare bed: the one definition of the first layer, for gap, squeeze, plan, gate and pictures.
//!
//! The first layer is what is printed below a stated height where nothing lower is printed, cell by cell, over the whole
//! job in whatever order. So the job is read once before it is judged. A prime line, a wipe, parts of different heights
//! and a helix each lie on the bed where they lie on it, and nowhere else.

use std::io::{Read, Seek};

use gapkeeper::Move;
use serde::{Deserialize, Serialize};

use super::look_ahead::look_ahead;
use super::{CellLattice, JobError, JobEvent, ReadingOptions};

/// What is printed this much above the lowest at its place is the same layer: less than any further layer is thick.
pub const SAME_LAYER_UM: f64 = 30.0;
/// Side of a cell, as long as there are not too many. Lines cross a gap of this width without lying on the bed in it.
const CELL_MM: f64 = 1.0;
const MOST_CELLS: f64 = 1_000_000.0;
/// So far beyond the plate cells go on.
const MARGIN_MM: f64 = 60.0;
/// Nothing is printed here.
const EMPTY: f32 = f32::INFINITY;

/// Logical heights between which printing may lie on the bare bed.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, Serialize)]
#[serde(try_from = "String")]
pub struct FirstLayerHeights {
    /// Lowest; none: as low as the job goes.
    pub from_mm: Option<f64>,
    /// Highest.
    pub to_mm: f64,
}

impl Default for FirstLayerHeights {
    fn default() -> Self {
        Self { from_mm: None, to_mm: 1.0 }
    }
}

impl FirstLayerHeights {
    fn lowest_um(&self) -> f64 {
        self.from_mm.map_or(f64::NEG_INFINITY, |mm| mm * 1000.0)
    }

    fn highest_um(&self) -> f64 {
        self.to_mm * 1000.0
    }

    /// Whether a printing move may have a part of the first layer.
    #[inline]
    pub fn may_hold(&self, motion: &Move<1>) -> bool {
        let (start_um, end_um) = (f64::from(motion.start.z_um), f64::from(motion.end.z_um));
        start_um.min(end_um) <= self.highest_um() && start_um.max(end_um) >= self.lowest_um()
    }
}

impl TryFrom<String> for FirstLayerHeights {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl std::str::FromStr for FirstLayerHeights {
    type Err = String;

    /// `A..B` in millimetres.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let wrong = || format!("{text}: give two heights such as 0.15..0.3, from -10 to 10 mm");
        let (from, to) = text.split_once("..").ok_or_else(wrong)?;
        let height =
            |text: &str| text.trim().parse::<f64>().ok().filter(|mm| (-10.0..=10.0).contains(mm)).ok_or_else(wrong);
        let (from_mm, to_mm) = (height(from)?, height(to)?);
        if from_mm <= to_mm { Ok(Self { from_mm: Some(from_mm), to_mm }) } else { Err(wrong()) }
    }
}

/// What is printed lowest in each cell of an area.
#[derive(Clone, Debug)]
pub struct LowestPrint {
    heights: FirstLayerHeights,
    lattice: CellLattice,
    lowest_um: Vec<f32>,
    extrudes: bool,
}

impl LowestPrint {
    /// Nothing yet, in an area between two ends along X and Y each.
    pub fn new(area_mm: [[f64; 2]; 2], heights: FirstLayerHeights, cell_mm: f64) -> Self {
        let lattice = CellLattice::new(area_mm, cell_mm, MOST_CELLS);
        Self { heights, lowest_um: vec![EMPTY; lattice.count()], lattice, extrudes: false }
    }

    /// Takes in what happens in a job.
    pub fn take(&mut self, event: &JobEvent) {
        match event {
            JobEvent::Move(job_move) if job_move.prints => self.print(&job_move.motion),
            JobEvent::ExtrudesAfterAll => {
                self.extrudes = true;
                self.lowest_um.fill(EMPTY);
            }
            _ => {}
        }
    }

    /// Middles of the cells that are printed at these heights.
    pub fn middles_mm(&self) -> impl Iterator<Item = [f64; 2]> {
        let printed = self.lowest_um.iter().enumerate().filter(|(_, lowest_um)| **lowest_um < EMPTY);
        printed.map(|(cell, _)| self.lattice.middle_mm(cell))
    }

    fn print(&mut self, motion: &Move<1>) {
        let Self { lattice, lowest_um, heights, .. } = self;
        if !heights.may_hold(motion) {
            return;
        }
        let (from_um, to_um) = (heights.lowest_um(), heights.highest_um());
        let place = |point: gapkeeper::Point| [f64::from(point.x_um) / 1000.0, f64::from(point.y_um) / 1000.0];
        let (from_z_um, to_z_um) = (f64::from(motion.start.z_um), f64::from(motion.end.z_um));
        lattice.along(place(motion.start), place(motion.end), |cell, entered, left| {
            let at = |fraction: f64| from_z_um + (to_z_um - from_z_um) * fraction;
            let (low_um, high_um) = (at(entered).min(at(left)), at(entered).max(at(left)));
            if low_um <= to_um && high_um >= from_um {
                // Heights of a few millimetres: a float holds them to a thousandth of a micrometre.
                let low_um = low_um.max(from_um) as f32;
                lowest_um[cell] = lowest_um[cell].min(low_um);
            }
        });
    }

    /// Gives every cell the lowest of its neighbours: a line that crosses a narrow gap, or stands out over an edge by
    /// less than a cell, lies on its neighbours and not on the bed.
    fn spread(&mut self) {
        let (columns, rows) = (self.lattice.columns, self.lattice.rows);
        let lowest = |cells: &[f32]| cells.iter().copied().fold(EMPTY, f32::min);
        let mut along_x = vec![EMPTY; columns * rows];
        for (row, spread) in self.lowest_um.chunks(columns).zip(along_x.chunks_mut(columns)) {
            for (column, value) in spread.iter_mut().enumerate() {
                *value = lowest(&row[column.saturating_sub(1)..(column + 2).min(columns)]);
            }
        }
        for (index, value) in self.lowest_um.iter_mut().enumerate() {
            let row = index / columns;
            let near = (row.saturating_sub(1)..(row + 2).min(rows)).map(|row| along_x[row * columns + index % columns]);
            *value = near.fold(EMPTY, f32::min);
        }
    }
}

/// Where the first layer of a job lies, and whether the job extrudes.
#[derive(Clone, Debug)]
pub struct FirstLayer {
    /// The lowest print in each cell and its neighbours.
    lowest: LowestPrint,
    /// As far away as the lowest place of a cell's neighbours can be.
    reach_mm: f64,
    plate_mm: [[f64; 2]; 2],
}

impl FirstLayer {
    /// Finds the first layer of a job on a plate, and leaves the job at its beginning. What cannot be read ends it, or is
    /// passed over if reading keeps going: the next reader reports it.
    ///
    /// # Errors
    /// [`JobError::Again`] if the job cannot be read again.
    pub fn of(
        name: &str,
        job: &mut (impl Read + Seek),
        plate_mm: [[f64; 2]; 2],
        heights: FirstLayerHeights,
        reading: ReadingOptions,
    ) -> Result<Self, JobError> {
        let around = plate_mm.map(|[from_mm, to_mm]| [from_mm - MARGIN_MM, to_mm + MARGIN_MM]);
        let mut passes_over = true;
        loop {
            let mut lowest = LowestPrint::new(around, heights, CELL_MM);
            // At most 10 m, and as much more as rounding to micrometres may take away.
            let up_to_nm = (heights.to_mm * 1e6) as i64 + 1000;
            let is_whole = look_ahead(name, &mut *job, reading, up_to_nm, passes_over, |event| lowest.take(&event));
            job.rewind().map_err(|source| JobError::Again { file: name.to_string(), source })?;
            if is_whole {
                lowest.spread();
                let [width_mm, depth_mm] = lowest.lattice.cell_mm();
                return Ok(Self { lowest, reach_mm: 2.0 * width_mm.hypot(depth_mm), plate_mm });
            }
            passes_over = false;
        }
    }

    /// Whether the job feeds `E` forwards anywhere; what does not, in such a job, is travel.
    pub fn extrudes(&self) -> bool {
        self.lowest.extrudes
    }

    /// Whether a printing move may have a part of the first layer.
    #[inline]
    pub fn may_hold(&self, motion: &Move<1>) -> bool {
        self.lowest.heights.may_hold(motion)
    }

    /// Whether what is printed at a place lies on the bare bed. A line that rises by `slope` (µm of height by mm of
    /// way) does not hide itself.
    #[inline]
    pub fn holds(&self, x_mm: f64, y_mm: f64, logical_um: f64, slope_um_per_mm: f64) -> bool {
        let LowestPrint { heights, lattice, lowest_um, .. } = &self.lowest;
        if logical_um > heights.highest_um() || logical_um < heights.lowest_um() {
            return false;
        }
        // Beyond all cells nothing is known of what lies there.
        let Some(cell) = lattice.at(x_mm, y_mm) else { return true };
        logical_um <= f64::from(lowest_um[cell]) + SAME_LAYER_UM + slope_um_per_mm * self.reach_mm
    }

    /// Whether a place lies on the plate.
    #[inline]
    pub fn on_plate(&self, x_mm: f64, y_mm: f64) -> bool {
        let [[left_mm, right_mm], [front_mm, back_mm]] = self.plate_mm;
        (left_mm..=right_mm).contains(&x_mm) && (front_mm..=back_mm).contains(&y_mm)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    #[test]
    fn heights_are_read_and_bounded() {
        let read = |text: &str| text.parse::<FirstLayerHeights>();
        assert_eq!(read("0.15..0.3"), Ok(FirstLayerHeights { from_mm: Some(0.15), to_mm: 0.3 }));
        for wrong in ["0.2", "0.3..0.2", "0..nan", "0..1e9", "a..b"] {
            assert!(read(wrong).is_err_and(|message| message.contains("0.15..0.3")), "{wrong}");
        }
    }

    /// A line at 0.2 with a prime line across, a second layer over it and over a gap, and a ramp: each place has the
    /// height that lies lowest around it.
    #[test]
    fn the_lowest_at_its_place_lies_on_the_bed() {
        let job = "M83\nG0 X50 Y50 Z0.4\nG1 X100 E1 F1200\nG0 X50 Y50 Z0.2\nG1 X80 E1\nG0 X50 Y100 Z0\n\
                   G1 X60 Z0.6 E1\nG0 X20 Y20 Z0.28\nG1 X30 E1\n";
        let (plate_mm, heights) = ([[0.0, 240.0], [0.0, 200.0]], FirstLayerHeights::default());
        let first = FirstLayer::of("job", &mut Cursor::new(job), plate_mm, heights, ReadingOptions::default()).unwrap();
        assert!(first.extrudes());
        for (x_mm, y_mm, logical_um, slope, wanted) in [
            (60.0, 50.0, 200.0, 0.0, true),
            (60.0, 50.0, 400.0, 0.0, false),
            (60.0, 51.4, 400.0, 0.0, false),
            (95.0, 50.0, 400.0, 0.0, true),
            (25.0, 20.0, 280.0, 0.0, true),
            (58.0, 100.0, 480.0, 60.0, true),
            (58.0, 100.0, 480.0, 0.0, false),
            (95.0, 50.0, 1001.0, 0.0, false),
            (500.0, 500.0, 900.0, 0.0, true),
        ] {
            let found = first.holds(x_mm, y_mm, logical_um, slope);
            assert_eq!(found, wanted, "X {x_mm} Y {y_mm}, {logical_um} um, slope {slope}");
        }
    }

    fn printed_mm(job: &str, origin_nm: [Option<i64>; 3]) -> Vec<[f64; 2]> {
        let mut lowest = LowestPrint::new([[0.0, 120.0], [-20.0, 100.0]], FirstLayerHeights::default(), 2.0);
        let reading = ReadingOptions { origin_nm, ..ReadingOptions::default() };
        super::super::walk::<JobError>("job", job.as_bytes(), reading, |event| {
            lowest.take(&event);
            Ok(())
        })
        .unwrap();
        lowest.middles_mm().collect()
    }

    #[test]
    fn cells_that_are_printed_low() {
        // Travel, a line of 6 mm, a second layer beside it, a line above 1 mm.
        let job = "G21 G90 M83\nG1 X90 Y90 F600\nG0 X1 Y1 Z0.2\nG1 X7 E1\nG1 Z0.4\nG1 Y5 E1\nG1 Z1.2\nG1 X50 E1\n";
        assert_eq!(
            printed_mm(job, [None; 3]),
            [[1.0, 1.0], [3.0, 1.0], [5.0, 1.0], [7.0, 1.0], [7.0, 3.0], [7.0, 5.0]]
        );
        // In a plotter's job every feed move draws; also in inches, and with a stated zero.
        let pen = "G20 G90\nG0 X0.1 Y0.1 Z0\nG1 X0.2 F10\n";
        assert_eq!(printed_mm(pen, [None; 3]), [[3.0, 3.0], [5.0, 3.0]]);
        assert_eq!(printed_mm(pen, [Some(100_000_000), Some(-10_000_000), None]), [[103.0, -7.0], [105.0, -7.0]]);
        // A circle about its middle does not cover it.
        let circle = printed_mm("G21 G90 M83\nG0 X30 Y20 Z0.2\nG2 X30 Y20 I-10 E5 F600\n", [None; 3]);
        assert!(circle.contains(&[11.0, 21.0]) && !circle.contains(&[21.0, 21.0]), "{circle:?}");
    }
}
