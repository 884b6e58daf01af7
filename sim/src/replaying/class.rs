//! How a line lies on what is below it, and how shares are written.

use serde::{Serialize, Serializer};

/// A squeeze (gap by thickness asked for) below this is too close: 50 µm in a first layer of 200.
pub const TOO_CLOSE_BELOW: f64 = 0.75;
/// A squeeze above this is too far.
pub const TOO_FAR_ABOVE: f64 = 1.25;
/// A squeeze above this is no squeeze: the line falls loosely. A line twice as wide as thick, let go, is a round strand
/// of `√(4·2/π)` = 1.6 times its thickness.
pub const LOOSE_ABOVE: f64 = 1.6;

/// How a line lies on what is below it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// The gap is at or below zero: the nozzle touches what is below.
    Contact,
    /// Squeeze below [`TOO_CLOSE_BELOW`], or nearer than the tolerance allows.
    TooClose,
    /// Neither.
    Good,
    /// Squeeze above [`TOO_FAR_ABOVE`], or farther than the tolerance allows.
    TooFar,
    /// Squeeze above [`LOOSE_ABOVE`].
    Loose,
    /// The core refused the move, so nothing was laid.
    Refused,
    /// Beyond the plate.
    OffBed,
}

impl Class {
    /// All classes, in the order of every array of classes.
    pub const ALL: [Class; 7] =
        [Class::Contact, Class::TooClose, Class::Good, Class::TooFar, Class::Loose, Class::Refused, Class::OffBed];

    /// The class of a gap over what is below, for the thickness that was asked for; `tolerance_um` either way.
    pub fn of(gap_um: f64, asked_um: f64, tolerance_um: f64) -> Self {
        let (error_um, squeeze) = (gap_um - asked_um, gap_um / asked_um);
        if gap_um <= 0.0 {
            Self::Contact
        } else if error_um < -tolerance_um || asked_um <= 0.0 || squeeze < TOO_CLOSE_BELOW {
            Self::TooClose
        } else if squeeze > LOOSE_ABOVE {
            Self::Loose
        } else if error_um > tolerance_um || squeeze > TOO_FAR_ABOVE {
            Self::TooFar
        } else {
            Self::Good
        }
    }

    /// The class of a tool that is meant to touch, such as a pen or a cutter: only the tolerance counts.
    pub(crate) fn of_tool(error_um: f64, tolerance_um: f64) -> Self {
        if error_um < -tolerance_um {
            Self::TooClose
        } else if error_um > tolerance_um {
            Self::TooFar
        } else {
            Self::Good
        }
    }

    /// The word used on screens and in pictures.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Contact => "touches",
            Self::TooClose => "too close",
            Self::Good => "good",
            Self::TooFar => "too far",
            Self::Loose => "loose",
            Self::Refused => "refused",
            Self::OffBed => "off the bed",
        }
    }

    /// The key used in JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Contact => "contact",
            Self::TooClose => "too_close",
            Self::Good => "good",
            Self::TooFar => "too_far",
            Self::Loose => "loose",
            Self::Refused => "refused",
            Self::OffBed => "off_bed",
        }
    }
}

/// What counts as good.
#[derive(Clone, Copy, Debug)]
pub struct Measure {
    /// Gap errors up to this are good, as far as the squeeze is.
    pub tolerance_um: f64,
    /// Whether something is laid down; a pen or a cutter is meant to touch.
    pub lays: bool,
}

impl Measure {
    /// The class of a gap error for the thickness that was asked for.
    #[inline]
    pub fn class(self, error_um: f64, asked_um: f64) -> Class {
        if self.lays {
            Class::of(error_um + asked_um, asked_um, self.tolerance_um)
        } else {
            Class::of_tool(error_um, self.tolerance_um)
        }
    }

    /// How far the nozzle must be raised to be good there; lowered, where negative.
    pub(crate) fn lacks_um(self, error_um: f64, asked_um: f64) -> f64 {
        let [mut low_um, mut high_um] = [-self.tolerance_um, self.tolerance_um];
        if self.lays {
            low_um = low_um.max((TOO_CLOSE_BELOW - 1.0) * asked_um);
            high_um = high_um.min((TOO_FAR_ABOVE - 1.0) * asked_um);
        }
        if error_um < low_um {
            low_um - error_um
        } else if error_um > high_um {
            high_um - error_um
        } else {
            0.0
        }
    }
}

/// A figure for each class.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PerClass(pub [f64; 7]);

impl PerClass {
    /// The figure of one class.
    pub fn get(&self, class: Class) -> f64 {
        self.0[class as usize]
    }

    /// Adds to the figure of one class.
    pub fn add(&mut self, class: Class, more: f64) {
        self.0[class as usize] += more;
    }

    /// All classes together.
    pub fn total(&self) -> f64 {
        self.0.iter().sum()
    }

    /// What has a gap: on the bed and not refused.
    pub fn judged(&self) -> f64 {
        self.0[..=Class::Loose as usize].iter().sum()
    }

