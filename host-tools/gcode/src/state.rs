//! Modes and places of a program, and what each sorted line changes in them.

use gapkeeper::Plane;

use super::block::{AxisOwner, Block, Letters};
use super::cycle::Sticky;
use super::decimal::{Units, within_reach};
use super::error::{Fault, GcodeErrorKind as Kind};
use super::knowledge::{Axes, Cause, Notes};
use super::motion::Action;
use super::offsets::Offsets;
use super::straight::{Position, Straight};
use super::vocabulary::{MWord, MotionMode};
use super::word::Word;

/// The axes that are followed, in the order of every array here.
pub(super) const AXES: [u8; 4] = *b"XYZE";
pub(super) const EXTRUDER: usize = 3;
pub(super) const ARC_LETTERS: Letters = Letters::of(b"IJKR");

/// The axes of a plane, and the one across it, as places in [`AXES`].
pub(super) const fn plane_axes(plane: Plane) -> [usize; 3] {
    match plane {
        Plane::Xy => [0, 1, 2],
        Plane::Zx => [2, 0, 1],
        Plane::Yz => [1, 2, 0],
    }
}

/// Everything that a line may change; small enough to be copied for each, so that a bad line changes nothing.
#[derive(Clone, Copy, Debug)]
pub(super) struct State {
    pub(super) motion: MotionMode,
    before_cycle: MotionMode,
    pub(super) plane: Plane,
    pub(super) units: Units,
    pub(super) incremental: bool,
    /// Whether the last line moved X, Y and Z, and `E`, by changes: its own `M2` may have ended that since.
    pub(super) moved_by_changes: [bool; 2],
    pub(super) inverse_time: bool,
    pub(super) extruder_relative: Option<bool>,
    /// Whether `G91` makes `E` relative under `M82` too; none: nobody has told.
    pub(super) e_follows_g91: Option<bool>,
    /// The last line's `E` can be read in two ways.
    pub(super) is_e_unsure: bool,
    pub(super) feed_nm_min: Option<u64>,
    /// `F` of the last line under `G93`, in millionths.
    pub(super) rate_millionths: u64,
    /// Machine coordinates: the program's plus `offset_nm`.
    pub(super) position_nm: [i64; 4],
    pub(super) offset_nm: [i64; 4],
    pub(super) offsets: Offsets,
    /// Axes that may stand elsewhere than `position_nm` says, ...
    pub(super) lost: Axes,
    /// ... also before the last line, ...
    pub(super) lost_before: Axes,
    /// ... why, and those of them that the last line has lost.
    pub(super) causes: [Cause; 4],
    pub(super) newly_lost: Axes,
    /// Axes whose places, though named, are not known.
    pub(super) blind: Axes,
    pub(super) radius_compensation: bool,
    pub(super) tool_length: bool,
    pub(super) tool: Option<u32>,
    pub(super) returns_to_r: bool,
    pub(super) sticky: Sticky,
    pub(super) nozzle_temperature_c: Option<i16>,
    pub(super) bed_temperature_c: Option<i16>,
    pub(super) was_homed: bool,
    pub(super) has_ended: bool,
    /// The job has words of the additive dialects, whose controllers have a feed from the start (common practice, no
    /// source).
    pub(super) is_additive: bool,
    /// The motion mode depends on whether a line was left out.
    pub(super) is_motion_unsure: bool,
    /// No line goes the short way.
    pub(super) needs_care: bool,
    /// Of two words of one modal group the later one counts.
    pub(super) is_lenient: bool,
    /// Places that are not known are not taken for what they seem.
    pub(super) is_doubtful: bool,
}

impl State {
    pub(super) const fn new() -> Self {
        Self {
            motion: MotionMode::None,
            before_cycle: MotionMode::None,
            plane: Plane::Xy,
            units: Units::Millimetre,
            incremental: false,
            moved_by_changes: [false; 2],
            inverse_time: false,
            extruder_relative: None,
            e_follows_g91: None,
            is_e_unsure: false,
            feed_nm_min: None,
            rate_millionths: 0,
            position_nm: [0; 4],
            offset_nm: [0; 4],
            offsets: Offsets::new(),
            lost: Axes::XYZ,
            lost_before: Axes::XYZ,
            causes: [Cause::Start; 4],
            newly_lost: Axes::NONE,
            blind: Axes::NONE,
            radius_compensation: false,
            tool_length: false,
            tool: None,
            returns_to_r: false,
            sticky: Sticky::NONE,
            nozzle_temperature_c: None,
            bed_temperature_c: None,
            was_homed: false,
            has_ended: false,
            is_additive: false,
            is_motion_unsure: false,
            needs_care: false,
            is_lenient: false,
            is_doubtful: false,
        }
    }

