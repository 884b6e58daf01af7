//! The `G` and `M` words that are known: NISTIR 6556, Tables 4, 5 and 7, and what all additive dialects share.

use super::decimal::{Decimal, Units};
use gapkeeper::Plane;

/// A modal group: two of its words on one line contradict each other (NISTIR 6556, Table 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Group {
    NonModal,
    Motion,
    Plane,
    Distance,
    FeedMode,
    Units,
    RadiusCompensation,
    LengthCompensation,
    Return,
    CoordinateSystem,
    PathControl,
    Stopping,
    ToolChange,
    Spindle,
    Coolant,
    Overrides,
    /// `M82`, `M83`: shared by the additive dialects.
    Extruder,
    /// Shared by the additive dialects; one on a line, since all of them read `S`.
    Heaters,
}

impl Group {
    pub(super) const fn bit(self) -> u32 {
        1 << self as u32
    }

    pub(super) const fn name(self) -> &'static str {
        match self {
            Group::NonModal => "non-modal",
            Group::Motion => "motion",
            Group::Plane => "plane",
            Group::Distance => "distance mode",
            Group::FeedMode => "feed mode",
            Group::Units => "units",
            Group::RadiusCompensation => "cutter radius compensation",
            Group::LengthCompensation => "tool length offset",
            Group::Return => "return mode in canned cycles",
            Group::CoordinateSystem => "coordinate system",
            Group::PathControl => "path control mode",
            Group::Stopping => "stopping",
            Group::ToolChange => "tool change",
            Group::Spindle => "spindle turning",
            Group::Coolant => "coolant",
            Group::Overrides => "override switches",
            Group::Extruder => "extruder distance mode",
            Group::Heaters => "heaters, fan and motors",
        }
    }
}

/// What a known `G` word does here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum GWord {
    Motion(MotionMode),
    Plane(Plane),
    Units(Units),
    Incremental(bool),
    InverseTime(bool),
    Dwell,
    Home,
    SetPosition,
    MachineCoordinates,
    /// `G10`.
    SetOrigin,
    /// `G30`.
    Reference,
    /// `G92.1` to `G92.3`.
    Shift(Shift),
    /// `G54` to `G59.3`, counted from 0.
    CoordinateSystem(u8),
    /// `G41` and `G42`; not `G40`.
    RadiusCompensation(bool),
    /// `G43`; not `G49`.
    ToolLength(bool),
    /// `G99`, not `G98`.
    ReturnToR(bool),
    /// Changes no position.
    Neutral,
}

/// What becomes of the shift by `G92`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shift {
    /// `G92.1`
    Drop,
    /// `G92.2`
    Suspend,
    /// `G92.3`
    Restore,
}

/// The motion mode in force, group 1 of NISTIR 6556, Table 4.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MotionMode {
    Rapid,
    Linear,
    Arc {
        clockwise: bool,
    },
    /// `G80`, or nothing yet.
    None,
    /// `G38.2`.
    Probe,
    /// `G81` to `G89`.
    Cycle(u8),
}

/// What a known `M` word does here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MWord {
    End,
    ExtruderRelative(bool),
    NozzleTemperature,
    BedTemperature,
    /// `M84`: axis words beside it name motors.
    MotorsOff,
    /// `M6`.
    ToolChange,
    Neutral,
}

const ARC_CLOCKWISE: GWord = GWord::Motion(MotionMode::Arc { clockwise: true });
const ARC_COUNTERCLOCKWISE: GWord = GWord::Motion(MotionMode::Arc { clockwise: false });

