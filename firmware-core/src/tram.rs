//! Tram advice: how far to turn which screw, and what no screw can take out.
//!
//! Least squares through the readings, read at the screws, say how high the bed stands there. Three screws, or a rigid
//! plate, hold a plane; a thin plate on four or more screws holds a plane and a twist. Bringing the heights at the screws to
//! one takes these out. The rest, a bow most of all, stays: the [`Residual`].
//!
//! # Signs and numbers
//! A height, a turn or an angle of advice is positive where the bed must be *raised*, at the screw's own place. Row
//! T-5 of the check values counts the other way round, the high side positive. Which way to turn a screw to raise the
//! bed depends on the mechanism: thread, hand and side from which it is seen. In code screws and readings count from
//! 0; in messages they count from 1, as people do.
//!
//! # Sources
//! - Turns are height over thread pitch, degrees 360 times that (rows T-3 and T-4); coarse pitches of ISO 261: M3
//!   500 µm, M4 700 µm, M5 800 µm (row T-1).
//! - Deviations are taken along Z from the least-squares plane, as ISO 12781-1 does along its normal (rows P-1, P-2,
//!   P-19). Without a twist, peak to valley and RMS are its FLTt and FLTq.
//! - The twist of a thin plate that is held at its corners: row K-1.

use core::fmt;

use heapless::Vec;

use crate::axis::MAX_SPAN_UM;
use crate::fixed_point::hold_i32;

mod change;
mod error;
mod plane;
mod residual;
mod scatter;
mod twist;

pub(crate) use change::{PlateChange, ScrewChange};
pub use error::TramError;
pub use plane::{BedHeight, BedPlane};
pub use residual::Residual;
pub use scatter::{MAX_AMPLIFICATION, MAX_TRAM_READINGS, MIN_SPREAD_UM};

use plane::FRACTION_BITS;
use scatter::{Scatter, multiply_divide};
use twist::Twist;

/// Fewest screws that hold a plane.
pub const MIN_SCREWS: usize = 3;

/// Most screws for which advice is given.
pub const MAX_SCREWS: usize = 8;

/// Finest thread: rise of one turn.
pub const MIN_THREAD_UM: u16 = 100;

/// Coarsest thread: rise of one turn.
pub const MAX_THREAD_UM: u16 = 10_000;

/// Longest way that advice moves the bed at a screw; no screw under a bed is longer.
pub const MAX_SCREW_TRAVEL_UM: i32 = 50_000;

/// A screw that raises and lowers the bed at one place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Screw {
    /// To the right.
    pub x_um: i32,
    /// To the back.
    pub y_um: i32,
    /// Rise of one turn, [`MIN_THREAD_UM`] to [`MAX_THREAD_UM`].
    pub thread_um_per_turn: u16,
}

/// To what height the bed's plane is brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Hold {
    /// This screw, counted from 0, is not turned.
    Screw(u8),
    /// The plane comes to this height; every screw may have to be turned.
    Height {
        /// Height of the plane.
        target_um: i32,
    },
    /// The highest screw is not turned, the others only raise the bed: headroom is gained.
    Highest,
    /// The lowest screw is not turned, the others only lower the bed: springs are pressed together.
    Lowest,
}

/// How to turn one screw.
///
/// As text it fits a line of 20 characters: `3 raise 1t 82 deg`, one turn and 82° more; `3 hold` below half a degree.
/// The three figures are rounded one by one from the same height, each to the nearest unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ScrewAdvice {
    /// The screw, counted from 0 in the order given.
    pub screw: u8,
    /// How far the bed must rise at the screw.
    pub raise_um: i32,
    /// Thousandths of a turn.
    pub raise_milliturns: i32,
    /// Tenths of a degree, whole turns included.
    pub raise_decidegrees: i32,
}

impl ScrewAdvice {
    fn new(screw: u8, raise_fine: i64, thread_um_per_turn: u16) -> Self {
        let per_turn = |parts| {
            let turn_fine = u64::from(thread_um_per_turn) << FRACTION_BITS;
            hold_i32(multiply_divide(parts, raise_fine, turn_fine).unwrap_or(0))
        };
        let raise_um = hold_i32(plane::round(raise_fine));
        Self { screw, raise_um, raise_milliturns: per_turn(1000), raise_decidegrees: per_turn(3600) }
    }
}

impl fmt::Display for ScrewAdvice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = u16::from(self.screw) + 1;
        let degrees = self.raise_decidegrees.unsigned_abs().saturating_add(5) / 10;
        let way = if self.raise_decidegrees < 0 { "lower" } else { "raise" };
        match (degrees / 360, degrees % 360) {
            (0, 0) => write!(f, "{number} hold"),
            (0, degrees) => write!(f, "{number} {way} {degrees} deg"),
            (turns, degrees) => write!(f, "{number} {way} {turns}t {degrees} deg"),
        }
    }
}

/// What to turn, and what stays.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TramAdvice {
    plane: BedPlane,
    twist: Option<Twist>,
    residual: Residual,
    screws: Vec<ScrewAdvice, MAX_SCREWS>,
}

