//! Whether the readings can be true.

use gapkeeper::{BedHeight, GridAxis, HeightGrid, Lattice, MAX_HEIGHT_UM};

use super::slips::{Slip, Standing, slips};
use super::{CheckSettings, Finding, Found, NodePlace, ReadingPlace, Unchecked};
use crate::estimate::{Disagreement, LeaveOneOut};
use crate::flatness::places;
use crate::grid_file::{CAPACITY, GridDocument};
use crate::surface_fit::{Degree, SurfaceFit};

/// Most stations along an axis from which one is predicted: farther ones know less of it.
const NEIGHBOURHOOD: u8 = 5;
/// Rise of a bent or leaning plate from station to station; own limit, no source.
const STEEP_UM_PER_MM: u64 = 10;
/// Rise at which something other than the bed must be wrong; own limit, no source.
const IMPOSSIBLE_UM_PER_MM: u64 = 100;
/// Fewest alike readings at the lowest or highest height that can be a limit.
const FEWEST_CUT_OFF: usize = 3;
/// Mean distance by which the bed must go on beyond such a limit.
const BEYOND_UM: f64 = 20.0;
/// Fewest different heights of a row whose repetition is no chance.
const FEWEST_DIFFERENT: usize = 3;

type Grid = HeightGrid<CAPACITY>;

/// Nodes that disagree with their neighbours, the worst first.
///
/// Each is compared with what the surface of second degree through up to 5×5 stations around it predicts without it.
pub(super) fn neighbours(grid: &Grid, settings: &CheckSettings, found: &mut Found) {
    let lattice = grid.lattice();
    let nodes = || (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| (column, row)));
    let against = |heights_um: &[i16]| -> Option<Vec<Standing>> {
        nodes()
            .map(|(column, row)| {
                let deviation = deviation(&lattice, heights_um, column, row)?;
                Some(Standing { off_um: deviation.off_um(), rank: deviation.rank() as f64 })
            })
            .collect()
    };
    let Some(slips) = slips(grid.nodes_um().to_vec(), settings.neighbour_limit_um, against) else {
        found.unchecked.push(Unchecked::Neighbours);
        return;
    };
    let places: Vec<NodePlace> = NodePlace::all(grid).collect();
    for Slip { at, off_um, as_likely } in slips {
        let as_likely = as_likely.into_iter().map(|at| places[at]).collect();
        found.at(places[at], Finding::OffNeighbours { off_um, as_likely });
    }
}

/// Readings that disagree with all others, the worst first.
pub(super) fn others(document: &GridDocument, hand_um: f64, settings: &CheckSettings, found: &mut Found) {
    // The estimate took the same readings.
    let Ok(others) = LeaveOneOut::new(document, hand_um) else { return };
    let places = ReadingPlace::all(document);
    let against = |heights_um: &[i16]| {
        let heights_um: Vec<f64> = heights_um.iter().copied().map(f64::from).collect();
        let standing = |found: Disagreement| Standing {
            // Heights are held within 14 bits; a reading that others hardly tell is as uncertain as it is far off.
            off_um: found.off_um.round() as i32,
            rank: found.rank,
        };
        Some(others.disagreements(&heights_um).into_iter().map(standing).collect())
    };
    // Readings of a document have 14 bits.
    let heights_um = places.iter().map(|place| place.height_um as i16).collect();
    for Slip { at, off_um, as_likely } in slips(heights_um, settings.neighbour_limit_um, against).unwrap_or_default() {
        let as_likely = as_likely.into_iter().map(|at| places[at]).collect();
        found.of_all(Finding::OffOthers { reading: places[at], off_um, as_likely });
    }
}

/// How a reading stands against those around it.
fn deviation(lattice: &Lattice, heights_um: &[i16], column: u8, row: u8) -> Option<gapkeeper::Deviation> {
    // As many on either side as there are, and more on the other where there are fewer.
    let window = |at: u8, count: u8| {
        let size = count.min(NEIGHBOURHOOD);
        (at.saturating_sub(size / 2).min(count - size), size)
    };
    let ((left, columns), (front, rows)) = (window(column, lattice.columns), window(row, lattice.rows));
    let around = HeightGrid::<25>::from_fn(Lattice { columns, rows, ..*lattice }, |column, row| {
        let node = usize::from(front + row) * usize::from(lattice.columns) + usize::from(left + column);
        heights_um.get(node).copied().unwrap_or(0).into()
    });
    around.ok()?.deviation(column - left, row - front)
}

