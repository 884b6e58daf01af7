//! Canned cycles as the straight motions that they stand for (NISTIR 6556, 3.5.16).

use gapkeeper::Plane;

use super::straight::{Position, Straight};

/// Most motions into one hole of `G83`.
pub(super) const MOST_PECKS: i64 = 10_000;
/// How far above the bottom of the hole `G83` comes back to it: "backed off a bit"; how far is not stated.
const BACKED_OFF_NM: i64 = 250_000;

/// Numbers that a cycle's lines share.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sticky {
    pub(super) r_nm: Option<i64>,
    pub(super) bottom_nm: Option<i64>,
    pub(super) peck_nm: Option<i64>,
    pub(super) has_dwell: bool,
    pub(super) aside_nm: [Option<i64>; 3],
}

impl Sticky {
    pub(super) const NONE: Self =
        Self { r_nm: None, bottom_nm: None, peck_nm: None, has_dwell: false, aside_nm: [None; 3] };
}

/// A canned cycle with its repeats. Lengths in nanometres, places of the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cycle {
    /// Which: 81 to 89.
    pub code: u8,
    /// The plane; the tool moves along the axis across it.
    pub plane: Plane,
    /// Where it starts.
    pub start: Position,
    /// First hole, along the plane's axes.
    pub hole_nm: [i64; 2],
    /// From one repeat to the next.
    pub step_nm: [i64; 2],
    /// How many holes.
    pub repeats: u32,
    /// Where feeding begins, along the axis across the plane.
    pub r_nm: i64,
    /// Bottom of the hole.
    pub bottom_nm: i64,
    /// Where each hole ends.
    pub clear_nm: i64,
    /// `G83`: depth of a peck.
    pub peck_nm: i64,
    /// `G87`: the way aside in the plane, and how far up is bored.
    pub aside_nm: [i64; 3],
    /// Feed per minute; none before the first `F`.
    pub feed_nm_min: Option<u64>,
}

impl Cycle {
    /// Where it ends.
    pub fn end(&self) -> Position {
        let last = i64::from(self.repeats.saturating_sub(1));
        let hole = [0, 1].map(|axis| self.hole_nm[axis].saturating_add(self.step_nm[axis].saturating_mul(last)));
        self.at(hole, self.clear_nm)
    }

    /// Its motions in order. Stops of the spindle, dwells and turns of the operator's hand are none.
    pub fn moves(&self) -> impl Iterator<Item = Straight> {
        let cycle = *self;
        let mut here = self.start;
        let before = self.across(self.start);
        // Once, if the tool is too low (3.5.16.1).
        let lift = (before < self.r_nm).then(|| (true, self.at(self.in_plane(self.start), self.r_nm)));
        let level = before.max(self.r_nm);
        let holes = (0..self.repeats).flat_map(move |index| {
            let hole = [0, 1]
                .map(|axis| cycle.hole_nm[axis].saturating_add(cycle.step_nm[axis].saturating_mul(i64::from(index))));
            let level = if index == 0 { level } else { cycle.clear_nm };
            cycle.one_hole(hole, level)
        });
        lift.into_iter().chain(holes).filter_map(move |(rapid, end)| {
            let start = std::mem::replace(&mut here, end);
            (start != end).then_some(Straight { rapid, start, end, extruded_nm: 0, feed_nm_min: cycle.feed_nm_min })
        })
    }

    fn one_hole(&self, hole: [i64; 2], level_nm: i64) -> Vec<(bool, Position)> {
        let at = |height_nm| self.at(hole, height_nm);
        let mut ways = vec![(true, at(level_nm)), (true, at(self.r_nm))];
        match self.code {
            83 => {
                let mut depth_nm = self.r_nm - self.peck_nm;
                while depth_nm > self.bottom_nm {
                    ways.extend([(false, at(depth_nm)), (true, at(self.clear_nm))]);
                    ways.push((true, at((depth_nm + BACKED_OFF_NM).min(self.r_nm))));
                    depth_nm -= self.peck_nm;
                }
                ways.extend([(false, at(self.bottom_nm)), (true, at(self.clear_nm))]);
            }
            // Tapping and boring come out at the feed.
            84 | 85 | 89 => ways.extend([(false, at(self.bottom_nm)), (false, at(self.clear_nm))]),
            87 => {
                let [first, second, up_nm] = self.aside_nm;
                let aside = [hole[0].saturating_add(first), hole[1].saturating_add(second)];
                ways.truncate(1);
                ways.extend([
                    (true, self.at(aside, level_nm)),
                    (true, self.at(aside, self.bottom_nm)),
                    (true, at(self.bottom_nm)),
                    (false, at(up_nm)),
                    (false, at(self.bottom_nm)),
                    (true, self.at(aside, self.bottom_nm)),
                    (true, self.at(aside, self.clear_nm)),
                    (true, at(self.clear_nm)),
                ]);
            }
            _ => ways.extend([(false, at(self.bottom_nm)), (true, at(self.clear_nm))]),
        }
        ways
    }

    fn at(&self, [first_nm, second_nm]: [i64; 2], across_nm: i64) -> Position {
        match self.plane {
            Plane::Xy => Position { x_nm: first_nm, y_nm: second_nm, z_nm: across_nm },
            Plane::Zx => Position { z_nm: first_nm, x_nm: second_nm, y_nm: across_nm },
            Plane::Yz => Position { y_nm: first_nm, z_nm: second_nm, x_nm: across_nm },
        }
    }

    fn in_plane(&self, position: Position) -> [i64; 2] {
        match self.plane {
            Plane::Xy => [position.x_nm, position.y_nm],
            Plane::Zx => [position.z_nm, position.x_nm],
            Plane::Yz => [position.y_nm, position.z_nm],
        }
    }

    fn across(&self, position: Position) -> i64 {
        match self.plane {
            Plane::Xy => position.z_nm,
            Plane::Zx => position.y_nm,
            Plane::Yz => position.x_nm,
        }
    }
}