    /// Begins a line that moves nothing, as far as is known yet.
    #[inline]
    pub(super) fn rest(&mut self) {
        (self.lost_before, self.newly_lost) = (self.lost, Axes::NONE);
        (self.is_e_unsure, self.rate_millionths) = (false, 0);
    }

    /// Takes the words of a line as nearly all of a job are: a straight motion of the axes that are followed, with a feed
    /// or not. Does nothing and returns none if there is anything else, or a mistake, which is for [`Self::apply`] to find.
    #[inline]
    pub(super) fn apply_plain(&mut self, words: &[Word]) -> Option<Action> {
        if self.needs_care {
            return None;
        }
        let (code, rest) = words.split_first().filter(|(first, _)| first.letter() == b'G').unzip();
        let motion = match code.map(Word::number_as_written) {
            None => self.motion,
            Some(number) => match number?.to_digit()? {
                0 => MotionMode::Rapid,
                1 => MotionMode::Linear,
                _ => return None,
            },
        };
        if !matches!(motion, MotionMode::Rapid | MotionMode::Linear) {
            return None;
        }
        let by_changes = [self.incremental, self.is_extruder_relative()];
        let (mut position_nm, mut feed_nm_min, mut seen) = (self.position_nm, self.feed_nm_min, Letters::default());
        let mut placed = Axes::NONE;
        for word in rest.unwrap_or(words) {
            let letter = word.letter();
            let (axis, is_relative) = match letter {
                b'X' => (0, by_changes[0]),
                b'Y' => (1, by_changes[0]),
                b'Z' => (2, by_changes[0]),
                b'E' => (EXTRUDER, by_changes[1]),
                b'F' => (4, false),
                _ => return None,
            };
            let length_nm = word.number_as_written()?.to_nm(self.units)?;
            if seen.has(letter) {
                return None;
            }
            seen.add(letter);
            match position_nm.get_mut(axis) {
                Some(place_nm) => {
                    let base_nm = if is_relative { self.position_nm[axis] } else { self.offset_nm[axis] };
                    *place_nm = within_reach(base_nm + length_nm)?;
                    placed = if is_relative { placed } else { placed.or(Axes::one(axis)) };
                }
                None => feed_nm_min = Some(u64::try_from(length_nm).ok()?).filter(|feed| *feed > 0),
            }
        }
        let moves = !seen.and(Letters::AXES).is_empty();
        if moves && motion == MotionMode::Linear && feed_nm_min.is_none() {
            return None;
        }
        let start = self.position();
        let extruded_nm = position_nm[EXTRUDER] - self.position_nm[EXTRUDER];
        (self.motion, self.moved_by_changes) = (motion, by_changes);
        (self.position_nm, self.feed_nm_min) = (position_nm, feed_nm_min);
        self.is_additive |= seen.has(b'E');
        self.rest();
        self.place(placed);
        if !moves {
            return Some(Action::None);
        }
        let rapid = motion == MotionMode::Rapid;
        Some(Action::Straight(Straight { rapid, start, end: self.position(), extruded_nm, feed_nm_min: self.feed() }))
    }

