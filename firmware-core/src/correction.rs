//! The correction: from logical to machine height and back.

use core::fmt;
use core::num::{NonZeroU32, NonZeroU64};

use crate::fade::Fade;
use crate::fixed_point::{hold_i32, round_q16, scale_q16};
use crate::grid::{HeightGrid, MAX_HEIGHT_UM};

/// Why a correction cannot be as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum CorrectionError {
    /// The shift is larger than any height may be.
    Shift {
        /// Shift asked for.
        shift_um: i32,
    },
    /// The fade is shorter than the shape is high: two logical heights would become one machine height.
    FadeTooShort {
        /// Largest height of the shape, up or down.
        shape_um: u32,
        /// Distance over which it should fade.
        range_um: u32,
    },
}

impl fmt::Display for CorrectionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Shift { shift_um } => {
                write!(f, "a shift of {shift_um} um: shifts reach from -{MAX_HEIGHT_UM} to {MAX_HEIGHT_UM} um")
            }
            Self::FadeTooShort { shape_um, range_um } => write!(
                f,
                "the shape reaches {shape_um} um and fades over {range_um} um: \
                 fade over more than the shape, ten times as much for sound layers"
            ),
        }
    }
}

impl core::error::Error for CorrectionError {}

/// A grid in force: with shift, fade and the lowest height that the machine may go to.
///
/// With `h` the grid's height, `m` its mean, `r = h − m`, `s` the shift and `F` the fade,
/// `z_machine = z + s + m + F(z)·r(x, y)`. Only the shape `r` fades; mean and shift change the datum and never fade.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Correction<const CAPACITY: usize> {
    grid: HeightGrid<CAPACITY>,
    fade: Option<Fade>,
    /// Shift and mean: what the datum moves by at every height.
    datum_um: i32,
    lowest_machine_z_um: i32,
    /// By how much a fading shape may be off because the height that it fades by is rounded.
    fading_error_q12: u16,
}

impl<const CAPACITY: usize> Correction<CAPACITY> {
    /// Corrects by a grid at every height, without shift and without a lowest height.
    pub fn new(grid: HeightGrid<CAPACITY>) -> Self {
        Self { datum_um: grid.mean_um(), grid, fade: None, lowest_machine_z_um: i32::MIN, fading_error_q12: 0 }
    }

    /// The same with a shift; positive moves the nozzle away from the bed.
    ///
    /// # Errors
    /// [`CorrectionError::Shift`] beyond [`MAX_HEIGHT_UM`] either way.
    pub fn with_shift(mut self, shift_um: i32) -> Result<Self, CorrectionError> {
        Self::check(&self.grid, shift_um, None)?;
        self.set_shift(shift_um);
        Ok(self)
    }

    /// The same with a fade.
    ///
    /// # Errors
    /// [`CorrectionError::FadeTooShort`] unless the fade is longer than the shape is high, without which machine
    /// height would not increase with logical height.
    pub fn with_fade(mut self, fade: Fade) -> Result<Self, CorrectionError> {
        Self::check(&self.grid, 0, Some(fade))?;
        self.set_fade(Some(fade));
        Ok(self)
    }

    /// Whether a grid takes shift and fade, before it is moved: on a small chip a second one would not fit the stack.
    pub(crate) fn check(grid: &HeightGrid<CAPACITY>, shift_um: i32, fade: Option<Fade>) -> Result<(), CorrectionError> {
        if shift_um.unsigned_abs() > MAX_HEIGHT_UM.unsigned_abs().into() {
            return Err(CorrectionError::Shift { shift_um });
        }
        let Some(fade) = fade else { return Ok(()) };
        let shape_um = shape_um(grid);
        if shape_um >= fade.range_um() {
            return Err(CorrectionError::FadeTooShort { shape_um, range_um: fade.range_um() });
        }
        Ok(())
    }

    /// Sets what [`Self::check`] has found right.
    pub(crate) fn set(&mut self, shift_um: i32, fade: Option<Fade>, lowest_machine_z_um: i32) {
        self.set_shift(shift_um);
        self.set_fade(fade);
        self.lowest_machine_z_um = lowest_machine_z_um;
    }

    fn set_fade(&mut self, fade: Option<Fade>) {
        let shape_um = shape_um(&self.grid);
        // Half a micrometre of the fade's range, and a half in the last place of the share. The shape is below the range.
        let of = |fade: Fade| (shape_um * 2048).checked_div(fade.range_um()).unwrap_or(2048) + shape_um / 32 + 1;
        self.fading_error_q12 = fade.map_or(0, of) as u16;
        self.fade = fade;
    }

    /// By how much a fading shape may be off because the height that it fades by is rounded.
    pub(crate) fn fading_error_q12(&self) -> u16 {
        self.fading_error_q12
    }

    fn set_shift(&mut self, shift_um: i32) {
        self.datum_um = shift_um + self.grid.mean_um();
    }

    /// The same with a machine height below which no piece of a move may end.
    pub fn with_lowest_machine_z(self, lowest_machine_z_um: i32) -> Self {
        Self { lowest_machine_z_um, ..self }
    }

