//! How high the nozzle stays, and how far a detent moves it, by the rules of [`SurveySettings`](super::SurveySettings).

use super::Survey;
use crate::grid::MAX_HEIGHT_UM;

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// Where the bed is expected from on downwards; before the first reading that may be anywhere below the start.
    fn expected_um(&self) -> i32 {
        let highest_um = self.readings_um.iter().flatten().max().copied();
        // Before the first reading, what a corner round of the same setup has found.
        let highest_um = highest_um.or_else(|| Some(self.corners?.highest_um)).map(i32::from);
        highest_um.map_or(self.settings.start_um, |um| um.saturating_add(self.settings.clearance_um.into()))
    }

    /// Where the nozzle waits above a station.
    pub(super) fn waiting_um(&self) -> i32 {
        // A reading has to fit a grid; the start does.
        self.expected_um().max(self.settings.start_um).min(MAX_HEIGHT_UM.into())
    }

    /// Where the nozzle travels.
    pub(super) fn travel_um(&self) -> i32 {
        self.waiting_um().saturating_add(self.settings.lift_um.into())
    }

    /// The bed was raised by the headroom, and what was surely above it is so no more.
    pub(super) fn bed_was_raised(&mut self) {
        let raised_um = self.settings.start_um.saturating_add(self.settings.headroom_um.into());
        self.settings.start_um = raised_um.min(MAX_HEIGHT_UM.into());
    }

    /// One detent downwards through air: no more than the feeler is thick, so a step from a place where nothing is felt
    /// cannot reach the bed.
    fn coarse_um(&self) -> u16 {
        self.settings.coarse_um.min(self.settings.feeler_um)
    }

    /// Whether a detent downwards is a coarse one.
    pub(super) fn is_coarse(&self) -> bool {
        !self.seeks_finely && self.coarse_um() > self.settings.detent_um && self.z_um > self.expected_um()
    }

    /// Follows the knob.
    pub(super) fn turn(&mut self, detents: i16) {
        let by_um = |detent_um: u16| i32::from(detents) * i32::from(detent_um);
        let z_um = if detents < 0 && self.is_coarse() {
            self.z_um.saturating_add(by_um(self.coarse_um())).max(self.expected_um())
        } else {
            self.z_um.saturating_add(by_um(self.settings.detent_um))
        };
        let highest_um = self.travel_um().min(MAX_HEIGHT_UM.into());
        self.z_um = z_um.min(highest_um).max(self.settings.lowest_um);
        if detents > 0 {
            // Up from where it waited is the wrong way, and no bed is near.
            self.seeks_finely = self.z_um < self.waiting_um();
        }
    }
}
