//! Writes the simulator's built-in demo job: a sorting tray for a workshop drawer.
//!
//! The tray is a rounded plate with a thin floor. Wells, pockets and grooves stand open
//! above the floor; the screw holes and the finger opening go right through.
//!
//! ```text
//! cargo run --release -p gapkeeper-sim --example make_demo_job > drawer_tray.gcode
//! cargo run --release -p gapkeeper-sim --example make_demo_job -- drawer_tray.gcode.gz
//! ```
//!
//! The same job comes out on every machine: what is written are whole micrometres, and
//! the geometry behind them uses nothing but `+ - * /` and square roots.
#![forbid(unsafe_code)]

use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::fmt::Arguments;
use std::io::{self, Write as _};

const LAYER_HEIGHT_UM: i32 = 200;
const LAYER_COUNT: i32 = 48;
/// Layers filled solid in the floor, and again at the top.
const SOLID_LAYERS: i32 = 3;
const LINE_WIDTH_UM: i32 = 450;
/// Distance between the sparse lines, for a density of 13 %.
const SPARSE_SPACING_UM: i32 = 3_460;
/// How far inside an edge the fill ends: two walls and half a line, less an overlap.
const FILL_INSET_UM: i32 = 2 * LINE_WIDTH_UM + LINE_WIDTH_UM / 2 - 150;
/// How much closer than that a joining line may pass by an opening.
const JOIN_TOLERANCE_UM: i32 = 75;
/// Fill shorter than this is left out.
const SHORTEST_FILL_UM: f64 = 300.0;
const SKIRT_DISTANCE_UM: i32 = 4_000;
const FILAMENT_DIAMETER_MM: f64 = 1.75;
const HOP_UM: i32 = 400;
/// A longer travel than this one retracts first.
const LONGEST_OOZE_UM: f64 = 5_000.0;
/// The detour that starting at the rim of the remaining fill is worth.
const RIM_WORTH_UM: f64 = 30_000.0;

const FIRST_LAYER_MM_S: i32 = 20;
const OUTER_WALL_MM_S: i32 = 45;
const INNER_WALL_MM_S: i32 = 60;
const SOLID_MM_S: i32 = 65;
const SPARSE_MM_S: i32 = 80;
const TRAVEL_MM_S: i32 = 150;
const LIFT_MM_S: i32 = 10;
const FILAMENT_MM_S: i32 = 35;

const OPENING_LINES: &str = "\
(Drawer tray: sorts screws, nuts and washers in a workshop drawer)
(Plate 180 x 150 x 9.6 mm, rounded corners, floor 0.6 mm)
; Made for a 230 x 200 mm bed, origin at its front left corner.
; Filament 1.75 mm, fed in relative lengths; lines 0.45 mm wide, 0.2 mm high.
M140 S60
M104 S210
G17
G21
G90
M83
M107
G28
M190 S60
M109 S210
G92 E0
G4 P1 ; a moment to settle
; clean the nozzle along the front edge";

const CLOSING_LINES: &str = "\
; done: cool down, step back, let go
M107
M104 S0
M140 S0
G0 Z30 F600
G0 X12 Y190 F9000
M84";

/// A place on the bed in whole micrometres from its front left corner.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Point {
    x: i32,
    y: i32,
}

impl Point {
    const fn new(x: i32, y: i32) -> Self {
        Self { x, y }
    }

    fn distance_um(self, other: Self) -> f64 {
        let (x, y) = (f64::from(self.x - other.x), f64::from(self.y - other.y));
        (x * x + y * y).sqrt()
    }
}

/// A straight line with two ends.
type Segment = (Point, Point);

/// The segment turned so that it starts at its end nearer to `position`.
fn facing((one, other): Segment, position: Point) -> Segment {
    if one.distance_um(position) <= other.distance_um(position) { (one, other) } else { (other, one) }
}

