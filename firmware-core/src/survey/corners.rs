//! The corner round: the stations nearest to the screws, read until the bed is trammed.

use heapless::Vec;

use super::{State, Survey};
use crate::grid::MAX_HEIGHT_UM;
use crate::tram::{BedHeight, MAX_SCREWS};

/// What a corner round has found, as nozzle heights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Corners {
    pub(super) lowest_um: i16,
    pub(super) highest_um: i16,
}

impl Corners {
    /// How far the stations are apart in height.
    pub(super) fn apart_um(self) -> u16 {
        self.highest_um.abs_diff(self.lowest_um)
    }
}

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// Heights of the bed at the stations of the corner round, for [`TramAdvice`](crate::tram::TramAdvice); none unless it
    /// asks for screws to be turned. They stay until the press that ends the turning.
    pub fn corner_heights(&self) -> Option<Vec<BedHeight, MAX_SCREWS>> {
        if self.state != State::TurnScrews {
            return None;
        }
        let mut heights = Vec::new();
        for &(column, row) in self.plan.corner_round() {
            let (x_um, y_um) = self.plan.lattice().node_um(column, row);
            let height_um = self.height_um(column, row)?.into();
            heights.push(BedHeight { x_um, y_um, height_um }).ok()?;
        }
        Some(heights)
    }

    /// How far below the lowest corner the nozzle may still go.
    pub(super) fn headroom_um(&self, corners: Corners) -> i32 {
        i32::from(self.bed_um(corners.lowest_um)).saturating_sub(self.settings.lowest_um)
    }

    /// All corners are read, and the nozzle is up.
    pub(super) fn judge_corners(&mut self) {
        let mut read_um = self.readings_um.iter().flatten().copied();
        let Some(first_um) = read_um.next() else { return self.begin_round() };
        let of_one = Corners { lowest_um: first_um, highest_um: first_um };
        let corners = read_um.fold(of_one, |Corners { lowest_um, highest_um }, um| Corners {
            lowest_um: lowest_um.min(um),
            highest_um: highest_um.max(um),
        });
        self.corners = Some(corners);
        if corners.apart_um() > self.settings.corner_limit_um {
            self.is_told = false;
            self.state = State::TurnScrews;
        } else {
            self.leave_corner_round();
        }
    }

    /// The bed stays as it is, and the survey begins.
    pub(super) fn leave_corner_round(&mut self) {
        self.in_corner_round = false;
        self.begin_round();
    }

    /// Whatever was read is void, and the round begins anew, with the nozzle up.
    pub(super) fn begin_round(&mut self) {
        if self.in_corner_round {
            self.corners = None;
        }
        self.forget();
        self.start();
    }

    /// Screws are about to be turned as advised. A screw turned the wrong way raises the bed by up to the height difference
    /// of the corners, so the height that was surely above the bed rises by as much.
    pub(super) fn tell_of_turned_screws(&mut self) {
        if core::mem::replace(&mut self.is_told, true) {
            return;
        }
        if let Some(corners) = self.corners {
            let risen_um = i32::from(corners.highest_um)
                .saturating_add(corners.apart_um().into())
                .saturating_add(self.settings.clearance_um.into());
            self.settings.start_um = self.settings.start_um.max(risen_um).min(MAX_HEIGHT_UM.into());
        }
    }
}
