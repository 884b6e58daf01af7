//! Follows a program's modes and places, line by line.

use std::collections::BTreeMap;

use gapkeeper::Plane;

use super::block::{self, Block, Letters, Oddity};
use super::decimal::Units;
use super::error::GcodeError;
use super::line::Line;
use super::motion::{Action, Position};
use super::state::{EXTRUDER, State};

/// Most different names that are counted one by one; a broken file must not fill the memory.
const COUNTED_NAMES: usize = 1000;

/// Follows the modal state of a program and says what each of its lines does.
///
/// # Rules
/// Those of NISTIR 6556, with what the additive dialects share. Where the standard is silent:
///
/// - At the start: millimetres, absolute, XY plane, no motion mode, no feed, everything at zero.
/// - `E` is an axis. It follows `G90`/`G91` until the first `M82` or `M83`, and from there on those (common practice,
///   no source).
/// - `G28` takes the axes named on its line, with or without numbers, or X, Y and Z if it names none, to the machine's
///   zero. What a number means (a way point in the standard) is not followed. A shift that `G92` gave to these axes is
///   dropped.
/// - `G53` takes X, Y and Z as machine coordinates, under `G91` too.
/// - An `F` of zero takes the feed away. An `F` is read in the units of its own line's `G20` or `G21`.
/// - An unknown `G` word on a line without a motion word owns all letters of its line: they do not move anything.
/// - `M2` and `M30` set the modes back as in 3.6.1 of the standard, as far as they are followed here; lines behind them
///   are executed. The caller who wants to stop asks [`Self::has_ended`].
///
/// Words that are valid but not modelled (`G10`, `G30`, `G38.2`, `G41` to `G43`, `G55` to `G59.3`, `G92.1` to `G92.3`,
/// turning axes) may put the machine elsewhere than [`Self::position`] says: see [`Self::unmodelled_words`].
#[derive(Clone, Debug)]
pub struct Interpreter {
    state: State,
    unknown: BTreeMap<String, u64>,
    unmodelled: BTreeMap<String, u64>,
}

/// How the numbers of a line are meant, after it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Modes {
    /// See [`Interpreter::units`].
    pub(crate) units: Units,
    /// Whether the line moved X, Y and Z, and `E`, by changes rather than to places; its own `M2` may have ended that
    /// since.
    pub(crate) moved_by_changes: [bool; 2],
    /// See [`Interpreter::offset_nm`].
    pub(crate) offset_nm: [i64; 4],
    /// See [`Interpreter::extruded_nm`].
    pub(crate) extruded_nm: i64,
}

impl Default for Interpreter {
    fn default() -> Self {
        Self::new()
    }
}

impl Interpreter {
    /// An interpreter at the start of a program.
    pub fn new() -> Self {
        Self { state: State::new(), unknown: BTreeMap::new(), unmodelled: BTreeMap::new() }
    }

    /// Executes one line.
    ///
    /// # Errors
    /// A [`GcodeError`] with the place of the word that cannot be; then nothing has changed, and the next line may be
    /// executed.
    #[inline]
    pub fn execute(&mut self, line: &Line<'_>) -> Result<Action, GcodeError> {
        if line.words().is_empty() {
            return Ok(Action::None);
        }
        match self.state.apply_plain(line.words()) {
            Some(action) => Ok(action),
            None => self.execute_with_care(line),
        }
    }

    fn execute_with_care(&mut self, line: &Line<'_>) -> Result<Action, GcodeError> {
        let mut block = Block::new(line.words());
        block.sort().map_err(|fault| line.error(fault))?;
        let before = self.state;
        let action = self.state.apply(&block).map_err(|fault| {
            self.state = before;
            line.error(fault)
        })?;
        if block.has_oddities || !block.letters.and(Letters::TURNING).is_empty() {
            self.count(&block);
        }
        Ok(action)
    }

    /// Where the machine is.
    pub fn position(&self) -> Position {
        self.state.position()
    }

    /// Sum of all changes of `E`; `G92` does not change it.
    pub fn extruded_nm(&self) -> i64 {
        self.state.position_nm[EXTRUDER]
    }

    /// The shift of X, Y, Z and `E` by `G92`: machine coordinate minus the program's.
    pub fn offset_nm(&self) -> [i64; 4] {
        self.state.offset_nm
    }

    /// The units in force.
    pub fn units(&self) -> Units {
        self.state.units
    }

    /// Whether `G91` is in force.
    pub fn is_incremental(&self) -> bool {
        self.state.incremental
    }

    /// Whether `E` words are changes rather than places.
    pub fn is_extruder_relative(&self) -> bool {
        self.state.is_extruder_relative()
    }

    /// What a writer of the last line has to know.
    pub(crate) fn modes(&self) -> Modes {
        let State { units, moved_by_changes, offset_nm, .. } = self.state;
        Modes { units, moved_by_changes, offset_nm, extruded_nm: self.extruded_nm() }
    }

    /// The plane for arcs.
    pub fn plane(&self) -> Plane {
        self.state.plane
    }

    /// The feed per minute; none before the first `F`, or under `G93`.
    pub fn feed_nm_min(&self) -> Option<u64> {
        self.state.feed()
    }

    /// The last nozzle temperature ordered by `M104` or `M109`, rounded to whole degrees Celsius.
    pub fn nozzle_temperature_c(&self) -> Option<i16> {
        self.state.nozzle_temperature_c
    }

    /// The last bed temperature ordered by `M140` or `M190`, rounded to whole degrees Celsius.
    pub fn bed_temperature_c(&self) -> Option<i16> {
        self.state.bed_temperature_c
    }

    /// Whether a `G28` has been executed.
    pub fn was_homed(&self) -> bool {
        self.state.was_homed
    }

    /// Whether an `M2` or `M30` has been executed.
    pub fn has_ended(&self) -> bool {
        self.state.has_ended
    }

    /// How often each word was met that neither the standard nor the additive dialects' common words know.
    ///
    /// Behind the first 1000 different names, further ones are counted together as `others`.
    pub fn unknown_words(&self) -> &BTreeMap<String, u64> {
        &self.unknown
    }

    /// How often each valid word was met whose effect on places is not followed.
    pub fn unmodelled_words(&self) -> &BTreeMap<String, u64> {
        &self.unmodelled
    }

    fn count(&mut self, block: &Block<'_>) {
        for word in block.words {
            let oddity = match block::oddity(word) {
                None if Letters::TURNING.has(word.letter()) && !block.is_foreign => Some(Oddity::Unmodelled),
                oddity => oddity,
            };
            let counts = match oddity {
                Some(Oddity::Unknown) => &mut self.unknown,
                Some(Oddity::Unmodelled) => &mut self.unmodelled,
                None => continue,
            };
            let name = block::name(word);
            let is_full = counts.len() >= COUNTED_NAMES && !counts.contains_key(&name);
            *counts.entry(if is_full { "others".to_owned() } else { name }).or_default() += 1;
        }
    }
}
