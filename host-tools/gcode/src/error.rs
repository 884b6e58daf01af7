//! What can be wrong with a G-code file, each with its place and a remedy.

use std::fmt;
use std::io;

use super::decimal::DecimalError;
use gapkeeper_text::TextPosition;
use gapkeeper_text::printed::one_line;

/// A mistake in a G-code file: where, what, and what to do about it.
///
/// Shown as four lines: `file:line:column: what`, the text of the line, a caret under the place, the remedy.
#[derive(Debug)]
pub struct GcodeError {
    place: TextPosition,
    // Boxed, so that a result that is nearly always good stays small.
    kind: Box<GcodeErrorKind>,
}

impl GcodeError {
    pub(super) fn new(place: TextPosition, kind: GcodeErrorKind) -> Self {
        Self { place, kind: Box::new(kind) }
    }

    /// Where it is.
    pub fn position(&self) -> &TextPosition {
        &self.place
    }

    /// What it is.
    pub fn kind(&self) -> &GcodeErrorKind {
        &self.kind
    }

    /// Whether only one line is at fault, so that reading may go on with the next.
    pub fn is_bad_line(&self) -> bool {
        !matches!(*self.kind, GcodeErrorKind::Input(_) | GcodeErrorKind::LineTooLong { .. })
    }
}

impl fmt::Display for GcodeError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &*self.kind {
            // Nothing of the line was read, so there is nothing to show.
            kind @ GcodeErrorKind::Input(_) if self.place.text().is_empty() => {
                write!(out, "{}:{}: {kind}\n  {}", one_line(self.place.file()), self.place.line(), kind.remedy())
            }
            kind => self.place.write_report(out, kind, kind.remedy()),
        }
    }
}

impl std::error::Error for GcodeError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &*self.kind {
            GcodeErrorKind::Input(error) => Some(error),
            _ => None,
        }
    }
}

/// A mistake at a byte of one line, before the file's name and the line's text are added.
#[derive(Debug)]
pub(super) struct Fault {
    pub(super) offset: usize,
    pub(super) kind: GcodeErrorKind,
}

impl Fault {
    pub(super) fn new(offset: usize, kind: GcodeErrorKind) -> Self {
        Self { offset, kind }
    }
}

/// A length shown in millimetres, exactly.
struct Millimetres(i128);

impl fmt::Display for Millimetres {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, fraction) = (self.0 / 1_000_000, self.0 % 1_000_000);
        let digits = format!("{fraction:06}");
        match digits.trim_end_matches('0') {
            "" => write!(out, "{whole} mm"),
            digits => write!(out, "{whole}.{digits} mm"),
        }
    }
}

