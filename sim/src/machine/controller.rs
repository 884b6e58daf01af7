//! The virtual controller: the core in front of a Z motor.

use gapkeeper::{Correction, Move, Piece, Point, SplitError};

/// Nodes that the largest grid holds.
pub use gapkeeper::MAX_NODES as CAPACITY;

/// One corner of the nozzle's path along a move.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Corner {
    /// Fraction of the move's length in the plane of the bed.
    pub fraction: f64,
    /// Where the Z motor stands: a whole number of steps.
    pub z_um: f64,
    /// Where it was told to go.
    pub commanded_um: i32,
}

/// A controller with or without a correction in force.
#[derive(Clone, Debug)]
pub(crate) struct Controller {
    correction: Option<Correction<CAPACITY>>,
    tolerance_um: u16,
    z_step_um: f64,
    lowest_machine_z_um: i32,
    pieces: Vec<Piece<1>>,
}

impl Controller {
    /// `tolerance_um` must be one that the core accepts, or every move is refused.
    pub(crate) fn new(
        correction: Option<Correction<CAPACITY>>,
        tolerance_um: u16,
        z_steps_per_mm: f64,
        lowest_machine_z_um: i32,
    ) -> Self {
        Self {
            correction: correction.map(|correction| correction.with_lowest_machine_z(lowest_machine_z_um)),
            tolerance_um,
            z_step_um: 1000.0 / z_steps_per_mm,
            lowest_machine_z_um,
            pieces: Vec::new(),
        }
    }

    /// Mean and shift of the grid: how much higher than asked a layer lies whose shape has faded; 0 without a correction.
    pub(crate) fn datum_um(&self) -> f64 {
        let datum = |correction: &Correction<CAPACITY>| correction.shift_um() + correction.grid().mean_um();
        f64::from(self.correction.as_ref().map_or(0, datum))
    }

    /// Where the nozzle is told to go for a place at logical height, before the Z motor rounds it to steps.
    pub(crate) fn machine_z_um(&self, at: Point) -> i32 {
        self.correction.as_ref().map_or(at.z_um, |correction| correction.machine_z_um(at.x_um, at.y_um, at.z_um))
    }

    /// Factor by which flow scaling multiplies `E` there; 1 without a correction.
    pub(crate) fn flow(&self, at: Point) -> f64 {
        let factor_q16 = |correction: &Correction<CAPACITY>| correction.thickness_q16(at.x_um, at.y_um, at.z_um);
        self.correction.as_ref().map_or(1.0, |correction| f64::from(factor_q16(correction)) / 65_536.0)
    }

    fn to_step_um(&self, machine_z_um: i32) -> f64 {
        // `round` is a call where the processor's own may not be taken for granted, at a thirtieth of a replay's time.
        // Whole micrometres over a step that is not far below one: 64 bits hold any, and what is truncated rounds.
        let steps = f64::from(machine_z_um) / self.z_step_um;
        (steps + 0.5_f64.copysign(steps)) as i64 as f64 * self.z_step_um
    }