impl TramAdvice {
    /// Advice from readings of the bed's height, for 3 to 8 screws in any order under a thin plate.
    ///
    /// Four or more screws are advised for plane and twist. Where the readings cannot tell the twist, because an error of
    /// one would grow more than [`MAX_AMPLIFICATION`] times, they are advised for the plane alone, and
    /// [`Self::takes_out_twist`] says so.
    ///
    /// At every screw the height is within 0.51 µm of the exact least-squares plane, half a micrometre of it for the
    /// rounding. With a twist it is within 1 µm and a thousandth of the twist's own height there. The readings are walked
    /// through several times, so a slice's `iter().copied()` or the nodes of a grid serve alike, without a copy.
    ///
    /// # Errors
    /// [`TramError`] says which screw or reading is badly placed or out of range, and what to do.
    pub fn new(
        readings: impl IntoIterator<Item = BedHeight, IntoIter: Clone>,
        screws: &[Screw],
        hold: Hold,
    ) -> Result<Self, TramError> {
        Self::with(readings.into_iter(), screws, hold, false)
    }

    /// The same for a plate so thick that it does not twist: the plane alone, whatever the number of screws.
    ///
    /// # Errors
    /// As for [`Self::new`].
    pub fn rigid(
        readings: impl IntoIterator<Item = BedHeight, IntoIter: Clone>,
        screws: &[Screw],
        hold: Hold,
    ) -> Result<Self, TramError> {
        Self::with(readings.into_iter(), screws, hold, true)
    }

    fn with(
        readings: impl Iterator<Item = BedHeight> + Clone,
        screws: &[Screw],
        hold: Hold,
        is_rigid: bool,
    ) -> Result<Self, TramError> {
        let plane = BedPlane::fit(readings.clone())?;
        let spread = check_screws(screws, &plane)?;
        // Both ways: a reading's error must not grow too much at a screw, nor a screw's slip at a reading.
        for (index, screw) in (0_u8..).zip(screws) {
            if !plane.scatter().reaches(screw.x_um, screw.y_um) {
                return Err(TramError::ReadingsTooNarrow { screw: index });
            }
        }
        for (index, reading) in (0_u8..=u8::MAX).zip(readings.clone()) {
            if !spread.reaches(reading.x_um, reading.y_um) {
                return Err(TramError::ScrewsTooNarrow { reading: index });
            }
        }
        let places = screws.iter().map(|screw| (screw.x_um, screw.y_um));
        let twist = if is_rigid { None } else { Twist::fit(readings.clone(), &plane, places.clone()) };
        let heights_fine = places
            .map(|(x_um, y_um)| plane.height_fine(x_um, y_um) + twist.map_or(0, |twist| twist.height_fine(x_um, y_um)));
        let target_fine = match hold {
            Hold::Screw(screw) => {
                heights_fine.clone().nth(screw.into()).ok_or(TramError::NoSuchScrew { screw, screws: screws.len() })?
            }
            Hold::Height { target_um } => i64::from(target_um) << FRACTION_BITS,
            Hold::Highest => heights_fine.clone().max().unwrap_or(0),
            Hold::Lowest => heights_fine.clone().min().unwrap_or(0),
        };
        let residual = Residual::of(readings, &plane, twist.as_ref());
        let mut advice = Self { plane, twist, residual, screws: Vec::new() };
        for ((index, screw), height_fine) in (0_u8..).zip(screws).zip(heights_fine) {
            let turn = ScrewAdvice::new(index, target_fine - height_fine, screw.thread_um_per_turn);
            if turn.raise_um.unsigned_abs() > MAX_SCREW_TRAVEL_UM.unsigned_abs() {
                return Err(TramError::TooFarToTurn { screw: index, raise_um: turn.raise_um });
            }
            advice.screws.push(turn).map_err(|_| TramError::ScrewCount { found: screws.len() })?;
        }
        Ok(advice)
    }

    /// How to turn each screw, in the order given.
    pub fn screws(&self) -> &[ScrewAdvice] {
        &self.screws
    }

    /// The plane as it stands now.
    pub fn plane(&self) -> &BedPlane {
        &self.plane
    }

    /// Whether the advice takes out a twist too.
    pub fn takes_out_twist(&self) -> bool {
        self.twist.is_some()
    }

    /// What the screws cannot take out.
    pub fn residual(&self) -> Residual {
        self.residual
    }
}

/// Refuses screws that cannot tram the bed; gives their scatter.
fn check_screws(screws: &[Screw], plane: &BedPlane) -> Result<Scatter, TramError> {
    if !(MIN_SCREWS..=MAX_SCREWS).contains(&screws.len()) {
        return Err(TramError::ScrewCount { found: screws.len() });
    }
    for (index, screw) in (0_u8..).zip(screws) {
        if !(MIN_THREAD_UM..=MAX_THREAD_UM).contains(&screw.thread_um_per_turn) {
            return Err(TramError::Thread { screw: index, thread_um_per_turn: screw.thread_um_per_turn });
        }
        if plane.scatter().distance_um(screw.x_um, screw.y_um) > MAX_SPAN_UM {
            return Err(TramError::ScrewTooFar { screw: index });
        }
        for (earlier, other) in (0_u8..index).zip(screws) {
            if screw.x_um.abs_diff(other.x_um).max(screw.y_um.abs_diff(other.y_um)) < MIN_SPREAD_UM {
                return Err(TramError::ScrewsInOnePlace { first: earlier, second: index });
            }
        }
    }
    // All within reach of the first reading, so within twice that of each other, which the sums of eight bear.
    Scatter::new(screws.iter().map(|screw| (screw.x_um, screw.y_um))).ok_or(TramError::ScrewsInLine)
}

#[cfg(test)]
mod tests;
