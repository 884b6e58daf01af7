//! Which surface lies between the stations of a grid: one rule for every command.

use std::fmt;

use gapkeeper::{GridError, HeightGrid, Surface};

use super::{CAPACITY, GridDocument};

/// The surface between stations, and what chose it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SurfaceChoice {
    /// The surface.
    pub surface: Surface,
    /// What chose it.
    pub reason: SurfaceReason,
}

/// What chose a surface, the first of these that there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SurfaceReason {
    /// The caller.
    Asked,
    /// The grid's survey.
    Survey,
    /// Nothing: a grid without a survey is refined, since a plate mostly bows.
    NoSurvey,
}

impl SurfaceReason {
    /// One word with hyphens; stable, for scripts.
    pub fn word(self) -> &'static str {
        match self {
            SurfaceReason::Asked => "asked",
            SurfaceReason::Survey => "survey",
            SurfaceReason::NoSurvey => "no-survey",
        }
    }
}

/// The surface as one word; as a grid document and the command line have it.
pub fn surface_word(surface: Surface) -> &'static str {
    match surface {
        Surface::Bilinear => "bilinear",
        Surface::Refined => "refined",
    }
}

/// As in `refined, as the survey chose`.
impl fmt::Display for SurfaceChoice {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let reason = match self.reason {
            SurfaceReason::Asked => "as asked",
            SurfaceReason::Survey => "as the survey chose",
            SurfaceReason::NoSurvey => "the default where no survey chose one (--surface)",
        };
        write!(out, "{}, {reason}", surface_word(self.surface))
    }
}

impl GridDocument {
    /// The surface between the stations: the one asked for, else the one that the survey chose, else the refined one.
    pub fn surface_choice(&self, asked: Option<Surface>) -> SurfaceChoice {
        match (asked, self.survey) {
            (Some(surface), _) => SurfaceChoice { surface, reason: SurfaceReason::Asked },
            (None, Some(marks)) => SurfaceChoice { surface: marks.surface, reason: SurfaceReason::Survey },
            (None, None) => SurfaceChoice { surface: Surface::Refined, reason: SurfaceReason::NoSurvey },
        }
    }

    /// The grid whose bilinear surface is the given one of this document.
    ///
    /// # Errors
    /// [`GridError`] if the refined surface leaves the range of heights.
    pub fn surface_grid(&self, surface: Surface) -> Result<HeightGrid<CAPACITY>, GridError> {
        match surface {
            Surface::Bilinear => Ok(self.grid.clone()),
            Surface::Refined => self.grid.densest(),
        }
    }
}