    /// The grid in force.
    pub fn grid(&self) -> &HeightGrid<CAPACITY> {
        &self.grid
    }

    /// The fade in force.
    pub fn fade(&self) -> Option<Fade> {
        self.fade
    }

    /// The shift in force.
    pub fn shift_um(&self) -> i32 {
        self.datum_um - self.grid.mean_um()
    }

    /// No piece of a move ends below this machine height.
    pub fn lowest_machine_z_um(&self) -> i32 {
        self.lowest_machine_z_um
    }

    /// Largest change of layer thickness that the fade causes, in thousandths, rounded up; 0 without a fade.
    ///
    /// More than 100 is too much (common practice, no source).
    pub fn thickness_change_permille(&self) -> u32 {
        let shape_um = shape_um(&self.grid);
        self.fade.map_or(0, |fade| (shape_um * 1000 + fade.range_um() - 1).checked_div(fade.range_um()).unwrap_or(0))
    }

    /// Machine height for a logical height, within 1 µm of the correction's exact value.
    ///
    /// Near the ends of the `i32` range the result is held there.
    #[inline]
    pub fn machine_z_um(&self, x_um: i32, y_um: i32, z_um: i32) -> i32 {
        let offset_um = match self.share_q16(z_um) {
            0 => 0,
            share => round_q16(scale_q16(self.grid.shape_q16(x_um, y_um), share)),
        };
        // Two terms below 2^13 and one below 2^14.
        z_um.saturating_add(self.datum_um() + offset_um)
    }

    /// Logical height for a machine height: correcting it again gives the machine height within 1 µm.
    pub fn logical_z_um(&self, x_um: i32, y_um: i32, machine_z_um: i32) -> i32 {
        let shape_q16 = self.grid.shape_q16(x_um, y_um);
        let without_datum_um = i64::from(machine_z_um) - i64::from(self.datum_um());
        let fully_corrected_um = without_datum_um - i64::from(round_q16(shape_q16));
        let logical_um = match self.fade {
            None => fully_corrected_um,
            Some(fade) => {
                let (full_below_um, zero_above_um) = (i64::from(fade.full_below_um()), i64::from(fade.zero_above_um()));
                if fully_corrected_um <= full_below_um {
                    fully_corrected_um
                } else if without_datum_um >= zero_above_um {
                    without_datum_um
                } else {
                    zero_above_um - below_zero_above_um(fade.range_um(), shape_q16, zero_above_um - without_datum_um)
                }
            }
        };
        hold_i32(logical_um)
    }

    /// Factor by which the fade changes the thickness of what is laid up to a logical height, 65536 for none.
    ///
    /// The slope of machine height by logical height: `1 − r/(zero_above − full_below)` inside the fade, 1 outside,
    /// rounded to the nearest 65536th; never above 131072. What is laid lies below the nozzle, so a layer that ends at
    /// `full_below` is outside and one that ends at `zero_above` inside. Multiply the change of `E` by it.
    pub fn thickness_q16(&self, x_um: i32, y_um: i32, z_um: i32) -> u32 {
        let Some(fade) = self.fade.filter(|_| self.is_fading(z_um)) else {
            return 65_536;
        };
        let shape_q16 = self.grid.shape_called_q16(x_um, y_um);
        let range_um = NonZeroU32::new(fade.range_um()).unwrap_or(NonZeroU32::MIN);
        // Below 2^31; a fade is longer than its shape is high, so at most 65536.
        let change_q16 = (shape_q16.unsigned_abs() + range_um.get() / 2) / range_um;
        if shape_q16 < 0 { 65_536 + change_q16 } else { 65_536_u32.saturating_sub(change_q16) }
    }

    /// Whether a layer that ends at a logical height is inside the fade.
    #[inline]
    pub(crate) fn is_fading(&self, z_um: i32) -> bool {
        self.fade.as_ref().is_some_and(|fade| z_um > fade.full_below_um() && z_um <= fade.zero_above_um())
    }

    /// Shift and mean: what the datum moves by at every height.
    #[inline]
    pub(crate) fn datum_um(&self) -> i32 {
        self.datum_um
    }

    /// The least that a height can be changed by anywhere.
    pub(crate) fn lowest_correction_um(&self) -> i32 {
        // Where it fades, the shape is not lower than its lowest, or than nothing if that is above.
        self.datum_um() + self.grid.shape_range_um().0.min(0)
    }

    pub(crate) fn fade_in_force(&self) -> Option<&Fade> {
        self.fade.as_ref()
    }

    /// Share of the shape in force at a logical height, 65536 for all of it.
    #[inline]
    pub(crate) fn share_q16(&self, z_um: i32) -> u32 {
        self.fade.as_ref().map_or(65_536, |fade| fade.share_q16(z_um))
    }
}

