//! The words of one line, sorted by what they do; refuses lines whose words contradict each other.

use super::decimal::Units;
use super::error::{Fault, GcodeErrorKind as Kind};
use super::knowledge::{Effect, Oddity};
use super::vocabulary::{self, GWord, Group, MWord, MotionMode, Shift};
use super::word::Word;
use gapkeeper::Plane;

/// Most `M` words on a line (NISTIR 6556, 3.3.5).
const M_WORDS: u32 = 4;

/// A set of letters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Letters(u32);

impl Letters {
    /// Letters that name an axis.
    pub(super) const AXES: Self = Self::of(b"XYZABCE");
    /// Axes that turn; they are not followed.
    pub(super) const TURNING: Self = Self::of(b"ABC");
    /// Letters that neither NISTIR 6556, Table 3, nor the additive dialects give a meaning.
    pub(super) const UNKNOWN: Self = Self::of(b"OUVW");
    /// Secondary axes, or changes of the main ones (common practice, no source).
    pub(super) const SECONDARY: Self = Self::of(b"UVW");

    pub(super) const fn of(letters: &[u8]) -> Self {
        let mut set = 0;
        let mut index = 0;
        while index < letters.len() {
            set |= 1 << (letters[index] - b'A');
            index += 1;
        }
        Self(set)
    }

    pub(super) const fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    pub(super) const fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Every letter.
    pub(super) const ALL: Self = Self((1 << 26) - 1);

    pub(super) const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether a byte is one of the letters in upper case.
    #[inline]
    pub(super) const fn has_byte(self, byte: u8) -> bool {
        let place = byte.wrapping_sub(b'A');
        place < 26 && self.0 >> place & 1 != 0
    }

    pub(super) const fn has(self, letter: u8) -> bool {
        self.0 & Self::of(&[letter]).0 != 0
    }

    pub(super) const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether none of some letters is among them.
    pub(super) const fn without_all(self, letters: &[u8]) -> bool {
        self.and(Self::of(letters)).is_empty()
    }

    pub(super) fn add(&mut self, letter: u8) {
        self.0 |= Self::of(&[letter]).0;
    }
}

/// A word that claims the axis words of its line (group 0 of NISTIR 6556, Table 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AxisOwner {
    Home,
    SetPosition,
    SetOrigin,
    Reference,
}

/// The words of one line, sorted.
#[derive(Debug)]
pub(super) struct Block<'a> {
    pub(super) words: &'a [Word],
    /// Letters other than `G` and `M` on the line.
    pub(super) letters: Letters,
    /// Where in `words` a letter stands.
    index: [u16; 26],
    pub(super) motion: Option<MotionMode>,
    pub(super) axis_owner: Option<AxisOwner>,
    pub(super) dwell: bool,
    pub(super) machine_coordinates: Option<usize>,
    pub(super) shift: Option<Shift>,
    pub(super) coordinate_system: Option<u8>,
    pub(super) radius_compensation: Option<bool>,
    pub(super) tool_length: Option<bool>,
    pub(super) return_to_r: Option<bool>,
    pub(super) tool_change: bool,
    pub(super) motors_off: bool,
    /// A word of the additive dialects.
    pub(super) is_additive: bool,
    pub(super) plane: Option<Plane>,
    pub(super) units: Option<Units>,
    pub(super) incremental: Option<bool>,
    pub(super) inverse_time: Option<bool>,
    pub(super) extruder_relative: Option<bool>,
    pub(super) heater: Option<MWord>,
    pub(super) ends: bool,
    /// The letter words belong to a word that is unknown, or to `M84`.
    pub(super) is_foreign: bool,
    /// There is a `G` word that is unknown.
    pub(super) has_unknown_g: bool,
    /// Some word is unknown or not modelled, and is to be counted.
    pub(super) has_oddities: bool,
    /// Of two words of one group the later one counts.
    is_lenient: bool,
}