/// Ten times the number, group, meaning.
const G_WORDS: &[(u16, Group, GWord)] = &[
    (0, Group::Motion, GWord::Motion(MotionMode::Rapid)),
    (10, Group::Motion, GWord::Motion(MotionMode::Linear)),
    (20, Group::Motion, ARC_CLOCKWISE),
    (30, Group::Motion, ARC_COUNTERCLOCKWISE),
    (40, Group::NonModal, GWord::Dwell),
    (100, Group::NonModal, GWord::SetOrigin),
    (170, Group::Plane, GWord::Plane(Plane::Xy)),
    (180, Group::Plane, GWord::Plane(Plane::Zx)),
    (190, Group::Plane, GWord::Plane(Plane::Yz)),
    (200, Group::Units, GWord::Units(Units::Inch)),
    (210, Group::Units, GWord::Units(Units::Millimetre)),
    (280, Group::NonModal, GWord::Home),
    (300, Group::NonModal, GWord::Reference),
    (382, Group::Motion, GWord::Motion(MotionMode::Probe)),
    (400, Group::RadiusCompensation, GWord::RadiusCompensation(false)),
    (410, Group::RadiusCompensation, GWord::RadiusCompensation(true)),
    (420, Group::RadiusCompensation, GWord::RadiusCompensation(true)),
    (430, Group::LengthCompensation, GWord::ToolLength(true)),
    (490, Group::LengthCompensation, GWord::ToolLength(false)),
    (530, Group::NonModal, GWord::MachineCoordinates),
    (540, Group::CoordinateSystem, GWord::CoordinateSystem(0)),
    (550, Group::CoordinateSystem, GWord::CoordinateSystem(1)),
    (560, Group::CoordinateSystem, GWord::CoordinateSystem(2)),
    (570, Group::CoordinateSystem, GWord::CoordinateSystem(3)),
    (580, Group::CoordinateSystem, GWord::CoordinateSystem(4)),
    (590, Group::CoordinateSystem, GWord::CoordinateSystem(5)),
    (591, Group::CoordinateSystem, GWord::CoordinateSystem(6)),
    (592, Group::CoordinateSystem, GWord::CoordinateSystem(7)),
    (593, Group::CoordinateSystem, GWord::CoordinateSystem(8)),
    (610, Group::PathControl, GWord::Neutral),
    (611, Group::PathControl, GWord::Neutral),
    (640, Group::PathControl, GWord::Neutral),
    (800, Group::Motion, GWord::Motion(MotionMode::None)),
    (810, Group::Motion, GWord::Motion(MotionMode::Cycle(81))),
    (820, Group::Motion, GWord::Motion(MotionMode::Cycle(82))),
    (830, Group::Motion, GWord::Motion(MotionMode::Cycle(83))),
    (840, Group::Motion, GWord::Motion(MotionMode::Cycle(84))),
    (850, Group::Motion, GWord::Motion(MotionMode::Cycle(85))),
    (860, Group::Motion, GWord::Motion(MotionMode::Cycle(86))),
    (870, Group::Motion, GWord::Motion(MotionMode::Cycle(87))),
    (880, Group::Motion, GWord::Motion(MotionMode::Cycle(88))),
    (890, Group::Motion, GWord::Motion(MotionMode::Cycle(89))),
    (900, Group::Distance, GWord::Incremental(false)),
    (910, Group::Distance, GWord::Incremental(true)),
    (920, Group::NonModal, GWord::SetPosition),
    (921, Group::NonModal, GWord::Shift(Shift::Drop)),
    (922, Group::NonModal, GWord::Shift(Shift::Suspend)),
    (923, Group::NonModal, GWord::Shift(Shift::Restore)),
    (930, Group::FeedMode, GWord::InverseTime(true)),
    (940, Group::FeedMode, GWord::InverseTime(false)),
    (980, Group::Return, GWord::ReturnToR(false)),
    (990, Group::Return, GWord::ReturnToR(true)),
];

/// Number, group, meaning.
const M_WORDS: &[(u16, Group, MWord)] = &[
    (0, Group::Stopping, MWord::Neutral),
    (1, Group::Stopping, MWord::Neutral),
    (2, Group::Stopping, MWord::End),
    (3, Group::Spindle, MWord::Neutral),
    (4, Group::Spindle, MWord::Neutral),
    (5, Group::Spindle, MWord::Neutral),
    (6, Group::ToolChange, MWord::ToolChange),
    (7, Group::Coolant, MWord::Neutral),
    (8, Group::Coolant, MWord::Neutral),
    (9, Group::Coolant, MWord::Neutral),
    (30, Group::Stopping, MWord::End),
    (48, Group::Overrides, MWord::Neutral),
    (49, Group::Overrides, MWord::Neutral),
    (60, Group::Stopping, MWord::Neutral),
    (82, Group::Extruder, MWord::ExtruderRelative(false)),
    (83, Group::Extruder, MWord::ExtruderRelative(true)),
    (84, Group::Heaters, MWord::MotorsOff),
    (104, Group::Heaters, MWord::NozzleTemperature),
    (106, Group::Heaters, MWord::Neutral),
    (107, Group::Heaters, MWord::Neutral),
    (109, Group::Heaters, MWord::NozzleTemperature),
    (140, Group::Heaters, MWord::BedTemperature),
    (190, Group::Heaters, MWord::BedTemperature),
];

