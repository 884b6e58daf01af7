//! Modes and places of a program, and what each sorted line changes in them.

use gapkeeper::Plane;

use super::arc;
use super::block::{AxisOwner, Block, Letters};
use super::decimal::{Units, within_reach};
use super::error::{Fault, GcodeErrorKind as Kind};
use super::line::Word;
use super::motion::{Action, ArcMotion, ArcShape, Home, Position, Straight};
use super::vocabulary::{MWord, MotionMode};

/// The axes that are followed, in the order of every array here.
const AXES: [u8; 4] = *b"XYZE";
pub(super) const EXTRUDER: usize = 3;
const ARC_LETTERS: Letters = Letters::of(b"IJKR");

/// Everything that a line may change; small enough to be copied for each, so that a bad line changes nothing.
#[derive(Clone, Copy, Debug)]
pub(super) struct State {
    motion: MotionMode,
    pub(super) plane: Plane,
    pub(super) units: Units,
    pub(super) incremental: bool,
    /// Whether the last line moved X, Y and Z, and `E`, by changes: its own `M2` may have ended that since.
    pub(super) moved_by_changes: [bool; 2],
    inverse_time: bool,
    extruder_relative: Option<bool>,
    feed_nm_min: Option<u64>,
    /// Machine coordinates: the program's plus `offset_nm`.
    pub(super) position_nm: [i64; 4],
    pub(super) offset_nm: [i64; 4],
    pub(super) nozzle_temperature_c: Option<i16>,
    pub(super) bed_temperature_c: Option<i16>,
    pub(super) was_homed: bool,
    pub(super) has_ended: bool,
}

impl State {
    pub(super) const fn new() -> Self {
        Self {
            motion: MotionMode::None,
            plane: Plane::Xy,
            units: Units::Millimetre,
            incremental: false,
            moved_by_changes: [false; 2],
            inverse_time: false,
            extruder_relative: None,
            feed_nm_min: None,
            position_nm: [0; 4],
            offset_nm: [0; 4],
            nozzle_temperature_c: None,
            bed_temperature_c: None,
            was_homed: false,
            has_ended: false,
        }
    }

