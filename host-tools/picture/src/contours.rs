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
}
