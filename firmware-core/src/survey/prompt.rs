//! What a person should see while measuring.

use core::fmt;

use super::{Corners, State, Survey, Then, Visit, Void};
use crate::tie::TieError;

/// From this temperature a surface of any material burns a finger that stays on it for ten minutes (row S-2, ISO 13732-1,
/// from memory). Hotter metal burns in seconds.
pub const HOT_FROM_C: i16 = 48;

/// What a person should see now; its text fits three lines of twenty characters. A [`Caution`] takes the fourth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Prompt {
    /// Waiting for bed and nozzle.
    Heat {
        /// What the bed should have.
        bed_c: i16,
        /// What the nozzle should have.
        nozzle_c: i16,
    },
    /// Waiting for the plate to settle.
    Soak {
        /// What is left of it.
        seconds: u16,
    },
    /// A press lifts the nozzle and takes it to the first station.
    Ready {
        /// How many visits there will be.
        visits: u16,
        /// Whether they are those of the corner round.
        is_corner: bool,
    },
    /// The corner round is over. A press lifts the nozzle and takes it to the first station of the survey.
    Trammed {
        /// How far the corners are apart in height.
        apart_um: u16,
        /// How far below the lowest corner the nozzle may still go.
        headroom_um: i32,
        /// How many visits there will be.
        visits: u16,
    },
    /// Axes are moving.
    Moving {
        /// Which visit, from 1.
        visit: u16,
        /// Of how many.
        visits: u16,
        /// Whether they are those of the corner round.
        is_corner: bool,
    },
    /// The nozzle is being lifted, and nothing follows by itself.
    Lifting,
    /// Turn the knob until the feeler drags, then press.
    SetGap {
        /// Which visit, from 1.
        visit: u16,
        /// Of how many.
        visits: u16,
        /// Whether they are those of the corner round.
        is_corner: bool,
        /// Where the nozzle stands.
        z_um: i32,
        /// Whether a detent downwards moves `coarse_um`.
        is_coarse: bool,
        /// Whether the knob was turned since the nozzle arrived; before that a press is no reading.
        is_turned: bool,
    },
    /// The same once more, since the reading is far from what the others predict.
    LookAgain {
        /// Reading less prediction.
        off_um: i16,
        /// Where the nozzle stands.
        z_um: i32,
        /// Whether a detent downwards moves `coarse_um`.
        is_coarse: bool,
        /// Whether the knob was turned since the nozzle arrived.
        is_turned: bool,
    },
    /// The bed left its temperature window: the round is void. A press lifts the nozzle; then it is warmed up again.
    BedTemperature {
        /// What the bed had when it left.
        bed_c: i16,
        /// What it should have.
        wanted_c: i16,
    },
    /// The limit switch is tripped, or its wire is broken: nothing is lowered.
    SwitchTripped {
        /// Whether the round is void and a press lifts the nozzle; else the survey has not begun.
        press_lifts: bool,
    },
    /// The limit switch was in the way: raise the bed, which begins a new setup.
    RaiseBed {
        /// By this much at least.
        by_um: u16,
        /// Whether somebody said that the screws are turned; then a press goes on, else `Back` if they are not.
        is_told: bool,
    },
    /// The corners are too far apart: turn the screws as advised, which begins a new setup. `Back` reads the corners again,
    /// `Enough` leaves the screws as they are.
    TurnScrews {
        /// By this much in height.
        apart_um: u16,
        /// What they may be apart.
        limit_um: u16,
        /// Whether somebody said that the screws are turned; then a press goes on.
        is_told: bool,
    },
    /// A screw was turned: the round is void. A press lifts the nozzle, and the round begins anew.
    HandsOff,
    /// The first station has moved: press to accept, back to repeat.
    Closure {
        /// By this much.
        um: i16,
    },
    /// The readings of a tie do not fit the old grid: a whole survey is needed. A press ends this one, `Back`
    /// begins the round anew.
    TieRefused {
        /// Why.
        why: TieError,
    },
    /// Measured.
    Done {
        /// Change at the first station.
        closure_um: i16,
    },
    /// Ended without a result.
    Aborted,
}

