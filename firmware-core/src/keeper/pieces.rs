//! The pieces that a move becomes.

use crate::split::{Flow, Piece, Split};

/// The pieces of a straight move; see [`Keeper::line`](super::Keeper::line).
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pieces<'a, const NODES: usize, const EXTRA: usize> {
    /// Along the corrected surface.
    Split(Split<'a, NODES, EXTRA>),
    /// Without a grid in force: the move itself.
    Whole(Option<Piece<EXTRA>>),
}

impl<const NODES: usize, const EXTRA: usize> Pieces<'_, NODES, EXTRA> {
    /// The next piece, with the first further axis, `E`, scaled by the thickness that is laid: [`Split::next_scaled`].
    /// Without a grid in force it is the same as `next`.
    pub fn next_scaled(&mut self, flow: &mut Flow) -> Option<Piece<EXTRA>> {
        match self {
            Self::Split(split) => split.next_scaled(flow),
            Self::Whole(piece) => piece.take(),
        }
    }
}

impl<const NODES: usize, const EXTRA: usize> Iterator for Pieces<'_, NODES, EXTRA> {
    type Item = Piece<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        match self {
            Self::Split(split) => split.next(),
            Self::Whole(piece) => piece.take(),
        }
    }
}
