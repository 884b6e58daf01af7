//! Where a straight path meets the lines of nodes along one axis.

use crate::axis::Axis;
use crate::reciprocal::Reciprocal;

/// No crossing has this fraction of the way: none is left.
pub(super) const NEVER: u32 = u32::MAX;

/// The crossings still to come, in the order in which they are met.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Crossings {
    /// Fraction of the way at the next crossing; [`NEVER`] if there is none.
    pub(super) next_q32: u32,
    /// What a whole pitch adds to it.
    step_q32: u32,
    /// Lines still to be crossed, bit by bit.
    lines: u16,
    /// The bit of the next line, its number, and where to find the one after it.
    line: u16,
    number: u8,
    upwards: bool,
}

impl Crossings {
    pub(super) const NONE: Self = Self { next_q32: NEVER, step_q32: 0, lines: 0, line: 0, number: 0, upwards: false };

    /// Those strictly between the ends with lines that have a crease.
    #[inline(never)]
    pub(super) fn new(axis: &Axis, creases: u16, start_um: i32, end_um: i32) -> Self {
        let upwards = end_um > start_um;
        let (lower_um, upper_um) = if upwards { (start_um, end_um) } else { (end_um, start_um) };
        // Lines below the upper end, less those up to the lower one.
        let (passed, reached) = (axis.nodes_up_to(lower_um), axis.nodes_below(upper_um));
        if passed >= reached {
            return Self::NONE;
        }
        // Up to 16 nodes, and one at least between the ends: no shift is longer than 15.
        let lines = creases & u16::MAX >> (16 - reached) & u16::MAX << passed;
        let number = if upwards { passed } else { reached.wrapping_sub(1) };
        if lines == 0 {
            return Self::NONE;
        }
        let reciprocal = Reciprocal::of(upper_um.abs_diff(lower_um));
        let step_q32 = reciprocal.fraction_q32(axis.pitch_um());
        let next_q32 = reciprocal.fraction_q32(axis.node_um(number).abs_diff(start_um));
        let mut crossings = Self { next_q32, step_q32, lines, line: 1 << number, number, upwards };
        crossings.find();
        crossings
    }

    /// Goes on to the next line that is to be crossed. There is one.
    #[inline]
    fn find(&mut self) {
        while self.lines & self.line == 0 {
            self.next_q32 = self.next_q32.wrapping_add(self.step_q32);
            if self.upwards {
                self.line <<= 1;
                self.number = self.number.wrapping_add(1);
            } else {
                self.line >>= 1;
                self.number = self.number.wrapping_sub(1);
            }
        }
    }

    /// Number of the line that is crossed next, if one is.
    pub(super) fn number(&self) -> u8 {
        self.number
    }

    /// Takes the next crossing off the list, if one is left.
    #[inline(never)]
    pub(super) fn take(&mut self) {
        self.lines &= !self.line;
        if self.lines == 0 {
            self.next_q32 = NEVER;
        } else {
            self.find();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::axis::MAX_NODES_PER_AXIS;
    use std::vec::Vec;

    /// From before the first node to after the last, both ways, and from every line to every other.
    #[test]
    fn every_line_between_the_ends_is_met_once_and_in_order() {
        for nodes in 2..=MAX_NODES_PER_AXIS {
            let axis = Axis::new(0, 1000, nodes).unwrap();
            for (start, end) in
                (-1..=i32::from(nodes)).flat_map(|start| (-1..=i32::from(nodes)).map(move |end| (start, end)))
            {
                let mut crossings = Crossings::new(&axis, u16::MAX >> (16 - nodes), 1000 * start, 1000 * end);
                let mut met = Vec::new();
                while crossings.next_q32 != NEVER {
                    met.push(i32::from(crossings.number()));
                    crossings.take();
                }
                let inside = |number: &i32| (0..i32::from(nodes)).contains(number);
                let expected: Vec<_> = if start < end {
                    (start + 1..end).filter(inside).collect()
                } else {
                    (end + 1..start).rev().filter(inside).collect()
                };
                assert_eq!(met, expected, "{nodes} nodes, from {start} to {end}");
            }
        }
    }
}
