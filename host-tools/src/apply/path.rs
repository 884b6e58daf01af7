//! Where a line of the job takes the corrected machine, and how much filament on the way.

use gapkeeper::{Correction, Move, Point};

use super::Settings;
use crate::gcode::{Action, ArcMotion, Straight, Units, moves};
use crate::grid_file::CAPACITY;

/// Where along a piece to look for its mean thickness: Gauss's rule of two points, exact for every cubic. A piece lies
/// in one cell, where the shape along it is a parabola, and wholly inside the fade or outside.
const GAUSS_PERMILLE: [i64; 2] = [211, 789];

/// The end of one straight part of a line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Part {
    /// Machine place.
    pub(super) end: Point,
    /// `E` since the line's beginning, as the job has it.
    pub(super) extruded_nm: i64,
    /// How far the machine's `E` is then ahead of the job's.
    pub(super) ahead_nm: i64,
}

/// Splits the lines of one job, and scales their `E` if that is wanted.
pub(super) struct Path<'a> {
    correction: &'a Correction<CAPACITY>,
    tolerance_um: u16,
    flow: Option<Flow>,
    parts: Vec<Part>,
}

impl<'a> Path<'a> {
    pub(super) fn new(settings: &Settings<'a>) -> Self {
        Self {
            correction: settings.correction,
            tolerance_um: settings.tolerance_um,
            flow: settings.scale_flow.then(Flow::default),
            parts: Vec::new(),
        }
    }

    /// The parts of the line that was followed last.
    #[inline]
    pub(super) fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// Finds the parts of a line that names X, Y or Z for a motion, and says no to any other.
    ///
    /// # Errors
    /// A message about a motion that cannot be corrected.
    #[inline]
    pub(super) fn follow(&mut self, action: &Action, names_axis: bool, units: Units) -> Result<bool, String> {
        if let Action::Straight(Straight { extruded_nm, .. }) | Action::Arc(ArcMotion { extruded_nm, .. }) = action
            && i32::try_from(*extruded_nm).is_err()
        {
            return Err("E moves by more than two metres on one line".to_owned());
        }
        self.parts.clear();
        match action {
            Action::Straight(straight) if names_axis => {
                self.split(&moves::straight(straight.start, straight.end, straight.extruded_nm)?, units)?;
            }
            Action::Arc(arc) => {
                for chord in moves::chords(arc)? {
                    self.split(&chord, units)?;
                }
            }
            _ => return Ok(false),
        }
        Ok(true)
    }

    /// Begins to count `E` anew, as `G92` does.
    pub(super) fn set_e_zero(&mut self, units: Units) {
        if let Some(flow) = &mut self.flow {
            flow.zero_nm += flow.ahead_nm(units);
        }
    }

    /// `E` of all printing as the job has it, and its change.
    pub(super) fn printed_and_change_nm(&self) -> (i64, i64) {
        self.flow.as_ref().map_or((0, 0), |flow| (flow.printed_nm, flow.change_nm()))
    }

    fn split(&mut self, motion: &Move<1>, units: Units) -> Result<(), String> {
        let Move { start, end, extra_start: [from_nm], extra_end: [to_nm] } = *motion;
        // Logical height goes along as an axis of its own: the pieces tell only the machine's.
        let motion = Move { start, end, extra_start: [from_nm, start.z_um], extra_end: [to_nm, end.z_um] };
        // Lent, not given: copies of it are a measurable part of the work.
        let mut pieces = self.correction.split(&motion, self.tolerance_um);
        let pieces = pieces.as_mut().map_err(|error| error.to_string())?;
        let mut flow = self.flow.as_mut();
        let prints = to_nm > from_nm && (start.x_um, start.y_um) != (end.x_um, end.y_um);
        let (mut here, mut here_nm) = (start, from_nm);
        for piece in pieces {
            let [extruded_nm, z_um] = piece.extra;
            let ahead_nm = flow.as_mut().map_or(0, |flow| {
                let next = Point { z_um, ..piece.end };
                if prints {
                    let factors_q16 = GAUSS_PERMILLE.map(|permille| {
                        let at = |from: i32, to: i32| {
                            // Between the two.
                            (i64::from(from) + (i64::from(to) - i64::from(from)) * permille / 1000) as i32
                        };
                        let (x_um, y_um) = (at(here.x_um, next.x_um), at(here.y_um, next.y_um));
                        self.correction.thickness_q16(x_um, y_um, at(here.z_um, next.z_um))
                    });
                    flow.add(i64::from(extruded_nm) - i64::from(here_nm), factors_q16);
                }
                (here, here_nm) = (next, extruded_nm);
                flow.ahead_nm(units)
            });
            self.parts.push(Part { end: piece.end, extruded_nm: extruded_nm.into(), ahead_nm });
        }
        Ok(())
    }
}

/// 100 km, the farthest place of any axis, with 17 fractional bits.
const FARTHEST_Q17: i128 = 100_000_000_000_000 << 17;

/// The changes of `E`, added up without rounding.
#[derive(Default)]
struct Flow {
    /// `E` of all printing as the job has it.
    printed_nm: i64,
    /// Change of it, with 17 fractional bits.
    change_q17: i128,
    /// What of it lies before the last `G92 E`.
    zero_nm: i64,
}

impl Flow {
    fn add(&mut self, extruded_nm: i64, [near_q16, far_q16]: [u32; 2]) {
        self.printed_nm = self.printed_nm.saturating_add(extruded_nm);
        let change_q17 = i128::from(extruded_nm) * (i128::from(near_q16) + i128::from(far_q16) - 131_072);
        // Held where `E` itself ends, so that no sum with it is too long.
        self.change_q17 = (self.change_q17 + change_q17).clamp(-FARTHEST_Q17, FARTHEST_Q17);
    }

    fn change_nm(&self) -> i64 {
        // As far as 100 km.
        ((self.change_q17 + 0x10000) >> 17) as i64
    }

    /// The change since the last zero, a multiple of the fifth decimal: the job's own digits need no more behind them.
    fn ahead_nm(&self, units: Units) -> i64 {
        let grain_nm = units.nm() / 100_000;
        (self.change_nm() + grain_nm / 2).div_euclid(grain_nm) * grain_nm - self.zero_nm
    }
}