impl fmt::Display for Prompt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Heat { bed_c, nozzle_c } => write!(f, "Warming up\nbed to {bed_c} C\nnozzle to {nozzle_c} C"),
            Self::Soak { seconds } => write!(f, "Let the plate settle\n{seconds} s left"),
            Self::Ready { visits, is_corner } => {
                let what = if is_corner { "corner" } else { "station" };
                write!(f, "Hands off, then\npress: go to {what}\n1 of {visits}")
            }
            Self::Trammed { apart_um, headroom_um, visits } => {
                write!(f, "Corners off {apart_um} um\nheadroom {headroom_um} um\npress: station 1/{visits}")
            }
            Self::Moving { visit, visits, is_corner } => {
                write!(f, "{} {visit} of {visits}\nmoving: hands off", station(is_corner))
            }
            Self::Lifting => write!(f, "Nozzle is lifted\nmoving: hands off"),
            Self::SetGap { visit, visits, is_corner, z_um, is_coarse, is_turned } => {
                let hand = if is_turned { "paper drags? press" } else { "turn: paper drags" };
                let what = station(is_corner);
                write!(f, "{what} {visit} of {visits}\nZ {z_um} um{}\n{hand}", coarse(is_coarse))
            }
            Self::LookAgain { off_um, z_um, is_coarse, is_turned } => {
                let hand = if is_turned { "paper drags? press" } else { "turn: paper drags" };
                write!(f, "Again: off {off_um} um\nZ {z_um} um{}\n{hand}", coarse(is_coarse))
            }
            Self::BedTemperature { bed_c, wanted_c } => {
                write!(f, "Void: bed {bed_c} C\nset for {wanted_c} C\npress: lift, restart")
            }
            Self::SwitchTripped { press_lifts: true } => write!(f, "Limit switch tripped\nround void\npress: lift"),
            Self::SwitchTripped { press_lifts: false } => write!(f, "Limit switch tripped\ncheck it, its wire"),
            Self::RaiseBed { by_um, is_told } => {
                let hand = if is_told { "then press" } else { "first: say so, save" };
                write!(f, "Switch in the way:\nraise all {by_um} um\n{hand}")
            }
            Self::TurnScrews { apart_um, limit_um, is_told } => {
                let hand = if is_told { "hands off, press" } else { "first: say so, save" };
                write!(f, "Corners off {apart_um} um\nturn to within {limit_um}\n{hand}")
            }
            Self::HandsOff => write!(f, "Screw turned: void\nhands off, then\npress: lift, restart"),
            Self::Closure { um } => write!(f, "First station moved\nby {um} um\npress: ok back: redo"),
            Self::TieRefused { why } => {
                match why {
                    TieError::Shape { residual_um } => writeln!(f, "Shape off {residual_um} um")?,
                    _ => writeln!(f, "Cannot be tied")?,
                }
                write!(f, "whole survey needed\npress: end back:redo")
            }
            Self::Done { closure_um } => write!(f, "Measured, not saved\nclosure {closure_um} um"),
            Self::Aborted => write!(f, "Ended, nothing kept"),
        }
    }
}

const fn station(is_corner: bool) -> &'static str {
    if is_corner { "Corner" } else { "Station" }
}

const fn coarse(is_coarse: bool) -> &'static str {
    if is_coarse { " coarse" } else { "" }
}

