//! What a line asks for, all of it read and checked before any of it is done.

use gapkeeper::{Arc, ArcError, Move, Plane, Point, Turn};

use crate::{Refusal, Word, Words};

/// How coordinates are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Distance {
    Absolute,
    Relative,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Motion {
    Straight,
    Arc(Turn),
}

/// What holds from line to line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Modes {
    motion: Motion,
    distance: Distance,
    e_distance: Distance,
    plane: Plane,
    pub(crate) feed_nm_min: u64,
    pub(crate) bed_c: i16,
    pub(crate) nozzle_c: i16,
}

impl Modes {
    /// After a start.
    pub(crate) const fn new() -> Self {
        Self {
            motion: Motion::Straight,
            distance: Distance::Absolute,
            e_distance: Distance::Absolute,
            plane: Plane::Xy,
            feed_nm_min: 0,
            bed_c: 20,
            nozzle_c: 20,
        }
    }
}

/// The one thing that a line does, besides its modes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Act {
    Nothing,
    Move,
    Home,
    MotorsOff,
    /// Where `E` stands, in nanometres.
    SetE(i64),
}

/// A line's modes and what it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Plan {
    pub(crate) modes: Modes,
    pub(crate) act: Act,
    /// It sets a temperature.
    pub(crate) heats: bool,
}

/// Kinds of words of which a line has one at the most (row G-3: NISTIR 6556, 3.3.4 and 3.3.5); a bit each, beyond those of
/// the letters.
const MOTION: u32 = 26;
const PLANE: u32 = 27;
const DISTANCE: u32 = 28;
const E_DISTANCE: u32 = 29;
const UNITS: u32 = 30;
const HEATER: u32 = 31;
/// Words that take the axis words for themselves, or none.
const OWNER: u32 = 32;

impl Plan {
    /// Reads a line in the modes that hold before it.
    ///
    /// # Errors
    /// [`Refusal`] at the first word that cannot be done.
    pub(crate) fn new(words: &Words, modes: Modes) -> Result<Self, Refusal> {
        let mut plan = Self { modes, act: Act::Nothing, heats: false };
        let mut seen = 0_u64;
        for word in words.iter() {
            let kind = plan.take(word, words)?;
            let kind = match (kind, word.letter) {
                (Some(kind), _) => kind,
                // Any number of words that change nothing here.
                (None, b'G' | b'M') => continue,
                (None, letter) => u32::from(letter.saturating_sub(b'A')),
            };
            if seen & 1 << kind != 0 {
                return Err(Refusal::Conflict(*word));
            }
            seen |= 1 << kind;
            if seen & 1 << OWNER != 0 && seen & 1 << MOTION != 0 {
                return Err(Refusal::Conflict(*word));
            }
        }
        if words.iter().any(is_axis) && seen & 1 << OWNER == 0 {
            plan.act = Act::Move;
        }
        Ok(plan)
    }

    /// Takes one word in; its kind, where that is more than its letter.
    fn take(&mut self, word: &Word, words: &Words) -> Result<Option<u32>, Refusal> {
        let modes = &mut self.modes;
        Ok(Some(match (word.letter, word.whole()) {
            (b'G', Some(number @ 0..=3)) => {
                modes.motion = match number {
                    2 => Motion::Arc(Turn::Clockwise),
                    3 => Motion::Arc(Turn::Anticlockwise),
                    _ => Motion::Straight,
                };
                MOTION
            }
            (b'G', Some(number @ 17..=19)) => {
                modes.plane = match number {
                    17 => Plane::Xy,
                    18 => Plane::Zx,
                    _ => Plane::Yz,
                };
                PLANE
            }
            (b'G', Some(number @ (90 | 91))) => {
                modes.distance = if number == 90 { Distance::Absolute } else { Distance::Relative };
                DISTANCE
            }
            (b'G', Some(21)) => UNITS,
            (b'G', Some(4)) => {
                // A dwell or a move: nobody could say whose they are.
                match words.iter().find(|word| is_axis(word)) {
                    Some(axis) => return Err(Refusal::Conflict(*axis)),
                    None => OWNER,
                }
            }
            (b'G', Some(28)) => {
                self.act = Act::Home;
                OWNER
            }
            (b'G', Some(92)) => {
                // Only `E` may be set: this controller keeps no further zeros.
                if let Some(axis) = words.iter().find(|word| matches!(word.letter, b'X' | b'Y' | b'Z')) {
                    return Err(Refusal::Unknown(*axis));
                }
                self.act = words.millionths(b'E').map_or(Act::Nothing, Act::SetE);
                OWNER
            }
            (b'G', _) => return Err(Refusal::Unknown(*word)),
            (b'M', Some(number @ (82 | 83))) => {
                modes.e_distance = if number == 82 { Distance::Absolute } else { Distance::Relative };
                E_DISTANCE
            }
            (b'M', Some(84)) => {
                self.act = Act::MotorsOff;
                OWNER
            }
            (b'M', Some(number @ (104 | 109 | 140 | 190))) => {
                let temperature_c = match words.number(b'S') {
                    Some(word) => {
                        let number_c = word.millionths.checked_div(1_000_000).unwrap_or(0);
                        Some(i16::try_from(number_c).map_err(|_| Refusal::Number(*word))?)
                    }
                    None => None,
                };
                let of = if matches!(number, 104 | 109) { &mut modes.nozzle_c } else { &mut modes.bed_c };
                *of = temperature_c.unwrap_or(*of);
                self.heats = true;
                HEATER
            }
            (b'F', _) => {
                modes.feed_nm_min = u64::try_from(word.millionths).map_err(|_| Refusal::Number(*word))?;
                return Ok(None);
            }
            _ => return Ok(None),
        }))
    }
}

