//! One axis of a lattice: coordinates in, positions between nodes out.

use core::num::{NonZeroU32, NonZeroU64};

use crate::fixed_point::position_product;

/// Smallest distance between two nodes.
pub const MIN_PITCH_UM: u32 = 100;

/// Longest distance between the first and the last node.
///
/// 255 · 2^12 µm, a little over a metre: up to here the rounding of a grid position cannot move a node.
pub const MAX_SPAN_UM: u32 = 1_044_480;

/// Most nodes along one axis.
pub const MAX_NODES_PER_AXIS: u8 = 16;

/// Most nodes of a grid.
pub const MAX_NODES: usize = MAX_NODES_PER_AXIS as usize * MAX_NODES_PER_AXIS as usize;

/// What is wrong with an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AxisFault {
    NodeCount(u8),
    Pitch(u32),
    Span(u32),
    Coordinates,
}

/// Evenly spaced nodes along one axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Axis {
    start_um: i32,
    pitch_um: NonZeroU32,
    span_um: u32,
    /// R = round(2^36 / pitch), all but its last 11 bits, ...
    reciprocal_high: u32,
    /// ... and these.
    reciprocal_low: u16,
    nodes: u8,
}

impl Axis {
    pub(crate) fn new(start_um: i32, pitch_um: u32, nodes: u8) -> Result<Self, AxisFault> {
        if !(2..=MAX_NODES_PER_AXIS).contains(&nodes) {
            return Err(AxisFault::NodeCount(nodes));
        }
        let pitch = match NonZeroU32::new(pitch_um) {
            Some(pitch) if (MIN_PITCH_UM..=MAX_SPAN_UM).contains(&pitch_um) => pitch,
            _ => return Err(AxisFault::Pitch(pitch_um)),
        };
        // At most 15 · 2^20: no overflow.
        let span_um = pitch_um * u32::from(nodes - 1);
        if span_um > MAX_SPAN_UM {
            return Err(AxisFault::Span(span_um));
        }
        if start_um.checked_add_unsigned(span_um).is_none() {
            return Err(AxisFault::Coordinates);
        }
        let rounded = ((1_u64 << 36) + u64::from(pitch_um / 2)) / NonZeroU64::from(pitch);
        // At most 2^36 / 100, which has 30 bits.
        let reciprocal = rounded as u32;
        Ok(Self {
            start_um,
            pitch_um: pitch,
            span_um,
            reciprocal_high: reciprocal >> 11,
            reciprocal_low: (reciprocal & 2047) as u16,
            nodes,
        })
    }

    pub(crate) const fn start_um(&self) -> i32 {
        self.start_um
    }

    pub(crate) const fn pitch_um(&self) -> u32 {
        self.pitch_um.get()
    }

    pub(crate) const fn span_um(&self) -> u32 {
        self.span_um
    }

    pub(crate) const fn nodes(&self) -> u8 {
        self.nodes
    }

    /// Distance from the first node, held at both ends.
    #[inline]
    pub(crate) fn distance_um(&self, coordinate_um: i32) -> u32 {
        let distance_um = coordinate_um.wrapping_sub(self.start_um) as u32;
        // The last node's coordinate fits, so no coordinate below the first node wraps round to within the span.
        if distance_um > self.span_um { self.end_distance_um(coordinate_um) } else { distance_um }
    }

    /// Beyond one end: the distance of that end.
    #[cold]
    fn end_distance_um(&self, coordinate_um: i32) -> u32 {
        if coordinate_um < self.start_um { 0 } else { self.span_um }
    }

    /// Position in units of the pitch with 16 fractional bits, held at both ends.
    ///
    /// Defined as `(d·R + 255·2^11) >> 20` with `R = round(2^36 / pitch)`; since nested floors are exact this
    /// equals `(d·(R >> 11) + (d·(R & 2047) >> 11) + 255) >> 9`, which needs 32-bit products only: `d` is at most
    /// fifteen pitches, so the first is below 2^29, and the second below 2^31. The bias makes it a rounding; it is
    /// exact at every node.
    #[inline]
    pub(crate) fn position_q16(&self, coordinate_um: i32) -> u32 {
        let distance_um = self.distance_um(coordinate_um);
        // At most 15 · 2^16.
        position_product(distance_um, self.reciprocal_high, self.reciprocal_low)
    }