    /// Takes a line's words in the order of NISTIR 6556, Table 8; what is odd about them is noted.
    pub(super) fn apply(&mut self, block: &Block<'_>, notes: &mut Notes) -> Result<Action, Fault> {
        self.rest();
        self.units = block.units.unwrap_or(self.units);
        self.inverse_time = block.inverse_time.unwrap_or(self.inverse_time);
        self.is_additive |= block.is_additive || block.letters.has(b'E');
        if !block.is_foreign {
            self.take_feed(block)?;
            if let (Some(heater), Some(word)) = (block.heater, block.word(b'S')) {
                self.set_temperature(heater, word)?;
            }
            self.take_tool(block);
        }
        self.plane = block.plane.unwrap_or(self.plane);
        self.take_compensation(block);
        self.incremental = block.incremental.unwrap_or(self.incremental);
        self.extruder_relative = block.extruder_relative.or(self.extruder_relative);
        self.returns_to_r = block.return_to_r.unwrap_or(self.returns_to_r);
        self.select_system(block, notes);
        let before = self.motion;
        self.motion = match block.motion {
            // In lenient dialects the motion before the cycle goes on.
            Some(MotionMode::None) if self.is_lenient && matches!(before, MotionMode::Cycle(_)) => self.before_cycle,
            Some(MotionMode::None) if self.is_lenient => before,
            motion => motion.unwrap_or(before),
        };
        if matches!(self.motion, MotionMode::Cycle(_)) && !matches!(before, MotionMode::Cycle(_)) {
            self.before_cycle = before;
        }
        self.is_motion_unsure &= block.motion.is_none();
        self.moved_by_changes = [self.incremental, self.is_extruder_relative()];

        let moves_axes = block.axis_owner.is_none() && !block.is_foreign;
        let has_axis_words = moves_axes && !block.letters.and(Letters::AXES).is_empty();
        if let Some(index) = block.machine_coordinates
            && !matches!(self.motion, MotionMode::Rapid | MotionMode::Linear)
        {
            return Err(Fault::new(block.words[index].start(), Kind::MachineCoordinates));
        }
        let action = match block.axis_owner {
            Some(AxisOwner::Home) => self.home(block, notes),
            Some(AxisOwner::SetPosition) => self.set_position(block, notes)?,
            Some(AxisOwner::SetOrigin) => self.set_origin(block, notes)?,
            Some(AxisOwner::Reference) => {
                self.lose(named_axes(block), Cause::Reference);
                Action::None
            }
            None if block.dwell && has_axis_words => {
                return Err(Fault::new(block.offset_of(Letters::AXES), Kind::AxisWordsBesideDwell));
            }
            None if block.dwell && block.letters.without_all(b"PS") => {
                return Err(Fault::new(block.offset_of_codes(), Kind::NoDwellTime));
            }
            None if block.dwell => Action::Dwell,
            None if has_axis_words || (block.motion.is_some() && moves_axes) => {
                self.travel(block, has_axis_words, before)?
            }
            None => Action::None,
        };
        self.lose_by_oddities(block);
        if block.ends {
            self.end();
        }
        self.needs_care = self.has_ended || self.is_motion_unsure || self.inverse_time || self.has_two_readings_of_e();
        Ok(if block.ends && action == Action::None { Action::End } else { action })
    }

    fn take_feed(&mut self, block: &Block<'_>) -> Result<(), Fault> {
        let Some(word) = block.word(b'F') else { return Ok(()) };
        if self.inverse_time {
            let millionths = word.number_as_written().and_then(|number| number.to_millionths());
            self.rate_millionths =
                millionths.and_then(|rate| u64::try_from(rate).ok()).ok_or_else(|| out_of_range(word))?;
        } else {
            let feed = u64::try_from(self.length_nm(word)?).map_err(|_| out_of_range(word))?;
            self.feed_nm_min = Some(feed).filter(|feed| *feed > 0);
        }
        Ok(())
    }