/// The kinds of mistakes. Section numbers are those of NISTIR 6556.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum GcodeErrorKind {
    /// The file could not be read on.
    #[error("the file cannot be read: {0}")]
    Input(#[source] io::Error),
    /// A line longer than the reader holds.
    #[error("the line is longer than {limit_bytes} bytes")]
    LineTooLong {
        /// The most bytes that a line may have.
        limit_bytes: usize,
    },
    /// `(` without `)` (3.3.4).
    #[error("the comment is not closed on its line")]
    UnclosedComment,
    /// `(` inside a comment (3.3.4).
    #[error("a comment inside a comment")]
    NestedComment,
    /// A character that begins no word.
    #[error("{0:?} begins no word")]
    UnexpectedCharacter(char),
    /// A value that cannot be read (3.3.2.2 to 3.3.2.4).
    #[error("no expression of numbers, parameters, functions and operators in brackets")]
    Expression,
    /// Division by zero, the root of a negative number and the like.
    #[error("the operation has no result for these numbers")]
    NoValue,
    /// A parameter whose number cannot be (3.2.1).
    #[error("parameters have whole numbers from 1 to 5399")]
    ParameterIndex,
    /// A parameter whose value only the controller knows.
    #[error("parameter {0} has not been set by the job")]
    ParameterUnset(u32),
    /// `X1.2e-05`: read as two words it would move `E`.
    #[error("a number with an exponent, or an E that begins a word?")]
    Exponent,
    /// A carriage return that ends the line to some controllers, and hides what follows from others.
    #[error("a carriage return in the middle of the line")]
    BareCarriageReturn,
    /// A word where only a comment may still be.
    #[error("a word after the first 65535 bytes of the line")]
    WordTooFar,
    /// A number that cannot be read (3.3.2.1).
    #[error("{0}")]
    Number(DecimalError),
    /// `N` behind another word, or twice (3.3.1).
    #[error("a line number behind the start of the line")]
    LineNumberNotFirst,
    /// `N` with no digits or too many (3.3.1).
    #[error("a line number has one to five digits, or is below 2^32 on a line with a check value")]
    LineNumber,
    /// `*` with something else than the line's check value behind it.
    #[error("`*` is not followed by a check value alone")]
    ChecksumForm,
    /// The line was damaged on its way.
    #[error("the line's check value is {computed}, but {written} is written")]
    Checksum {
        /// Exclusive or of all bytes before the `*`.
        computed: u8,
        /// What stands behind the `*`.
        written: u64,
    },
    /// A file opened by a `%` line has no second one (3.1).
    #[error("the file is opened by a % line and not closed by another")]
    UnclosedFile,
    /// A `G` or `M` number that is no code (3.3.2.1).
    #[error("no code: an M number, and ten times a G number, is within 0.0001 of a whole number")]
    NotACode,
    /// A word that a canned cycle needs (3.5.16).
    #[error("{cycle} lacks {missing}")]
    CycleWord {
        /// The cycle.
        cycle: String,
        /// What it lacks.
        missing: &'static str,
    },
    /// A canned cycle that cannot be (3.5.16).
    #[error("{0}")]
    Cycle(&'static str),
    /// Two words of one modal group (3.3.5).
    #[error("{first} and {second} on one line: both are of the group \"{group}\"")]
    SameGroup {
        /// The earlier word.
        first: String,
        /// The later word.
        second: String,
        /// The group's name.
        group: &'static str,
    },
    /// More than four `M` words (3.3.5).
    #[error("more than four M words on one line")]
    TooManyM,
    /// A letter other than `G` and `M` twice (3.3.5).
    #[error("{0} stands twice on one line")]
    RepeatedLetter(char),
    /// Two words that both claim the axis words (3.3.5).
    #[error("{first} and {second} on one line: both use the axis words")]
    TwoAxisOwners {
        /// The earlier word.
        first: String,
        /// The later word.
        second: String,
    },
    /// A letter alone where a number is needed.
    #[error("{0} has no number")]
    MissingNumber(char),
    /// Axis words with no motion mode in force.
    #[error("axis words, but no motion mode is in force")]
    NoMotionMode,
    /// Axis words on a `G4` line.
    #[error("axis words beside the dwell G4")]
    AxisWordsBesideDwell,
    /// `G10 L2` without a coordinate system (3.5.5).
    #[error("G10 L2 needs P1 to P9, the number of a coordinate system")]
    NoCoordinateSystem,
    /// A motion at a feed before any `F` (2.1.2.5).
    #[error("a motion at a feed, but no feed has been set")]
    NoFeed,
    /// `G93` without an `F` on the line of a motion at a feed (3.5.19).
    #[error("under G93 every motion at a feed needs an F above zero on its own line")]
    NoInverseTime,
    /// `G4` without `P` (3.5.4); dialects have `S` instead.
    #[error("a dwell needs P or S, how long it lasts")]
    NoDwellTime,
    /// A number that has to be whole (3.3.2.1).
    #[error("{0} needs a whole number")]
    NotWhole(char),
    /// A number that may not be below zero (3.6.2, 3.7).
    #[error("{0} may not be negative")]
    Negative(char),
    /// A motion mode that depends on whether a line was left out.
    #[error("the motion mode was set on a line with block delete")]
    UnsureMode,
    /// `P` of an arc (common practice).
    #[error("P of an arc is how many turns it takes, from 1 to 10000")]
    ArcTurns,
    /// `G53` with an arc or no motion mode (3.5.12).
    #[error("G53 without a straight motion")]
    MachineCoordinates,
    /// `I`, `J`, `K` or `R` with a straight motion.
    #[error("{0} belongs to an arc, but the motion is straight")]
    ArcWordOnStraight(char),
    /// An arc without both of its plane's axis words (3.5.3).
    #[error("an arc without any axis word of its plane")]
    ArcWithoutEnd,
    /// An arc with neither a radius nor an offset (3.5.3.2).
    #[error("an arc with neither a radius nor an offset of its centre")]
    ArcWithoutCentre,
    /// An arc with both forms at once.
    #[error("an arc with a radius and with offsets of its centre")]
    ArcTwoForms,
    /// An offset along the axis that is not in the plane (3.5.3.2).
    #[error("{0} is not an offset in the arc's plane")]
    ArcOffsetOutsidePlane(char),
    /// Start and end of an arc differ in radius (3.5.3.2).
    #[error(
        "the arc starts {} from its centre and ends {} from it, more than {} apart",
        Millimetres(*.start_radius_nm), Millimetres(*.end_radius_nm), Millimetres(*.limit_nm)
    )]
    ArcRadiiDiffer {
        /// Distance of the start from the centre, rounded down.
        start_radius_nm: i128,
        /// Distance of the end from the centre, rounded down.
        end_radius_nm: i128,
        /// How far they may differ: 0.002 mm or 0.0002 inch, or what rounding to the printed decimals explains.
        limit_nm: i128,
    },
    /// A radius arc that ends where it starts (3.5.3.1).
    #[error("an arc given by its radius ends where it starts")]
    ArcEndIsStart,
    /// A radius that cannot reach the end.
    #[error("the arc's radius is less than half the way to its end, which is {} off", Millimetres(*.chord_nm))]
    ArcRadiusTooSmall {
        /// Straight distance from start to end in the plane, rounded down.
        chord_nm: i128,
    },
    /// A place beyond 100 km, or a number that does not fit its meaning.
    #[error("the number is out of range")]
    OutOfRange,
}