/// Inside the fade: distance of the logical height below `zero_above`, rounded, from that of the machine height.
///
/// With `d` the first and `D` the second, `D = d − r·d/range`, so `d = D·range / (range − r)`.
fn below_zero_above_um(range_um: u32, shape_q16: i32, machine_distance_um: i64) -> i64 {
    let range_q16 = u64::from(range_um) << 16;
    // A fade is longer than its shape is high, so the divisor is positive.
    let divisor = NonZeroU64::new(range_q16.saturating_add_signed(-i64::from(shape_q16))).unwrap_or(NonZeroU64::MIN);
    // Below 2^21 · 2^36.
    let product = machine_distance_um.unsigned_abs() * range_q16;
    let distance = (product + divisor.get() / 2) / divisor;
    (distance as i64).min(i64::from(range_um))
}

/// How far the shape reaches, up or down.
fn shape_um<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>) -> u32 {
    let (lowest_um, highest_um) = grid.shape_range_um();
    lowest_um.unsigned_abs().max(highest_um.unsigned_abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Lattice;

    fn dish(fade: Option<(i32, i32)>) -> Correction<9> {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 3, rows: 3 };
        // Mean 0, +300 in one corner.
        let grid = HeightGrid::new(lattice, &[300, 0, 0, 0, 0, 0, 0, 0, -300]).unwrap();
        let correction = Correction::new(grid);
        match fade {
            Some((full_below_um, zero_above_um)) => {
                correction.with_fade(Fade::new(full_below_um, zero_above_um).unwrap()).unwrap()
            }
            None => correction,
        }
    }

    /// Rows F-1 and F-2 (own identities there): c = 0.3 mm fading over 10 mm.
    #[test]
    fn fading_and_back() {
        let correction = dish(Some((0, 10_000)));
        for (z_um, machine_z_um) in [(0, 300), (5000, 5150), (10_000, 10_000), (12_000, 12_000), (-500, -200)] {
            assert_eq!(correction.machine_z_um(0, 0, z_um), machine_z_um);
            assert_eq!(correction.logical_z_um(0, 0, machine_z_um), z_um);
        }
    }

    /// F-3: with a fade as short as the shape is high, motion would collapse.
    #[test]
    fn a_collapsing_fade_is_refused() {
        let fade = Fade::new(0, 300).unwrap();
        let error = dish(None).with_fade(fade).unwrap_err();
        assert_eq!(error, CorrectionError::FadeTooShort { shape_um: 300, range_um: 300 });
        let steep = dish(None).with_fade(Fade::new(0, 301).unwrap()).unwrap();
        assert!((0..301).all(|z_um| steep.machine_z_um(0, 0, z_um + 1) >= steep.machine_z_um(0, 0, z_um)));
    }

    #[test]
    fn shift_and_mean_never_fade() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 2, rows: 2 };
        let grid = HeightGrid::<4>::new(lattice, &[150, 50, 150, 50]).unwrap();
        let correction = Correction::new(grid).with_shift(-30).unwrap().with_fade(Fade::new(0, 1000).unwrap()).unwrap();
        assert_eq!(correction.machine_z_um(0, 0, 0), 120);
        assert_eq!(correction.machine_z_um(0, 0, 5000), 5070);
        assert_eq!(correction.thickness_change_permille(), 50);
        assert_eq!(correction.with_shift(8192), Err(CorrectionError::Shift { shift_um: 8192 }));
    }

    /// A layer's thickness on the machine, from the map itself (own identity): 1000 µm thick, so exact to a thousandth.
    #[test]
    fn thickness_is_the_slope_of_the_map() {
        let correction = dish(Some((400, 8400)));
        for (x_um, y_um) in [(0, 0), (20_000, 20_000), (3000, 7000), (10_000, 10_000)] {
            for z_um in [1400, 5000, 8400] {
                let top_um = correction.machine_z_um(x_um, y_um, z_um);
                let thickness_um = top_um - correction.machine_z_um(x_um, y_um, z_um - 1000);
                let factor = f64::from(correction.thickness_q16(x_um, y_um, z_um)) / 65_536.0;
                assert!((f64::from(thickness_um) - 1000.0 * factor).abs() <= 1.0, "{x_um} {y_um} {z_um}: {factor}");
            }
        }
        // 300 µm over 8 mm: 3.75 %.
        assert_eq!(correction.thickness_q16(0, 0, 401), 65_536 - 2458);
        assert_eq!(correction.thickness_q16(20_000, 20_000, 8400), 65_536 + 2458);
        for z_um in [i32::MIN, 0, 400, 8401, i32::MAX] {
            assert_eq!(correction.thickness_q16(0, 0, z_um), 65_536, "{z_um}");
        }
        assert_eq!(dish(None).thickness_q16(0, 0, 1000), 65_536);
        // As steep as a fade may be: never negative.
        assert_eq!(dish(Some((0, 301))).thickness_q16(0, 0, 100), 218);
    }

    #[test]
    fn the_ends_of_the_range_are_held() {
        let correction = dish(None);
        assert_eq!(correction.machine_z_um(0, 0, i32::MAX), i32::MAX);
        assert_eq!(correction.machine_z_um(20_000, 20_000, i32::MIN), i32::MIN);
        assert_eq!(correction.logical_z_um(0, 0, i32::MIN), i32::MIN);
        assert_eq!(correction.logical_z_um(20_000, 20_000, i32::MAX), i32::MAX);
    }
}