    /// What lies on the bed, or would if it had not been refused.
    pub fn on_bed(&self) -> f64 {
        self.judged() + self.get(Class::Refused)
    }

    /// Share of one class of all that is printed; what is refused or off the bed is part of the whole. 0 of nothing.
    pub fn share(&self, class: Class) -> f64 {
        let total = self.total();
        if total > 0.0 { (self.get(class) / total).min(1.0) } else { 0.0 }
    }

    /// Share that has a gap, of all that is printed; 0 of nothing.
    pub(crate) fn share_judged(&self) -> f64 {
        let total = self.total();
        if total > 0.0 { (self.judged() / total).min(1.0) } else { 0.0 }
    }
}

impl Serialize for PerClass {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(Class::ALL.iter().map(|class| (class.key(), self.get(*class))))
    }
}

/// A share in per cent to a tenth, the same everywhere. All and nothing are only said when they are exact.
pub fn percent(share: f64) -> String {
    let tenths = (share * 1000.0).round();
    if share <= 0.0 {
        "0 %".into()
    } else if share >= 1.0 {
        "100 %".into()
    } else if tenths < 1.0 {
        "<0.1 %".into()
    } else if tenths > 999.0 {
        ">99.9 %".into()
    } else {
        format!("{:.1} %", tenths / 10.0)
    }
}

/// A length in metres; in millimetres where metres would leave no digits. Nothing is only said when it is exact.
pub fn length(mm: f64) -> String {
    match mm {
        _ if mm <= 0.0 => "0 m".into(),
        _ if mm < 0.05 => "<0.1 mm".into(),
        // What rounds to 100 mm is 0.10 m.
        _ if mm < 99.95 => format!("{mm:.1} mm"),
        _ => format!("{:.2} m", mm / 1000.0),
    }
}

/// A share in per cent without its unit, where that stands elsewhere.
pub(crate) fn percentage(share: f64) -> String {
    percent(share).replace(" %", "")
}

/// How much was judged of how much there is.
pub(crate) fn judged(length_mm: &PerClass) -> String {
    let mut text = format!("{} judged of {} on the bed", length(length_mm.judged()), length(length_mm.on_bed()));
    let off_bed_mm = length_mm.get(Class::OffBed);
    if off_bed_mm > 0.0 {
        text += &format!(", {} beyond the plate", length(off_bed_mm));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_and_nothing_are_said_only_when_true() {
        let shares = [0.0, 0.000_18, 0.000_6, 0.5, 0.999, 0.999_4, 0.999_6, 1.0];
        let said = ["0 %", "<0.1 %", "0.1 %", "50.0 %", "99.9 %", "99.9 %", ">99.9 %", "100 %"];
        assert_eq!(shares.map(percent), said);
    }

    #[test]
    fn a_short_length_keeps_its_digits() {
        let lengths_mm = [0.0, 0.02, 0.06, 2.0, 99.94, 99.96, 100.0, 1234.0];
        let said = ["0 m", "<0.1 mm", "0.1 mm", "2.0 mm", "99.9 mm", "0.10 m", "0.10 m", "1.23 m"];
        assert_eq!(lengths_mm.map(length), said);
    }

    #[test]
    fn what_lacks_is_just_enough() {
        let measure = Measure { tolerance_um: 50.0, lays: true };
        for (error_um, asked_um, lacks_um) in
            [(-90.0, 200.0, 40.0), (80.0, 200.0, -30.0), (49.0, 200.0, 0.0), (-20.0, 50.0, 7.5), (-90.0, 400.0, 40.0)]
        {
            assert_eq!(measure.lacks_um(error_um, asked_um), lacks_um, "{error_um} of {asked_um}");
            assert_eq!(measure.class(error_um + lacks_um, asked_um), Class::Good);
        }
        assert_eq!(Measure { lays: false, ..measure }.lacks_um(-90.0, 0.0), 40.0);
    }

    /// The tolerance and the squeeze both hold: 50 µm are a quarter of 200, and far more than that of 50.
    #[test]
    fn classes_follow_gap_and_thickness() {
        let of = |gap_um, asked_um| Class::of(gap_um, asked_um, 50.0);
        for (gap_um, asked_um, wanted) in [
            (0.0, 200.0, Class::Contact),
            (-383.0, 200.0, Class::Contact),
            (149.0, 200.0, Class::TooClose),
            (151.0, 200.0, Class::Good),
            (249.0, 200.0, Class::Good),
            (251.0, 200.0, Class::TooFar),
            (321.0, 200.0, Class::Loose),
            (20.0, 50.0, Class::TooClose),
            (70.0, 50.0, Class::TooFar),
            (90.0, 50.0, Class::Loose),
            (345.0, 400.0, Class::TooClose),
            (455.0, 400.0, Class::TooFar),
            (3.0, 0.0, Class::TooClose),
        ] {
            assert_eq!(of(gap_um, asked_um), wanted, "{gap_um} of {asked_um}");
        }
    }
}
