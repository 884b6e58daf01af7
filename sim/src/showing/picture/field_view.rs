//! What a field says below a px of a frame.

use super::contours::Xy;
use super::frame::Frame;
use crate::outcome::Field;

/// A field seen through a frame that spans all of it.
pub(crate) struct FieldView<'a> {
    pub(crate) field: &'a Field,
    pub(crate) frame: &'a Frame,
}

impl FieldView<'_> {
    /// Column and row below a px, with their fractions; moved onto the field if it is outside.
    fn place(&self, (x, y): Xy) -> Xy {
        let (field, frame) = (self.field, self.frame);
        let last = |count: usize| (count.max(2) - 1) as f64;
        let u = (x - frame.left) / frame.width * last(field.columns);
        let v = (frame.bottom() - y) / frame.height * last(field.rows);
        (u.max(0.0).min(last(field.columns)), v.max(0.0).min(last(field.rows)))
    }

    /// Index of the nearest point.
    pub(crate) fn nearest(&self, point: Xy) -> usize {
        let (u, v) = self.place(point);
        v.round() as usize * self.field.columns + u.round() as usize
    }

    /// Indices of the four points around it, and what of the way it is across and along.
    fn cell(&self, point: Xy) -> ([usize; 4], f64, f64) {
        let (u, v) = self.place(point);
        let column = u.floor().min(self.field.columns.max(2) as f64 - 2.0);
        let row = v.floor().min(self.field.rows.max(2) as f64 - 2.0);
        let first = row as usize * self.field.columns + column as usize;
        let above = first + self.field.columns;
        ([first, first + 1, above, above + 1], u - column, v - row)
    }

    /// Whether one of the four points around it is set in a mask of the field's points.
    pub(crate) fn touches(&self, mask: &[bool], point: Xy) -> bool {
        self.cell(point).0.iter().any(|index| mask.get(*index) == Some(&true))
    }

    /// The value there, bilinear between the points; no number beside them.
    pub(crate) fn value(&self, point: Xy) -> f64 {
        let (corners, s, t) = self.cell(point);
        let [a, b, c, d] = corners.map(|index| self.field.values_um.get(index).copied().unwrap_or(f64::NAN));
        (a * (1.0 - s) + b * s) * (1.0 - t) + (c * (1.0 - s) + d * s) * t
    }
}

#[cfg(test)]
mod tests {
    use super::super::frame::Span;
    use super::*;

    #[test]
    fn values_stand_where_they_are() {
        let field = Field {
            x0_mm: 0.0,
            y0_mm: 0.0,
            step_x_mm: 10.0,
            step_y_mm: 10.0,
            columns: 3,
            rows: 2,
            values_um: vec![0.0, 1.0, 2.0, 10.0, 11.0, 12.0],
        };
        let span = |high| Span { low: 0.0, high };
        let frame = Frame { left: 100.0, top: 50.0, width: 40.0, height: 20.0, x: span(20.0), y: span(10.0) };
        let view = FieldView { field: &field, frame: &frame };
        for (point, value) in [((100.0, 70.0), 0.0), ((140.0, 50.0), 12.0), ((120.0, 60.0), 6.0), ((90.0, 99.0), 0.0)] {
            assert_eq!(view.value(point), value, "{point:?}");
        }
        assert_eq!(view.nearest((139.0, 51.0)), 5);
        let mask = [false, false, true, false, false, false];
        assert!(view.touches(&mask, (125.0, 60.0)) && !view.touches(&mask, (115.0, 60.0)));
    }
}
