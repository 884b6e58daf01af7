//! Follows a program's modes and places, line by line.

use std::collections::BTreeMap;

use gapkeeper::Plane;

use super::block::{self, Block, Letters};
use super::decimal::Units;
use super::error::{Fault, GcodeError};
use super::expression::{self, Parameters};
use super::knowledge::{Axes, Cause, Effect, Notes, Oddity, WordCount};
use super::line::Line;
use super::motion::Action;
use super::state::{EXTRUDER, State};
use super::straight::Position;
use super::vocabulary::MotionMode;
use super::word::{SETTING, Word};

/// Most different names that are counted one by one; a broken file must not fill the memory.
const COUNTED_NAMES: usize = 1000;

/// Follows the modal state of a program and tells what each of its lines does.
///
/// # Rules
/// Those of NISTIR 6556, with what the additive dialects share. Where the standard is silent:
///
/// - At the start: millimetres, absolute, XY plane, no motion mode, no feed, everything at zero, `G54` at the machine's
///   zero.
/// - `E` is an axis. It follows `G90`/`G91` until the first `M82` or `M83`, and from there on those (common practice,
///   no source). Controllers differ under `G91` and `M82`: see [`Self::with_e_following_g91`].
/// - A feed is needed by the standard. A job that has named `E`, or has another word of the additive dialects, has one
///   from its controller (common practice, no source).
/// - `G28` takes the axes named on its line, with or without numbers, or X, Y and Z if it names none, to the machine's
///   zero. What a number means (a way point in the standard) is not followed. A shift that `G92` gave to these axes is
///   dropped.
/// - `G53` takes X, Y and Z as machine coordinates, under `G91` too.
/// - An `F` of zero takes the feed away. An `F` is read in the units of its own line's `G20` or `G21`.
/// - An unknown `G` word on a line without a motion word owns all letters of its line: they do not move anything.
/// - `M2` and `M30` end the program and set modes back as in 3.6.1 of the standard: lines after them do nothing.
/// - `P` of an arc is how many turns it takes (common practice, no source).
/// - A parameter that the job has not set has no value. Parameters of the standard's own tables are not followed.
///
/// Where the machine may be elsewhere than [`Self::position`] tells, [`Self::lost_axes`] has the axis: at the start, after
/// homing, probing, tool changes, macros, unknown words, compensation, and under offsets that only the controller knows.
#[derive(Clone, Debug)]
pub struct Interpreter {
    state: State,
    parameters: Parameters,
    counts: [BTreeMap<String, WordCount>; 2],
    notes: Notes,
    since: [u64; 4],
}

/// How the numbers of a line are meant, after it.
#[derive(Clone, Copy, Debug)]
pub struct Modes {
    /// See [`Interpreter::units`].
    pub units: Units,
    /// Whether the line moved X, Y and Z, and `E`, by changes rather than to places; its own `M2` may have ended that
    /// since.
    pub moved_by_changes: [bool; 2],
    /// `E` of the line can be read in two ways.
    pub is_e_unsure: bool,
    /// Axes that are not known before the line, ...
    pub lost_before: Axes,
    /// ... and after it.
    pub lost: Axes,
    /// `F` of a line under `G93`, in millionths; 0 for any other.
    pub rate_millionths: u64,
    /// See [`Interpreter::offset_nm`].
    pub offset_nm: [i64; 4],
    /// See [`Interpreter::extruded_nm`].
    pub extruded_nm: i64,
}

impl Default for Interpreter {
    fn default() -> Self {
        Self::new()
    }
}

impl Interpreter {
    /// An interpreter at the start of a program.
    pub fn new() -> Self {
        Self {
            state: State::new(),
            parameters: Parameters::default(),
            counts: Default::default(),
            notes: Notes::new(),
            since: [1; 4],
        }
    }

    /// The same for a controller whose `E` is relative under `G91` whatever `M82` says, or only under `M83`.
    #[must_use]
    pub fn with_e_following_g91(mut self, follows: bool) -> Self {
        self.state.e_follows_g91 = Some(follows);
        self
    }

