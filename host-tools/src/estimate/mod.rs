//! The surface of a bed from readings at any places, and how sure it is.
//!
//! Plane, twist and bow are free; the rough part that a bed has besides, how far it reaches, and the hand are not
//! known, and so the predictions for many such settings are averaged, each by the likelihood of the readings under it.
//! Older surveys of the same plate tell its shape as well.

mod band;
mod error;
mod integrated;
mod kernel;
mod kriging;
mod leave_one_out;
mod next;
mod surveys;
mod tie;
mod weights;

pub use band::{Band, BandPlace};
pub use error::{EstimateError, FEWEST_READINGS, FEWEST_TIED, MOST_READINGS};
pub use integrated::{Estimate, Hand, Surely};
pub use leave_one_out::{Disagreement, LeaveOneOut};
pub use next::{Area, NextReading};
pub use surveys::{USUAL_DRIFT_UM, surveys_of};
pub use tie::TieCheck;
pub use weights::Weights;
