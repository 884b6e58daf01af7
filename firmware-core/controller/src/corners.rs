//! The corner round on this machine's display: what the keeper asks for, and how far to turn which screw.

use core::fmt;

use gapkeeper::{Hold, Prompt, Screw, ScrewAdvice, Status, TramAdvice, TramError};

use crate::{Controller, Motors};

/// What the display shows: four lines of twenty characters. Where a corner round asks for screws to be turned, the second one
/// is how far to turn one of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Screen {
    status: Status,
    advice: Option<Result<ScrewAdvice, TramError>>,
}

impl fmt::Display for Screen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (Some(advice), Some(Prompt::TurnScrews { apart_um, is_told, .. })) = (self.advice, self.status.prompt)
        else {
            return self.status.fmt(f);
        };
        writeln!(f, "Corners off {apart_um} um")?;
        match advice {
            Ok(advice) => writeln!(f, "{advice}")?,
            // Why stands in the error; a display has no room for it.
            Err(_) => writeln!(f, "no advice: see log")?,
        }
        write!(f, "{}", if is_told { "hands off, press" } else { "first: say so, save" })?;
        self.status.caution.map_or(Ok(()), |caution| write!(f, "\n{caution}"))
    }
}

impl<S: Motors> Controller<S> {
    /// How far to turn the machine's screws, while a corner round asks for it; it stays the same until the press that ends
    /// the turning.
    // Never inlined: the advice is large, and a screen needs it for a moment only.
    #[inline(never)]
    pub fn screw_advice(&self, screws: &[Screw], hold: Hold) -> Option<Result<TramAdvice, TramError>> {
        let heights = self.keeper.survey_under_way()?.corner_heights()?;
        Some(TramAdvice::new(heights, screws, hold))
    }

    /// What the display shows, with the advice for one of the screws, counted from 0. The knob moves nothing while screws are
    /// to be turned, so it can choose the screw.
    pub fn screen(&self, screws: &[Screw], hold: Hold, chosen: usize) -> Screen {
        let status = self.keeper.status();
        let advice = match self.screw_advice(screws, hold) {
            Some(Ok(advice)) => advice.screws().get(chosen).copied().map(Ok),
            Some(Err(error)) => Some(Err(error)),
            None => None,
        };
        Screen { status, advice }
    }
}