    /// The same for dialects in which two words of one modal group may stand on a line: the later one counts, and after
    /// `G80` the motion from before the cycle goes on (common practice of controls, no source).
    #[must_use]
    pub fn lenient(mut self) -> Self {
        self.state.is_lenient = true;
        self
    }

    /// The same for a caller who asks which axes are known: an arc from a place that is not known is not checked.
    #[must_use]
    pub fn doubtful(mut self) -> Self {
        self.state.is_doubtful = true;
        self
    }

    /// The same with the zero of `G54` somewhere else than at the machine's, along the axes given, in whatever way the
    /// job sets it.
    #[must_use]
    pub fn with_origin(mut self, origin_nm: [Option<i64>; 3]) -> Self {
        self.state.offsets.state_origin(origin_nm);
        self.state.follow_offsets();
        self
    }

    /// Executes one line.
    ///
    /// # Errors
    /// A [`GcodeError`] with the place of the word that cannot be; then nothing has changed, and the next line may be
    /// executed.
    #[inline]
    pub fn execute(&mut self, line: &Line<'_>) -> Result<Action, GcodeError> {
        if !line.words().is_empty() && !line.is_deletable() {
            if let Some(action) = self.state.apply_plain(line.words()) {
                if !self.notes.is_empty() {
                    self.notes.clear();
                }
                return Ok(action);
            }
        } else if line.is_plain() {
            self.state.rest();
            return Ok(Action::None);
        }
        self.execute_with_care(line)
    }

    fn execute_with_care(&mut self, line: &Line<'_>) -> Result<Action, GcodeError> {
        self.notes.clear();
        if line.is_macro() && !self.state.has_ended {
            self.call_macro(line);
            return Ok(Action::None);
        }
        if line.words().is_empty() || self.state.has_ended {
            self.state.rest();
            return Ok(Action::None);
        }
        let computed = self.compute(line).map_err(|fault| line.error(fault))?;
        let words = computed.as_ref().map_or(line.words(), |(words, _)| words);
        let mut block = Block::new(words, self.state.is_lenient);
        block.sort().map_err(|fault| line.error(fault))?;
        let before = self.state;
        let done = self.state.apply(&block, &mut self.notes);
        let action = done.map_err(|fault| {
            self.state = before;
            self.notes.clear();
            line.error(fault)
        })?;
        let text = line.free_text().unwrap_or_default();
        if !text.is_empty() && block.has_oddities && block::names_axis(text) {
            self.state.lose(Axes::XYZ, Cause::UnknownWord);
        }
        if line.is_deletable() {
            self.state.doubt(&before, &block, &mut self.notes);
        }
        if block.has_oddities || !block.letters.and(Letters::TURNING).is_empty() || !self.notes.is_empty() {
            let odd = block.words.iter().filter_map(|word| block::oddity(word, text, block.is_foreign));
            self.notes.extend(odd);
            self.count(line.number());
        }
        self.date_losses(line.number());
        for (index, value) in computed.map(|(_, settings)| settings).unwrap_or_default() {
            self.parameters.set(index, value);
        }
        Ok(action)
    }

    /// A line's words with the values of their expressions, and the parameters it sets; `None` for a line without either.
    fn compute(&self, line: &Line<'_>) -> Result<Option<Computed>, Fault> {
        if !line.words().iter().any(Word::is_expression) {
            return Ok(None);
        }
        let (mut words, mut settings) = (Vec::new(), Vec::new());
        for word in line.words() {
            if word.letter() == SETTING {
                settings.push(expression::setting(line.raw(), word.start(), &self.parameters)?);
            } else if word.is_expression() {
                words.push(word.with_number(expression::value(line.raw(), word.start() + 1, &self.parameters)?));
            } else {
                words.push(*word);
            }
        }
        Ok(Some((words, settings)))
    }