/// What is hot while hands are near the nozzle or the screws; its text fits a line of twenty characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Caution {
    /// The bed.
    pub bed_c: i16,
    /// The nozzle.
    pub nozzle_c: i16,
    /// The work can be done in gloves, or when all has cooled down: turning screws, looking after a switch. Setting a
    /// gap needs bare fingers and the working temperature.
    pub can_wear_gloves: bool,
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Beyond that it is the thermometer that is wrong.
        #[allow(clippy::manual_clamp, reason = "a clamp has a panic in it")]
        let shown = |celsius: i16| celsius.max(-99).min(999);
        let (bed_c, nozzle_c) = (shown(self.bed_c), shown(self.nozzle_c));
        match self.can_wear_gloves {
            true => write!(f, "HOT {bed_c}/{nozzle_c} C: gloves"),
            false => write!(f, "HOT bed {bed_c} tip {nozzle_c}"),
        }
    }
}

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// What a person should see now.
    pub fn prompt(&self) -> Prompt {
        let is_corner = self.in_corner_round;
        // A plan has 256 stations at the most, and only a survey visits the first one again.
        let visits = self.visits as u16 + u16::from(!is_corner);
        let number = |visit| match visit {
            Visit::Station(index) | Visit::Again(index) => index as u16 + 1,
            Visit::Closure => visits,
        };
        let (is_coarse, is_turned, z_um) = (self.is_coarse(), self.is_turned, self.z_um);
        match self.state {
            State::Heating | State::Soaking { .. } | State::Ready if self.is_tripped => {
                Prompt::SwitchTripped { press_lifts: false }
            }
            State::Soaking { left_s, .. } => Prompt::Soak { seconds: left_s },
            State::Ready if self.may_begin() => match self.corners {
                Some(corners) if !is_corner => {
                    Prompt::Trammed { apart_um: corners.apart_um(), headroom_um: self.headroom_um(corners), visits }
                }
                _ => Prompt::Ready { visits, is_corner },
            },
            State::Setting(visit) if self.is_setting() => match visit {
                Visit::Again(_) => Prompt::LookAgain { off_um: self.off_um, z_um, is_coarse, is_turned },
                visit => Prompt::SetGap { visit: number(visit), visits, is_corner, z_um, is_coarse, is_turned },
            },
            State::Heating | State::Ready | State::Setting(_) => {
                Prompt::Heat { bed_c: self.settings.bed_temperature_c, nozzle_c: self.settings.nozzle_temperature_c }
            }
            State::Lifting(Then::Visit(visit)) | State::Travelling(visit) | State::Approaching(visit) => {
                Prompt::Moving { visit: number(visit), visits, is_corner }
            }
            State::Lifting(_) => Prompt::Lifting,
            State::Void(Void::Temperature { bed_c }) => {
                Prompt::BedTemperature { bed_c, wanted_c: self.settings.bed_temperature_c }
            }
            State::Void(Void::Switch { .. }) => Prompt::SwitchTripped { press_lifts: true },
            State::Void(Void::Screws) => Prompt::HandsOff,
            State::RaiseBed => Prompt::RaiseBed { by_um: self.settings.headroom_um, is_told: self.is_told },
            State::TurnScrews => Prompt::TurnScrews {
                apart_um: self.corners.map_or(0, Corners::apart_um),
                limit_um: self.settings.corner_limit_um,
                is_told: self.is_told,
            },
            State::AskClosure => Prompt::Closure { um: self.closure_um },
            State::TieRefused(why) => Prompt::TieRefused { why },
            State::Done => Prompt::Done { closure_um: self.closure_um },
            State::Aborted => Prompt::Aborted,
        }
    }

    /// What is hot now; none while nothing is.
    pub fn caution(&self) -> Option<Caution> {
        let Self { bed_c, nozzle_c, .. } = *self;
        let can_wear_gloves =
            matches!(self.state, State::RaiseBed | State::TurnScrews | State::Void(Void::Switch { .. } | Void::Screws))
                || self.is_tripped;
        (bed_c.max(nozzle_c) >= HOT_FROM_C).then_some(Caution { bed_c, nozzle_c, can_wear_gloves })
    }
}