    /// Drives a move; `path` becomes its corners, the start included.
    pub(crate) fn drive(&mut self, motion: &Move<1>, path: &mut Vec<Corner>) -> Result<(), SplitError> {
        self.pieces.clear();
        match &self.correction {
            Some(correction) => self.pieces.extend(correction.split(motion, self.tolerance_um)?),
            None if motion.end.z_um < self.lowest_machine_z_um => {
                let lowest_machine_z_um = self.lowest_machine_z_um;
                return Err(SplitError::BelowLowest { end: motion.end, lowest_machine_z_um });
            }
            None => self.pieces.push(Piece { end: motion.end, extra: motion.extra_end }),
        }
        path.clear();
        let start_um = self.machine_z_um(motion.start);
        path.push(Corner { fraction: 0.0, z_um: self.to_step_um(start_um), commanded_um: start_um });
        let (start, end) = (motion.start, motion.end);
        // Along the longer axis, where rounding to whole micrometres matters least.
        let along_x = start.x_um.abs_diff(end.x_um) >= start.y_um.abs_diff(end.y_um);
        let coordinate = |point: Point| f64::from(if along_x { point.x_um } else { point.y_um });
        let length = coordinate(end) - coordinate(start);
        let last = self.pieces.len() - 1;
        for (index, piece) in self.pieces.iter().enumerate() {
            let fraction = match length {
                _ if index == last => 1.0,
                // Straight up or down.
                0.0 => (index + 1) as f64 / (last + 1) as f64,
                length => (coordinate(piece.end) - coordinate(start)) / length,
            };
            let commanded_um = piece.end.z_um;
            path.push(Corner { fraction, z_um: self.to_step_um(commanded_um), commanded_um });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use gapkeeper::{HeightGrid, Lattice};

    fn motion(to: (i32, i32, i32)) -> Move<1> {
        let end = Point { x_um: to.0, y_um: to.1, z_um: to.2 };
        Move { start: Point { x_um: 0, y_um: 0, z_um: 200 }, end, extra_start: [0], extra_end: [5] }
    }

    /// Rows: lead 8 mm, 16 microsteps: 400 steps a millimetre, so a target is
    /// at most 1.25 µm from the nearest step.
    #[test]
    fn z_is_rounded_to_the_nearest_step() {
        let controller = Controller::new(None, 2, 400.0, i32::MIN);
        for (z_um, nozzle_um) in [(0, 0.0), (1, 0.0), (2, 2.5), (3, 2.5), (4, 5.0), (-1, 0.0), (-2, -2.5), (200, 200.0)]
        {
            assert_eq!(controller.to_step_um(z_um), nozzle_um, "{z_um}");
        }
        // 4000 steps a millimetre, a quarter of a micrometre each: nothing is lost.
        let fine = Controller::new(None, 2, 4000.0, i32::MIN);
        assert!((-500..500).all(|z_um| fine.to_step_um(z_um) == f64::from(z_um)));
    }

    #[test]
    fn corners_are_where_the_pieces_end() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 50_000, columns: 3, rows: 2 };
        let grid = HeightGrid::new(lattice, &[0, 100, 0, 0, 100, 0]).unwrap();
        let mut controller = Controller::new(Some(Correction::new(grid)), 2, 400.0, i32::MIN);
        let mut path = Vec::new();
        controller.drive(&motion((100_000, 20_000, 200)), &mut path).unwrap();
        let found: Vec<_> = path.iter().map(|corner| (corner.fraction, corner.z_um)).collect();
        assert_eq!(found, [(0.0, 200.0), (0.5, 300.0), (1.0, 200.0)]);
    }

    /// Straight down through a fade there are several pieces, and each has its place.
    #[test]
    fn a_way_straight_down_has_fractions() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 50_000, columns: 3, rows: 2 };
        let grid = HeightGrid::new(lattice, &[0, 100, 0, 0, 100, 0]).unwrap();
        let correction = Correction::new(grid).with_fade(gapkeeper::Fade::new(400, 2000).unwrap()).unwrap();
        let mut path = Vec::new();
        let start = Point { x_um: 50_000, y_um: 0, z_um: 5000 };
        let down = Move { start, end: Point { z_um: 200, ..start }, extra_start: [0], extra_end: [0] };
        Controller::new(Some(correction), 2, 400.0, i32::MIN).drive(&down, &mut path).unwrap();
        assert!(path.len() > 2 && path.is_sorted_by(|a, b| a.fraction < b.fraction && a.z_um > b.z_um), "{path:?}");
    }

    #[test]
    fn too_low_is_refused_with_and_without_a_correction() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 50_000, columns: 2, rows: 2 };
        let grid = HeightGrid::new(lattice, &[0, -400, 0, -400]).unwrap();
        let mut path = Vec::new();
        let low = motion((50_000, 0, -350));
        assert!(Controller::new(None, 2, 400.0, -300).drive(&low, &mut path).is_err());
        assert!(Controller::new(None, 2, 400.0, -400).drive(&low, &mut path).is_ok());
        let mut corrected = Controller::new(Some(Correction::new(grid)), 2, 400.0, -100);
        assert!(corrected.drive(&motion((20_000, 0, 200)), &mut path).is_ok());
        assert!(corrected.drive(&motion((50_000, 0, 50)), &mut path).is_err());
    }
}