    fn travel(&mut self, block: &Block<'_>, has_axis_words: bool, before: MotionMode) -> Result<Action, Fault> {
        if self.is_motion_unsure {
            return Err(Fault::new(block.offset_of(Letters::AXES), Kind::UnsureMode));
        }
        match self.motion {
            MotionMode::Rapid | MotionMode::Linear => {
                if !block.letters.and(ARC_LETTERS).is_empty() {
                    return Err(belongs_to_no_arc(block, ARC_LETTERS, Kind::ArcWordOnStraight));
                }
                if !has_axis_words {
                    return Ok(Action::None);
                }
                if self.motion == MotionMode::Linear {
                    self.check_feed(block)?;
                }
                let (start, extruded) = (self.position(), self.position_nm[EXTRUDER]);
                self.go(block)?;
                Ok(Action::Straight(Straight {
                    rapid: self.motion == MotionMode::Rapid,
                    start,
                    end: self.position(),
                    extruded_nm: self.position_nm[EXTRUDER] - extruded,
                    feed_nm_min: self.feed(),
                }))
            }
            MotionMode::Arc { clockwise } => self.arc(block, clockwise),
            MotionMode::Cycle(code) => {
                let begins = before != self.motion;
                if !has_axis_words && !begins {
                    return Ok(Action::None);
                }
                self.cycle(block, code, begins).map(Action::Cycle)
            }
            // Where a probe stops is not known.
            MotionMode::Probe if block.motion.is_some() => {
                self.lose(named_axes(block), Cause::Probing);
                Ok(Action::None)
            }
            MotionMode::Probe | MotionMode::None if has_axis_words => {
                Err(Fault::new(block.offset_of(Letters::AXES), Kind::NoMotionMode))
            }
            MotionMode::Probe | MotionMode::None => Ok(Action::None),
        }
    }

    /// A motion at a feed needs one (NISTIR 6556, 2.1.2.5 and 3.5.19).
    pub(super) fn check_feed(&self, block: &Block<'_>) -> Result<(), Fault> {
        let kind = match (self.inverse_time, self.rate_millionths, self.feed_nm_min) {
            (true, 0, _) => Kind::NoInverseTime,
            (false, _, None) if !self.is_additive => Kind::NoFeed,
            _ => return Ok(()),
        };
        Err(Fault::new(block.offset_of_codes(), kind))
    }

    /// Moves to the place that the axis words name.
    pub(super) fn go(&mut self, block: &Block<'_>) -> Result<(), Fault> {
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(word) = block.word(letter) else { continue };
            let is_machine = block.machine_coordinates.is_some() && axis != EXTRUDER;
            let is_relative = if axis == EXTRUDER { self.is_extruder_relative() } else { self.incremental };
            let base_nm = match (is_machine, is_relative) {
                (true, _) => 0,
                (false, true) => self.position_nm[axis],
                (false, false) => self.offset_nm[axis],
            };
            if axis == EXTRUDER && self.has_two_readings_of_e() {
                self.is_e_unsure = true;
                // They come to the same place where the program's own E is zero.
                if self.position_nm[axis] != self.offset_nm[axis] || self.lost.has(axis) {
                    self.lose(Axes::E, Cause::MixedModes);
                }
            } else if !is_machine && !is_relative {
                self.place(Axes::one(axis));
            }
            // Both are within 2 × FARTHEST_NM of zero, so that the sum fits.
            let target_nm = within_reach(base_nm + self.length_nm(word)?);
            self.position_nm[axis] = target_nm.ok_or_else(|| out_of_range(word))?;
            if is_machine {
                self.lose(Axes::one(axis), Cause::MachineCoordinates);
            }
        }
        Ok(())
    }

    /// Axes stand where their words say.
    #[inline]
    pub(super) fn place(&mut self, axes: Axes) {
        self.lost = self.lost.without(axes.without(self.blind));
    }

    /// It is not known any longer where axes stand.
    pub(super) fn lose(&mut self, axes: Axes, cause: Cause) {
        for (axis, its_cause) in self.causes.iter_mut().enumerate().filter(|(axis, _)| axes.has(*axis)) {
            if !self.lost.has(axis) || *its_cause != cause {
                *its_cause = cause;
                self.newly_lost = self.newly_lost.or(Axes::one(axis));
            }
        }
        self.lost = self.lost.or(axes);
    }

    fn set_temperature(&mut self, heater: MWord, word: &Word) -> Result<(), Fault> {
        let degrees = word.number_as_written().and_then(|number| number.to_whole());
        let degrees = degrees.and_then(|degrees| i16::try_from(degrees).ok());
        let temperature_c = Some(degrees.ok_or_else(|| out_of_range(word))?);
        if heater == MWord::BedTemperature {
            self.bed_temperature_c = temperature_c;
        } else {
            self.nozzle_temperature_c = temperature_c;
        }
        Ok(())
    }

    pub(super) fn length_nm(&self, word: &Word) -> Result<i64, Fault> {
        let length_nm = word.number_as_written().and_then(|number| number.to_nm(self.units));
        length_nm.ok_or_else(|| out_of_range(word))
    }

    #[inline]
    pub(super) fn is_extruder_relative(&self) -> bool {
        match self.e_follows_g91 {
            None => self.extruder_relative.unwrap_or(self.incremental),
            Some(follows) => self.extruder_relative == Some(true) || (follows && self.incremental),
        }
    }

    /// Whether controllers differ in whether `E` is relative.
    fn has_two_readings_of_e(&self) -> bool {
        self.e_follows_g91.is_none() && self.incremental && self.extruder_relative == Some(false)
    }

    pub(super) fn feed(&self) -> Option<u64> {
        self.feed_nm_min.filter(|_| !self.inverse_time)
    }

    pub(super) fn position(&self) -> Position {
        let [x_nm, y_nm, z_nm, _] = self.position_nm;
        Position { x_nm, y_nm, z_nm }
    }
}

