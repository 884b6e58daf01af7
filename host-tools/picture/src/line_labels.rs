//! Heights printed on contour lines: the line is broken and the number written in the break, along the line.

use super::contours::Xy;
use super::svg::{Attributes, Path, Px, Svg};

/// Width of one character of a label, in px.
const CHARACTER_WIDTH: f64 = 6.5;
/// Room left of and right of a label, in px: less, and the line's end would be read as a minus, or hide one.
const ROOM: f64 = 6.0;
/// Around a label, against the colour and pattern of the ground.
const HALO: [(&str, &dyn std::fmt::Display); 3] =
    [("stroke", &"#ffffff"), ("stroke-width", &"2.6"), ("paint-order", &"stroke")];
/// Two labels are at least this far apart, in px.
const LABEL_DISTANCE: f64 = 40.0;
/// A label stays this far from the marks on the map, in px.
const MARK_DISTANCE: f64 = 13.0;

/// Decides where labels can go, so that none covers another or a mark.
pub struct LabelPlaces {
    taken: Vec<(Xy, f64)>,
    left_top: Xy,
    right_bottom: Xy,
}

impl LabelPlaces {
    /// Starts with the marks to be kept free, inside a rectangle.
    pub fn new(marks: impl IntoIterator<Item = Xy>, left_top: Xy, right_bottom: Xy) -> Self {
        Self { taken: marks.into_iter().map(|mark| (mark, MARK_DISTANCE)).collect(), left_top, right_bottom }
    }

    /// Draws a contour line with its label, or without if there is no good place for it.
    pub fn draw(&mut self, svg: &mut Svg, points: &[Xy], label: &str, style: Attributes<'_>) {
        let line = MeasuredLine::new(points);
        let width = label.chars().count() as f64 * CHARACTER_WIDTH + 2.0 * ROOM;
        let mut path = Path::default();
        let Some(start) = self.best_start(&line, width) else {
            path.add(points.iter().copied(), false);
            svg.path(&path, style);
            return;
        };
        path.add(line.part(0.0, start), false);
        path.add(line.part(start + width, line.length()), false);
        svg.path(&path, style);

        let (from, to) = (line.point_at(start), line.point_at(start + width));
        let centre = midpoint(from, to);
        self.taken.push((centre, LABEL_DISTANCE));
        // Read from the left, or from below where the line is upright.
        let mut degrees = (to.1 - from.1).atan2(to.0 - from.0).to_degrees();
        if degrees > 90.0 {
            degrees -= 180.0;
        } else if degrees <= -90.0 {
            degrees += 180.0;
        }
        let transform = format!("translate({} {}) rotate({})", Px(centre.0), Px(centre.1), Px(degrees));
        svg.text(0.0, 3.6, &[("transform", &transform), HALO[0], HALO[1], HALO[2]], label);
    }

    /// Where along the line a label of this width lies straightest, and rather level than upright.
    fn best_start(&self, line: &MeasuredLine<'_>, width: f64) -> Option<f64> {
        const STEP: f64 = 4.0;
        let count = ((line.length() - 1.6 * width) / STEP).floor();
        if count < 0.0 {
            return None;
        }
        (0..=count as u32)
            .map(|index| 0.3 * width + f64::from(index) * STEP)
            .filter_map(|start| Some((start, self.score(line, start, width)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(start, _)| start)
    }

    fn score(&self, line: &MeasuredLine<'_>, start: f64, width: f64) -> Option<f64> {
        let (from, to) = (line.point_at(start), line.point_at(start + width));
        let centre = midpoint(from, to);
        let straight = distance(from, to) / width;
        let inside = |point: Xy, room: f64| {
            point.0 > self.left_top.0 + room
                && point.0 < self.right_bottom.0 - room
                && point.1 > self.left_top.1 + room
                && point.1 < self.right_bottom.1 - room
        };
        let free = self.taken.iter().all(|&(taken, room)| {
            // Marks must be free of the whole label, not only of its middle.
            [from, centre, to].into_iter().all(|point| distance(point, taken) > room)
        });
        let level = 1.0 - (to.1 - from.1).abs() / width;
        (straight > 0.94 && inside(from, 4.0) && inside(to, 4.0) && free).then_some(straight * 4.0 + level)
    }
}

/// A line with the length from its start to each of its points.
struct MeasuredLine<'a> {
    points: &'a [Xy],
    lengths: Vec<f64>,
}

impl<'a> MeasuredLine<'a> {
    fn new(points: &'a [Xy]) -> Self {
        let mut length = 0.0;
        let steps = points.windows(2).map(|pair| {
            length += distance(pair[0], pair[1]);
            length
        });
        Self { points, lengths: [0.0].into_iter().chain(steps).collect() }
    }

    fn length(&self) -> f64 {
        self.lengths.last().copied().unwrap_or(0.0)
    }

    fn point_at(&self, length: f64) -> Xy {
        let after = self.lengths.partition_point(|reached| *reached < length).clamp(1, self.points.len() - 1);
        let (from, to) = (self.points[after - 1], self.points[after]);
        let part = self.lengths[after] - self.lengths[after - 1];
        let share = if part > 0.0 { ((length - self.lengths[after - 1]) / part).clamp(0.0, 1.0) } else { 0.0 };
        (from.0 + (to.0 - from.0) * share, from.1 + (to.1 - from.1) * share)
    }

    fn part(&self, start: f64, end: f64) -> Vec<Xy> {
        let between = self.points.iter().zip(&self.lengths).filter(|(_, length)| **length > start && **length < end);
        [self.point_at(start)].into_iter().chain(between.map(|(point, _)| *point)).chain([self.point_at(end)]).collect()
    }
}

/// Length of a line.
pub fn length(points: &[Xy]) -> f64 {
    points.windows(2).map(|pair| distance(pair[0], pair[1])).sum()
}

fn distance(a: Xy, b: Xy) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

fn midpoint(a: Xy, b: Xy) -> Xy {
    ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: [Xy; 2] = [(10.0, 50.0), (210.0, 50.0)];

    fn drawn(marks: &[Xy]) -> String {
        let mut svg = Svg::new(220.0, 100.0, "t", "d");
        let mut places = LabelPlaces::new(marks.iter().copied(), (0.0, 0.0), (220.0, 100.0));
        places.draw(&mut svg, &LINE, "+100", &[]);
        svg.finish()
    }

    #[test]
    fn the_line_is_broken_where_its_height_stands() {
        let svg = drawn(&[]);
        assert!(svg.contains(">+100</text>"), "{svg}");
        let path = svg.split("<path d=\"").nth(1).unwrap().split('"').next().unwrap();
        assert_eq!(path.matches(['M', 'm']).count(), 2, "{svg}");
    }

    #[test]
    fn a_line_full_of_marks_goes_without() {
        let marks: Vec<Xy> = (0..12).map(|index| (f64::from(index) * 20.0, 50.0)).collect();
        assert!(!drawn(&marks).contains("+100"));
    }

    #[test]
    fn lengths_lead_back_to_points() {
        let corner = [(0.0, 0.0), (3.0, 0.0), (3.0, 4.0)];
        let line = MeasuredLine::new(&corner);
        assert_eq!(line.length(), 7.0);
        assert_eq!(line.point_at(5.0), (3.0, 2.0));
        assert_eq!(line.part(1.0, 5.0), [(1.0, 0.0), (3.0, 0.0), (3.0, 2.0)]);
    }
}
