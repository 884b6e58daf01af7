//! Coordinate systems and shifts: from the program's coordinates to the machine's (NISTIR 6556, 3.2.2).

use super::knowledge::Axes;

const SYSTEMS: usize = 9;

/// Where the program's zero lies.
#[derive(Clone, Copy, Debug)]
pub(super) struct Offsets {
    /// Origins of `G54` to `G59.3` along X, Y and Z, ...
    origins_nm: [[i64; 3]; SYSTEMS],
    /// ... and along which axes each is known.
    known: [Axes; SYSTEMS],
    active: usize,
    /// The shift by `G92` in force, with `E`, ...
    shift: Shift,
    /// ... and the one that `G92.3` puts in force again.
    kept: Shift,
    /// Axes whose origin the caller has stated, in whatever way the job sets it.
    stated: Axes,
    /// The shift is not known since a `G92` without axis words, which only dialects have.
    is_bare: bool,
}

#[derive(Clone, Copy, Debug)]
struct Shift {
    nm: [i64; 4],
    unknown: Axes,
}

impl Shift {
    const NONE: Self = Self { nm: [0; 4], unknown: Axes::NONE };
}

impl Offsets {
    /// `G54` at the machine's zero, no shift.
    pub(super) const fn new() -> Self {
        let mut known = [Axes::NONE; SYSTEMS];
        known[0] = Axes::XYZ;
        let origins_nm = [[0; 3]; SYSTEMS];
        Self { origins_nm, known, active: 0, shift: Shift::NONE, kept: Shift::NONE, stated: Axes::NONE, is_bare: false }
    }

    /// States where the zero of `G54` lies, along the axes given.
    pub(super) fn state_origin(&mut self, origin_nm: [Option<i64>; 3]) {
        for (axis, nm) in origin_nm.into_iter().enumerate() {
            if let Some(nm) = nm {
                self.origins_nm[0][axis] = nm;
                self.stated = self.stated.or(Axes::one(axis));
            }
        }
    }

    /// The machine's coordinates minus the program's.
    pub(super) fn total_nm(&self) -> [i64; 4] {
        let [x, y, z] = self.origins_nm[self.active];
        let [shift_x, shift_y, shift_z, shift_e] = self.shift.nm;
        [x + shift_x, y + shift_y, z + shift_z, shift_e]
    }

    /// Axes whose places, though named, are not known.
    pub(super) fn unknown(&self) -> Axes {
        Axes::XYZ.without(self.known[self.active]).or(self.shift.unknown)
    }

    /// Puts the system with a number from 0 in force; tells whether its origin is known.
    pub(super) fn select(&mut self, system: u8) -> bool {
        self.active = usize::from(system).min(SYSTEMS - 1);
        self.known[self.active] == Axes::XYZ
    }

    /// `G10 L2`: the origin of a system along one axis.
    pub(super) fn set_origin(&mut self, system: usize, axis: usize, nm: i64) {
        if let (Some(origin_nm), true) = (self.origins_nm.get_mut(system), axis < 3) {
            origin_nm[axis] = nm;
            self.known[system] = self.known[system].or(Axes::one(axis));
        }
    }

    /// Origins were set in a way that is not followed.
    pub(super) fn forget_origins(&mut self) {
        self.known = [Axes::NONE; SYSTEMS];
    }

    /// The origin of the system in force along an axis.
    pub(super) fn origin_nm(&self, axis: usize) -> i64 {
        self.origins_nm[self.active].get(axis).copied().unwrap_or(0)
    }

    /// Whether `G92` on an axis leaves its zero where the caller has stated it.
    pub(super) fn is_stated(&self, axis: usize) -> bool {
        self.stated.has(axis) && self.active == 0
    }

    /// `G92`: the machine's coordinate minus the program's along an axis; known or not.
    pub(super) fn shift_to(&mut self, axis: usize, total_nm: i64, is_known: bool) {
        self.shift.nm[axis] = total_nm - self.origin_nm(axis);
        let one = Axes::one(axis);
        self.shift.unknown = if is_known { self.shift.unknown.without(one) } else { self.shift.unknown.or(one) };
        self.kept = self.shift;
    }

    /// `G92` without axis words, which controllers read in several ways.
    pub(super) fn forget_shift(&mut self) {
        self.shift.unknown = Axes::XYZ;
        self.kept = self.shift;
        self.is_bare = true;
    }

    /// Drops the shift of an axis that was homed; tells whether there was one.
    pub(super) fn drop_shift(&mut self, axis: usize) -> bool {
        let is_unknown = self.shift.unknown.has(axis) && !self.is_bare;
        let was_shifted = self.shift.nm[axis] != 0 || is_unknown;
        for shift in [&mut self.shift, &mut self.kept] {
            shift.nm[axis] = 0;
            let one = Axes::one(axis);
            shift.unknown = if was_shifted { shift.unknown.or(one) } else { shift.unknown.without(one) };
        }
        was_shifted
    }

    /// `G92.1`, and with `keep` `G92.2`: no shift of X, Y and Z (NISTIR 6556, 3.5.18).
    pub(super) fn end_shift(&mut self, keep: bool) {
        let e_nm = self.shift.nm[3];
        self.shift = Shift { nm: [0, 0, 0, e_nm], unknown: Axes::NONE };
        if !keep {
            self.kept = self.shift;
        }
    }

    /// `G92.3`.
    pub(super) fn restore_shift(&mut self) {
        let e_nm = self.shift.nm[3];
        self.shift = self.kept;
        self.shift.nm[3] = e_nm;
    }
}