/// The axes among X, Y and Z that a line names; all if it names none.
pub(super) fn named_axes(block: &Block<'_>) -> Axes {
    let named = (0..3).filter(|axis| block.letters.has(AXES[*axis]));
    let axes = named.fold(Axes::NONE, |axes, axis| axes.or(Axes::one(axis)));
    if axes.is_empty() { Axes::XYZ } else { axes }
}

pub(super) fn out_of_range(word: &Word) -> Fault {
    Fault::new(word.start(), Kind::OutOfRange)
}

/// A fault at the first word with one of some letters; its kind names the letter.
pub(super) fn belongs_to_no_arc(block: &Block<'_>, letters: Letters, kind: fn(char) -> Kind) -> Fault {
    let word = block.words.iter().find(|word| letters.has(word.letter()));
    Fault::new(block.offset_of(letters), kind(word.map_or('?', |word| char::from(word.letter()))))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::lexer;
    use super::*;

    fn any_way(state: &mut State, words: &[Word]) -> Option<Action> {
        let mut block = Block::new(words, false);
        block.sort().ok()?;
        let before = *state;
        let action = state.apply(&block, &mut Notes::default()).ok();
        if action.is_none() {
            *state = before;
        }
        action
    }

    fn line() -> impl Strategy<Value = String> {
        let number = "-?[0-9]{1,4}(\\.[0-9]{1,8})?|-?99999999[.]999999|100000000|1";
        let word = prop_oneof![
            12 => ("[XYZEF]", number).prop_map(|(letter, number)| letter + &number),
            1 => ("[GAIS]", number).prop_map(|(letter, number)| letter + &number),
            1 => "[XE]",
        ];
        let code = "|G[0-3]|G1\\.0|G28|G80|G9[0-4]|G2[01]|M8[23]|M2";
        (code, proptest::collection::vec(word, 0..5)).prop_map(|(code, words)| format!("{code} {}\n", words.join(" ")))
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn the_short_way_does_what_the_long_one_does(lines in proptest::collection::vec(line(), 1..20)) {
            let (mut short, mut long) = (State::new(), State::new());
            let mut words = Vec::new();
            for line in lines {
                lexer::split(line.as_bytes(), 0, &mut words).unwrap();
                let before = short;
                let action = short.apply_plain(&words);
                if action.is_none() {
                    prop_assert_eq!(format!("{short:?}"), format!("{before:?}"));
                    any_way(&mut short, &words);
                    any_way(&mut long, &words);
                } else {
                    prop_assert_eq!(action, any_way(&mut long, &words), "{}", line);
                }
                prop_assert_eq!(format!("{short:?}"), format!("{long:?}"), "{}", line);
            }
        }
    }

    #[test]
    fn moves_of_a_job_go_the_short_way() {
        let mut state = State::new();
        let mut words = Vec::new();
        for line in ["G1 X1 Y2 E0.5 F1800", "X3", "G0 Z5 F9000", "G1 E-0.8 F2100", "G1 F1200", "g01 x-5.25"] {
            lexer::split(line.as_bytes(), 0, &mut words).unwrap();
            assert!(state.apply_plain(&words).is_some(), "{line}");
        }
    }
}
