//! The programme: blocks of moves, each over a bed of its own, and after every hundred a survey and its record.

mod beds;
mod digest;
mod moves;
mod numbers;
mod records;
mod surveys;

use gapkeeper::Flow;

pub use digest::Digest;
pub use numbers::Numbers;

/// Straight moves of one block.
pub const MOVES_PER_BLOCK: u32 = 50;

/// Blocks after which every board prints its digest: 5,000 moves.
pub const FIRST_BLOCKS: u32 = 100;

/// Blocks of the whole programme: 100,000 moves.
pub const ALL_BLOCKS: u32 = 2_000;

/// Blocks of moves whose `E` is scaled: 1,000 moves.
pub const SCALED_BLOCKS: u32 = 20;

/// The state of the programme between two blocks.
pub struct Programme {
    numbers: Numbers,
    digest: Digest,
    blocks: u32,
    pieces: u32,
}

impl Programme {
    /// The programme before its first move.
    pub fn new() -> Self {
        Self { numbers: Numbers::new(0x6AB5_EED1), digest: Digest::new(), blocks: 0, pieces: 0 }
    }

    /// Runs until so many blocks are done since the beginning; returns the digest of all that came out.
    #[inline(never)]
    pub fn run_to(&mut self, blocks: u32) -> [u32; 2] {
        while self.blocks < blocks {
            // Three sizes in turn.
            let (numbers, digest) = (&mut self.numbers, &mut self.digest);
            let pieces = match self.blocks % 3 {
                0 => moves::block::<9>(3, numbers, digest),
                1 => moves::block::<25>(5, numbers, digest),
                _ => moves::block::<225>(15, numbers, digest),
            };
            self.pieces = self.pieces.wrapping_add(pieces);
            self.blocks += 1;
            if self.blocks.is_multiple_of(10) {
                surveys::survey(&mut self.numbers, &mut self.digest);
                records::records::<9>(3, &mut self.numbers, &mut self.digest);
                records::records::<225>(15, &mut self.numbers, &mut self.digest);
            }
        }
        self.digest.value()
    }

    /// Pieces that all moves so far were split into.
    pub fn pieces(&self) -> u32 {
        self.pieces
    }
}

/// Moves with `E` scaled, a programme of their own; the digest of all that came out.
#[inline(never)]
pub fn scaled_moves(blocks: u32) -> [u32; 2] {
    let (mut numbers, mut digest, mut flow) = (Numbers::new(0x0F10_A7E5), Digest::new(), Flow::new());
    for block in 0..blocks {
        match block % 2 {
            0 => moves::scaled_block::<9>(3, &mut flow, &mut numbers, &mut digest),
            _ => moves::scaled_block::<225>(15, &mut flow, &mut numbers, &mut digest),
        }
    }
    digest.value()
}

impl Default for Programme {
    fn default() -> Self {
        Self::new()
    }
}