/// A rectangle with round corners; a circle or a slot when the radius is large enough.
#[derive(Clone, Copy)]
struct Shape {
    centre: Point,
    half_width_um: i32,
    half_height_um: i32,
    radius_um: i32,
    /// Whether its arcs are written with the radius instead of the centre.
    by_radius: bool,
    /// Whether it goes through the floor too.
    through: bool,
}

/// A quarter circle.
#[derive(Clone, Copy)]
struct Corner {
    from: Point,
    to: Point,
    centre: Point,
}

impl Shape {
    /// A shape by its extent on the part, in whole millimetres from the part's corner.
    fn new(x_mm: [i32; 2], y_mm: [i32; 2], radius_um: i32) -> Self {
        // The part's corner lies 25 mm inside the bed's.
        let middle_um = |[low, high]: [i32; 2]| 25_000 + (low + high) * 500;
        Self {
            centre: Point::new(middle_um(x_mm), middle_um(y_mm)),
            half_width_um: (x_mm[1] - x_mm[0]) * 500,
            half_height_um: (y_mm[1] - y_mm[0]) * 500,
            radius_um,
            by_radius: false,
            through: false,
        }
    }

    /// A circle about a centre given in whole millimetres on the part.
    fn circle(x_mm: i32, y_mm: i32, radius_um: i32) -> Self {
        Self::new([x_mm, x_mm], [y_mm, y_mm], 0).grown(radius_um)
    }

    fn grown(mut self, by_um: i32) -> Self {
        self.half_width_um += by_um;
        self.half_height_um += by_um;
        self.radius_um += by_um;
        self
    }

    /// The four corners in the order and the direction of a way round the shape.
    fn corners(&self, clockwise: bool) -> [Corner; 4] {
        let (width, height) = (self.half_width_um, self.half_height_um);
        let (x, y) = (width - self.radius_um, height - self.radius_um);
        let at = |x, y| Point::new(self.centre.x + x, self.centre.y + y);
        let mut corners = [
            (at(width, y), at(x, height), at(x, y)),
            (at(-x, height), at(-width, y), at(-x, y)),
            (at(-width, -y), at(-x, -height), at(-x, -y)),
            (at(x, -height), at(width, -y), at(x, -y)),
        ];
        if clockwise {
            corners.reverse();
            corners = corners.map(|(from, to, centre)| (to, from, centre));
        }
        corners.map(|(from, to, centre)| Corner { from, to, centre })
    }

    /// The stretch of a straight line that lies inside, in multiples of `direction`.
    fn span(&self, origin: (f64, f64), direction: (f64, f64)) -> Option<(f64, f64)> {
        let width = f64::from(self.half_width_um);
        let height = f64::from(self.half_height_um);
        let radius = f64::from(self.radius_um);
        let (x, y) = (width - radius, height - radius);
        let from_x = origin.0 - f64::from(self.centre.x);
        let from_y = origin.1 - f64::from(self.centre.y);
        // The shape is convex and made of two bars and four discs, so the line is inside
        // from where it enters the first of them to where it leaves the last.
        let bars = [(x, height), (width, y)].map(|(half_width, half_height)| {
            let across = slab(from_x, direction.0, half_width)?;
            let along = slab(from_y, direction.1, half_height)?;
            Some((across.0.max(along.0), across.1.min(along.1)))
        });
        let discs = [(x, y), (-x, y), (-x, -y), (x, -y)].map(|(disc_x, disc_y)| {
            let (x, y) = (from_x - disc_x, from_y - disc_y);
            let square = direction.0 * direction.0 + direction.1 * direction.1;
            let along = x * direction.0 + y * direction.1;
            let inside = along * along - square * (x * x + y * y - radius * radius);
            let root = (inside > 0.0).then(|| inside.sqrt())?;
            Some(((-along - root) / square, (-along + root) / square))
        });
        let parts = bars.into_iter().chain(discs).flatten();
        parts.filter(|(start, end)| start < end).reduce(|hull, part| (hull.0.min(part.0), hull.1.max(part.1)))
    }

