//! The tie: a new grid from an old one and a few readings, after screws were turned.
//!
//! Screws move a plate by a plane, and by a twist where they are four or more; its shape stays. So readings near the
//! screws say what the screws have done, and one in the middle says whether the shape held: the rises (reading less old
//! surface) are fitted by least squares, and what the fit leaves of them is the residual. Half of it enters the new grid as
//! a bow, for the old grid and the new readings are about as far off as each other; ties in a row gain most from that
//! (figures in the guide).
//!
//! Plane and twist of the new grid come from the new readings alone. What grows old from tie to tie is the rest of the
//! shape, and [`MAX_TIES`] ends that. A surveyor ties new work to old points the same way.

use core::fmt;
use core::num::NonZeroU8;

use heapless::Vec;

use crate::grid::{HeightGrid, Lattice};
use crate::tram::{BedHeight, MAX_SCREWS, PlateChange, ScrewChange, TramError};

/// Ties since the last whole survey: after so many a whole survey is needed (common practice, no source).
pub const MAX_TIES: u8 = 3;

/// Largest residual of a tie: beyond it the shape did not hold, or a reading is wrong.
pub const TIE_LIMIT_UM: u8 = 100;

/// Near every screw, and in the middle.
const MAX_READINGS: usize = MAX_SCREWS + 1;

/// That a grid was tied to an older one, and how well that went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tie {
    count: NonZeroU8,
    residual_um: u8,
}

impl Tie {
    /// So many ties, the last with this residual; none beyond [`MAX_TIES`] and [`TIE_LIMIT_UM`], and for none at all.
    pub fn new(count: u8, residual_um: u8) -> Option<Self> {
        let count = NonZeroU8::new(count).filter(|count| count.get() <= MAX_TIES)?;
        (residual_um <= TIE_LIMIT_UM).then_some(Self { count, residual_um })
    }

    /// Ties since the last whole survey, 1 to [`MAX_TIES`].
    pub fn count(self) -> u8 {
        self.count.get()
    }

    /// Residual of the last one, from the lowest reading to the highest: for four screws how much more the middle has risen
    /// or sunk than the screws did. Up to [`TIE_LIMIT_UM`].
    pub fn residual_um(self) -> u8 {
        self.residual_um
    }

    /// The tie after this one, with its residual; none after the last that may be.
    pub(crate) fn after(tie: Option<Self>, residual_um: u8) -> Option<Self> {
        Self::new(tie.map_or(0, Self::count).saturating_add(1), residual_um)
    }
}

/// Why there is no tie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum TieError {
    /// No grid of any setup was measured near this bed temperature.
    NoGrid {
        /// The temperature.
        bed_temperature_c: i16,
    },
    /// The newest grid has been tied [`MAX_TIES`] times.
    TooOften,
    /// The stations of the plan are not nodes of the newest grid: make the plan from that grid.
    Stations,
    /// The shape did not hold, or a reading is wrong.
    Shape {
        /// The residual.
        residual_um: u16,
    },
    /// The bed moved farther than heights reach.
    Heights,
}

impl fmt::Display for TieError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NoGrid { bed_temperature_c } => {
                write!(f, "no grid to tie to for a bed at {bed_temperature_c} C: a whole survey is needed")
            }
            Self::TooOften => write!(f, "tied {MAX_TIES} times since the last whole survey: a whole survey is needed"),
            Self::Stations => write!(f, "stations of another grid: plan the tie from the newest one"),
            Self::Shape { residual_um } => {
                write!(f, "the shape is off by {residual_um} um, more than {TIE_LIMIT_UM}: a whole survey is needed")
            }
            Self::Heights => write!(f, "the bed moved out of range: a whole survey is needed"),
        }
    }
}

