//! Whether there are enough stations for this shape.

use gapkeeper::{GridAxis, HeightGrid, Surface};

use super::{CheckSettings, Finding, Found, NodePlace, Unchecked};
use crate::grid_file::CAPACITY;

/// The station beside which the surface is least certain, if that is more than the tolerance.
///
/// A bilinear surface is off by up to `(hx²·max|fxx| + hy²·max|fyy|)/8` in a cell (the remainder of product linear
/// interpolation: P. J. Davis, *Interpolation and Approximation*; Dahlquist and Björck; row I-4 of the project's
/// sources). Second differences of the readings stand for `h²·f''`.
///
/// A refined surface knows that bend and makes no such error. What it cannot know is how the bend changes from station
/// to station; third differences stand for that change, in the same formula (own estimate).
pub(super) fn spacing(grid: &HeightGrid<CAPACITY>, surface: Surface, settings: &CheckSettings, found: &mut Found) {
    let lattice = grid.lattice();
    let is_refined = surface == Surface::Refined;
    let fewest = if is_refined { 4 } else { 3 };
    for (axis, nodes) in [(GridAxis::X, lattice.columns), (GridAxis::Y, lattice.rows)] {
        if nodes < fewest {
            found.unchecked.push(Unchecked::Stations { axis, fewest });
        }
    }
    let uncertain_um = |place: &NodePlace| {
        let along = |axis| difference_um(grid, axis, place, fewest.into());
        // Rounded up: an estimate errs on the safe side.
        (along(GridAxis::X) + along(GridAxis::Y)).div_ceil(8)
    };
    let worst = NodePlace::all(grid).map(|place| (uncertain_um(&place), place)).max_by_key(|(error_um, _)| *error_um);
    if let Some((error_um, place)) = worst.filter(|(error_um, _)| *error_um > settings.tolerance_um.into()) {
        found.at(place, Finding::TooFewStations { error_um, is_refined });
    }
}

/// The largest difference over `span` stations in a row that has this station among them; 0 if there are not so many.
///
/// Three stations have a second difference, four a third.
fn difference_um(grid: &HeightGrid<CAPACITY>, axis: GridAxis, place: &NodePlace, span: usize) -> u32 {
    let lattice = grid.lattice();
    let columns = usize::from(lattice.columns);
    let (column, row) = (usize::from(place.column - 1), usize::from(place.row - 1));
    let (at, count, step, start) = match axis {
        GridAxis::X => (column, columns, 1, row * columns),
        GridAxis::Y => (row, usize::from(lattice.rows), columns, column),
    };
    let binomial: &[i32] = if span == 3 { &[1, -2, 1] } else { &[-1, 3, -3, 1] };
    let first = (at + 1).saturating_sub(span)..=at;
    let differences = first.filter(|first| first + span <= count).map(|first| {
        let node = |index: usize| i32::from(grid.nodes_um()[start + (first + index) * step]);
        binomial.iter().enumerate().map(|(index, factor)| factor * node(index)).sum::<i32>().unsigned_abs()
    });
    differences.max().unwrap_or(0)
}
