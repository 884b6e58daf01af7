//! Which heights disagree with what others predict.

use gapkeeper::MAX_HEIGHT_UM;

/// How a height stands against what all others predict.
#[derive(Clone, Copy, Debug)]
pub(super) struct Standing {
    /// Height less prediction.
    pub off_um: i32,
    /// The largest is the likeliest slip.
    pub rank: f64,
}

/// A height that disagrees with the others.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Slip {
    /// Its number.
    pub at: usize,
    /// Height less prediction.
    pub off_um: i32,
    /// Others that stand out as much.
    pub as_likely: Vec<usize>,
}

/// The heights that are off by more than a limit, the worst first; none if they cannot be compared.
///
/// A slip spoils the predictions beside it, so the one that stands out most is taken, its prediction put in its place,
/// and the search begun anew: R. D. Cook and S. Weisberg, *Residuals and Influence in Regression* (1982), call the
/// figure the studentised residual.
pub(super) fn slips(
    mut heights_um: Vec<i16>,
    limit_um: u16,
    against: impl Fn(&[i16]) -> Option<Vec<Standing>>,
) -> Option<Vec<Slip>> {
    /// A stand-out this near to the largest stands out as much: what is left is rounding.
    const SHARE: f64 = 0.98;
    let is_off = |standing: &Standing| standing.off_um.unsigned_abs() > limit_um.into();
    let mut slips = Vec::new();
    let mut now = against(&heights_um)?;
    // Where a quarter of the readings is wrong, nobody can tell which.
    for _ in 0..(heights_um.len() / 4).max(1) {
        let mut doubtful: Vec<usize> = (0..now.len()).filter(|&at| is_off(&now[at])).collect();
        // Stable: of equals, the first is told.
        doubtful.sort_by(|&one, &other| now[other].rank.total_cmp(&now[one].rank));
        let Some(&at) = doubtful.first() else { break };
        // Its prediction lies beyond the range of heights: it stays off, and hides whatever else there is.
        if slips.iter().any(|slip: &Slip| slip.at == at) {
            break;
        }
        let Standing { off_um, rank } = now[at];
        let predicted_um = i32::from(heights_um[at]).saturating_sub(off_um);
        // Held within 14 bits.
        heights_um[at] = predicted_um.clamp(-i32::from(MAX_HEIGHT_UM), MAX_HEIGHT_UM.into()) as i16;
        let left = against(&heights_um)?;
        let as_likely = doubtful[1..]
            .iter()
            .copied()
            .take_while(|&other| now[other].rank >= SHARE * rank)
            // What is still off without the first is a slip of its own.
            .filter(|&other| !is_off(&left[other]))
            .collect();
        slips.push(Slip { at, off_um, as_likely });
        now = left;
    }
    Some(slips)
}
