//! The surface of a bed from readings at any places, and how sure it is.
//!
//! Plane, twist and bow are free; the rough part that a bed has besides, how far it reaches, and the hand are not
//! known, and so the predictions for many such settings are averaged, each by the likelihood of the readings under it.

mod band;
mod error;
mod integrated;
mod kernel;
mod kriging;
mod next;
mod weights;

pub use band::{Band, BandPlace};
pub use error::{EstimateError, FEWEST_READINGS, MOST_READINGS};
pub use integrated::{Estimate, Hand, Surely};
pub use next::{Area, NextReading};
pub use weights::Weights;
