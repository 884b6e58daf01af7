//! Where a line of the job takes the corrected machine, and how much filament on the way.

use gapkeeper::{Correction, Move, Piece, Point};

use super::Settings;
use crate::gcode::rewriting::FARTHEST_NM;
use crate::gcode::{Action, ArcMotion, Straight, Units, moves};
use crate::grid_file::CAPACITY;

/// Most `E` on one line: what a piece can hold.
const MOST_E_NM: i64 = i32::MAX as i64;
/// Most with flow scaling, which at the most doubles it.
const MOST_SCALED_E_NM: i64 = MOST_E_NM / 2;

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
    flow: Option<ExtrusionChange>,
    parts: Vec<Part>,
}

impl<'a> Path<'a> {
    pub(super) fn new(settings: &Settings<'a>) -> Self {
        Self {
            correction: settings.correction,
            tolerance_um: settings.tolerance_um,
            flow: settings.scale_flow.then(ExtrusionChange::default),
            parts: Vec::new(),
        }
    }

    /// The parts of the line that was followed last.
    #[inline]
    pub(super) fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// Finds the parts of a line that is to be corrected; the whole line is one if its start is not known.
    ///
    /// # Errors
    /// A message about a motion that cannot be corrected.
    #[inline]
    pub(super) fn follow(&mut self, action: &Action, is_whole: bool, units: Units) -> Result<(), String> {
        if let Action::Straight(Straight { extruded_nm, .. }) | Action::Arc(ArcMotion { extruded_nm, .. }) = action {
            let most_nm = if self.flow.is_some() { MOST_SCALED_E_NM } else { MOST_E_NM };
            if !(-most_nm..=most_nm).contains(extruded_nm) {
                return Err(format!("E moves by more than {:.1} m on one line", most_nm as f64 / 1e9));
            }
        }
        self.parts.clear();
        match action {
            Action::Straight(straight) if is_whole => {
                // Splitting a way of no length checks its place.
                let end = moves::straight(straight.end, straight.end, 0)?;
                self.split(&end, units)?;
                if let Some(part) = self.parts.last_mut() {
                    part.extruded_nm = straight.extruded_nm;
                }
            }
            Action::Straight(straight) => {
                self.split(&moves::straight(straight.start, straight.end, straight.extruded_nm)?, units)?;
            }
            Action::Arc(arc) => {
                for chord in moves::chords(arc, moves::ARC_TOLERANCE_UM)? {
                    self.split(&chord, units)?;
                }
            }
            _ => {}
        }
        Ok(())
    }

    /// Begins to count `E` anew, as `G92` does.
    pub(super) fn set_e_zero(&mut self, units: Units) {
        if let Some(flow) = &mut self.flow {
            flow.zero_nm += flow.ahead_nm(units);
        }
    }

    /// `E` of all printing as the job has it, and its change.
    pub(super) fn printed_and_change_nm(&self) -> (i64, i64) {
        self.flow.as_ref().map_or((0, 0), |flow| (flow.printed_nm, flow.change_nm))
    }

    fn split(&mut self, motion: &Move<1>, units: Units) -> Result<(), String> {
        let Move { start, end, extra_start: [from_nm], extra_end: [to_nm] } = *motion;
        // `E` goes along twice: scaled, and as the job has it.
        let motion = Move { start, end, extra_start: [from_nm; 2], extra_end: [to_nm; 2] };
        // Lent, not given: copies of it are a measurable part of the work.
        let mut pieces = self.correction.split(&motion, self.tolerance_um);
        let pieces = pieces.as_mut().map_err(|error| error.to_string())?;
        let Some(flow) = &mut self.flow else {
            let part = |Piece { end, extra: [_, e_nm] }| Part { end, extruded_nm: e_nm.into(), ahead_nm: 0 };
            self.parts.extend(pieces.map(part));
            return Ok(());
        };
        if to_nm > from_nm && (start.x_um, start.y_um) != (end.x_um, end.y_um) {
            flow.printed_nm = flow.printed_nm.saturating_add(i64::from(to_nm) - i64::from(from_nm));
        }
        let before_nm = flow.change_nm;
        while let Some(Piece { end, extra: [scaled_nm, e_nm] }) = pieces.next_scaled(&mut flow.remainder) {
            // Held where `E` itself ends, so that no sum with it is too long.
            let change_nm = before_nm + i64::from(scaled_nm) - i64::from(e_nm);
            flow.change_nm = change_nm.clamp(-FARTHEST_NM, FARTHEST_NM);
            self.parts.push(Part { end, extruded_nm: e_nm.into(), ahead_nm: flow.ahead_nm(units) });
        }
        Ok(())
    }
}

/// The changes of `E`.
#[derive(Default)]
struct ExtrusionChange {
    /// `E` of all printing as the job has it.
    printed_nm: i64,
    /// Change of it, and what of that is less than a nanometre.
    change_nm: i64,
    remainder: gapkeeper::Flow,
    /// What of the change lies before the last `G92 E`.
    zero_nm: i64,
}

impl ExtrusionChange {
    /// The change since the last zero, a multiple of the fifth decimal: the job's own digits need no more behind them.
    fn ahead_nm(&self, units: Units) -> i64 {
        let grain_nm = units.nm() / 100_000;
        (self.change_nm + grain_nm / 2).div_euclid(grain_nm) * grain_nm - self.zero_nm
    }
}