    /// Whether the straight way between two places enters the shape.
    fn meets(&self, from: Point, to: Point) -> bool {
        let origin = (f64::from(from.x), f64::from(from.y));
        let direction = (f64::from(to.x - from.x), f64::from(to.y - from.y));
        let span = self.span(origin, direction);
        from != to && span.is_some_and(|(start, end)| start < 1.0 && end > 0.0)
    }
}

/// Where a coordinate that starts at `start` and moves by `step` stays within `±half`.
fn slab(start: f64, step: f64, half: f64) -> Option<(f64, f64)> {
    if step == 0.0 {
        return (start.abs() < half).then_some((f64::NEG_INFINITY, f64::INFINITY));
    }
    let (one, other) = ((-half - start) / step, (half - start) / step);
    Some((one.min(other), one.max(other)))
}

fn outline() -> Shape {
    Shape::new([0, 180], [0, 150], 12_000)
}

/// Everything that is cut out of the plate.
fn openings() -> Vec<Shape> {
    let mut shapes = Vec::new();
    // Screw holes in the corners, and a finger opening that lifts the tray out.
    shapes.extend([8, 172].map(|x| Shape::circle(x, 8, 2_600)));
    shapes.extend([8, 172].map(|x| Shape::circle(x, 142, 2_600)));
    shapes.push(Shape::new([128, 164], [11, 23], 6_000));
    for shape in &mut shapes {
        shape.through = true;
    }
    // Wells for screws, and pockets for whatever comes in bags.
    shapes.extend([22, 56, 90, 124, 158].map(|x| Shape::circle(x, 122, 14_000)));
    shapes.extend([10, 66, 122].map(|x| Shape { by_radius: true, ..Shape::new([x, x + 48], [58, 100], 6_000) }));
    // Cups for washers, a groove for the tweezers and one for a row of nuts.
    shapes.extend([23, 43, 63, 83, 103].map(|x| Shape::circle(x, 18, 7_000)));
    shapes.push(Shape::new([14, 112], [34, 50], 8_000));
    shapes.push(Shape::new([122, 170], [34, 50], 8_000));
    shapes
}

/// The job as it grows, with the state that decides which words a line needs.
struct Job {
    text: String,
    position: Point,
    height_um: i32,
    feed_mm_s: i32,
    retracted: bool,
    lifted: bool,
    /// What is open in the layer being printed.
    openings: Vec<Shape>,
}

impl Job {
    fn line(&mut self, line: Arguments<'_>) {
        self.text.push_str(&format!("{line}\n"));
    }

    /// The `F` word in mm/min, or nothing when the speed stays.
    fn feed_word(&mut self, speed_mm_s: i32) -> String {
        let before_mm_s = std::mem::replace(&mut self.feed_mm_s, speed_mm_s);
        if before_mm_s == speed_mm_s {
            return String::new();
        }
        format!(" F{}", speed_mm_s * 60)
    }

    /// The `X` and `Y` words that change on the way to `to`.
    fn position_words(&self, to: Point) -> String {
        let both = [('X', self.position.x, to.x), ('Y', self.position.y, to.y)];
        let changed = both.into_iter().filter(|(_, from, to)| from != to);
        changed.map(|(letter, _, to)| format!(" {letter}{}", millimetres(to))).collect()
    }

    fn set_height(&mut self, height_um: i32) {
        let feed = self.feed_word(LIFT_MM_S);
        self.line(format_args!("G0 Z{}{feed}", millimetres(height_um)));
        self.lifted = height_um > self.height_um;
    }

    fn set_retracted(&mut self, retracted: bool) {
        if self.retracted != retracted {
            let feed = self.feed_word(FILAMENT_MM_S);
            let sign = if retracted { "-" } else { "" };
            self.line(format_args!("G1 E{sign}0.8{feed}"));
            self.retracted = retracted;
        }
    }