impl core::error::Error for TieError {}

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// This grid on the bed as it stands now, and the residual, from heights of the bed at some of its nodes (column, row,
    /// height). `is_twisted`: four or more screws hold the plate.
    ///
    /// # Errors
    /// [`TieError::Shape`] for a residual beyond [`TIE_LIMIT_UM`], [`TieError::Heights`] for a bed that moved out of range,
    /// [`TieError::Stations`] if the nodes are fewer than three, more than nine, in one line, or none of this grid.
    #[inline(never)]
    pub fn tied(&self, heights: impl Iterator<Item = (u8, u8, i16)>, is_twisted: bool) -> Result<(Self, u8), TieError> {
        let (lattice, nodes_um) = (self.lattice(), self.nodes_um());
        let node = |column: u8, row: u8| {
            let is_inside = column < lattice.columns && row < lattice.rows;
            is_inside.then_some(usize::from(row) * usize::from(lattice.columns) + usize::from(column))
        };
        let old_um = |column, row| nodes_um.get(node(column, row)?).copied().map(i32::from);
        // In memory, so that the arithmetic is linked for slices alone.
        let (mut rises, mut bows) = (Vec::<BedHeight, MAX_READINGS>::new(), Vec::<BedHeight, MAX_READINGS>::new());
        for (column, row, height_um) in heights {
            let bow = bow(lattice, column, row);
            let height_um = i32::from(height_um) - old_um(column, row).ok_or(TieError::Stations)?;
            rises.push(BedHeight { height_um, ..bow }).map_err(|_| TieError::Stations)?;
            bows.push(bow).map_err(|_| TieError::Stations)?;
        }
        let change = ScrewChange::fit(&rises, is_twisted).map_err(|error| match error {
            TramError::HeightOutOfRange { .. } => TieError::Heights,
            _ => TieError::Stations,
        })?;
        let residual_um = change.residual().peak_to_valley_um;
        let residual_um = u8::try_from(residual_um).ok().filter(|&um| um <= TIE_LIMIT_UM).ok_or(TieError::Shape {
            // Rises have 14 bits and a sign.
            residual_um: residual_um as u16,
        })?;
        let change = PlateChange::fit(&change, &rises, &bows).map_err(|_| TieError::Stations)?;
        let tied = HeightGrid::from_fn(lattice, |column, row| {
            let risen_um = change.height_um(bow(lattice, column, row));
            old_um(column, row).unwrap_or(0).saturating_add(risen_um)
        });
        tied.map(|tied| (tied, residual_um)).map_err(|_| TieError::Heights)
    }
}