/// No row of a table.
const UNKNOWN: u8 = u8::MAX;

/// For each number below `N` the row of the table, so that looking a word up costs one read.
const fn g_rows<const N: usize>() -> [u8; N] {
    let mut rows = [UNKNOWN; N];
    let mut row = 0;
    while row < G_WORDS.len() {
        rows[G_WORDS[row].0 as usize] = row as u8;
        row += 1;
    }
    rows
}

const fn m_rows<const N: usize>() -> [u8; N] {
    let mut rows = [UNKNOWN; N];
    let mut row = 0;
    while row < M_WORDS.len() {
        rows[M_WORDS[row].0 as usize] = row as u8;
        row += 1;
    }
    rows
}

static G_ROWS: [u8; 1000] = g_rows();
static M_ROWS: [u8; 200] = m_rows();

/// Ten times the number of a `G` word; none if the number is no code (NISTIR 6556, 3.3.2.1).
pub(super) fn g_tenths(number: Decimal) -> Option<u32> {
    number.whole_within_tolerance(10)
}

/// The number of an `M` word; none if the number is no code (NISTIR 6556, 3.3.2.1).
pub(super) fn m_number(number: Decimal) -> Option<u32> {
    number.whole_within_tolerance(1)
}

/// Whether a number names an `M` word of its own beside a whole one that is not known either, as dialects have them.
pub(super) fn is_decimal_m(number: Decimal) -> bool {
    let whole = number.to_whole_below().and_then(|whole| u32::try_from(whole).ok());
    m_number(number).is_none() && whole.is_some_and(|whole| m_word(whole).is_none())
}

/// Group and meaning of a `G` word; none if it is unknown.
pub(super) fn g_word(tenths: u32) -> Option<(Group, GWord)> {
    let row = *G_ROWS.get(tenths as usize)?;
    G_WORDS.get(usize::from(row)).map(|(_, group, meaning)| (*group, *meaning))
}

/// Group and meaning of an `M` word; none if it is unknown.
pub(super) fn m_word(number: u32) -> Option<(Group, MWord)> {
    let row = *M_ROWS.get(number as usize)?;
    M_WORDS.get(usize::from(row)).map(|(_, group, meaning)| (*group, *meaning))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SOURCES row G-9: the groups of NISTIR 6556, Table 4, in tenths.
    #[test]
    fn g9_groups_of_g_words() {
        let table: [(Group, &[u32]); 11] = [
            (Group::Motion, &[0, 10, 20, 30, 382, 800, 810, 820, 830, 840, 850, 860, 870, 880, 890]),
            (Group::Plane, &[170, 180, 190]),
            (Group::Distance, &[900, 910]),
            (Group::FeedMode, &[930, 940]),
            (Group::Units, &[200, 210]),
            (Group::RadiusCompensation, &[400, 410, 420]),
            (Group::LengthCompensation, &[430, 490]),
            (Group::Return, &[980, 990]),
            (Group::CoordinateSystem, &[540, 550, 560, 570, 580, 590, 591, 592, 593]),
            (Group::PathControl, &[610, 611, 640]),
            (Group::NonModal, &[40, 100, 280, 300, 530, 920, 921, 922, 923]),
        ];
        for (group, words) in table {
            for word in words {
                assert_eq!(g_word(*word).map(|found| found.0), Some(group), "{word}");
            }
        }
        let known = (0..2000).filter(|tenths| g_word(*tenths).is_some()).count();
        assert_eq!(known, table.iter().map(|(_, words)| words.len()).sum::<usize>());
    }

    /// SOURCES row G-9: the groups of NISTIR 6556, Table 4.
    #[test]
    fn g9_groups_of_m_words() {
        let table: [(Group, &[u32]); 5] = [
            (Group::Stopping, &[0, 1, 2, 30, 60]),
            (Group::ToolChange, &[6]),
            (Group::Spindle, &[3, 4, 5]),
            (Group::Coolant, &[7, 8, 9]),
            (Group::Overrides, &[48, 49]),
        ];
        for (group, words) in table {
            for word in words {
                assert_eq!(m_word(*word).map(|found| found.0), Some(group), "{word}");
            }
        }
    }
}