    /// Goes to `to` without printing; retracts on long ways and hops across openings.
    fn travel(&mut self, to: Point) {
        let from = self.position;
        let crosses = self.openings.iter().any(|shape| shape.meets(from, to));
        if crosses || from.distance_um(to) > LONGEST_OOZE_UM {
            self.set_retracted(true);
        }
        if crosses && !self.lifted {
            self.set_height(self.height_um + HOP_UM);
        }
        if to != from {
            let (words, feed) = (self.position_words(to), self.feed_word(TRAVEL_MM_S));
            self.line(format_args!("G0{words}{feed}"));
            self.position = to;
        }
        if self.lifted {
            self.set_height(self.height_um);
        }
        self.set_retracted(false);
    }

    fn print_line(&mut self, to: Point, speed_mm_s: i32) {
        if to != self.position {
            let (words, feed) = (self.position_words(to), self.feed_word(speed_mm_s));
            let filament = filament_word(self.position.distance_um(to));
            self.line(format_args!("G1{words}{filament}{feed}"));
            self.position = to;
        }
    }

    /// Prints once round a shape, starting at the corner nearest to the nozzle.
    fn print_loop(&mut self, shape: &Shape, clockwise: bool, speed_mm_s: i32) {
        let mut corners = shape.corners(clockwise);
        let distance_um = |&index: &usize| self.position.distance_um(corners[index].from);
        let nearest = (0..4).min_by(|a, b| distance_um(a).total_cmp(&distance_um(b)));
        corners.rotate_left(nearest.unwrap_or(0));
        self.travel(corners[0].from);

        // A well is one full circle and a screw hole two halves; all else has corners.
        let is_circle = [shape.half_width_um, shape.half_height_um] == [shape.radius_um; 2];
        let quarters = match (is_circle, shape.radius_um) {
            (false, _) => 1,
            (true, ..5_000) => 2,
            (true, _) => 4,
        };
        let code = if clockwise { "G2" } else { "G3" };
        let length_um = f64::from(shape.radius_um) * PI / 2.0 * quarters as f64;
        let filament = filament_word(length_um);
        for last in (quarters..=4).step_by(quarters) {
            let Corner { to, centre, .. } = corners[last - 1];
            let (x, y) = (millimetres(to.x), millimetres(to.y));
            let round = if shape.by_radius {
                format!("R{}", millimetres(shape.radius_um))
            } else {
                let i = millimetres(centre.x - self.position.x);
                let j = millimetres(centre.y - self.position.y);
                format!("I{i} J{j}")
            };
            let feed = self.feed_word(speed_mm_s);
            self.line(format_args!("{code} X{x} Y{y} {round}{filament}{feed}"));
            self.position = to;
            self.print_line(corners[last % 4].from, speed_mm_s);
        }
    }

    /// Fills the plate between its walls with lines along one diagonal.
    fn print_fill(&mut self, rising: bool, spacing_um: i32, speed_mm_s: i32) {
        let mut fill = Fill::new(&self.openings, rising, spacing_um);
        while let Some((mut row, (from, mut to))) = fill.take_nearest(self.position) {
            self.travel(from);
            self.print_line(to, speed_mm_s);
            while let Some((next_row, (from, next_to))) = fill.take_neighbour(row, to) {
                self.print_line(from, speed_mm_s);
                self.print_line(next_to, speed_mm_s);
                (row, to) = (next_row, next_to);
            }
        }
    }

