//! The bank: measured grids, each for its bed temperature and setup, and the choice between them.

use core::fmt;

use crate::correction::CorrectionError;
use crate::grid::{GridError, HeightGrid};
use crate::stored_grid::StoredGrid;

/// How far a grid may be from the bed's temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TemperatureWindows {
    /// A grid this near to the bed's temperature is used as it is.
    pub nearest_c: u8,
    /// Two grids on either side are blended if they are no farther apart than this.
    pub blend_c: u8,
}

impl Default for TemperatureWindows {
    fn default() -> Self {
        Self { nearest_c: 5, blend_c: 60 }
    }
}

/// Which grid was chosen and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Choice {
    /// The grid nearest in temperature, near enough.
    Nearest {
        /// Its place in the bank.
        place: usize,
        /// How far off its temperature is.
        off_c: u16,
    },
    /// Two grids on either side of the temperature, in proportion.
    Blend {
        /// Place of the cooler.
        cooler: usize,
        /// Place of the warmer.
        warmer: usize,
        /// Share of the warmer, 65536 for all of it.
        share_q16: u32,
    },
    /// None: the memory was not read yet, so nobody knows which setup holds.
    NotLoaded,
    /// None: this one would be right, but cannot be put in force.
    Unusable {
        /// Its place in the bank; of a blend, that of the nearer grid.
        place: usize,
        /// Why not.
        why: Unusable,
    },
    /// None: the bank is empty.
    Empty,
    /// None: every grid belongs to a setup that is gone.
    Stale,
    /// None: the nearest grid is too far off, and no two stand on either side.
    TooFar {
        /// Its temperature.
        nearest_c: i16,
    },
    /// None: two grids stand on either side, but not on the same stations, or too far apart.
    NoBlend {
        /// Temperature of the cooler.
        cooler_c: i16,
        /// Temperature of the warmer.
        warmer_c: i16,
    },
}

impl Choice {
    /// The same choice, which cannot be put in force.
    pub(crate) fn unusable(self, why: Unusable) -> Self {
        match self {
            Self::Nearest { place, .. } => Self::Unusable { place, why },
            Self::Blend { cooler, share_q16: 0..32_768, .. } => Self::Unusable { place: cooler, why },
            Self::Blend { warmer, .. } => Self::Unusable { place: warmer, why },
            none => none,
        }
    }
}

/// Why a grid cannot be put in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Unusable {
    /// It cannot be refined or blended.
    Grid(GridError),
    /// Its shift is out of range, or its fade is too short for its shape.
    Correction(CorrectionError),
}

impl fmt::Display for Unusable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Grid(error) => error.fmt(f),
            Self::Correction(error) => error.fmt(f),
        }
    }
}

/// Up to 20 characters; places count from 1 here, as people do.
impl fmt::Display for Choice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |place: usize| place.saturating_add(1);
        match *self {
            Self::Nearest { place, off_c: 0 } => write!(f, "grid {}", number(place)),
            Self::Nearest { place, off_c } => write!(f, "grid {}, {off_c} C off", number(place)),
            Self::Blend { cooler, warmer, share_q16 } => {
                let percent = (share_q16.min(65_536) * 100 + 32_768) >> 16;
                write!(f, "grids {}+{}, {percent}%", number(cooler), number(warmer))
            }
            Self::NotLoaded => write!(f, "memory not read"),
            Self::Unusable { place, why: Unusable::Grid(_) } => write!(f, "grid {}: no surface", number(place)),
            Self::Unusable { place, why: Unusable::Correction(CorrectionError::Shift { .. }) } => {
                write!(f, "grid {}: shift", number(place))
            }
            Self::Unusable { place, why: Unusable::Correction(_) } => write!(f, "grid {}: fade short", number(place)),
            Self::Empty => write!(f, "no grid measured"),
            Self::Stale => write!(f, "screws turned: stale"),
            Self::TooFar { nearest_c } => write!(f, "only one for {nearest_c} C"),
            Self::NoBlend { cooler_c, warmer_c } => write!(f, "only {cooler_c} C, {warmer_c} C"),
        }
    }
}