    fn call_macro(&mut self, line: &Line<'_>) {
        self.state.rest();
        self.state.lose(Axes::ALL, Cause::Macro);
        let text = line.free_text().unwrap_or_default();
        let name = text.split(|byte| byte.is_ascii_whitespace() || *byte == b'=').next().unwrap_or_default();
        let (name, offset) =
            (String::from_utf8_lossy(name).into_owned(), line.free_text_range().map_or(0, |r| r.start));
        self.notes.push(Oddity { name, offset, effect: Effect::MayMove, may_switch: true, is_known: false });
        self.count(line.number());
        self.date_losses(line.number());
    }

    fn date_losses(&mut self, line: u64) {
        for (axis, since) in self.since.iter_mut().enumerate() {
            if self.state.newly_lost.has(axis) {
                *since = line;
            }
        }
    }

    /// Takes it that axes may be anywhere, from a line on that could not be read or did more than it says.
    pub fn lose(&mut self, axes: Axes, cause: Cause, line: u64) {
        self.notes.clear();
        self.state.rest();
        self.state.lose(axes, cause);
        self.date_losses(line);
    }

    /// Where the machine is.
    #[inline]
    pub fn position(&self) -> Position {
        self.state.position()
    }

    /// Axes that may stand elsewhere than [`Self::position`] tells.
    #[inline]
    pub fn lost_axes(&self) -> Axes {
        self.state.lost
    }

    /// Why an axis (0 is X, 3 is `E`) is not known, and since which line; none if it is known.
    pub fn lost_since(&self, axis: usize) -> Option<(Cause, u64)> {
        let (cause, since) = self.state.causes.get(axis).copied().zip(self.since.get(axis).copied())?;
        self.state.lost.has(axis).then_some((cause, since))
    }

    /// What was odd about the last line.
    #[inline]
    pub fn oddities(&self) -> &[Oddity] {
        &self.notes
    }

    /// Sum of all changes of `E`; `G92` does not change it.
    pub fn extruded_nm(&self) -> i64 {
        self.state.position_nm[EXTRUDER]
    }

    /// The shift of X, Y, Z and `E` by coordinate systems and `G92`: machine coordinate minus the program's.
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

    /// Whether lines that name X, Y, `E` and F alone, some with `G0` or `G1`, move straight to places.
    #[inline]
    pub fn moves_straight_to_places(&self) -> bool {
        let State { motion, incremental, needs_care, is_additive, .. } = self.state;
        // Of additive controllers no feed is asked.
        is_additive && !needs_care && !incremental && matches!(motion, MotionMode::Rapid | MotionMode::Linear)
    }

    /// What a writer of the last line has to know.
    #[inline]
    pub fn modes(&self) -> Modes {
        let State { units, moved_by_changes, is_e_unsure, lost_before, lost, rate_millionths, offset_nm, .. } =
            self.state;
        let extruded_nm = self.extruded_nm();
        Modes { units, moved_by_changes, is_e_unsure, lost_before, lost, rate_millionths, offset_nm, extruded_nm }
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

    /// Words that neither the standard nor the additive dialects' common words know, and macros.
    ///
    /// After the first 1000 different names, further ones are counted together as `others`.
    pub fn unknown_words(&self) -> &BTreeMap<String, WordCount> {
        &self.counts[0]
    }

    /// Valid words whose effect on places is not or not wholly followed.
    pub fn unmodelled_words(&self) -> &BTreeMap<String, WordCount> {
        &self.counts[1]
    }

    fn count(&mut self, line: u64) {
        for Oddity { name, effect, may_switch, is_known, .. } in &self.notes {
            let counts = &mut self.counts[usize::from(*is_known)];
            let is_full = counts.len() >= COUNTED_NAMES && !counts.contains_key(name);
            let name = if is_full { "others".to_owned() } else { name.clone() };
            let first = WordCount { count: 0, first_line: line, effect: *effect, may_switch_on_line: None };
            let count = counts.entry(name).or_insert(first);
            count.count += 1;
            count.effect = count.effect.max(*effect);
            count.may_switch_on_line = count.may_switch_on_line.or(may_switch.then_some(line));
        }
    }
}

/// Words with numbers, and parameters with what they are set to.
type Computed = (Vec<Word>, Vec<(u32, f64)>);
