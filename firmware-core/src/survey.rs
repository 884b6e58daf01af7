//! The survey: one ordered visit of all stations by hand, as a state machine without any I/O.
//!
//! Events go in ([`SurveyEvent`]), one order comes out ([`Order`]); whatever drives the machine carries it out and
//! says [`SurveyEvent::Arrived`]. Time, temperatures and the switch are events too, so a survey can be rehearsed on a
//! desktop to the last detent.

mod corners;
mod height;
mod outlier;
mod plan;
mod prompt;
mod readings;
mod settings;
mod steps;

use heapless::Vec;

use corners::Corners;
pub use plan::{PlanError, SurveyPlan};
pub use prompt::{Caution, HOT_FROM_C, Prompt};
pub use settings::{SurveySettings, SurveySettingsError};

use crate::grid::MAX_HEIGHT_UM;
use crate::tie::TieError;

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SurveyEvent {
    /// All motion that was ordered has really ended: the motors stand still, after a [`Order::Step`] and a
    /// [`Order::Stop`] too.
    Arrived,
    /// The knob was turned; positive raises the nozzle.
    Turned {
        /// Detents.
        detents: i16,
    },
    /// The button was pressed: this is the reading, or yes.
    Pressed,
    /// Back one station, or no.
    Back,
    /// Leave out the middles of cells that are still to come; it counts while a gap is being set and nothing else is to
    /// come. The first station is visited again, and the surface goes through the other stations alone. Where a corner round
    /// asks for screws to be turned, leave them as they are and begin the survey.
    Enough,
    /// End it.
    Abort,
    /// How the limit switch stands: tell it once before a survey, and at each change. Untold counts as not tripped.
    LimitSwitch {
        /// Whether it is tripped, or its wire is broken.
        is_tripped: bool,
    },
    /// A screw of the bed was turned, or is going to be.
    ScrewTurned,
    /// How warm it is, and when.
    Temperature {
        /// The bed.
        bed_c: i16,
        /// The nozzle.
        nozzle_c: i16,
        /// Seconds on any clock that does not run backwards.
        at_s: u32,
    },
}

/// What is to be done next. A new order replaces the one under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "an order that is not carried out leaves the survey waiting; `order_due` gives it again"]
pub enum Order {
    /// Nothing new: show [`Survey::prompt`] and wait for an event.
    Wait,
    /// Stop all motion at once, wherever it is, then say [`SurveyEvent::Arrived`].
    Stop,
    /// Raise the nozzle straight to this height; never downwards.
    Lift {
        /// Machine height.
        z_um: i32,
    },
    /// Travel level to this point.
    Travel {
        /// Its X.
        x_um: i32,
        /// Its Y.
        y_um: i32,
    },
    /// Lower the nozzle to where it waits: above the bed where that is not measured, and above all that is.
    Approach {
        /// Machine height.
        z_um: i32,
    },
    /// Follow the knob.
    Step {
        /// Machine height.
        z_um: i32,
    },
    /// All is measured and the nozzle is off the bed: fetch it with [`Survey::result`].
    Done,
    /// The survey was ended without a result.
    Aborted,
}

/// Where the nozzle is going, or is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Visit {
    Station(usize),
    Again(usize),
    Closure,
}

/// What follows a lift.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Then {
    Visit(Visit),
    AskClosure,
    Done,
    /// The round begins anew.
    Start,
    /// The last station of the corner round is read.
    Corners,
    /// The limit switch had tripped, on the way down to the bed or elsewhere.
    AfterTrip {
        while_lowering: bool,
    },
    Abort,
}

/// Why the readings are void, while the nozzle stands where it stood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Void {
    Temperature { bed_c: i16 },
    Switch { while_lowering: bool },
    Screws,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Heating,
    Soaking {
        since_s: u32,
        left_s: u16,
    },
    Ready,
    Lifting(Then),
    Travelling(Visit),
    Approaching(Visit),
    Setting(Visit),
    Void(Void),
    RaiseBed,
    /// The corners are too far apart.
    TurnScrews,
    AskClosure,
    /// The readings cannot be tied to the old grid.
    TieRefused(TieError),
    Done,
    Aborted,
}