/// Stations between which the bed rises faster than a plate does; the steepest is told.
pub(super) fn slopes(grid: &Grid, found: &mut Found) {
    let lattice = grid.lattice();
    let columns = usize::from(lattice.columns);
    let nodes_um = grid.nodes_um();
    let mut steep = Vec::new();
    for (index, place) in NodePlace::all(grid).enumerate() {
        // Places count from 1, so these are the numbers of the next column and row.
        let right = (place.column < lattice.columns).then_some((GridAxis::X, index + 1, lattice.pitch_x_um));
        let back = (place.row < lattice.rows).then_some((GridAxis::Y, index + columns, lattice.pitch_y_um));
        for (axis, next, run_um) in [right, back].into_iter().flatten() {
            let rise_um = i32::from(nodes_um[next]) - i32::from(nodes_um[index]);
            let milli_slope = 1000 * u64::from(rise_um.unsigned_abs());
            if milli_slope > STEEP_UM_PER_MM * u64::from(run_um) {
                // Of one pitch or of the other: compared by what each rises over one millimetre.
                steep.push((milli_slope * 1000 / u64::from(run_um), place, axis, rise_um, run_um));
            }
        }
    }
    let others = steep.len().saturating_sub(1);
    if let Some(&(slope, place, axis, rise_um, run_um)) = steep.iter().max_by_key(|(slope, ..)| *slope) {
        let is_impossible = slope > 1000 * IMPOSSIBLE_UM_PER_MM;
        found.at(
            place,
            if is_impossible {
                Finding::Impossible { axis, rise_um, run_um, others }
            } else {
                Finding::Steep { axis, rise_um, run_um, others }
            },
        );
    }
}

/// A bed that leans by more than screws should leave.
pub(super) fn tilt(grid: &Grid, settings: &CheckSettings, found: &mut Found) {
    let plane = SurfaceFit::new(&places(grid), Degree::First);
    let heights_um = places(grid).into_iter().map(|node| plane.height_um(node.x_um.into(), node.y_um.into()));
    let (low_um, high_um) =
        heights_um.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), um| (low.min(um), high.max(um)));
    // A few times the range of heights at most.
    let tilt_um = (high_um - low_um).round() as u32;
    if tilt_um > settings.tilt_limit_um.into() {
        found.of_all(Finding::Tilt { tilt_um });
    }
}

/// Readings at the end of the range.
pub(super) fn at_the_end(grid: &Grid, found: &mut Found) {
    let is_at_end = |um: i16| um.unsigned_abs() >= MAX_HEIGHT_UM.unsigned_abs();
    let mut places = NodePlace::all(grid).zip(grid.nodes_um()).filter(|(_, um)| is_at_end(**um));
    if let Some((place, _)) = places.next() {
        found.at(place, Finding::AtEnd { nodes: 1 + places.count() });
    }
}

/// Several readings alike at the lowest or highest height, where the others predict that the bed goes on: a limit
/// switch or a knob's end was reached there.
///
/// Rounding makes readings alike too, as do the four corners of a bow; then the others predict no more than what was
/// read. A surface of second degree is asked, or a plane where the others are too few for one.
pub(super) fn cut_off(grid: &Grid, found: &mut Found) {
    let nodes = || places(grid).into_iter().zip(NodePlace::all(grid));
    let limits = [(grid.nodes_um().iter().min(), -1.0), (grid.nodes_um().iter().max(), 1.0)];
    for (limit_um, sign) in limits.into_iter().filter_map(|(limit_um, sign)| Some((*limit_um?, sign))) {
        let is_at_limit = |node: &BedHeight| node.height_um == i32::from(limit_um);
        let (alike, others): (Vec<_>, Vec<_>) = nodes().partition(|(node, _)| is_at_limit(node));
        let others: Vec<BedHeight> = others.into_iter().map(|(node, _)| node).collect();
        // With as many readings as terms the surface follows every slip.
        let degree = if others.len() > 6 { Degree::Second } else { Degree::First };
        if alike.len() < FEWEST_CUT_OFF || others.len() < 4 {
            continue;
        }
        let fit = SurfaceFit::new(&others, degree);
        let beyond =
            |node: &BedHeight| sign * (fit.height_um(node.x_um.into(), node.y_um.into()) - f64::from(limit_um));
        let beyond_um: Vec<f64> = alike.iter().map(|(node, _)| beyond(node)).collect();
        let mean_um = beyond_um.iter().sum::<f64>() / beyond_um.len() as f64;
        if mean_um > BEYOND_UM && beyond_um.iter().all(|um| *um > 0.0) {
            // Below a few times the range of heights.
            let finding =
                Finding::CutOff { height_um: limit_um, nodes: alike.len(), beyond_um: mean_um.round() as i32 };
            found.at(alike[0].1, finding);
        }
    }
}

/// Readings that are all alike, or rows and columns that are those before them once more.
pub(super) fn repeated(grid: &Grid, found: &mut Found) {
    let lattice = grid.lattice();
    let nodes_um = grid.nodes_um();
    if let Some((&height_um, others)) = nodes_um.split_first()
        && others.iter().all(|um| *um == height_um)
    {
        found.of_all(Finding::AllAlike { height_um });
        return;
    }
    let columns = usize::from(lattice.columns);
    let rows: Vec<Vec<i16>> = nodes_um.chunks(columns).map(<[i16]>::to_vec).collect();
    let turned = (0..columns).map(|column| rows.iter().map(|row| row[column]).collect()).collect();
    for (axis, lines) in [(GridAxis::X, rows), (GridAxis::Y, turned)] {
        for (line, pair) in (2_u8..).zip(lines.windows(2)) {
            let different: std::collections::BTreeSet<_> = pair[0].iter().collect();
            if pair[0] == pair[1] && different.len() >= FEWEST_DIFFERENT {
                let (column, row) = if axis == GridAxis::X { (0, line - 1) } else { (line - 1, 0) };
                found.at(NodePlace::of(grid, column, row), Finding::Repeated { axis, line });
            }
        }
    }
}