/// A node with the height of a bow: 4096 in the middle of the lattice, 0 at its corners.
fn bow(lattice: Lattice, column: u8, row: u8) -> BedHeight {
    // Squares of the distance from the middle, 2048 at the edge. A lattice has two nodes along an axis or more.
    let square = |at: u8, nodes: u8| {
        let last = i32::from(nodes) - 1;
        let from_middle = 2 * i32::from(at) - last;
        (2048 * from_middle * from_middle).checked_div(last * last).unwrap_or(0)
    };
    let (x_um, y_um) = lattice.node_um(column, row);
    let height_um = 4096 - square(column, lattice.columns) - square(row, lattice.rows);
    BedHeight { x_um, y_um, height_um }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Lattice;
    use proptest::prelude::*;
    use std::vec::Vec;

    const LATTICE: Lattice =
        Lattice { x0_um: 20_000, y0_um: -10_000, pitch_x_um: 45_000, pitch_y_um: 40_000, columns: 5, rows: 5 };
    const CORNERS: [(u8, u8); 4] = [(0, 0), (4, 0), (4, 4), (0, 4)];

    /// Where a node stands on the plate, from -1 to 1.
    fn place(column: u8, row: u8) -> (f64, f64) {
        (f64::from(column) / 2.0 - 1.0, f64::from(row) / 2.0 - 1.0)
    }

    fn readings(stations: &[(u8, u8)], height_um: impl Fn(u8, u8) -> f64) -> Vec<(u8, u8, i16)> {
        stations.iter().map(|&(column, row)| (column, row, height_um(column, row).round() as i16)).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Closed form: at the corners of a rectangle and its middle the least squares of plane and twist are the bilinear
        /// surface through the corners, raised by a fifth of what the middle is off it, and the residual is that in full. A
        /// bow through all five readings would be that of the middle; the surface takes the mean of the two.
        #[test]
        fn five_readings_follow_plane_and_twist(
            shape in proptest::array::uniform25(-300_i16..300),
            [rise, x, y, twist] in proptest::array::uniform4(-500.0..500.0_f64),
            bow in -95.0..95.0_f64,
        ) {
            let old = HeightGrid::<25>::new(LATTICE, &shape).unwrap();
            let old_um = |column: u8, row: u8| f64::from(shape[usize::from(row) * 5 + usize::from(column)]);
            let change_um = |column, row| {
                let (u, v) = place(column, row);
                rise + x * u + y * v + twist * u * v
            };
            let new_um = |column, row| {
                let off_um = if (column, row) == (2, 2) { bow } else { 0.0 };
                old_um(column, row) + change_um(column, row) + off_um
            };
            let stations = [&CORNERS[..], &[(2, 2)]].concat();
            let (tied, residual_um) = old.tied(readings(&stations, new_um).into_iter(), true).unwrap();
            prop_assert!((f64::from(residual_um) - bow.abs()).abs() <= 2.0, "{residual_um} for {bow}");
            for (node, &tied_um) in tied.nodes_um().iter().enumerate() {
                let (column, row) = ((node % 5) as u8, (node / 5) as u8);
                let (u, v) = place(column, row);
                let share = 0.5 * 0.2 + 0.5 * (1.0 - (u * u + v * v) / 2.0);
                let expected_um = old_um(column, row) + change_um(column, row) + bow * share;
                prop_assert!((f64::from(tied_um) - expected_um).abs() <= 2.0, "{tied_um}, not {expected_um}");
            }
        }

        /// On three screws a plane alone: the twist stays in the residual.
        #[test]
        fn three_screws_hold_a_plane(
            [rise, x, y] in proptest::array::uniform3(-500.0..500.0_f64), twist in 110.0..300.0_f64,
        ) {
            let old = HeightGrid::<25>::new(LATTICE, &[7; 25]).unwrap();
            let stations = [(0, 0), (4, 0), (2, 4), (2, 2)];
            let plane_um = |column, row| {
                let (u, v) = place(column, row);
                rise + x * u + y * v
            };
            let (tied, residual_um) = old.tied(readings(&stations, |c, r| 7.0 + plane_um(c, r)).into_iter(), false).unwrap();
            prop_assert!(residual_um <= 2);
            for (node, &tied_um) in tied.nodes_um().iter().enumerate() {
                let expected_um = 7.0 + plane_um((node % 5) as u8, (node / 5) as u8);
                prop_assert!((f64::from(tied_um) - expected_um).abs() <= 2.0);
            }
            let twisted = readings(&[&CORNERS[..], &[(2, 2)]].concat(), |column, row| {
                let (u, v) = place(column, row);
                7.0 + plane_um(column, row) + twist * u * v
            });
            prop_assert!(old.tied(twisted.clone().into_iter(), true).is_ok());
            let is_refused = matches!(old.tied(twisted.into_iter(), false), Err(TieError::Shape { .. }));
            prop_assert!(is_refused);
        }
    }

    #[test]
    fn what_cannot_be_tied_is_refused() {
        let old = HeightGrid::<25>::new(LATTICE, &[0; 25]).unwrap();
        let stations = [&CORNERS[..], &[(2, 2)]].concat();
        let tied = |height_um: &dyn Fn(u8, u8) -> f64| old.tied(readings(&stations, height_um).into_iter(), true);
        let bow = |um: f64| move |column, row| if (column, row) == (2, 2) { um } else { 0.0 };
        assert_eq!(tied(&bow(100.0)).unwrap().1, 100);
        assert_eq!(tied(&bow(-101.0)), Err(TieError::Shape { residual_um: 101 }));
        assert_eq!(tied(&bow(8000.0)), Err(TieError::Shape { residual_um: 8000 }));
        let high = HeightGrid::<25>::new(LATTICE, &[-8000; 25]).unwrap();
        assert_eq!(high.tied(readings(&stations, |_, _| 8000.0).into_iter(), true), Err(TieError::Heights));
        // The readings fit a grid, a node that is higher does not.
        let mut bump = [0; 25];
        bump[7] = 8000;
        let bump = HeightGrid::<25>::new(LATTICE, &bump).unwrap();
        assert_eq!(bump.tied(readings(&stations, |_, _| 200.0).into_iter(), true), Err(TieError::Heights));
        for stations in [&[][..], &CORNERS[..2], &[(0, 0), (2, 2), (4, 4)], &[(0, 0), (4, 0), (5, 4), (2, 2)]] {
            assert_eq!(old.tied(readings(stations, |_, _| 0.0).into_iter(), true), Err(TieError::Stations));
        }
    }

    #[test]
    fn a_grid_is_tied_so_often_and_no_more() {
        let mut tie = None;
        for count in 1..=MAX_TIES {
            tie = Tie::after(tie, count);
            assert_eq!(tie.map(|tie| (tie.count(), tie.residual_um())), Some((count, count)));
        }
        assert_eq!(Tie::after(tie, 0), None);
        assert_eq!((Tie::new(0, 0), Tie::new(1, TIE_LIMIT_UM + 1)), (None, None));
    }
}