/// Up to `GRIDS` measured grids of up to `CAPACITY` stations.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Bank<const GRIDS: usize, const CAPACITY: usize> {
    grids: [Option<StoredGrid<CAPACITY>>; GRIDS],
}

impl<const GRIDS: usize, const CAPACITY: usize> Default for Bank<GRIDS, CAPACITY> {
    fn default() -> Self {
        Self { grids: [const { None }; GRIDS] }
    }
}

impl<const GRIDS: usize, const CAPACITY: usize> Bank<GRIDS, CAPACITY> {
    /// The grid at a place.
    pub fn grid(&self, place: usize) -> Option<&StoredGrid<CAPACITY>> {
        self.grids.get(place)?.as_ref()
    }

    /// The grid at a place, to be changed.
    pub fn grid_mut(&mut self, place: usize) -> Option<&mut StoredGrid<CAPACITY>> {
        self.grids.get_mut(place)?.as_mut()
    }

    /// Puts a grid in a place, or takes it away; nothing happens beyond the last place.
    pub fn set(&mut self, place: usize, grid: Option<StoredGrid<CAPACITY>>) {
        if let Some(slot) = self.grids.get_mut(place) {
            *slot = grid;
        }
    }

    /// Where a new grid for a temperature and setup belongs.
    ///
    /// In the place of a grid of the same setup within `window_c`, else of the stale one nearest in temperature,
    /// else in an empty place, else
    /// in that of the grid nearest in temperature, which it stands for best.
    pub fn place_for(&self, bed_temperature_c: i16, setup: u32, window_c: u8) -> usize {
        let off_c = |grid: &StoredGrid<CAPACITY>| grid.bed_temperature_c.abs_diff(bed_temperature_c);
        let rank = |grid: &Option<StoredGrid<CAPACITY>>| match grid {
            Some(grid) if grid.setup == setup && off_c(grid) <= window_c.into() => (0, off_c(grid)),
            Some(grid) if grid.setup != setup => (1, off_c(grid)),
            None => (2, 0),
            Some(grid) => (3, off_c(grid)),
        };
        self.grids.iter().enumerate().min_by_key(|(_, grid)| rank(grid)).map_or(0, |(place, _)| place)
    }

    /// The place of the grid that a tie at a bed temperature starts from: within `window_c` the one of the newest
    /// setup, counted back
    /// from `setup`, and of these the nearest in temperature.
    pub fn place_to_tie(&self, bed_temperature_c: i16, setup: u32, window_c: u8) -> Option<usize> {
        let grids = self.grids.iter().enumerate().filter_map(|(place, grid)| {
            let grid = grid.as_ref()?;
            let off_c = grid.bed_temperature_c.abs_diff(bed_temperature_c);
            (off_c <= window_c.into()).then_some((place, (setup.wrapping_sub(grid.setup), off_c)))
        });
        grids.min_by_key(|&(_, rank)| rank).map(|(place, _)| place)
    }

