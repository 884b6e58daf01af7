//! From a field to contour rings, and from rings to the lines that are drawn.

use contour::ContourBuilder;

use super::Field;
use super::frame::Span;

/// A point: X, Y.
pub type Xy = (f64, f64);

/// X values that a field covers.
pub fn span_x(field: &Field) -> Span {
    Span { low: field.x0_mm, high: field.x0_mm + field.step_x_mm * (field.columns.max(2) - 1) as f64 }
}

/// Y values that a field covers.
pub fn span_y(field: &Field) -> Span {
    Span { low: field.y0_mm, high: field.y0_mm + field.step_y_mm * (field.rows.max(2) - 1) as f64 }
}

/// Around all that is at or above one level, in mm; a ring within a ring is a hole.
pub struct Rings {
    x: Span,
    y: Span,
    /// The library runs outside of the field, half a step away, wherever the field ends above the level.
    rings: Vec<Vec<Xy>>,
}

/// Rings of a field at several levels; none if the field is smaller than 2 by 2 or has a wrong number of values.
pub fn rings(field: &Field, levels: &[f64]) -> Vec<Rings> {
    let (x, y) = (span_x(field), span_y(field));
    let fits = field.columns >= 2 && field.rows >= 2 && field.values_um.len() == field.columns * field.rows;
    if !fits {
        return Vec::new();
    }
    // The library compares and divides: a value that is no number would spread.
    let values: Vec<f64> = field.values_um.iter().map(|value| if value.is_finite() { *value } else { 0.0 }).collect();
    // Its nodes lie at halves.
    let builder = ContourBuilder::new(field.columns, field.rows, true)
        .x_origin(field.x0_mm - field.step_x_mm / 2.0)
        .y_origin(field.y0_mm - field.step_y_mm / 2.0)
        .x_step(field.step_x_mm)
        .y_step(field.step_y_mm);
    let lines = builder.lines(&values, levels).unwrap_or_default();
    lines
        .into_iter()
        .map(|line| {
            let (geometry, _) = line.into_inner();
            let rings = geometry
                .0
                .into_iter()
                .map(|ring| ring.0.into_iter().map(|point| (point.x, point.y)).collect())
                .collect();
            Rings { x, y, rings }
        })
        .collect()
}

impl Rings {
    /// The rings with what is outside of the field moved onto its border, to be filled.
    pub fn areas(&self) -> impl Iterator<Item = impl Iterator<Item = Xy>> {
        self.rings
            .iter()
            .map(|ring| ring.iter().map(|&(x, y)| (x.clamp(self.x.low, self.x.high), y.clamp(self.y.low, self.y.high))))
    }

    /// The parts of the rings inside the field, to be drawn as lines; a closed one ends where it starts.
    pub fn lines(&self) -> Vec<Vec<Xy>> {
        let mut lines = Vec::new();
        for ring in &self.rings {
            // The last point repeats the first.
            let points = &ring[..ring.len().saturating_sub(1)];
            let Some(outside) = points.iter().position(|point| !self.holds(*point)) else {
                lines.push(ring.clone());
                continue;
            };
            let from_outside = points[outside..].iter().chain(&points[..outside]);
            let mut line = Vec::new();
            for &point in from_outside {
                if self.holds(point) {
                    line.push(point);
                } else if !line.is_empty() {
                    lines.push(std::mem::take(&mut line));
                }
            }
            lines.push(line);
        }
        lines.retain(|line| line.len() > 1);
        lines
    }

    fn holds(&self, (x, y): Xy) -> bool {
        let margin = 1e-6;
        x > self.x.low - margin && x < self.x.high + margin && y > self.y.low - margin && y < self.y.high + margin
    }
}

