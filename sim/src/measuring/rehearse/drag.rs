//! How a sheet of paper drags between nozzle and bed.
//!
//! A stated model, not a measured one: at [`REACH_UM`] more room than the paper is thick nothing is felt, at as much
//! less it is stuck, and between the two the drag grows evenly.

use std::fmt;

/// Room more or less than the paper's thickness at which the drag is nothing, or all.
pub(super) const REACH_UM: f64 = 50.0;

/// Cells of the bar.
pub(super) const BAR_CELLS: usize = 20;

/// What the hand feels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Drag {
    /// Gap less the thickness that feels right.
    room_um: f64,
}

impl Drag {
    /// Drag in a gap, for a hand that takes another gap for the right one.
    pub(super) fn new(gap_um: f64, right_gap_um: f64) -> Self {
        Self { room_um: gap_um - right_gap_um }
    }

    /// From 0, nothing, to 1, stuck; one half is right.
    fn share(self) -> f64 {
        ((REACH_UM - self.room_um) / (2.0 * REACH_UM)).clamp(0.0, 1.0)
    }

    /// The drag as a bar of [`BAR_CELLS`].
    pub(super) fn bar(self) -> String {
        // Not above the number of cells.
        let filled = (self.share() * BAR_CELLS as f64).round() as usize;
        "#".repeat(filled) + &" ".repeat(BAR_CELLS - filled)
    }
}

impl fmt::Display for Drag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.room_um {
            room_um if room_um >= REACH_UM => "loose",
            room_um if room_um > 25.0 => "just touches",
            room_um if room_um > 10.0 => "drags a little",
            room_um if room_um >= -10.0 => "drags right",
            room_um if room_um > -REACH_UM => "hard to pull",
            _ => "stuck",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(room_um: f64) -> Drag {
        Drag::new(100.0 + room_um, 100.0)
    }

    #[test]
    fn words_follow_the_room_that_is_left() {
        for (room_um, words) in [
            (5000.0, "loose"),
            (50.0, "loose"),
            (49.0, "just touches"),
            (25.1, "just touches"),
            (25.0, "drags a little"),
            (10.0, "drags right"),
            (0.0, "drags right"),
            (-10.0, "drags right"),
            (-10.1, "hard to pull"),
            (-49.0, "hard to pull"),
            (-50.0, "stuck"),
            (-5000.0, "stuck"),
        ] {
            assert_eq!(at(room_um).to_string(), words, "{room_um}");
        }
    }

    #[test]
    fn the_bar_grows_evenly() {
        let filled = |room_um| at(room_um).bar().matches('#').count();
        assert_eq!([50.0, 25.0, 0.0, -25.0, -50.0].map(filled), [0, 5, 10, 15, 20]);
        assert_eq!([1e9, -1e9].map(filled), [0, 20]);
        assert_eq!(at(13.0).bar().len(), BAR_CELLS);
    }

    /// However the bed lies between detents of 10 um, one of them drags right, and it is the true one within 10 um.
    #[test]
    fn one_detent_at_least_drags_right() {
        for bed_tenths in 0..1000 {
            let bed_um = f64::from(bed_tenths) / 10.0;
            let right: Vec<f64> = (-20..50)
                .map(|detent| f64::from(detent) * 10.0)
                .filter(|z_um| Drag::new(z_um - bed_um, 100.0).to_string() == "drags right")
                .collect();
            assert!((1..=3).contains(&right.len()), "{bed_um}: {right:?}");
            assert!(right.iter().all(|z_um| (z_um - 100.0 - bed_um).abs() <= 10.0 + 1e-9), "{bed_um}: {right:?}");
        }
    }
}
