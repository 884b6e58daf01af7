//! Where a job lies on the bare bed, cell by cell.

use std::collections::BTreeSet;
use std::io::BufRead;

use gapkeeper::Move;

use crate::gcode::{Action, GcodeError, Interpreter, Reader, moves};

/// Side of a cell.
const CELL_UM: i32 = 2000;
/// More cells than the largest bed has.
const MOST_CELLS: usize = 1_000_000;
/// A cell that is printed below this height has its lowest print there, on the bed.
const HIGHEST_UM: i32 = 1000;

/// Why it is not known where a job lies.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FootprintError {
    /// The job cannot be read.
    #[error(transparent)]
    Job(#[from] GcodeError),
    /// A move that cannot be followed.
    #[error("line {line}: {message}\n  correct the move")]
    Move {
        /// Line of the job, counted from 1.
        line: u64,
        /// What is wrong.
        message: String,
    },
    /// No bed is as large.
    #[error("the first layer covers more than any bed has\n  look whether the job is in the units that it states")]
    TooLarge,
    /// Nothing is printed low.
    #[error("nothing is printed at 1 mm or below\n  give the job whose first layer is meant")]
    Nothing,
}

/// Middles of the cells that are printed at 1 mm or below, in micrometres of the grid.
///
/// What prints, says [`moves::prints`], as in a replay.
///
/// # Errors
/// [`FootprintError`] if the job cannot be read, or has no first layer.
pub fn footprint(
    name: &str,
    job: impl BufRead,
    origin_nm: [Option<i64>; 3],
) -> Result<Vec<(f64, f64)>, FootprintError> {
    let mut reader = Reader::new(name, job);
    let mut interpreter = Interpreter::new().lenient().with_origin(origin_nm);
    let (mut cells, mut extrudes) = (BTreeSet::new(), false);
    while let Some(line) = reader.next_line()? {
        let action = interpreter.execute(&line)?;
        let refused = |message| FootprintError::Move { line: line.number(), message };
        let (extruded_nm, is_rapid) = match &action {
            Action::Straight(straight) => (straight.extruded_nm, straight.rapid),
            Action::Arc(arc) => (arc.extruded_nm, false),
            _ => continue,
        };
        if extruded_nm > 0 && !extrudes {
            // What seemed to print before was travel.
            cells.clear();
            extrudes = true;
        }
        if !moves::prints(extruded_nm, is_rapid, extrudes) {
            continue;
        }
        match &action {
            Action::Straight(straight) => {
                mark(&moves::straight(straight.start, straight.end, extruded_nm).map_err(refused)?, &mut cells)?;
            }
            Action::Arc(arc) => {
                for chord in moves::chords(arc, moves::ARC_TOLERANCE_UM).map_err(refused)? {
                    mark(&chord, &mut cells)?;
                }
            }
            _ => {}
        }
    }
    if cells.is_empty() {
        return Err(FootprintError::Nothing);
    }
    let middle = |cell: i32| (f64::from(cell) + 0.5) * f64::from(CELL_UM);
    Ok(cells.into_iter().map(|(column, row)| (middle(column), middle(row))).collect())
}

/// Marks the cells below a move, twice in each.
fn mark(motion: &Move<1>, cells: &mut BTreeSet<(i32, i32)>) -> Result<(), FootprintError> {
    let (start, end) = (motion.start, motion.end);
    if start.z_um.min(end.z_um) > HIGHEST_UM || (start.x_um, start.y_um) == (end.x_um, end.y_um) {
        return Ok(());
    }
    let longest_um = start.x_um.abs_diff(end.x_um).max(start.y_um.abs_diff(end.y_um));
    let steps = i64::from(longest_um / (CELL_UM.unsigned_abs() / 2) + 1);
    let at = |from_um: i32, to_um: i32, step: i64| {
        let (from_um, to_um) = (i64::from(from_um), i64::from(to_um));
        from_um + (to_um - from_um) * step / steps
    };
    for step in 0..=steps {
        if at(start.z_um, end.z_um, step) > HIGHEST_UM.into() {
            continue;
        }
        // Between two numbers of 32 bits.
        let cell = |um: i64| um.div_euclid(CELL_UM.into()) as i32;
        cells.insert((cell(at(start.x_um, end.x_um, step)), cell(at(start.y_um, end.y_um, step))));
        if cells.len() > MOST_CELLS {
            return Err(FootprintError::TooLarge);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(job: &str) -> Vec<(f64, f64)> {
        footprint("job", job.as_bytes(), [None; 3]).unwrap()
    }

    #[test]
    fn what_is_printed_low_lies_on_the_bed() {
        // Travel, a line of 6 mm, a second layer beside it, a line above 1 mm.
        let job = "G21 G90 M83\nG1 X90 Y90 F600\nG0 X1 Y1 Z0.2\nG1 X7 E1\nG1 Z0.4\nG1 Y5 E1\nG1 Z1.2\nG1 X50 E1\n";
        let expected = [(1.0, 1.0), (3.0, 1.0), (5.0, 1.0), (7.0, 1.0), (7.0, 3.0), (7.0, 5.0)];
        assert_eq!(cells(job), expected.map(|(x, y)| (1000.0 * x, 1000.0 * y)));
        // In a plotter's job every feed move draws; also in inches, and with a stated zero.
        let pen = "G20 G90\nG0 X0.1 Y0.1 Z0\nG1 X0.2 F10\n";
        assert_eq!(cells(pen), [(3000.0, 3000.0), (5000.0, 3000.0)]);
        let moved = footprint("job", pen.as_bytes(), [Some(100_000_000), Some(-10_000_000), None]).unwrap();
        assert_eq!(moved, [(103_000.0, -7000.0), (105_000.0, -7000.0)]);
        // A circle about its middle does not cover it.
        let circle = cells("G21 G90 M83\nG0 X30 Y20 Z0.2\nG2 X30 Y20 I-10 E5 F600\n");
        assert!(circle.contains(&(11_000.0, 21_000.0)) && !circle.contains(&(21_000.0, 21_000.0)), "{circle:?}");
    }

    #[test]
    fn what_has_no_first_layer_is_told() {
        let of = |job: &str| footprint("job", job.as_bytes(), [None; 3]).unwrap_err();
        for job in ["", "G21 G90 M83\nG0 Z2\nG1 X5 E1 F600\n", "G0 X9 Z0\n"] {
            assert!(matches!(of(job), FootprintError::Nothing), "{job}");
        }
        assert!(matches!(of("G1 X(\n"), FootprintError::Job(_)));
        assert!(matches!(of("G1 X99999999 F1\n"), FootprintError::Move { line: 1, .. } | FootprintError::Job(_)));
        let wide: String = (0..1200).map(|row| format!("G1 X{} Y{} F600\n", 2000 * (row % 2), 2 * row)).collect();
        assert!(matches!(of(&format!("G21 G90\n{wide}")), FootprintError::TooLarge));
    }
}