impl GcodeErrorKind {
    /// What the person who has the file can do.
    pub fn remedy(&self) -> &'static str {
        use GcodeErrorKind as Kind;
        match self {
            Kind::Input(_) => "check the disk and the rights to the file, then try again",
            Kind::LineTooLong { .. } => "check that this is a G-code file",
            Kind::UnclosedComment => "close it with ), or begin it with ;",
            Kind::NestedComment => "take the inner ( away",
            Kind::UnexpectedCharacter(_) => "take it away, or put it into a comment",
            Kind::Expression => "see NISTIR 6556, 3.3.2, or have the post-processor write plain numbers",
            Kind::NoValue => "correct the numbers",
            Kind::ParameterIndex => "correct the parameter's number",
            Kind::ParameterUnset(_) => "set it at the start of the job, for example #510=0",
            Kind::Exponent => "write the number without an exponent, or a blank before the E",
            Kind::BareCarriageReturn => "convert the line ends of the file to LF or CRLF",
            Kind::WordTooFar => "check that this is a G-code file",
            Kind::Number(DecimalError::Malformed) => "write it like 12, 12.5 or -.5, without an exponent",
            Kind::Number(DecimalError::TooManyDigits) => "write fewer digits",
            Kind::LineNumberNotFirst => "put it first, behind / at most",
            Kind::LineNumber => "renumber the program, or leave the line numbers out",
            Kind::ChecksumForm => "write the exclusive or of all bytes before the *, or take the * away",
            Kind::Checksum { .. } => "the line was changed after it was checked: fetch the file again",
            Kind::UnclosedFile => "the file may be cut short: fetch it again, or add a line with % at its end",
            Kind::NotACode => "correct the number",
            Kind::CycleWord { .. } => "add the word; see NISTIR 6556, 3.5.16",
            Kind::Cycle(_) => "correct the words of the cycle; see NISTIR 6556, 3.5.16",
            Kind::SameGroup { .. } => {
                "keep one of the two, write them on two lines, or allow it (--lenient): the later one counts"
            }
            Kind::TooManyM => "spread them over several lines",
            Kind::RepeatedLetter(_) => "keep one of the two, or write them on two lines",
            Kind::TwoAxisOwners { .. } => "write them on two lines",
            Kind::MissingNumber(_) => "write a number behind it",
            Kind::NoMotionMode => "put G0, G1, G2 or G3 on this line or on an earlier one",
            Kind::AxisWordsBesideDwell => "write the dwell and the move on two lines",
            Kind::NoCoordinateSystem => "add P1 for G54, P2 for G55 and so on",
            Kind::NoFeed => "add an F to this line or to an earlier one",
            Kind::NoInverseTime => "add an F, one divided by the minutes that the motion takes",
            Kind::NoDwellTime => "add P with the time",
            Kind::NotWhole(_) | Kind::Negative(_) => "correct the number",
            Kind::UnsureMode => "write G0, G1, G2 or G3 on this line",
            Kind::ArcTurns => "correct the number",
            Kind::MachineCoordinates => "use G53 with G0 or G1",
            Kind::ArcWordOnStraight(_) => "use G2 or G3, or take the word away",
            Kind::ArcWithoutEnd => "name at least one axis of the plane, or give the centre of a full circle",
            Kind::ArcWithoutCentre => "add R, or the offsets of the centre (I and J in the XY plane)",
            Kind::ArcTwoForms => "keep either R or the offsets",
            Kind::ArcOffsetOutsidePlane(_) => "use I and J with G17, I and K with G18, J and K with G19",
            Kind::ArcRadiiDiffer { .. } => "correct the end or the centre; I, J and K count from the start",
            Kind::ArcEndIsStart => "give a full circle by its centre",
            Kind::ArcRadiusTooSmall { .. } => "correct the radius or the end",
            Kind::OutOfRange => "correct the number",
        }
    }
}