    /// The grid for a bed temperature: the nearest, if near enough, else two that stand on either side of it.
    ///
    /// A grid of another setup is never chosen, and nothing is extrapolated.
    pub fn choose(&self, bed_temperature_c: i16, setup: u32, windows: TemperatureWindows) -> Choice {
        let fresh = || {
            let grids = self.grids.iter().enumerate().filter_map(|(place, grid)| Some((place, grid.as_ref()?)));
            grids.filter(move |(_, grid)| grid.setup == setup)
        };
        let off_c = |grid: &StoredGrid<CAPACITY>| grid.bed_temperature_c.abs_diff(bed_temperature_c);
        let Some((place, nearest)) = fresh().min_by_key(|(_, grid)| off_c(grid)) else {
            return if self.grids.iter().any(Option::is_some) { Choice::Stale } else { Choice::Empty };
        };
        if off_c(nearest) <= windows.nearest_c.into() {
            return Choice::Nearest { place, off_c: off_c(nearest) };
        }
        let below = fresh().filter(|(_, grid)| grid.bed_temperature_c < bed_temperature_c);
        let above = fresh().filter(|(_, grid)| grid.bed_temperature_c > bed_temperature_c);
        let cooler = below.max_by_key(|(_, grid)| grid.bed_temperature_c);
        let warmer = above.min_by_key(|(_, grid)| grid.bed_temperature_c);
        let (Some((cooler, cooler_grid)), Some((warmer, warmer_grid))) = (cooler, warmer) else {
            return Choice::TooFar { nearest_c: nearest.bed_temperature_c };
        };
        let (cooler_c, warmer_c) = (cooler_grid.bed_temperature_c, warmer_grid.bed_temperature_c);
        let apart_c = warmer_c.abs_diff(cooler_c);
        if apart_c > windows.blend_c.into() || cooler_grid.grid.lattice() != warmer_grid.grid.lattice() {
            return Choice::NoBlend { cooler_c, warmer_c };
        }
        let share_q16 = (u32::from(off_c(cooler_grid)) << 16).checked_div(apart_c.into()).unwrap_or(0);
        Choice::Blend { cooler, warmer, share_q16 }
    }