impl<'a> Block<'a> {
    /// A block of words that are not sorted yet.
    pub(super) fn new(words: &'a [Word], is_lenient: bool) -> Self {
        Self {
            words,
            is_lenient,
            letters: Letters::default(),
            index: [0; 26],
            motion: None,
            axis_owner: None,
            dwell: false,
            machine_coordinates: None,
            shift: None,
            coordinate_system: None,
            radius_compensation: None,
            tool_length: None,
            return_to_r: None,
            tool_change: false,
            motors_off: false,
            is_additive: false,
            plane: None,
            units: None,
            incremental: None,
            inverse_time: None,
            extruder_relative: None,
            heater: None,
            ends: false,
            is_foreign: false,
            has_unknown_g: false,
            has_oddities: false,
        }
    }

    /// Sorts the words; the rules are those of NISTIR 6556, 3.3.5. In place, since a block is too large to be moved
    /// for every line.
    pub(super) fn sort(&mut self) -> Result<(), Fault> {
        let words = self.words;
        let mut groups = 0_u32;
        let mut m_words = 0;
        let mut claims_letters = false;
        let mut repeated = None;
        let mut lacks_number = None;
        for (index, word) in words.iter().enumerate() {
            match word.letter() {
                b'G' | b'M' => {
                    let code = Code::of(word)?;
                    let group = match code {
                        Code::G(group, meaning) => {
                            self.take_g(meaning, index);
                            Some(group)
                        }
                        Code::M(group, meaning) => {
                            self.take_m(meaning);
                            claims_letters |= meaning == MWord::MotorsOff;
                            Some(group)
                        }
                        Code::Unknown => {
                            // Behind an unknown M word there is free text and no word.
                            self.has_unknown_g |= word.letter() == b'G';
                            claims_letters |= self.has_unknown_g;
                            self.has_oddities = true;
                            None
                        }
                    };
                    if word.letter() == b'M' {
                        m_words += 1;
                        if m_words > M_WORDS {
                            return Err(Fault::new(word.start(), Kind::TooManyM));
                        }
                    }
                    if let Some(group) = group {
                        if groups & group.bit() != 0 && !self.is_lenient {
                            return Err(same_group(&words[..index], word, group));
                        }
                        groups |= group.bit();
                    }
                }
                letter => {
                    if self.letters.has(letter) {
                        repeated = repeated.or(Some(index));
                    }
                    if word.number_as_written().is_none() {
                        lacks_number = lacks_number.or(Some(index));
                    }
                    self.letters.add(letter);
                    // A line has fewer than 65536 words, since it has fewer bytes than that.
                    self.index[usize::from(letter - b'A')] = index as u16;
                }
            }
        }
        self.is_foreign = claims_letters && self.axis_owner.is_none() && self.motion.is_none();
        self.has_oddities |= !self.letters.and(Letters::UNKNOWN).is_empty();
        if let Some(index) = repeated.filter(|_| !self.is_foreign) {
            let word = words[index];
            return Err(Fault::new(word.start(), Kind::RepeatedLetter(char::from(word.letter()))));
        }
        let may_lack_numbers = self.is_foreign || self.axis_owner == Some(AxisOwner::Home);
        if let Some(index) = lacks_number.filter(|_| !may_lack_numbers) {
            return Err(missing_number(&words[index]));
        }
        if !self.is_foreign {
            self.check_numbers()?;
        }
        self.check_axis_owners()
    }

    /// Tools, speeds and temperatures (NISTIR 6556, 3.3.2.1, 3.6.2 and 3.7).
    fn check_numbers(&self) -> Result<(), Fault> {
        for letter in *b"TS" {
            let Some(word) = self.word(letter) else { continue };
            let Some(number) = word.number_as_written() else { continue };
            if number.mantissa() < 0 {
                return Err(Fault::new(word.start(), Kind::Negative(char::from(letter))));
            }
            if letter == b'T' && number.whole_within_tolerance(1).is_none() {
                return Err(Fault::new(word.start(), Kind::NotWhole('T')));
            }
        }
        Ok(())
    }