    /// Coordinate of a node. The caller keeps `index` below [`Self::nodes`].
    #[inline]
    pub(crate) fn node_um(&self, index: u8) -> i32 {
        self.start_um.wrapping_add_unsigned(self.pitch_um.get().wrapping_mul(index.into()))
    }

    /// [`Self::position_q16`] where it matters more to be short than to be fast.
    #[inline(never)]
    pub(crate) fn position_called_q16(&self, coordinate_um: i32) -> u32 {
        self.position_q16(coordinate_um)
    }

    /// Number of nodes at or below a coordinate, as its position says.
    #[inline]
    pub(crate) fn nodes_up_to(&self, coordinate_um: i32) -> u8 {
        if coordinate_um < self.start_um { 0 } else { (self.position_called_q16(coordinate_um) >> 16) as u8 + 1 }
    }

    /// Number of nodes below a coordinate, as its position says.
    #[inline]
    pub(crate) fn nodes_below(&self, coordinate_um: i32) -> u8 {
        let distance_um = coordinate_um.wrapping_sub(self.start_um) as u32;
        if coordinate_um > self.start_um && distance_um > self.span_um {
            return self.nodes;
        }
        ((self.position_called_q16(coordinate_um) + 0xFFFF) >> 16) as u8
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition as it stands, with one wide product.
    fn position_wide(axis: &Axis, coordinate_um: i32) -> u32 {
        let distance_um = (i64::from(coordinate_um) - i64::from(axis.start_um)).clamp(0, axis.span_um.into()) as u64;
        let pitch_um = u64::from(axis.pitch_um());
        let reciprocal = ((1 << 36) + pitch_um / 2) / pitch_um;
        ((distance_um * reciprocal + (255 << 11)) >> 20) as u32
    }

    #[test]
    fn nodes_are_exact_and_both_forms_agree() {
        for nodes in 2..=MAX_NODES_PER_AXIS {
            for pitch_um in (MIN_PITCH_UM..40_000).step_by(37).chain([74_605, 500_001, 1_044_479, 1_044_480]) {
                let Ok(axis) = Axis::new(-12_345, pitch_um, nodes) else { continue };
                for index in 0..nodes {
                    assert_eq!(
                        axis.position_q16(axis.node_um(index)),
                        u32::from(index) << 16,
                        "pitch {pitch_um}, node {index}"
                    );
                }
                for coordinate_um in (-13_000..axis.span_um as i32).step_by(9_973) {
                    assert_eq!(axis.position_q16(coordinate_um), position_wide(&axis, coordinate_um));
                }
            }
        }
    }

    #[test]
    fn ends_of_the_coordinate_range_are_held() {
        let low = Axis::new(i32::MIN, 1000, 3).unwrap();
        assert_eq!(low.position_q16(i32::MIN), 0);
        assert_eq!(low.position_q16(i32::MAX), 2 << 16);
        let high = Axis::new(i32::MAX - 2000, 1000, 3).unwrap();
        assert_eq!(high.position_q16(i32::MIN), 0);
        assert_eq!(high.position_q16(i32::MAX), 2 << 16);
        assert_eq!(Axis::new(i32::MAX - 1999, 1000, 3), Err(AxisFault::Coordinates));
    }

    #[test]
    fn nodes_are_counted_from_below() {
        let axis = Axis::new(100, 1000, 3).unwrap();
        for (coordinate_um, up_to, below) in [
            (i32::MIN, 0, 0),
            (99, 0, 0),
            (100, 1, 0),
            (101, 1, 1),
            (1099, 1, 1),
            (1100, 2, 1),
            (1101, 2, 2),
            (2099, 2, 2),
            (2100, 3, 2),
            (2101, 3, 3),
            (i32::MAX, 3, 3),
        ] {
            assert_eq!(axis.nodes_up_to(coordinate_um), up_to, "up to {coordinate_um}");
            assert_eq!(axis.nodes_below(coordinate_um), below, "below {coordinate_um}");
        }
        // So wide that a micrometre beside a node the position is the node's: nothing lies between them.
        let wide = Axis::new(0, 500_000, 3).unwrap();
        assert_eq!((wide.position_q16(499_999), wide.position_q16(500_001)), (1 << 16, 1 << 16));
        assert_eq!((wide.nodes_up_to(499_999), wide.nodes_up_to(500_001)), (2, 2));
        assert_eq!((wide.nodes_below(499_999), wide.nodes_below(500_001)), (1, 1));
    }
}
