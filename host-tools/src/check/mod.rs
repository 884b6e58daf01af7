//! Whether a grid can be trusted and used: verdicts with reason, place and remedy.
//!
//! [`check`] looks at the readings (do they disagree with all others, or where none were kept the nodes with their
//! neighbours; are they steeper than a plate can be, cut off or copied), at the stations (are there enough of them for
//! this shape, and how sure is the surface) and at the use of the grid (shift, fade, headroom, closure, temperature,
//! setup, age). What cannot be looked at, because nobody said what is needed, is listed as well: silence would read as
//! praise.

mod band;
mod readings;
mod report;
mod slips;
mod stations;
mod unchecked;
mod usage;
mod verdict;

use gapkeeper::{MAX_TIES, Surface, SurveySettings, TIE_LIMIT_UM, TemperatureWindows, Tie};

use crate::estimate::{Band, Hand};
use crate::flatness::Flatness;
use crate::grid_file::{GridDocument, SurfaceChoice, times_tied};

pub use report::{SCHEMA_VERSION, unreadable_json};
pub use unchecked::Unchecked;
pub use verdict::{Finding, NodePlace, ReadingPlace, Severity, Verdict};

/// What a grid is checked against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CheckSettings {
    /// The bed's temperature now, or that of the job; none: not checked.
    pub bed_temperature_c: Option<i16>,
    /// How far that may be from the grid's own.
    pub temperature_window_c: u8,
    /// Lowest machine height that the nozzle can go to; none: the one that the grid states, if it does.
    pub lowest_um: Option<i32>,
    /// Error of the surface between stations that is still no reason to measure more of them.
    pub tolerance_um: u16,
    /// Distance of a reading from what its neighbours predict.
    pub neighbour_limit_um: u16,
    /// Change at the first station of a survey.
    pub closure_limit_um: u16,
    /// Shift up or down that needs no second look.
    pub shift_limit_um: u16,
    /// Lean of the bed over its stations, lowest to highest, that is left to the correction.
    pub tilt_limit_um: u16,
    /// The setup that the grid's file says; none: it says none.
    pub grid_setup: Option<u32>,
    /// The setup that the machine is in; none: not checked.
    pub setup: Option<u32>,
    /// Days since the grid's file was written; none: not checked.
    pub age_days: Option<u32>,
    /// Days after which a bed is to be measured again.
    pub oldest_days: u32,
    /// The surface between stations; none: by [`GridDocument::surface_choice`].
    pub surface: Option<Surface>,
    /// What is known of the hand that took the document's readings.
    pub hand: Hand,
}

impl Default for CheckSettings {
    /// The core's limits; 50 µm between stations, about a quarter of a first layer (common practice, no source). A
    /// shift and a tilt of 200 µm are a whole first layer, and 90 days are a season of heating, moving and cleaning
    /// (own limits, no source).
    fn default() -> Self {
        let survey = SurveySettings::default();
        Self {
            bed_temperature_c: None,
            temperature_window_c: TemperatureWindows::default().nearest_c,
            lowest_um: None,
            tolerance_um: 50,
            neighbour_limit_um: survey.outlier_limit_um,
            closure_limit_um: survey.closure_limit_um,
            shift_limit_um: 200,
            tilt_limit_um: 200,
            grid_setup: None,
            setup: None,
            age_days: None,
            oldest_days: 90,
            surface: None,
            hand: Hand::default(),
        }
    }
}

/// All that was found.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct CheckReport {
    /// What speaks against the grid, in the order of looking.
    pub verdicts: Vec<Verdict>,
    /// What was not looked at.
    pub unchecked: Vec<Unchecked>,
    /// The surface that was judged.
    pub surface: SurfaceChoice,
    /// How the grid was tied to an older one; none for a whole survey, and for a grid without one.
    pub tie: Option<Tie>,
    /// Days since the grid's file was written, if that is known.
    pub age_days: Option<u32>,
    /// How flat the readings are.
    pub flatness: Option<Flatness>,
    /// How sure the surface is over the area of the grid, if its readings were kept.
    pub band: Option<Band>,
    /// The lowest station and its height.
    pub lowest: (NodePlace, i16),
    /// The highest station and its height.
    pub highest: (NodePlace, i16),
}

impl CheckReport {
    /// How the grid was tied to an older one, in words.
    pub fn tied(&self) -> Option<String> {
        self.tie.map(|tie| {
            let last = if tie.count() == MAX_TIES { "; survey the whole bed next time" } else { "" };
            format!(
                "tied {} since the last whole survey, up to {MAX_TIES} may be; residual {} um, up to {TIE_LIMIT_UM} is \
                 allowed{last}",
                times_tied(tie),
                tie.residual_um()
            )
        })
    }

    /// The gravest verdict; none: all is fine.
    pub fn severity(&self) -> Option<Severity> {
        self.verdicts.iter().map(|verdict| verdict.finding.severity()).max()
    }
}

/// Checks a grid.
pub fn check(document: &GridDocument, settings: &CheckSettings) -> CheckReport {
    let mut found = Found::default();
    let surface = document.surface_choice(settings.surface);
    let estimate = band::estimate(document, settings, &mut found);
    match &estimate {
        // The readings tell it better than the nodes that were computed from them.
        Some(estimate) => readings::others(document, estimate.hand_um(), settings, &mut found),
        None => readings::neighbours(&document.grid, settings, &mut found),
    }
    readings::slopes(&document.grid, &mut found);
    readings::at_the_end(&document.grid, &mut found);
    readings::cut_off(&document.grid, &mut found);
    readings::repeated(&document.grid, &mut found);
    readings::tilt(&document.grid, settings, &mut found);
    let band = estimate.and_then(|estimate| band::sureness(&estimate, document, surface.surface, settings, &mut found));
    if band.is_none() {
        // The readings tell it better.
        stations::spacing(&document.grid, surface.surface, settings, &mut found);
    }
    usage::shift_and_fade(document, surface.surface, settings, &mut found);
    usage::headroom(document, settings, &mut found);
    usage::closure(document, settings, &mut found);
    usage::temperature(document, settings, &mut found);
    usage::setup(settings, &mut found);
    usage::age(settings, &mut found);
    let nodes = || NodePlace::all(&document.grid).zip(document.grid.nodes_um().iter().copied());
    // A grid has four nodes at least.
    let nowhere = (NodePlace::of(&document.grid, 0, 0), 0);
    CheckReport {
        verdicts: found.verdicts,
        unchecked: found.unchecked,
        surface,
        tie: document.survey.and_then(|marks| marks.tie),
        age_days: settings.age_days,
        flatness: Flatness::of_grid(&document.grid),
        band,
        lowest: nodes().min_by_key(|(_, um)| *um).unwrap_or(nowhere),
        highest: nodes().max_by_key(|(_, um)| *um).unwrap_or(nowhere),
    }
}

/// What has been found so far.
#[derive(Default)]
struct Found {
    verdicts: Vec<Verdict>,
    unchecked: Vec<Unchecked>,
}

impl Found {
    fn at(&mut self, place: NodePlace, finding: Finding) {
        self.verdicts.push(Verdict { place: Some(place), finding });
    }

    fn of_all(&mut self, finding: Finding) {
        self.verdicts.push(Verdict { place: None, finding });
    }
}