    /// The word with a letter other than `G` and `M`.
    pub(super) fn word(&self, letter: u8) -> Option<&'a Word> {
        self.letters.has(letter).then(|| &self.words[usize::from(self.index[usize::from(letter - b'A')])])
    }

    /// Where the line's first `G` word starts, else its first word.
    pub(super) fn offset_of_codes(&self) -> usize {
        self.offset_of(Letters::of(b"G"))
    }

    /// Where the first word with one of some letters starts; the line's first word if there is none.
    pub(super) fn offset_of(&self, letters: Letters) -> usize {
        let first = self.words.iter().find(|word| letters.has(word.letter()));
        first.or(self.words.first()).map_or(0, |word| word.start())
    }

    fn take_g(&mut self, meaning: GWord, index: usize) {
        match meaning {
            // Where G80 may stand beside another motion word, it only ends what was before.
            GWord::Motion(MotionMode::None) if self.is_lenient && self.motion.is_some() => {}
            GWord::Motion(mode) => {
                self.motion = Some(mode);
                self.has_oddities |= mode == MotionMode::Probe;
            }
            GWord::Plane(plane) => self.plane = Some(plane),
            GWord::Units(units) => self.units = Some(units),
            GWord::Incremental(incremental) => self.incremental = Some(incremental),
            GWord::InverseTime(inverse_time) => self.inverse_time = Some(inverse_time),
            GWord::Dwell => self.dwell = true,
            GWord::Home => self.axis_owner = Some(AxisOwner::Home),
            GWord::SetPosition => self.axis_owner = Some(AxisOwner::SetPosition),
            GWord::SetOrigin => self.axis_owner = Some(AxisOwner::SetOrigin),
            GWord::Reference => {
                self.axis_owner = Some(AxisOwner::Reference);
                self.has_oddities = true;
            }
            GWord::MachineCoordinates => self.machine_coordinates = Some(index),
            GWord::Shift(shift) => self.shift = Some(shift),
            GWord::CoordinateSystem(system) => self.coordinate_system = Some(system),
            GWord::RadiusCompensation(is_on) => {
                self.radius_compensation = Some(is_on);
                self.has_oddities |= is_on;
            }
            GWord::ToolLength(is_on) => {
                self.tool_length = Some(is_on);
                self.has_oddities |= is_on;
            }
            GWord::ReturnToR(return_to_r) => self.return_to_r = Some(return_to_r),
            GWord::Neutral => {}
        }
    }

    fn take_m(&mut self, meaning: MWord) {
        match meaning {
            MWord::End => self.ends = true,
            MWord::ExtruderRelative(relative) => {
                self.extruder_relative = Some(relative);
                self.is_additive = true;
            }
            MWord::NozzleTemperature | MWord::BedTemperature => {
                self.heater = Some(meaning);
                self.is_additive = true;
            }
            MWord::MotorsOff => self.motors_off = true,
            MWord::ToolChange => self.tool_change = true,
            MWord::Neutral => {}
        }
    }

    /// Two words that both use the axis words contradict each other.
    fn check_axis_owners(&self) -> Result<(), Fault> {
        let moves = self.motion.is_some_and(|mode| mode != MotionMode::None);
        if self.axis_owner.is_none() || !moves {
            return Ok(());
        }
        let mut owners = self.words.iter().filter(|word| {
            let meaning = match Code::of(word) {
                Ok(Code::G(_, meaning)) => meaning,
                _ => GWord::Neutral,
            };
            matches!(meaning, GWord::Motion(_) | GWord::Home | GWord::SetPosition | GWord::SetOrigin | GWord::Reference)
        });
        match (owners.next(), owners.next()) {
            (Some(first), Some(second)) => {
                Err(Fault::new(second.start(), Kind::TwoAxisOwners { first: name(first), second: name(second) }))
            }
            _ => Ok(()),
        }
    }
}

/// What a `G` or `M` word means.
enum Code {
    G(Group, GWord),
    M(Group, MWord),
    Unknown,
}

