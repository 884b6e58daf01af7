//! The words of one line, sorted by what they do; refuses lines whose words contradict each other.

use super::decimal::Units;
use super::error::{Fault, GcodeErrorKind as Kind};
use super::line::Word;
use super::vocabulary::{self, GWord, Group, MWord, MotionMode};
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

    pub(super) fn add(&mut self, letter: u8) {
        self.0 |= Self::of(&[letter]).0;
    }
}

/// A word that claims the axis words of its line (group 0 of NISTIR 6556, Table 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AxisOwner {
    Home,
    SetPosition,
    Unmodelled,
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
    pub(super) plane: Option<Plane>,
    pub(super) units: Option<Units>,
    pub(super) incremental: Option<bool>,
    pub(super) inverse_time: Option<bool>,
    pub(super) extruder_relative: Option<bool>,
    pub(super) heater: Option<MWord>,
    pub(super) ends: bool,
    /// The letter words belong to a word that is unknown, or to `M84`.
    pub(super) is_foreign: bool,
    /// Some word is unknown or not modelled, and is to be counted.
    pub(super) has_oddities: bool,
}

impl<'a> Block<'a> {
    /// A block of words that are not sorted yet.
    pub(super) fn new(words: &'a [Word]) -> Self {
        Self {
            words,
            letters: Letters::default(),
            index: [0; 26],
            motion: None,
            axis_owner: None,
            dwell: false,
            machine_coordinates: None,
            plane: None,
            units: None,
            incremental: None,
            inverse_time: None,
            extruder_relative: None,
            heater: None,
            ends: false,
            is_foreign: false,
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
                            self.take_g(meaning, index)?;
                            Some(group)
                        }
                        Code::M(group, meaning) => {
                            self.take_m(meaning);
                            claims_letters |= meaning == MWord::MotorsOff;
                            Some(group)
                        }
                        Code::Unknown => {
                            // Behind an unknown M word there is free text and no word.
                            claims_letters |= word.letter() == b'G';
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
                        if groups & group.bit() != 0 {
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
        self.check_axis_owners()
    }

    /// The word with a letter other than `G` and `M`.
    pub(super) fn word(&self, letter: u8) -> Option<&'a Word> {
        self.letters.has(letter).then(|| &self.words[usize::from(self.index[usize::from(letter - b'A')])])
    }

    /// Where the first word with one of some letters starts; the line's first word if there is none.
    pub(super) fn offset_of(&self, letters: Letters) -> usize {
        let first = self.words.iter().find(|word| letters.has(word.letter()));
        first.or(self.words.first()).map_or(0, |word| word.start())
    }

    fn take_g(&mut self, meaning: GWord, index: usize) -> Result<(), Fault> {
        match meaning {
            GWord::Motion(mode) => {
                self.motion = Some(mode);
                self.has_oddities |= mode == MotionMode::Probe;
            }
            GWord::CannedCycle => {
                let word = &self.words[index];
                return Err(Fault::new(word.start(), Kind::CannedCycle(name(word))));
            }
            GWord::Plane(plane) => self.plane = Some(plane),
            GWord::Units(units) => self.units = Some(units),
            GWord::Incremental(incremental) => self.incremental = Some(incremental),
            GWord::InverseTime(inverse_time) => self.inverse_time = Some(inverse_time),
            GWord::Dwell => self.dwell = true,
            GWord::Home => self.axis_owner = Some(AxisOwner::Home),
            GWord::SetPosition => self.axis_owner = Some(AxisOwner::SetPosition),
            GWord::MachineCoordinates => self.machine_coordinates = Some(index),
            GWord::UnmodelledOwner => {
                self.axis_owner = Some(AxisOwner::Unmodelled);
                self.has_oddities = true;
            }
            GWord::Unmodelled => self.has_oddities = true,
            GWord::Neutral => {}
        }
        Ok(())
    }

    fn take_m(&mut self, meaning: MWord) {
        match meaning {
            MWord::End => self.ends = true,
            MWord::ExtruderRelative(relative) => self.extruder_relative = Some(relative),
            MWord::NozzleTemperature | MWord::BedTemperature => self.heater = Some(meaning),
            MWord::MotorsOff | MWord::Neutral => {}
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
            matches!(meaning, GWord::Motion(_) | GWord::Home | GWord::SetPosition | GWord::UnmodelledOwner)
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
        (b'M', Some(number)) => vocabulary::m_number(number).map_or("M".to_owned(), |number| format!("M{number}")),
        _ => letter.to_string(),
    }
}

/// Whether a word is unknown, known but not modelled, or neither.
pub(super) fn oddity(word: &Word) -> Option<Oddity> {
    match word.letter() {
        b'G' | b'M' => match Code::of(word).ok()? {
            Code::Unknown => Some(Oddity::Unknown),
            Code::G(_, GWord::Unmodelled | GWord::UnmodelledOwner | GWord::Motion(MotionMode::Probe)) => {
                Some(Oddity::Unmodelled)
            }
            Code::G(..) | Code::M(..) => None,
        },
        letter => Letters::UNKNOWN.has(letter).then_some(Oddity::Unknown),
    }
}

/// Why a word is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Oddity {
    Unknown,
    Unmodelled,
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