    /// The grid that a choice stands for; none for a choice of none.
    ///
    /// A blend is in proportion at every station, and in its shift; the rest of it is the nearer grid's. It counts as
    /// tied if one of them does.
    ///
    /// # Errors
    /// [`GridError`] for a choice that is not this bank's.
    pub fn chosen(&self, choice: Choice, bed_temperature_c: i16) -> Result<Option<StoredGrid<CAPACITY>>, GridError> {
        let (cooler, warmer, share_q16) = match choice {
            Choice::Nearest { place, .. } => return Ok(self.grid(place).cloned()),
            Choice::Blend { cooler, warmer, share_q16 } => {
                (self.grid(cooler), self.grid(warmer), share_q16.min(65_536))
            }
            _ => return Ok(None),
        };
        let (Some(cooler), Some(warmer)) = (cooler, warmer) else { return Ok(None) };
        // Values of 16 bits apart by 17 bits at most, times 17 bits, rounded: the result lies between the two.
        let blend = |cold: i16, hot: i16| {
            let difference = i64::from(hot) - i64::from(cold);
            i32::from(cold) + ((difference * i64::from(share_q16) + 32_768) >> 16) as i32
        };
        let mut pairs = cooler.grid.nodes_um().iter().zip(warmer.grid.nodes_um());
        let grid = HeightGrid::from_fn(cooler.grid.lattice(), |_, _| {
            pairs.next().map_or(0, |(&cold, &hot)| blend(cold, hot))
        })?;
        let nearer = if share_q16 < 32_768 { cooler } else { warmer };
        Ok(Some(StoredGrid {
            grid,
            // Between two values of 16 bits.
            shift_um: blend(cooler.shift_um, warmer.shift_um) as i16,
            bed_temperature_c,
            closure_accepted: cooler.closure_accepted || warmer.closure_accepted,
            tie: nearer.tie.or(cooler.tie).or(warmer.tie),
            ..nearer.clone()
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Lattice;
    use crate::stored_grid::Surface;
    use std::string::ToString;

    const LATTICE: Lattice =
        Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 2, rows: 2 };
    const WINDOWS: TemperatureWindows = TemperatureWindows { nearest_c: 5, blend_c: 60 };

    fn grid(bed_temperature_c: i16, setup: u32, height_um: i16) -> StoredGrid<4> {
        StoredGrid {
            grid: HeightGrid::new(LATTICE, &[height_um; 4]).unwrap(),
            shift_um: height_um / 10,
            fade: None,
            bed_temperature_c,
            setup,
            closure_um: 0,
            closure_accepted: false,
            surface: Surface::Refined,
            tie: None,
        }
    }

    fn bank(grids: &[StoredGrid<4>]) -> Bank<3, 4> {
        let mut bank = Bank::default();
        grids.iter().enumerate().for_each(|(place, grid)| bank.set(place, Some(grid.clone())));
        bank
    }

    /// Common practice, no source: a grid belongs to its temperature.
    #[test]
    fn nearest_blend_or_none() {
        let bank = bank(&[grid(60, 1, 100), grid(100, 1, 300), grid(80, 0, 999)]);
        let choose = |c| bank.choose(c, 1, WINDOWS);
        assert_eq!(choose(60), Choice::Nearest { place: 0, off_c: 0 });
        assert_eq!(choose(55), Choice::Nearest { place: 0, off_c: 5 });
        assert_eq!(choose(54), Choice::TooFar { nearest_c: 60 });
        assert_eq!(choose(106), Choice::TooFar { nearest_c: 100 });
        assert_eq!(choose(95), Choice::Nearest { place: 1, off_c: 5 });
        assert_eq!(choose(70), Choice::Blend { cooler: 0, warmer: 1, share_q16: 16_384 });
        let blend = bank.chosen(choose(70), 70).unwrap().unwrap();
        assert_eq!((blend.grid.nodes_um(), blend.shift_um, blend.bed_temperature_c), (&[150_i16; 4][..], 15, 70));
        assert_eq!(bank.chosen(choose(54), 54), Ok(None));
    }

    #[test]
    fn a_stale_grid_is_never_chosen() {
        let bank = bank(&[grid(60, 1, 100), grid(100, 1, 300)]);
        for bed_temperature_c in [i16::MIN, 20, 60, 80, 100, i16::MAX] {
            assert_eq!(bank.choose(bed_temperature_c, 2, WINDOWS), Choice::Stale);
        }
        assert_eq!(Bank::<3, 4>::default().choose(60, 0, WINDOWS), Choice::Empty);
        assert!(matches!(bank.choose(i16::MIN, 1, WINDOWS), Choice::TooFar { nearest_c: 60 }));
    }

    #[test]
    fn only_like_grids_are_blended() {
        let mut other = grid(100, 1, 300);
        other.grid = HeightGrid::new(Lattice { x0_um: 5, ..LATTICE }, &[0; 4]).unwrap();
        let unlike = bank(&[grid(60, 1, 100), other]);
        assert_eq!(unlike.choose(80, 1, WINDOWS), Choice::NoBlend { cooler_c: 60, warmer_c: 100 });
        let apart = bank(&[grid(20, 1, 100), grid(100, 1, 300)]);
        assert_eq!(apart.choose(60, 1, WINDOWS), Choice::NoBlend { cooler_c: 20, warmer_c: 100 });
    }

    #[test]
    fn a_new_grid_finds_its_place() {
        let full = bank(&[grid(60, 1, 0), grid(100, 1, 0), grid(80, 1, 0)]);
        assert_eq!(full.place_for(62, 1, 5), 0, "in place of its like");
        assert_eq!(full.place_for(130, 1, 5), 1, "in place of the nearest");
        let stale = bank(&[grid(60, 1, 0), grid(100, 0, 0)]);
        assert_eq!(stale.place_for(90, 1, 5), 1, "in place of a stale one, though one is empty");
        let room = bank(&[grid(60, 1, 0)]);
        assert_eq!(room.place_for(90, 1, 5), 1);
    }

    #[test]
    fn reasons_fit_a_line_of_the_display() {
        let choices = [
            Choice::Nearest { place: 15, off_c: 5 },
            Choice::Blend { cooler: 10, warmer: 15, share_q16: 65_000 },
            Choice::NotLoaded,
            Choice::Unusable { place: 15, why: Unusable::Correction(CorrectionError::Shift { shift_um: 9000 }) },
            Choice::Empty,
            Choice::Stale,
            Choice::TooFar { nearest_c: 100 },
            Choice::NoBlend { cooler_c: 100, warmer_c: 120 },
        ];
        for choice in choices {
            assert!(choice.to_string().chars().count() <= 20, "{choice}");
        }
    }
}
