//! Where the corrected machine stands.

use gapkeeper::Correction;

use crate::gcode::rewriting::Modes;
use crate::gcode::{Action, Line, Position};
use crate::grid_file::CAPACITY;

/// Follows the corrected machine through lines that have not been corrected yet.
#[derive(Default)]
pub(super) struct Standing {
    at_nm: [i64; 3],
    /// Where the last motion ended as the job has it, if it has not been corrected yet.
    end: Option<Position>,
}

impl Standing {
    /// Machine X, Y and Z.
    pub(super) fn at_nm(&mut self, correction: &Correction<CAPACITY>) -> [i64; 3] {
        if let Some(end) = self.end.take()
            && let Some([x_um, y_um, z_um]) = end.to_um()
        {
            // A split's last piece ends exactly there.
            self.at_nm = [end.x_nm, end.y_nm, i64::from(correction.machine_z_um(x_um, y_um, z_um)) * 1000];
        }
        self.at_nm
    }

    /// A motion will be corrected that ends there.
    #[inline]
    pub(super) fn go(&mut self, end: Position) {
        self.end = Some(end);
    }

    /// A line is passed as it is.
    pub(super) fn pass(&mut self, line: &Line<'_>, action: &Action, modes: &Modes, correction: &Correction<CAPACITY>) {
        self.at_nm(correction);
        pass(&mut self.at_nm, line, action, modes);
    }

    /// The machine is where the job takes it to be along an axis that had not been known.
    pub(super) fn place(&mut self, axis: usize, nm: i64, correction: &Correction<CAPACITY>) {
        self.at_nm(correction);
        self.at_nm[axis] = nm;
    }
}

/// What a line that is passed as it is does to the place of the machine, along axes that are known after it.
pub(super) fn pass(at_nm: &mut [i64; 3], line: &Line<'_>, action: &Action, modes: &Modes) {
    let (start, end) = match action {
        Action::Straight(straight) => (straight.start, straight.end),
        Action::Arc(arc) => (arc.start, arc.end),
        _ => return,
    };
    let (start_nm, end_nm) = ([start.x_nm, start.y_nm, start.z_nm], [end.x_nm, end.y_nm, end.z_nm]);
    for axis in (0..3).filter(|axis| !modes.lost.has(*axis)) {
        if modes.moved_by_changes[0] {
            at_nm[axis] += end_nm[axis] - start_nm[axis];
        } else if line.word(b"XYZ"[axis]).is_some() {
            at_nm[axis] = end_nm[axis];
        }
    }
}
