//! What a person should see while measuring.

use core::fmt;

/// What a person should see now; its text fits four lines of twenty characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
    /// Axes are moving.
    Moving {
        /// Which visit, from 1.
        visit: u16,
        /// Of how many.
        visits: u16,
    },
    /// Turn the knob until the feeler drags, then press.
    SetGap {
        /// Which visit, from 1.
        visit: u16,
        /// Of how many.
        visits: u16,
        /// Where the nozzle stands.
        z_um: i32,
        /// Whether a detent downwards moves `coarse_um`.
        is_coarse: bool,
    },
    /// The same once more, since the reading is far from what the others predict.
    LookAgain {
        /// Reading less prediction.
        off_um: i16,
        /// Where the nozzle stands.
        z_um: i32,
        /// Whether a detent downwards moves `coarse_um`.
        is_coarse: bool,
    },
    /// The limit switch tripped: raise the bed, which begins a new setup.
    RaiseBed {
        /// By this much at least.
        by_um: u16,
    },
    /// The first station has moved: press to accept, back to repeat.
    Closure {
        /// By this much.
        um: i16,
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
            Self::Heat { bed_c, nozzle_c } => {
                write!(f, "Warming up\nbed to {bed_c} C\nnozzle to {nozzle_c} C\nHOT: keep off")
            }
            Self::Soak { seconds } => write!(f, "Let the plate settle\n{seconds} s left\nHOT: keep off"),
            Self::Moving { visit, visits } => write!(f, "Station {visit} of {visits}\nmoving: hands off"),
            Self::SetGap { visit, visits, z_um, is_coarse } => {
                let coarse = coarse(is_coarse);
                write!(f, "Station {visit} of {visits}\nZ {z_um} um{coarse}\nturn: paper drags\npress: next")
            }
            Self::LookAgain { off_um, z_um, is_coarse } => {
                write!(f, "Look once more\noff by {off_um} um\nZ {z_um} um{}\npress: keep it", coarse(is_coarse))
            }
            Self::RaiseBed { by_um } => {
                write!(f, "Switch in the way\nraise every screw\nby {by_um} um or more\nthen start again")
            }
            Self::Closure { um } => write!(f, "First station moved\nby {um} um\npress: accept\nback: repeat"),
            Self::Done { closure_um } => write!(f, "Measured, not saved\nclosure {closure_um} um"),
            Self::Aborted => write!(f, "Ended, nothing kept"),
        }
    }
}

const fn coarse(is_coarse: bool) -> &'static str {
    if is_coarse { " coarse" } else { "" }
}
