//! Words that move the zero, the tool or the machine itself: what they do to the state, and what is odd about it.

use super::block::{self, Block, Letters};
use super::error::{Fault, GcodeErrorKind as Kind};
use super::knowledge::{Axes, Cause, Effect, Notes, Oddity};
use super::motion::{Action, Home};
use super::state::{AXES, EXTRUDER, State, named_axes};
use super::vocabulary::{MotionMode, Shift};
use gapkeeper::Plane;

impl State {
    /// Another tool stands elsewhere, and `E` is another's.
    pub(super) fn take_tool(&mut self, block: &Block<'_>) {
        let number = block.word(b'T').and_then(|word| word.number_as_written());
        let tool = number.and_then(|number| number.whole_within_tolerance(1));
        if block.tool_change || (tool.is_some() && tool != self.tool) {
            self.lose(Axes::ALL, Cause::ToolChange);
        }
        self.tool = tool.or(self.tool);
    }

    pub(super) fn take_compensation(&mut self, block: &Block<'_>) {
        if let Some(is_on) = block.radius_compensation {
            if is_on || self.radius_compensation {
                self.lose(Axes::XY, Cause::RadiusCompensation);
            }
            self.radius_compensation = is_on;
            self.follow_offsets();
        }
        if let Some(is_on) = block.tool_length {
            if is_on || self.tool_length {
                self.lose(Axes::Z, Cause::ToolLength);
            }
            self.tool_length = is_on;
        }
    }

    /// `G54` to `G59.3`.
    pub(super) fn select_system(&mut self, block: &Block<'_>, notes: &mut Notes) {
        let Some(system) = block.coordinate_system else { return };
        if !self.offsets.select(system) {
            note(notes, block, |name| name.starts_with("G5"), Effect::MayShift);
            self.lose(Axes::XYZ, Cause::CoordinateSystem);
        }
        self.follow_offsets();
    }

    pub(super) fn home(&mut self, block: &Block<'_>, notes: &mut Notes) -> Action {
        let start = self.position();
        let homed = named_axes(block);
        let axes = [0, 1, 2].map(|axis| homed.has(axis));
        let mut was_shifted = false;
        for axis in (0..3).filter(|axis| homed.has(*axis)) {
            was_shifted |= self.offsets.drop_shift(axis);
            self.position_nm[axis] = 0;
        }
        if was_shifted {
            // The standard keeps the shift, and dialects drop it.
            note(notes, block, |name| name == "G28", Effect::MayShift);
        }
        self.lose(homed, Cause::Homing);
        self.was_homed = true;
        self.follow_offsets();
        Action::Home(Home { axes, start, end: self.position() })
    }

    /// `G92` (NISTIR 6556, 3.5.18): the place where the machine is gets the coordinates on the line.
    pub(super) fn set_position(&mut self, block: &Block<'_>, notes: &mut Notes) -> Result<Action, Fault> {
        if block.letters.and(Letters::AXES).is_empty() {
            note(notes, block, |name| name == "G92", Effect::MayMove);
            self.offsets.forget_shift();
            self.lose(Axes::ALL, Cause::SetPosition);
            self.follow_offsets();
            return Ok(Action::None);
        }
        let mut is_unknown = false;
        for (axis, letter) in AXES.into_iter().enumerate() {
            let Some(word) = block.word(letter) else { continue };
            let number_nm = self.length_nm(word)?;
            let is_lost = axis != EXTRUDER && self.lost.has(axis);
            if is_lost && self.offsets.is_stated(axis) {
                // The zero lies where the caller has said, so this is where the machine is.
                let origin_nm = self.offsets.origin_nm(axis);
                self.position_nm[axis] = origin_nm + number_nm;
                self.offsets.shift_to(axis, origin_nm, true);
                self.lost = self.lost.without(Axes::one(axis));
            } else {
                self.offsets.shift_to(axis, self.position_nm[axis] - number_nm, !is_lost);
                is_unknown |= is_lost;
            }
            if axis == EXTRUDER {
                self.place(Axes::E);
            } else if is_lost && !self.offsets.is_stated(axis) {
                self.lose(Axes::one(axis), Cause::SetPosition);
            }
        }
        if is_unknown {
            note(notes, block, |name| name == "G92", Effect::MayShift);
        }
        self.follow_offsets();
        Ok(Action::SetPosition)
    }