    fn print_layer(&mut self, layer: i32) {
        let is_floor = layer <= SOLID_LAYERS;
        self.openings = openings();
        self.openings.retain(|shape| shape.through || !is_floor);
        self.set_retracted(true);
        self.height_um = layer * LAYER_HEIGHT_UM;
        let height = millimetres(self.height_um);
        self.line(format_args!("; tier {layer} of {LAYER_COUNT}, nozzle {height} mm above the bed"));
        if layer == 2 {
            self.line(format_args!("M106 S200"));
        }
        self.set_height(self.height_um + HOP_UM);
        if layer == 1 {
            let skirt = outline().grown(SKIRT_DISTANCE_UM);
            self.print_loop(&skirt, false, FIRST_LAYER_MM_S);
        }

        let limit = |speed| if layer == 1 { FIRST_LAYER_MM_S } else { speed };
        // The inner wall comes first, so that the outer one leans on it.
        let walls = [(LINE_WIDTH_UM * 3 / 2, limit(INNER_WALL_MM_S)), (LINE_WIDTH_UM / 2, limit(OUTER_WALL_MM_S))];
        for (inset_um, speed) in walls {
            self.print_loop(&outline().grown(-inset_um), false, speed);
        }
        let mut remaining = self.openings.clone();
        loop {
            let distance_um = |shape: &Shape| {
                let corners = shape.corners(true).into_iter();
                let distances = corners.map(|corner| corner.from.distance_um(self.position));
                distances.fold(f64::INFINITY, f64::min)
            };
            remaining.sort_by(|a, b| distance_um(b).total_cmp(&distance_um(a)));
            let Some(shape) = remaining.pop() else { break };
            for (outset_um, speed) in walls {
                self.print_loop(&shape.grown(outset_um), true, speed);
            }
        }
        let (spacing_um, speed) = if is_floor || layer > LAYER_COUNT - SOLID_LAYERS {
            (LINE_WIDTH_UM, SOLID_MM_S)
        } else {
            (SPARSE_SPACING_UM, SPARSE_MM_S)
        };
        self.print_fill(layer % 2 == 1, spacing_um, limit(speed));
    }
}

/// The lines of a layer's fill that are still to print.
struct Fill {
    rows: Vec<Vec<Segment>>,
    /// What the joining lines keep out of.
    barriers: Vec<Shape>,
    longest_join_um: f64,
}

impl Fill {
    fn new(openings: &[Shape], rising: bool, spacing_um: i32) -> Self {
        let rise = if rising { FRAC_1_SQRT_2 } else { -FRAC_1_SQRT_2 };
        let direction = (FRAC_1_SQRT_2, rise);
        let area = outline().grown(-FILL_INSET_UM);
        let grown = |by_um| openings.iter().map(move |shape| shape.grown(by_um));
        // Half a metre to either side of the bed's corner covers all of the bed.
        let row_limit = 500_000 / spacing_um;
        let rows = (-row_limit..=row_limit).map(|row| {
            let distance_um = f64::from(row * spacing_um);
            let origin = (-direction.1 * distance_um, direction.0 * distance_um);
            let point = |along_um: f64| {
                let x = (origin.0 + along_um * direction.0).round();
                let y = (origin.1 + along_um * direction.1).round();
                Point::new(x as i32, y as i32)
            };
            let Some((mut start, end)) = area.span(origin, direction) else {
                return Vec::new();
            };
            let holes = grown(FILL_INSET_UM).filter_map(|hole| hole.span(origin, direction));
            let mut gaps: Vec<(f64, f64)> = holes.chain([(end, end)]).collect();
            gaps.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut segments = Vec::new();
            for gap in gaps {
                if gap.0 - start >= SHORTEST_FILL_UM {
                    segments.push((point(start), point(gap.0)));
                }
                start = start.max(gap.1);
            }
            segments
        });
        Self {
            rows: rows.collect(),
            barriers: grown(FILL_INSET_UM - JOIN_TOLERANCE_UM).collect(),
            longest_join_um: 2.5 * f64::from(spacing_um),
        }
    }

    /// Which segment of a row a short line inside the plate joins to `position`.
    fn joinable(&self, row: usize, position: Point) -> Option<usize> {
        let distance_um = |&segment: &Segment| facing(segment, position).0.distance_um(position);
        let segments = self.rows.get(row)?.iter().enumerate();
        let joinable = segments.filter(|&(_, &segment)| {
            let to = facing(segment, position).0;
            position.distance_um(to) <= self.longest_join_um
                && !self.barriers.iter().any(|shape| shape.meets(position, to))
        });
        joinable.min_by(|(_, a), (_, b)| distance_um(a).total_cmp(&distance_um(b))).map(|(index, _)| index)
    }