fn is_axis(word: &Word) -> bool {
    matches!(word.letter, b'X' | b'Y' | b'Z' | b'E')
}

/// A motion as the line asks for it, and where the job is after it.
pub(crate) struct Journey {
    pub(crate) path: Path,
    pub(crate) to_nm: [i64; 3],
    pub(crate) to_e_nm: i64,
}

pub(crate) enum Path {
    Straight(Move<1>),
    Arc(Result<Arc<1>, ArcError>),
}

impl Journey {
    /// The motion of a line from where the job is.
    ///
    /// # Errors
    /// [`Refusal::Coordinate`].
    #[inline(never)]
    pub(crate) fn new(words: &Words, modes: &Modes, at_nm: [i64; 3], e_nm: i64) -> Result<Self, Refusal> {
        let aim = |letter, from_nm: i64, distance| match (words.millionths(letter), distance) {
            (None, _) => Ok(from_nm),
            (Some(nm), Distance::Absolute) => Ok(nm),
            (Some(nm), Distance::Relative) => from_nm.checked_add(nm).ok_or(Refusal::Coordinate),
        };
        let [x_nm, y_nm, z_nm] = at_nm;
        let to_nm =
            [aim(b'X', x_nm, modes.distance)?, aim(b'Y', y_nm, modes.distance)?, aim(b'Z', z_nm, modes.distance)?];
        let to_e_nm = aim(b'E', e_nm, modes.e_distance)?;
        let extruded_nm = to_e_nm.checked_sub(e_nm).and_then(|nm| i32::try_from(nm).ok());
        let motion = Move {
            start: point(at_nm)?,
            end: point(to_nm)?,
            extra_start: [0],
            extra_end: [extruded_nm.ok_or(Refusal::Coordinate)?],
        };
        let path = match modes.motion {
            Motion::Straight => Path::Straight(motion),
            Motion::Arc(turn) => Path::Arc(arc(words, modes.plane, turn, motion)?),
        };
        Ok(Self { path, to_nm, to_e_nm })
    }
}

fn arc(words: &Words, plane: Plane, turn: Turn, motion: Move<1>) -> Result<Result<Arc<1>, ArcError>, Refusal> {
    let offset = |letter| words.millionths(letter).map_or(Ok(0), whole_um);
    Ok(match words.millionths(b'R') {
        Some(radius_nm) => Arc::with_radius(motion, plane, turn, whole_um(radius_nm)?),
        None => {
            let [first, second] = match plane {
                Plane::Xy => [b'I', b'J'],
                Plane::Zx => [b'K', b'I'],
                Plane::Yz => [b'J', b'K'],
            };
            Arc::with_centre(motion, plane, turn, [offset(first)?, offset(second)?])
        }
    })
}

/// Whole micrometres, rounded half away from zero.
pub(crate) fn whole_um(nm: i64) -> Result<i32, Refusal> {
    let rest = nm % 1000;
    let rounding = if rest.abs() >= 500 { rest.signum() } else { 0 };
    i32::try_from(nm / 1000 + rounding).map_err(|_| Refusal::Coordinate)
}

pub(crate) fn point([x_nm, y_nm, z_nm]: [i64; 3]) -> Result<Point, Refusal> {
    Ok(Point { x_um: whole_um(x_nm)?, y_um: whole_um(y_nm)?, z_um: whole_um(z_nm)? })
}
