//! Bed and nozzle over the whole bed, for maps and sections.

use gapkeeper::Point;

use crate::bed::ModelledBed;
use crate::controller::Controller;
use crate::outcome::Field;
use crate::scenario::{Bed, Extent};

/// Distance between points, as long as they are not too many along an axis.
const STEP_MM: f64 = 2.5;
const MOST_STEPS: f64 = 120.0;

/// The bed's height on a regular lattice over the whole bed.
pub(crate) fn bed_field(bed: &Bed, model: &ModelledBed) -> Field {
    let steps = |extent: Extent| (extent.length() / STEP_MM).ceil().clamp(4.0, MOST_STEPS);
    let (steps_x, steps_y) = (steps(bed.x_mm), steps(bed.y_mm));
    let empty = Field {
        x0_mm: bed.x_mm.from,
        y0_mm: bed.y_mm.from,
        step_x_mm: bed.x_mm.length() / steps_x,
        step_y_mm: bed.y_mm.length() / steps_y,
        columns: steps_x as usize + 1,
        rows: steps_y as usize + 1,
        values_um: Vec::new(),
    };
    fill(&empty, |x_mm, y_mm| model.height_um(x_mm, y_mm))
}

/// Where the nozzle is told to go at one logical height, on the lattice of `bed`.
///
/// Motor steps are left out: their rounding would only roughen the contour lines.
pub(crate) fn nozzle_field(bed: &Field, controller: &Controller, z_um: i32) -> Field {
    let um = |mm: f64| (mm * 1000.0).round() as i32;
    fill(bed, |x_mm, y_mm| f64::from(controller.machine_z_um(Point { x_um: um(x_mm), y_um: um(y_mm), z_um })))
}

/// Index of the point of a field nearest to a place; none outside.
pub(crate) fn nearest(field: &Field, x_mm: f64, y_mm: f64) -> Option<usize> {
    let index = |coordinate: f64, start: f64, step: f64, count: usize| {
        let position = ((coordinate - start) / step).round();
        (position >= 0.0 && position < count as f64).then_some(position as usize)
    };
    let column = index(x_mm, field.x0_mm, field.step_x_mm, field.columns)?;
    Some(index(y_mm, field.y0_mm, field.step_y_mm, field.rows)? * field.columns + column)
}

/// Closes gaps of up to twice `reach` points in a mask on a field's lattice: what is printed line by line is an area.
pub(crate) fn close_gaps(field: &Field, mask: &[bool], reach: usize) -> Vec<bool> {
    let around = |index: usize| {
        let near = move |index: usize| (0..=2 * reach).map(move |step| (index + step).checked_sub(reach));
        let (column, row) = (index % field.columns, index / field.columns);
        let inside = |column: Option<usize>, row: Option<usize>| {
            Some((column.filter(|&column| column < field.columns)?, row.filter(|&row| row < field.rows)?))
        };
        near(row).flat_map(move |row| near(column).map(move |column| inside(column, row)))
    };
    let is_set = |mask: &[bool], place: Option<(usize, usize)>| {
        place.is_some_and(|(column, row)| mask[row * field.columns + column])
    };
    let grown: Vec<bool> = (0..mask.len()).map(|index| around(index).any(|near| is_set(mask, near))).collect();
    // Shrinking again takes away what growing added outside; what was set stays, at the edges too.
    (0..mask.len()).map(|index| mask[index] || around(index).all(|near| is_set(&grown, near))).collect()
}

fn fill(lattice: &Field, height_um: impl Fn(f64, f64) -> f64) -> Field {
    let place = |index: usize| {
        let (column, row) = (index % lattice.columns, index / lattice.columns);
        (lattice.x0_mm + column as f64 * lattice.step_x_mm, lattice.y0_mm + row as f64 * lattice.step_y_mm)
    };
    let values_um = (0..lattice.columns * lattice.rows).map(place).map(|(x_mm, y_mm)| height_um(x_mm, y_mm)).collect();
    Field { values_um, ..lattice.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closing_fills_gaps_and_keeps_outlines() {
        let text = ["..........", ".##.##....", ".##.##..#.", ".##.##....", ".........."];
        let mask: Vec<bool> = text.concat().bytes().map(|byte| byte == b'#').collect();
        let (columns, rows) = (10, 5);
        let values_um = vec![0.0; columns * rows];
        let field = Field { x0_mm: 0.0, y0_mm: 0.0, step_x_mm: 1.0, step_y_mm: 1.0, columns, rows, values_um };
        let closed = close_gaps(&field, &mask, 1);
        let drawn: String = closed.iter().map(|&set| if set { '#' } else { '.' }).collect();
        // The single point is two empty columns away from the block, which one point of reach bridges as well.
        assert_eq!(drawn, ["..........", ".#####....", ".########.", ".#####....", ".........."].concat());
    }
}