/// The line without the points that lie within a distance of what is left (D. H. Douglas and T. K. Peucker, 1973).
pub fn simplified(points: &[Xy], tolerance: f64) -> Vec<Xy> {
    let mut kept = vec![false; points.len()];
    let mut open = vec![(0, points.len().saturating_sub(1))];
    while let Some((first, last)) = open.pop() {
        let (Some(&from), Some(&to)) = (points.get(first), points.get(last)) else { break };
        (kept[first], kept[last]) = (true, true);
        let (along_x, along_y) = (to.0 - from.0, to.1 - from.1);
        let length = along_x.hypot(along_y);
        // From a ring's one end to its other end there is no line.
        let away = |&(x, y): &Xy| {
            let (x, y) = (x - from.0, y - from.1);
            if length > 1e-9 { (along_x * y - along_y * x).abs() / length } else { x.hypot(y) }
        };
        let between = points.iter().enumerate().take(last).skip(first + 1).map(|(index, point)| (index, away(point)));
        if let Some((index, distance)) = between.max_by(|a, b| a.1.total_cmp(&b.1))
            && distance > tolerance
        {
            open.extend([(first, index), (index, last)]);
        }
    }
    points.iter().zip(kept).filter(|(_, kept)| *kept).map(|(point, _)| *point).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(columns: usize, rows: usize, value: impl Fn(f64, f64) -> f64) -> Field {
        let values_um = (0..rows)
            .flat_map(|row| (0..columns).map(move |column| (column, row)))
            .map(|(column, row)| value(column as f64 * 10.0, row as f64 * 10.0))
            .collect();
        Field { x0_mm: 0.0, y0_mm: 0.0, step_x_mm: 10.0, step_y_mm: 10.0, columns, rows, values_um }
    }

    #[test]
    fn a_line_lies_where_the_field_has_its_level() {
        let slope = field(6, 4, |x, _| 2.0 * x);
        let lines = rings(&slope, &[50.0])[0].lines();
        assert_eq!(lines.len(), 1);
        assert!(lines[0].iter().all(|(x, _)| (x - 25.0).abs() < 1e-9), "{lines:?}");
        let ends = Span::of([lines[0][0].1, lines[0][lines[0].len() - 1].1]);
        assert_eq!(ends, Span { low: 0.0, high: 30.0 });
    }

    #[test]
    fn areas_end_at_the_border_of_the_field() {
        let flat = field(3, 3, |_, _| 5.0);
        let rings = rings(&flat, &[0.0]);
        assert!(rings[0].lines().is_empty());
        let points: Vec<Xy> = rings[0].areas().flatten().collect();
        assert_eq!(Span::of(points.iter().map(|point| point.0)), Span { low: 0.0, high: 20.0 });
        assert_eq!(Span::of(points.iter().map(|point| point.1)), Span { low: 0.0, high: 20.0 });
    }

    #[test]
    fn a_hill_gives_a_closed_line() {
        let hill = field(9, 9, |x, y| 100.0 - (x - 40.0).hypot(y - 40.0));
        let lines = rings(&hill, &[80.0])[0].lines();
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].first(), lines[0].last());
    }

    #[test]
    fn a_field_that_is_none_gives_nothing() {
        assert!(rings(&field(1, 5, |_, _| 0.0), &[0.0]).is_empty());
    }

    #[test]
    fn a_simplified_line_stays_close() {
        let wave: Vec<Xy> = (0..400).map(|index| f64::from(index) * 0.5).map(|x| (x, 9.0 * (x / 11.0).sin())).collect();
        let line = simplified(&wave, 0.25);
        assert!(line.len() < wave.len() / 4 && line.len() > 20, "{}", line.len());
        assert_eq!((line[0], line[line.len() - 1]), (wave[0], wave[399]));
        for (x, y) in &wave {
            let after = line.iter().position(|point| point.0 >= *x).unwrap().max(1);
            let ((x0, y0), (x1, y1)) = (line[after - 1], line[after]);
            assert!((y0 + (y1 - y0) * (x - x0) / (x1 - x0) - y).abs() < 0.4);
        }
        let ring = [(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 0.0)];
        assert_eq!(simplified(&ring, 0.25), [(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 0.0)]);
        assert!(simplified(&[], 1.0).is_empty());
    }
}
