//! Where the motors have been: every piece of every line, folded.

use gapkeeper::Point;
use gapkeeper_controller::Motors;

use crate::programme::Digest;

/// The pieces so far. It stands in the place of motors, and is filled by the desktop from the simulator's own path.
pub struct Path {
    digest: Digest,
    at: Point,
    pieces: u32,
    pieces_of_line: u32,
}

impl Path {
    /// No piece yet, at the origin.
    pub const fn at_origin() -> Self {
        Self { digest: Digest::new(), at: Point { x_um: 0, y_um: 0, z_um: 0 }, pieces: 0, pieces_of_line: 0 }
    }

    /// One more piece: machine position and change of `E` in nanometres.
    pub fn add(&mut self, end: Point, extruded_nm: i32) {
        for word in [end.x_um, end.y_um, end.z_um, extruded_nm] {
            self.digest.signed(word);
        }
        self.at = end;
        self.pieces += 1;
        self.pieces_of_line += 1;
    }

    /// The line is done: its number of pieces is part of the digest, so none can slip to a neighbour.
    pub fn end_line(&mut self) {
        self.digest.word(self.pieces_of_line);
        self.pieces_of_line = 0;
    }

    /// Where the last piece ended.
    pub const fn at(&self) -> Point {
        self.at
    }

    /// Pieces so far.
    pub const fn pieces(&self) -> u32 {
        self.pieces
    }

    /// What all of it came to.
    pub const fn digest(&self) -> [u32; 2] {
        self.digest.value()
    }
}

/// They are as fast as thought: whatever they take is gone at once.
impl Motors for Path {
    fn piece(&mut self, end: Point, extruded_nm: i32, _feed_nm_min: u64) {
        self.add(end, extruded_nm);
    }

    fn is_still(&mut self) -> bool {
        true
    }

    fn stop(&mut self) -> Point {
        self.at
    }

    fn home(&mut self) -> Point {
        self.at = Point { x_um: 0, y_um: 0, z_um: 0 };
        self.at
    }

    fn switch_off(&mut self) {}
}
