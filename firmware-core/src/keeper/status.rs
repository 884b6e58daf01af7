//! What a screen should show.

use core::fmt;

use super::Keeper;
use crate::bank::Choice;
use crate::survey::{Caution, Prompt, Survey};
use crate::tie::Tie;
use crate::weights::Agreement;

impl<const STATIONS: usize, const NODES: usize, const GRIDS: usize> Keeper<STATIONS, NODES, GRIDS> {
    /// What a screen of four lines of twenty characters should show.
    pub fn status(&self) -> Status {
        self.status_at(self.bed_c)
    }

    /// The status at another bed temperature, for callers that must not change the keeper now.
    pub fn status_at(&self, bed_c: i16) -> Status {
        let in_force = self.in_force.as_ref();
        let grid_bed_c = in_force.map(|in_force| in_force.bed_temperature_c);
        Status {
            prompt: self.survey.as_ref().map(Survey::prompt),
            caution: self.survey.as_ref().and_then(Survey::caution),
            homed: self.homed,
            choice: self.last_choice,
            in_force: in_force.is_some(),
            bed_c,
            grid_bed_c,
            is_off_temperature: grid_bed_c
                .is_some_and(|grid_bed_c| grid_bed_c.abs_diff(bed_c) > self.settings.windows.nearest_c.into()),
            shift_um: in_force.map_or(0, |in_force| in_force.correction.shift_um()),
            unsaved: self.is_unsaved(),
            tie: in_force.and_then(|in_force| in_force.tie),
            agreement: self.agreement_in_force(),
        }
    }
}

/// What a screen should show; its text fits four lines of twenty characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Status {
    /// What the survey asks for, while one is under way; then nothing else matters but the caution.
    pub prompt: Option<Prompt>,
    /// What is hot, while a survey asks for hands.
    pub caution: Option<Caution>,
    /// Whether positions mean anything.
    pub homed: bool,
    /// Which grid was chosen last, and why.
    pub choice: Choice,
    /// Whether moves are corrected.
    pub in_force: bool,
    /// How warm the bed is.
    pub bed_c: i16,
    /// Bed temperature that the grid in force is for.
    pub grid_bed_c: Option<i16>,
    /// Whether the bed has left the window of the grid in force. It stays in force, since a jump of Z in the middle of a
    /// print would spoil it; put one in force, or home, before the next.
    pub is_off_temperature: bool,
    /// Shift in force.
    pub shift_um: i32,
    /// Whether anything would be lost without power.
    pub unsaved: bool,
    /// How the grid in force was tied to an older one; none for a whole survey, and of a blend that of the nearer grid, or
    /// of the one that is tied.
    pub tie: Option<Tie>,
    /// How well the readings of the grid in force agree, if it was measured since the power came on.
    pub agreement: Option<Agreement>,
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(prompt) = &self.prompt {
            prompt.fmt(f)?;
            return match &self.caution {
                Some(caution) => write!(f, "\n{caution}"),
                None => Ok(()),
            };
        }
        match (self.homed, self.in_force) {
            (false, _) => writeln!(f, "Not homed")?,
            (true, true) if self.tie.is_some() => writeln!(f, "Correcting, tied")?,
            (true, true) => writeln!(f, "Correcting")?,
            (true, false) => writeln!(f, "NOT correcting")?,
        }
        writeln!(f, "{}", self.choice)?;
        match self.grid_bed_c {
            Some(grid_bed_c) if self.is_off_temperature => writeln!(f, "bed {} C: NOT {grid_bed_c}", self.bed_c)?,
            Some(grid_bed_c) => match self.agreement.filter(Agreement::needs_more_stations) {
                Some(Agreement { surface_rms_um, .. }) => writeln!(f, "TOO FEW: {} um off", surface_rms_um.min(9999))?,
                None => writeln!(f, "bed {} C, grid {grid_bed_c}", self.bed_c)?,
            },
            None => writeln!(f, "bed {} C", self.bed_c)?,
        }
        write!(f, "{:+} um{}", self.shift_um, if self.unsaved { ", NOT SAVED" } else { "" })
    }
}