    /// `G10 L2` (NISTIR 6556, 3.5.5); other uses of `G10` are not followed.
    pub(super) fn set_origin(&mut self, block: &Block<'_>, notes: &mut Notes) -> Result<Action, Fault> {
        let whole = |letter| {
            let number = block.word(letter).and_then(|word| word.number_as_written());
            number.and_then(|number| number.whole_within_tolerance(1))
        };
        if whole(b'L') != Some(2) {
            note(notes, block, |name| name == "G10", Effect::MayShift);
            if block.letters.has(b'L') {
                self.offsets.forget_origins();
            }
            self.lose(Axes::ALL, Cause::UnknownWord);
        } else {
            let system = whole(b'P').filter(|system| (1..=9).contains(system));
            let no_system = || Fault::new(block.offset_of_codes(), Kind::NoCoordinateSystem);
            // Nine at most.
            let system = system.ok_or_else(no_system)? as usize - 1;
            for (axis, letter) in AXES.into_iter().enumerate().take(3) {
                if let Some(word) = block.word(letter) {
                    self.offsets.set_origin(system, axis, self.length_nm(word)?);
                }
            }
        }
        self.follow_offsets();
        Ok(Action::None)
    }

    /// `G92.1` to `G92.3` (NISTIR 6556, 3.5.18).
    pub(super) fn take_shift(&mut self, shift: Shift) {
        match shift {
            Shift::Drop => self.offsets.end_shift(false),
            Shift::Suspend => self.offsets.end_shift(true),
            Shift::Restore => self.offsets.restore_shift(),
        }
        self.follow_offsets();
    }

    /// Positions that words lose which are followed no further.
    pub(super) fn lose_by_oddities(&mut self, block: &Block<'_>) {
        if let Some(shift) = block.shift {
            self.take_shift(shift);
        }
        if block.motors_off {
            self.lose(Axes::XYZ, Cause::MotorsOff);
        }
        if block.has_unknown_g || !block.letters.and(Letters::SECONDARY).is_empty() {
            self.lose(Axes::ALL, Cause::UnknownWord);
        }
    }

    /// The resets of `M2` and `M30` (NISTIR 6556, 3.6.1), as far as they are followed.
    pub(super) fn end(&mut self) {
        self.offsets.select(0);
        self.offsets.end_shift(true);
        self.plane = Plane::Xy;
        self.incremental = false;
        self.inverse_time = false;
        self.radius_compensation = false;
        self.motion = MotionMode::Linear;
        self.has_ended = true;
        self.follow_offsets();
    }

    /// After a line that an operator may have left out: what it has changed is not known.
    pub(super) fn doubt(&mut self, before: &Self, block: &Block<'_>, notes: &mut Notes) {
        let changed = (0..4).filter(|axis| self.position_nm[*axis] != before.position_nm[*axis]);
        let changed = changed.fold(Axes::NONE, |axes, axis| axes.or(Axes::one(axis)));
        self.lose(before.lost.without(self.lost).or(changed), Cause::Deletable);
        self.is_motion_unsure = before.is_motion_unsure || self.motion != before.motion;
        self.needs_care |= self.is_motion_unsure;
        let modes = |state: &Self| {
            let State { plane, units, incremental, inverse_time, extruder_relative, radius_compensation, .. } = *state;
            (plane, units, incremental, inverse_time, extruder_relative, radius_compensation, state.has_ended)
        };
        if modes(self) != modes(before) || self.offset_nm != before.offset_nm {
            let offset = block.words.first().map_or(0, |word| word.range().start);
            let effect = Effect::MayShift;
            notes.push(Oddity { name: "/".to_owned(), offset, effect, may_switch: false, is_known: true });
        }
    }

    /// Brings along what follows from the offsets.
    pub(super) fn follow_offsets(&mut self) {
        self.offset_nm = self.offsets.total_nm();
        let compensated = if self.radius_compensation { Axes::XY } else { Axes::NONE };
        self.blind = self.offsets.unknown().or(compensated);
    }
}

/// Notes the first word whose name is as wanted.
fn note(notes: &mut Notes, block: &Block<'_>, is_wanted: fn(&str) -> bool, effect: Effect) {
    let words = block.words.iter().filter(|word| word.letter() == b'G');
    if let Some((name, word)) = words.map(|word| (block::name(word), word)).find(|(name, _)| is_wanted(name)) {
        notes.push(Oddity { name, offset: word.range().start, effect, may_switch: false, is_known: true });
    }
}