impl Code {
    fn of(word: &Word) -> Result<Self, Fault> {
        let number = word.number_as_written().ok_or_else(|| missing_number(word))?;
        let not_a_code = || Fault::new(word.start(), Kind::NotACode);
        if word.letter() == b'G' {
            let tenths = vocabulary::g_tenths(number).ok_or_else(not_a_code)?;
            Ok(vocabulary::g_word(tenths).map_or(Code::Unknown, |(group, meaning)| Code::G(group, meaning)))
        } else {
            if vocabulary::is_decimal_m(number) {
                return Ok(Code::Unknown);
            }
            let number = vocabulary::m_number(number).ok_or_else(not_a_code)?;
            Ok(vocabulary::m_word(number).map_or(Code::Unknown, |(group, meaning)| Code::M(group, meaning)))
        }
    }
}

/// A word's plain name: `G92.1`, `M104`, `U`.
pub(super) fn name(word: &Word) -> String {
    let letter = char::from(word.letter());
    match (word.letter(), word.number_as_written()) {
        (b'G', Some(number)) => match vocabulary::g_tenths(number) {
            Some(tenths) if tenths % 10 == 0 => format!("G{}", tenths / 10),
            Some(tenths) => format!("G{}.{}", tenths / 10, tenths % 10),
            None => "G".to_owned(),
        },
        (b'M', Some(number)) => match vocabulary::m_number(number) {
            Some(number) => format!("M{number}"),
            None => format!("M{number}"),
        },
        _ => letter.to_string(),
    }
}

/// The word as an oddity, if it is one by itself; `text` is what follows an unknown `M` word.
pub(super) fn oddity(word: &Word, text: &[u8], is_foreign: bool) -> Option<Oddity> {
    let odd = |effect, is_known, may_switch| {
        Some(Oddity { name: name(word), offset: word.start(), effect, may_switch, is_known })
    };
    match word.letter() {
        b'G' | b'M' => match Code::of(word).ok()? {
            Code::Unknown if word.letter() == b'G' => odd(Effect::MayShift, false, true),
            Code::Unknown => {
                let effect = if names_axis(text) { Effect::MayMove } else { Effect::Harmless };
                odd(effect, false, may_switch(text))
            }
            Code::G(_, GWord::RadiusCompensation(true)) => odd(Effect::MayShift, true, false),
            Code::G(_, GWord::ToolLength(true) | GWord::Reference | GWord::Motion(MotionMode::Probe)) => {
                odd(Effect::MayMove, true, false)
            }
            Code::G(..) | Code::M(..) => None,
        },
        b'O' => odd(Effect::Harmless, false, false),
        letter if Letters::UNKNOWN.has_byte(letter) => odd(Effect::MayShift, false, false),
        letter if Letters::TURNING.has_byte(letter) && !is_foreign => odd(Effect::MayMove, true, false),
        _ => None,
    }
}

/// Whether an unknown `M` word with this text after it may switch something on: nothing follows, or an `S1`.
fn may_switch(text: &[u8]) -> bool {
    let mut words = words_of_text(text).peekable();
    words.peek().is_none() || words.any(|word| matches!(word, b"S1" | b"s1"))
}

/// Whether there is a word of X, Y or Z with a number in a free text.
pub(super) fn names_axis(text: &[u8]) -> bool {
    words_of_text(text)
        .any(|word| matches!(word, [b'X' | b'Y' | b'Z' | b'x' | b'y' | b'z', b'0'..=b'9' | b'.' | b'-' | b'+', ..]))
}

fn words_of_text(text: &[u8]) -> impl Iterator<Item = &[u8]> + Clone {
    text.split(u8::is_ascii_whitespace).filter(|word| !word.is_empty())
}

fn missing_number(word: &Word) -> Fault {
    Fault::new(word.start(), Kind::MissingNumber(char::from(word.letter())))
}

fn same_group(before: &[Word], word: &Word, group: Group) -> Fault {
    let is_of_group = |earlier: &&Word| match Code::of(earlier) {
        Ok(Code::G(other, _) | Code::M(other, _)) => earlier.letter() == word.letter() && other == group,
        _ => false,
    };
    let first = before.iter().find(is_of_group).map_or_else(String::new, name);
    Fault::new(word.start(), Kind::SameGroup { first, second: name(word), group: group.name() })
}