    /// Takes the segment next to `row` that goes on from `position`, if one is close by.
    fn take_neighbour(&mut self, row: usize, position: Point) -> Option<(usize, Segment)> {
        let rows = [row + 1, row.wrapping_sub(1)];
        let found = |row| Some((row, self.joinable(row, position)?));
        let (row, index) = rows.into_iter().find_map(found)?;
        Some((row, facing(self.rows[row].remove(index), position)))
    }

    /// Takes the segment to start a new stretch with: a close one, and rather at the rim
    /// of what is left than amid it.
    fn take_nearest(&mut self, position: Point) -> Option<(usize, Segment)> {
        let mut best = None;
        let mut least_um = f64::INFINITY;
        for (row, segments) in self.rows.iter().enumerate() {
            for (index, &segment) in segments.iter().enumerate() {
                let (from, to) = facing(segment, position);
                let mut cost_um = position.distance_um(from);
                let goes_on = |row| [from, to].iter().any(|&end| self.joinable(row, end).is_some());
                if cost_um < least_um && goes_on(row + 1) && goes_on(row.wrapping_sub(1)) {
                    cost_um += RIM_WORTH_UM;
                }
                if cost_um < least_um {
                    least_um = cost_um;
                    best = Some((row, index));
                }
            }
        }
        let (row, index) = best?;
        Some((row, facing(self.rows[row].remove(index), position)))
    }
}

/// A length in micrometres as millimetres, without needless zeros.
fn millimetres(length_um: i32) -> String {
    let sign = if length_um < 0 { "-" } else { "" };
    let (whole, rest) = (length_um.abs() / 1_000, length_um.abs() % 1_000);
    let text = format!("{sign}{whole}.{rest:03}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The `E` word that feeds a line of this length.
fn filament_word(length_um: f64) -> String {
    let line_mm2 = f64::from(LINE_WIDTH_UM) * f64::from(LAYER_HEIGHT_UM) / 1e6;
    let filament_mm2 = PI / 4.0 * FILAMENT_DIAMETER_MM * FILAMENT_DIAMETER_MM;
    let feed_10nm = (length_um * 100.0 * line_mm2 / filament_mm2).round() as i64;
    format!(" E{}.{:05}", feed_10nm / 100_000, feed_10nm % 100_000)
}

/// The whole job as text.
fn demo_job() -> String {
    let mut job = Job {
        text: format!("{OPENING_LINES}\n"),
        position: Point::new(0, 0),
        height_um: LAYER_HEIGHT_UM,
        feed_mm_s: 0,
        retracted: false,
        lifted: true,
        openings: Vec::new(),
    };
    job.set_height(5_000);
    job.travel(Point::new(35_000, 12_000));
    for (x, y) in [(155_000, 12_000), (155_000, 12_450), (35_000, 12_450)] {
        job.print_line(Point::new(x, y), FIRST_LAYER_MM_S);
    }
    for layer in 1..=LAYER_COUNT {
        job.print_layer(layer);
    }
    job.set_retracted(true);
    job.line(format_args!("{CLOSING_LINES}"));
    job.text
}

fn main() -> io::Result<()> {
    let job = demo_job();
    let Some(path) = std::env::args_os().nth(1).map(std::path::PathBuf::from) else {
        return io::stdout().lock().write_all(job.as_bytes());
    };
    if path.extension().is_none_or(|extension| extension != "gz") {
        return std::fs::write(path, job);
    }
    // The header names no time and no system, so that it is the same everywhere.
    let mut packed =
        flate2::GzBuilder::new().mtime(0).operating_system(255).write(Vec::new(), flate2::Compression::best());
    packed.write_all(job.as_bytes())?;
    std::fs::write(path, packed.finish()?)
}
