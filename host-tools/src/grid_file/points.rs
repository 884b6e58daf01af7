//! Scattered points and the lattice that they stand on.

use std::collections::BTreeMap;

use gapkeeper::{GridAxis, Lattice, MAX_HEIGHT_UM};

use super::faults::PointFault;
use super::{GridDocument, GridFileError, GridFileErrorKind as Kind, Loss, grid_of, nodes_along};

/// How far a point may be from its lattice place unless stated: the repeatability of a hobby machine's axis (common
/// practice, no source).
pub(super) const SNAP_UM: u32 = 20;

/// A measured point of a text.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub x_um: i32,
    pub y_um: i32,
    pub height_um: i64,
    /// Where its line starts.
    pub offset: usize,
}

/// Evenly spaced places along an axis.
struct Places {
    start_um: i64,
    pitch_um: i64,
    count: usize,
}

impl Places {
    /// The places that most coordinates stand on.
    ///
    /// Coordinates nearer to each other than twice the tolerance belong to one place. The pitch is first taken from
    /// the median distance of places, so that a stray point does not spoil it, and then from the outermost places
    /// that have more than half as many points as the fullest.
    fn of(axis: GridAxis, mut values_um: Vec<i32>, snap_um: u32) -> Result<Self, Kind> {
        values_um.sort_unstable();
        let groups = values_um.chunk_by(|before, after| after.abs_diff(*before) <= snap_um.saturating_mul(2));
        // The middle between lowest and highest, and how many there are.
        let groups: Vec<(i64, usize)> = groups
            .filter_map(|group| Some(((i64::from(*group.first()?) + i64::from(*group.last()?)) / 2, group.len())))
            .collect();
        let mut gaps_um: Vec<i64> = groups.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
        gaps_um.sort_unstable();
        let none = Kind::NodeCount { axis, found: groups.len() };
        let Some(&rough_um) = gaps_um.get(gaps_um.len() / 2) else { return Err(none) };
        let fullest = groups.iter().map(|group| group.1).max().unwrap_or(0);
        let mut full = groups.iter().filter(|group| 2 * group.1 > fullest).map(|group| group.0);
        let (Some(first_um), last_um) = (full.next(), full.next_back()) else { return Err(none) };
        let last_um = last_um.unwrap_or(first_um);
        let steps = |distance_um: i64, pitch_um: i64| (2 * distance_um + pitch_um).div_euclid(2 * pitch_um);
        let count = steps(last_um - first_um, rough_um);
        let pitch_um = if count == 0 { rough_um } else { steps(last_um - first_um, count) };
        Ok(Self { start_um: first_um, pitch_um, count: usize::try_from(count).unwrap_or(usize::MAX).saturating_add(1) })
    }

    /// The nearest place, by its index and its coordinate.
    fn nearest(&self, at_um: i32) -> (usize, i64) {
        let from_start_um = i64::from(at_um) - self.start_um;
        let index = (2 * from_start_um + self.pitch_um).div_euclid(2 * self.pitch_um);
        let index = usize::try_from(index.max(0)).unwrap_or(usize::MAX).min(self.count - 1);
        // The index is at most the count of places, so this is a coordinate near them.
        (index, self.start_um + index as i64 * self.pitch_um)
    }
}

/// The grid of points that stand on a lattice within the tolerance, one on each of its places.
pub(super) fn on_lattice(
    file: &str,
    text: &[u8],
    points: &[Point],
    snap_um: u32,
) -> Result<(GridDocument, Option<Loss>), GridFileError> {
    let error = |kind| GridFileError::new(file, kind);
    let at = |point: &Point, fault| GridFileError::at(file, text, point.offset, Kind::Points(fault));
    let along = |axis, values: Vec<i32>| Places::of(axis, values, snap_um).map_err(error);
    let columns = along(GridAxis::X, points.iter().map(|point| point.x_um).collect())?;
    let rows = along(GridAxis::Y, points.iter().map(|point| point.y_um).collect())?;
    let (mut moved, mut farthest_um) = (0, 0);
    let mut nodes: BTreeMap<(usize, usize), (i16, usize)> = BTreeMap::new();
    for point in points {
        let (column, x_um) = columns.nearest(point.x_um);
        let (row, y_um) = rows.nearest(point.y_um);
        let mut away_um = 0;
        for (axis, at_um, place_um) in [(GridAxis::X, point.x_um, x_um), (GridAxis::Y, point.y_um, y_um)] {
            let distance_um = i64::from(at_um).abs_diff(place_um);
            if distance_um > snap_um.into() {
                return Err(at(point, PointFault::OffLattice { axis, at_um, place_um, away_um: distance_um }));
            }
            away_um = away_um.max(distance_um);
        }
        moved += usize::from(away_um > 0);
        farthest_um = farthest_um.max(away_um);
        let height_um = i16::try_from(point.height_um).ok().filter(|um| um.unsigned_abs() <= MAX_HEIGHT_UM as u16);
        let height_um = height_um.ok_or_else(|| at(point, PointFault::Height(point.height_um)))?;
        if let Some((_, first)) = nodes.insert((row, column), (height_um, point.offset)) {
            let line = 1 + text[..first].iter().filter(|byte| **byte == b'\n').count();
            return Err(at(point, PointFault::Twice(line)));
        }
    }
    let coordinate = |um: i64| i32::try_from(um).unwrap_or(i32::MAX);
    let lattice = Lattice {
        x0_um: coordinate(columns.start_um),
        y0_um: coordinate(rows.start_um),
        pitch_x_um: u32::try_from(columns.pitch_um).unwrap_or(u32::MAX),
        pitch_y_um: u32::try_from(rows.pitch_um).unwrap_or(u32::MAX),
        columns: nodes_along(GridAxis::X, columns.count).map_err(error)?,
        rows: nodes_along(GridAxis::Y, rows.count).map_err(error)?,
    };
    for row in 0..lattice.rows {
        for column in 0..lattice.columns {
            if !nodes.contains_key(&(row.into(), column.into())) {
                let (x_um, y_um) = lattice.node_um(column, row);
                let (row, column) = (usize::from(row) + 1, usize::from(column) + 1);
                return Err(error(Kind::MissingPlace { row, column, x_um, y_um }));
            }
        }
    }
    let nodes_um: Vec<i16> = nodes.values().map(|node| node.0).collect();
    let grid = grid_of(lattice, &nodes_um).map_err(error)?;
    // No distance is above the tolerance.
    let farthest_um = farthest_um as u32;
    let loss = (moved > 0).then_some(Loss::Snapped { points: moved, farthest_um });
    Ok((GridDocument::of_heights(grid), loss))
}
