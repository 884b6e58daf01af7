//! A run of canned cycles: what stays from one line to the next (NISTIR 6556, 3.5.16).

use gapkeeper::Plane;

use super::block::Block;
use super::cycle::{Cycle, MOST_PECKS, Sticky};
use super::decimal::within_reach;
use super::error::{Fault, GcodeErrorKind as Kind};
use super::knowledge::Axes;
use super::state::{AXES, State, plane_axes};
use super::straight::Position;

impl State {
    /// A line of a cycle; `begins` where another cycle or motion stood before.
    pub(super) fn cycle(&mut self, block: &Block<'_>, code: u8, begins: bool) -> Result<Cycle, Fault> {
        let at_line = block.offset_of_codes();
        let lacks = |missing| Fault::new(at_line, Kind::CycleWord { cycle: format!("G{code}"), missing });
        let wrong = |text| Fault::new(at_line, Kind::Cycle(text));
        if self.inverse_time {
            return Err(wrong("a canned cycle under G93"));
        }
        if begins {
            self.sticky = Sticky::NONE;
        }
        let [first, second, across] = plane_axes(self.plane);
        let before_nm = self.position_nm;
        let start = self.position();
        let length_nm = |letter: u8| block.word(letter).map(|word| self.length_nm(word)).transpose();
        let repeats = match block.word(b'L') {
            None => 1,
            Some(word) => word
                .number_as_written()
                .and_then(|number| number.whole_within_tolerance(1))
                .filter(|repeats| *repeats > 0)
                .ok_or_else(|| {
                    Fault::new(word.start(), Kind::Cycle("L of a cycle is how often, a whole number above 0"))
                })?,
        };
        let (r_nm, depth_nm, peck_nm) = (length_nm(b'R')?, length_nm(AXES[across])?, length_nm(b'Q')?);
        let in_plane = [first, second].map(|axis| block.word(AXES[axis]));
        if in_plane == [None, None] && block.letters.without_all(b"XYZ") {
            return Err(lacks("axis words"));
        }
        let mut hole_nm = [before_nm[first], before_nm[second]];
        let mut step_nm = [0; 2];
        for (index, axis) in [first, second].into_iter().enumerate() {
            let Some(word) = in_plane[index] else { continue };
            let number_nm = self.length_nm(word)?;
            if self.incremental {
                step_nm[index] = number_nm;
                hole_nm[index] += number_nm;
            } else {
                hole_nm[index] = self.offset_nm[axis] + number_nm;
            }
        }
        let offset_nm = self.offset_nm[across];
        let sticky = &mut self.sticky;
        sticky.r_nm = r_nm.or(sticky.r_nm);
        sticky.bottom_nm = depth_nm.or(sticky.bottom_nm);
        sticky.peck_nm = peck_nm.or(sticky.peck_nm);
        sticky.has_dwell |= block.word(b'P').is_some();
        for (aside_nm, letter) in sticky.aside_nm.iter_mut().zip(offsets_of(self.plane)) {
            let word = block.word(letter).map(|word| word.number_as_written().and_then(|n| n.to_nm(self.units)));
            *aside_nm = word.flatten().or(*aside_nm);
        }
        let r = sticky.r_nm.ok_or_else(|| lacks("R, where feeding begins"))?;
        let bottom = sticky.bottom_nm.ok_or_else(|| lacks("the depth of the hole"))?;
        // R counts from where the tool is, the depth from R (3.5.16.1).
        let (r_nm, bottom_nm) = if self.incremental {
            (before_nm[across] + r, before_nm[across] + r + bottom)
        } else {
            (offset_nm + r, offset_nm + bottom)
        };
        if r_nm < bottom_nm {
            return Err(wrong("the cycle's R lies below the bottom of the hole"));
        }
        let peck_nm = match (code, sticky.peck_nm) {
            (83, None) => return Err(lacks("Q, the depth of a peck")),
            (83, Some(peck_nm)) if peck_nm <= 0 || (r_nm - bottom_nm) / peck_nm > MOST_PECKS => {
                return Err(wrong("Q of G83 is a depth above zero, and a hole has at most 10000 of them"));
            }
            (_, peck_nm) => peck_nm.unwrap_or(0),
        };
        if matches!(code, 82 | 86 | 88 | 89) && !sticky.has_dwell {
            return Err(lacks("P, how long to dwell"));
        }
        let aside_nm = match (code, sticky.aside_nm) {
            (87, [Some(first), Some(second), Some(up)]) => {
                [first, second, if self.incremental { bottom_nm + up } else { offset_nm + up }]
            }
            (87, _) => return Err(lacks("I, J and K")),
            _ => [0; 3],
        };
        let clear_nm = if self.returns_to_r { r_nm } else { r_nm.max(before_nm[across]) };
        let feed_nm_min = self.feed();
        self.check_feed(block)?;
        let cycle = Cycle {
            code,
            plane: self.plane,
            start,
            hole_nm,
            step_nm,
            repeats,
            r_nm,
            bottom_nm,
            clear_nm,
            peck_nm,
            aside_nm,
            feed_nm_min,
        };
        self.arrive(&cycle, block).ok_or_else(|| Fault::new(at_line, Kind::OutOfRange))?;
        Ok(cycle)
    }

    /// Where the axes stand after a cycle, and which of them are known.
    fn arrive(&mut self, cycle: &Cycle, block: &Block<'_>) -> Option<()> {
        let Position { x_nm, y_nm, z_nm } = cycle.end();
        let extreme = [cycle.bottom_nm, cycle.r_nm, cycle.hole_nm[0], cycle.hole_nm[1]];
        for nm in [x_nm, y_nm, z_nm].into_iter().chain(extreme) {
            within_reach(nm)?;
        }
        self.position_nm[..3].copy_from_slice(&[x_nm, y_nm, z_nm]);
        if !self.incremental {
            let [first, second, across] = plane_axes(self.plane);
            let mut placed = if self.returns_to_r { Axes::one(across) } else { Axes::NONE };
            for axis in [first, second] {
                placed = if block.letters.has(AXES[axis]) { placed.or(Axes::one(axis)) } else { placed };
            }
            self.place(placed);
        }
        Some(())
    }
}

/// The letters of the way aside in a plane, and of the height across it.
fn offsets_of(plane: Plane) -> [u8; 3] {
    match plane {
        Plane::Xy => *b"IJK",
        Plane::Zx => *b"KIJ",
        Plane::Yz => *b"JKI",
    }
}
