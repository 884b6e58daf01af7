//! A place, and the straight way from one to another.

/// A place in machine coordinates: what the program says, with the shifts of `G92` applied.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Position {
    /// X, to the right.
    pub x_nm: i64,
    /// Y, to the back.
    pub y_nm: i64,
    /// Z, up.
    pub z_nm: i64,
}

impl Position {
    /// X, Y and Z in micrometres, rounded half away from zero; none if one does not fit (beyond 2147 m).
    #[inline]
    pub fn to_um(self) -> Option<[i32; 3]> {
        let um = |nm: i64| {
            let half = if nm < 0 { -500 } else { 500 };
            i32::try_from(nm.saturating_add(half) / 1000).ok()
        };
        Some([um(self.x_nm)?, um(self.y_nm)?, um(self.z_nm)?])
    }
}

/// A straight move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Straight {
    /// `G0`: as fast as the machine likes, whatever the feed.
    pub rapid: bool,
    /// Where it starts.
    pub start: Position,
    /// Where it ends; the same place when only `E` changes.
    pub end: Position,
    /// Change of `E`; negative draws back.
    pub extruded_nm: i64,
    /// Feed along the path per minute; none before the first `F`, or under `G93`.
    pub feed_nm_min: Option<u64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn micrometres_round_half_away_from_zero() {
        let position = Position { x_nm: 1_500, y_nm: -1_500, z_nm: 1_499 };
        assert_eq!(position.to_um(), Some([2, -2, 1]));
        let far = Position { x_nm: 2_147_483_647_499, ..Position::default() };
        assert_eq!(far.to_um(), Some([i32::MAX, 0, 0]));
        let too_far = Position { x_nm: 2_147_483_647_500, ..Position::default() };
        assert_eq!(too_far.to_um(), None);
    }
}