    /// Takes the words of a line as nearly all of a job are: a straight motion of the axes that are followed, with a feed
    /// or not. Does nothing and gives none if there is anything else, or a mistake, which is for [`Self::apply`] to find.
    #[inline]
    pub(super) fn apply_plain(&mut self, words: &[Word]) -> Option<Action> {
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
        for word in rest.unwrap_or(words) {
            let letter = word.letter();
            let (axis, is_relative) = match letter {
                b'X' => (0, by_changes[0]),
                b'Y' => (1, by_changes[0]),
                b'Z' => (2, by_changes[0]),
                b'E' => (EXTRUDER, by_changes[1]),
                b'F' if !self.inverse_time => (4, false),
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
                }
                None => feed_nm_min = Some(u64::try_from(length_nm).ok()?).filter(|feed| *feed > 0),
            }
        }
        let start = self.position();
        let extruded_nm = position_nm[EXTRUDER] - self.position_nm[EXTRUDER];
        (self.motion, self.moved_by_changes) = (motion, by_changes);
        (self.position_nm, self.feed_nm_min) = (position_nm, feed_nm_min);
        if seen.and(Letters::AXES).is_empty() {
            return Some(Action::None);
        }
        let rapid = motion == MotionMode::Rapid;
        Some(Action::Straight(Straight { rapid, start, end: self.position(), extruded_nm, feed_nm_min: self.feed() }))
    }

    /// Takes a line's words in the order of NISTIR 6556, Table 8.
    pub(super) fn apply(&mut self, block: &Block<'_>) -> Result<Action, Fault> {
        self.units = block.units.unwrap_or(self.units);
        self.inverse_time = block.inverse_time.unwrap_or(self.inverse_time);
        if !block.is_foreign {
            if let Some(word) = block.word(b'F').filter(|_| !self.inverse_time) {
                let feed = u64::try_from(self.length_nm(word)?).map_err(|_| out_of_range(word))?;
                self.feed_nm_min = Some(feed).filter(|feed| *feed > 0);
            }
            if let (Some(heater), Some(word)) = (block.heater, block.word(b'S')) {
                self.set_temperature(heater, word)?;
            }
        }
        self.plane = block.plane.unwrap_or(self.plane);
        self.incremental = block.incremental.unwrap_or(self.incremental);
        self.extruder_relative = block.extruder_relative.or(self.extruder_relative);
        self.motion = block.motion.unwrap_or(self.motion);
        self.moved_by_changes = [self.incremental, self.is_extruder_relative()];

        let moves_axes = block.axis_owner.is_none() && !block.is_foreign;
        let has_axis_words = moves_axes && !block.letters.and(Letters::AXES).is_empty();
        if let Some(index) = block.machine_coordinates
            && !matches!(self.motion, MotionMode::Rapid | MotionMode::Linear)
        {
            return Err(Fault::new(block.words[index].start(), Kind::MachineCoordinates));
        }
        let action = match block.axis_owner {
            Some(AxisOwner::Home) => self.home(block),
            Some(AxisOwner::SetPosition) => self.set_position(block)?,
            Some(AxisOwner::Unmodelled) => Action::None,
            None if block.dwell && has_axis_words => {
                return Err(Fault::new(block.offset_of(Letters::AXES), Kind::AxisWordsBesideDwell));
            }
            None if block.dwell => Action::Dwell,
            None if has_axis_words || (block.motion.is_some() && moves_axes) => self.travel(block, has_axis_words)?,
            None => Action::None,
        };
        if block.ends {
            self.end();
        }
        Ok(if block.ends && action == Action::None { Action::End } else { action })
    }

    fn travel(&mut self, block: &Block<'_>, has_axis_words: bool) -> Result<Action, Fault> {
        match self.motion {
            MotionMode::Rapid | MotionMode::Linear => {
                if !block.letters.and(ARC_LETTERS).is_empty() {
                    return Err(belongs_to_no_arc(block, ARC_LETTERS, Kind::ArcWordOnStraight));
                }
                if !has_axis_words {
                    return Ok(Action::None);
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
            // Where a probe stops is not known.
            MotionMode::Probe if block.motion.is_some() => Ok(Action::None),
            MotionMode::Probe | MotionMode::None if has_axis_words => {
                Err(Fault::new(block.offset_of(Letters::AXES), Kind::NoMotionMode))
            }
            MotionMode::Probe | MotionMode::None => Ok(Action::None),
        }
    }

    /// Moves to the place that the axis words name.
    fn go(&mut self, block: &Block<'_>) -> Result<(), Fault> {
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(word) = block.word(letter) else { continue };
            let is_machine = block.machine_coordinates.is_some() && axis != EXTRUDER;
            let is_relative = if axis == EXTRUDER { self.is_extruder_relative() } else { self.incremental };
            let base_nm = match (is_machine, is_relative) {
                (true, _) => 0,
                (false, true) => self.position_nm[axis],
                (false, false) => self.offset_nm[axis],
            };
            // Both are within 2 × FARTHEST_NM of zero, so that the sum fits.
            let target_nm = within_reach(base_nm + self.length_nm(word)?);
            self.position_nm[axis] = target_nm.ok_or_else(|| out_of_range(word))?;
        }
        Ok(())
    }

    fn arc(&mut self, block: &Block<'_>, clockwise: bool) -> Result<Action, Fault> {
        let (axes, offsets, outside) = match self.plane {
            Plane::Xy => ([0, 1], *b"IJ", b'K'),
            Plane::Zx => ([2, 0], *b"KI", b'J'),
            Plane::Yz => ([1, 2], *b"JK", b'I'),
        };
        let plane_words = Letters::of(&[AXES[axes[0]], AXES[axes[1]]]);
        let at_arc = block.offset_of(Letters::of(b"G").or(Letters::AXES).or(ARC_LETTERS));
        if block.letters.and(plane_words).is_empty() {
            return Err(Fault::new(at_arc, Kind::ArcWithoutEnd));
        }
        if block.letters.has(outside) {
            return Err(belongs_to_no_arc(block, Letters::of(&[outside]), Kind::ArcOffsetOutsidePlane));
        }
        let (start, before_nm) = (self.position(), self.position_nm);
        self.go(block)?;
        let chord_nm = axes.map(|axis| self.position_nm[axis] - before_nm[axis]);
        let (shape, at_shape, checked) = match (block.word(b'R'), offsets.map(|letter| block.word(letter))) {
            (None, [None, None]) => return Err(Fault::new(at_arc, Kind::ArcWithoutCentre)),
            (None, [first, second]) => {
                let length_nm = |word: Option<&Word>| word.map_or(Ok(0), |word| self.length_nm(word));
                let centre_nm = [length_nm(first)?, length_nm(second)?];
                let shape = ArcShape::Centre { first_nm: centre_nm[0], second_nm: centre_nm[1] };
                (shape, Letters::of(&offsets), arc::check_centre(chord_nm, centre_nm, self.units))
            }
            (Some(radius), [None, None]) => {
                let radius_nm = self.length_nm(radius)?;
                let shape = ArcShape::Radius { radius_nm };
                (shape, Letters::of(b"R"), arc::check_radius(chord_nm, radius_nm, self.units))
            }
            (Some(radius), _) => return Err(Fault::new(radius.start(), Kind::ArcTwoForms)),
        };
        checked.map_err(|kind| Fault::new(block.offset_of(at_shape), kind))?;
        Ok(Action::Arc(ArcMotion {
            start,
            end: self.position(),
            plane: self.plane,
            clockwise,
            shape,
            extruded_nm: self.position_nm[EXTRUDER] - before_nm[EXTRUDER],
            feed_nm_min: self.feed(),
        }))
    }

    fn home(&mut self, block: &Block<'_>) -> Action {
        let start = self.position();
        let names_none = block.letters.and(Letters::AXES).is_empty();
        let axes = [b'X', b'Y', b'Z'].map(|letter| names_none || block.letters.has(letter));
        for (axis, _) in axes.into_iter().enumerate().filter(|(_, is_homed)| *is_homed) {
            self.position_nm[axis] = 0;
            self.offset_nm[axis] = 0;
        }
        self.was_homed = true;
        Action::Home(Home { axes, start, end: self.position() })
    }

    /// `G92` (NISTIR 6556, 3.5.18): the place where the machine is gets the coordinates on the line.
    fn set_position(&mut self, block: &Block<'_>) -> Result<Action, Fault> {
        if block.letters.and(Letters::AXES).is_empty() {
            return Err(Fault::new(block.offset_of(Letters::of(b"G")), Kind::NoAxisWords));
        }
        for (axis, letter) in AXES.into_iter().enumerate() {
            if let Some(word) = block.word(letter) {
                self.offset_nm[axis] = self.position_nm[axis] - self.length_nm(word)?;
            }
        }
        Ok(Action::SetPosition)
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

    /// The resets of `M2` and `M30` (NISTIR 6556, 3.6.1), as far as they are followed.
    fn end(&mut self) {
        self.plane = Plane::Xy;
        self.incremental = false;
        self.inverse_time = false;
        self.motion = MotionMode::Linear;
        self.has_ended = true;
    }

    fn length_nm(&self, word: &Word) -> Result<i64, Fault> {
        let length_nm = word.number_as_written().and_then(|number| number.to_nm(self.units));
        length_nm.ok_or_else(|| out_of_range(word))
    }

    pub(super) fn is_extruder_relative(&self) -> bool {
        self.extruder_relative.unwrap_or(self.incremental)
    }

    pub(super) fn feed(&self) -> Option<u64> {
        self.feed_nm_min.filter(|_| !self.inverse_time)
    }

    pub(super) fn position(&self) -> Position {
        let [x_nm, y_nm, z_nm, _] = self.position_nm;
        Position { x_nm, y_nm, z_nm }
    }
}

fn out_of_range(word: &Word) -> Fault {
    Fault::new(word.start(), Kind::OutOfRange)
}

/// A fault at the first word with one of some letters; its kind names the letter.
fn belongs_to_no_arc(block: &Block<'_>, letters: Letters, kind: fn(char) -> Kind) -> Fault {
    let word = block.words.iter().find(|word| letters.has(word.letter()));
    Fault::new(block.offset_of(letters), kind(word.map_or('?', |word| char::from(word.letter()))))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::lexer;
    use super::*;

    fn any_way(state: &mut State, words: &[Word]) -> Option<Action> {
        let mut block = Block::new(words);
        block.sort().ok()?;
        let before = *state;
        let action = state.apply(&block).ok();
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
