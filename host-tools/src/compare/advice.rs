//! What to do about a change.

use std::fmt;

use super::{Change, Part};
use crate::check::CheckSettings;

/// What a person does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AdviceKind {
    /// Nothing: the first grid still holds.
    Fine,
    /// Raise or lower the first grid.
    Shift,
    /// Turn screws, then measure; or measure as it is.
    TurnScrews,
    /// Measure the bed again.
    Remeasure,
}

impl fmt::Display for AdviceKind {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            AdviceKind::Fine => "fine",
            AdviceKind::Shift => "shift",
            AdviceKind::TurnScrews => "turn a screw",
            AdviceKind::Remeasure => "re-measure",
        })
    }
}

/// One piece of advice with its reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Advice {
    /// What to do.
    pub kind: AdviceKind,
    /// Why.
    pub reason: String,
}

impl fmt::Display for Advice {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: {}", self.kind, self.reason)
    }
}

impl Change {
    /// What to do about it, where changes up to the tolerance are no matter; never empty.
    ///
    /// Each part is judged by its largest value. If all of them are small and their sum is not, measuring again is
    /// the way to know.
    pub fn advice(&self, tolerance_um: u16) -> Vec<Advice> {
        let limit_um = f64::from(tolerance_um);
        let is_large = |part: &Part| part.most_um.abs() > limit_um;
        let size = |part: &Part| format!("{:+.0} um at {}", part.most_um, part.place);
        let mut advice = Vec::new();
        let mut add = |kind, reason| advice.push(Advice { kind, reason });
        if is_large(&self.local) {
            let reason = format!(
                "the local change, {}, is that of one spot: a slip of the hand, dirt on the bed or on the nozzle",
                size(&self.local)
            );
            add(AdviceKind::Remeasure, reason);
        }
        if is_large(&self.bow) {
            let reason = format!(
                "the bow changed, by {}: no screw takes that out; heat does it, or a plate that is clamped anew",
                size(&self.bow)
            );
            add(AdviceKind::Remeasure, reason);
        }
        if is_large(&self.tilt) {
            let reason =
                format!("the tilt changed, by {}: gapgrid tram says which screw, and how far", size(&self.tilt));
            add(AdviceKind::TurnScrews, reason);
        }
        // Where more than the height changed, a shift alone mends nothing.
        if advice.is_empty() {
            let farthest_um = f64::from(CheckSettings::default().shift_limit_um).max(limit_um);
            advice.push(if self.height_um.abs() > farthest_um {
                let reason = format!(
                    "all of the bed is {:+.0} um from where it was, farther than a shift should take a grid: see what \
                     moved",
                    self.height_um
                );
                Advice { kind: AdviceKind::Remeasure, reason }
            } else if self.height_um.abs() > limit_um {
                let reason = format!(
                    "all of the bed is {:+.0} um from where it was, as by a limit switch or a nozzle that was changed: \
                     gapgrid shift takes the first grid there",
                    self.height_um
                );
                Advice { kind: AdviceKind::Shift, reason }
            } else if is_large(&self.all) {
                let reason = format!("each part is small, yet together they come to {}", size(&self.all));
                Advice { kind: AdviceKind::Remeasure, reason }
            } else {
                let reason = format!("nowhere more than {tolerance_um} um; the most is {}", size(&self.all));
                Advice { kind: AdviceKind::Fine, reason }
            });
        }
        advice
    }
}
