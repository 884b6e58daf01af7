//! Motors that take their time, and write down where they go.

use std::collections::VecDeque;

use gapkeeper::Point;
use gapkeeper_controller::Motors;

/// Where the axes stand after homing.
pub const HOME: Point = Point { x_um: 0, y_um: 0, z_um: 1000 };

/// Parts in which a piece is gone.
const PARTS: i32 = 8;

/// What is wrong with them, for controllers that must be caught.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Flaws {
    /// They say that they stand still while they move.
    pub says_still: bool,
    /// They do not stop when they are told to.
    pub never_stops: bool,
}

/// Motors with a queue.
#[derive(Clone, Debug, PartialEq)]
pub struct SlowMotors {
    /// Where the axes really are.
    pub at: Point,
    from: Point,
    part: i32,
    queue: VecDeque<Point>,
    /// All pieces ever taken.
    pub pieces: u64,
    /// All homings.
    pub homings: u64,
    /// They were switched off.
    pub is_off: bool,
    /// What is wrong with them.
    pub flaws: Flaws,
}

impl SlowMotors {
    /// They stand somewhere, switched off.
    pub fn new(at: Point, flaws: Flaws) -> Self {
        Self { at, from: at, part: 0, queue: VecDeque::new(), pieces: 0, homings: 0, is_off: true, flaws }
    }

    /// Goes a part of a piece; where it came from.
    pub fn tick(&mut self) -> Option<Point> {
        let &end = self.queue.front()?;
        let before = self.at;
        if self.part == 0 {
            self.from = self.at;
        }
        self.part += 1;
        let along = |from: i32, to: i32| {
            from + ((i64::from(to) - i64::from(from)) * i64::from(self.part) / i64::from(PARTS)) as i32
        };
        self.at = Point {
            x_um: along(self.from.x_um, end.x_um),
            y_um: along(self.from.y_um, end.y_um),
            z_um: along(self.from.z_um, end.z_um),
        };
        if self.part == PARTS {
            self.part = 0;
            self.queue.pop_front();
        }
        Some(before)
    }

    /// Whether they really stand still.
    pub fn stand(&self) -> bool {
        self.queue.is_empty()
    }

    fn drop_all(&mut self) {
        self.queue.clear();
        self.part = 0;
    }

    fn finish(&mut self) {
        while self.tick().is_some() {}
    }
}

impl Motors for SlowMotors {
    fn piece(&mut self, end: Point, _extruded_nm: i32, _feed_nm_min: u64) {
        self.pieces += 1;
        self.queue.push_back(end);
    }

    fn is_still(&mut self) -> bool {
        self.queue.is_empty() || self.flaws.says_still
    }

    fn stop(&mut self) -> Point {
        if !self.flaws.never_stops {
            self.drop_all();
        }
        self.at
    }

    fn home(&mut self) -> Point {
        self.finish();
        self.homings += 1;
        self.is_off = false;
        self.at = HOME;
        HOME
    }

    fn switch_off(&mut self) {
        self.finish();
        self.is_off = true;
    }
}