/// A survey under way, with memory for `CAPACITY` stations.
///
/// # What holds in every state
/// - **No motion without a hand.** An order that moves an axis answers a press or a turn of the knob, in the state whose
///   [`Prompt`] showed what it would do; the lift, the travel and the approach of one visit answer the same press.
///   Temperatures, the switch, a turned screw and the passing of time never move anything.
/// - **A press counts once the axes stand still**, and a reading needs a turn of the knob since the nozzle arrived: where
///   it waits there is surely no bed.
/// - **The switch is a level.** While it is tripped nothing begins, travels, approaches, steps or is read. A trip on the way
///   to a station or at it stops the axes and voids the round.
/// - **A round belongs to one bed at one temperature.** A bed that leaves its temperature window voids the round at that
///   moment, and so does a turned screw. A nozzle that leaves its window is waited for, and neither knob nor
///   button is heard meanwhile: it is long or short by a few micrometres only until it is back. The round ends with the last reading: what is asked after it can wait.
/// - **A corner round comes first**, if the [plan](SurveyPlan::with_corner_round) has one, and again after every turned
///   screw: the stations nearest to the screws are read, and nothing of that enters the grid. Are they farther apart than
///   [`SurveySettings::corner_limit_um`], the nozzle is up and [`Prompt::TurnScrews`] asks for hands; the advice is
///   [`TramAdvice`](crate::tram::TramAdvice) of [`Survey::corner_heights`]. Nothing moves until somebody said that the
///   screws are turned, and pressed, twice. Else the survey begins, in the setup that the round leaves.
/// - **A [tie](SurveyPlan::tie) is a survey of a few stations**, by all of these rules but one: no reading is
///   offered for another look, since
///   so few say whether the shape held, not which of them is off. Is the tie refused ([`Survey::refuse_tie`]), a
///   press ends the survey without
///   a result, and `Back` begins the round anew.
/// - **Every state can be left** by [`SurveyEvent::Abort`]: the nozzle is lifted if it may be low, and the survey is over.
///   A second abort ends it without the lift.
/// - **The order that is due can be asked for again** ([`Survey::order_due`]).
#[derive(Clone, Debug, PartialEq)]
pub struct Survey<const CAPACITY: usize> {
    plan: SurveyPlan<CAPACITY>,
    settings: SurveySettings,
    state: State,
    /// Axes may be moving: an order to move or to stop was given, and nobody said yet that it was carried out.
    is_moving: bool,
    /// Where the nozzle is sent to, or the highest it may be until it has arrived there.
    z_um: i32,
    bed_c: i16,
    nozzle_c: i16,
    bed_is_warm: bool,
    nozzle_is_warm: bool,
    /// The bed has not left its window since it was waited for.
    is_soaked: bool,
    is_tripped: bool,
    /// Somebody said that screws are turned since the switch was in the way, or the corners were found too far apart.
    is_told: bool,
    /// The knob was turned since the nozzle arrived.
    is_turned: bool,
    /// The knob was turned back up at this visit: what it seeks is near, and a detent moves little from here on.
    seeks_finely: bool,
    /// Nozzle heights by lattice node.
    readings_um: Vec<Option<i16>, CAPACITY>,
    /// Stations that are visited: all of the plan, unless somebody had enough.
    visits: usize,
    /// Stations that have been looked at a second time.
    looked_again: Vec<bool, CAPACITY>,
    /// The stations of the corner round are visited, not those of the survey.
    in_corner_round: bool,
    /// What the last corner round of this setup has found.
    corners: Option<Corners>,
    /// Sum of the bed's temperatures at the presses of this round, and how many there were.
    bed_sum_c: i32,
    presses: u16,
    off_um: i16,
    closure_um: i16,
}

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// A survey that begins with warming up; the nozzle stands at machine height `z_um` now.
    ///
    /// # Errors
    /// [`SurveySettingsError`] for settings that no survey could keep to.
    pub fn new(plan: SurveyPlan<CAPACITY>, settings: SurveySettings, z_um: i32) -> Result<Self, SurveySettingsError> {
        settings.check()?;
        // A reading has to fit a grid.
        let lowest_um = settings.lowest_um.max(-i32::from(MAX_HEIGHT_UM));
        let in_corner_round = !plan.corner_round().is_empty();
        let mut survey = Self {
            plan,
            settings: SurveySettings { lowest_um, ..settings },
            state: State::Heating,
            is_moving: false,
            z_um,
            bed_c: settings.bed_temperature_c,
            nozzle_c: settings.nozzle_temperature_c,
            bed_is_warm: false,
            nozzle_is_warm: false,
            is_soaked: false,
            is_tripped: false,
            is_told: false,
            is_turned: false,
            seeks_finely: false,
            readings_um: Vec::new(),
            visits: 0,
            looked_again: Vec::new(),
            in_corner_round,
            corners: None,
            bed_sum_c: 0,
            presses: 0,
            off_um: 0,
            closure_um: 0,
        };
        survey.forget();
        Ok(survey)
    }

    /// The plan.
    pub fn plan(&self) -> &SurveyPlan<CAPACITY> {
        &self.plan
    }

    /// Bed temperature at which the grid shall hold.
    pub fn wanted_bed_c(&self) -> i16 {
        self.settings.bed_temperature_c
    }

    /// The readings of a tie could not be used ([`Self::tied`] says why): instead of being done, the survey asks what to do.
    pub fn refuse_tie(&mut self, why: TieError) {
        if self.state == State::Done && self.plan.is_tie() {
            self.state = State::TieRefused(why);
        }
    }

    /// The station being set or gone to, as column and row of the plan's lattice; none outside a visit.
    pub fn station(&self) -> Option<(u8, u8)> {
        match self.visit()? {
            Visit::Station(index) | Visit::Again(index) => self.station_of(index),
            Visit::Closure => self.station_of(0),
        }
    }

    /// A station by the number of its visit.
    fn station_of(&self, index: usize) -> Option<(u8, u8)> {
        let order = if self.in_corner_round { self.plan.corner_round() } else { self.plan.order() };
        order.get(index).copied()
    }

    fn visit(&self) -> Option<Visit> {
        match self.state {
            State::Lifting(Then::Visit(visit))
            | State::Travelling(visit)
            | State::Approaching(visit)
            | State::Setting(visit) => Some(visit),
            _ => None,
        }
    }
}
