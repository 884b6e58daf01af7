//! A symmetric, positive definite band matrix and its Cholesky factor.

/// The lower half of a symmetric matrix: each row holds its entries from `width` left of the diagonal up to it.
pub(super) struct Banded {
    width: usize,
    rows: Vec<f64>,
}

/// The lower Cholesky factor of a [`Banded`].
pub(super) struct Factor(Banded);

impl Banded {
    /// Zeros for `size` unknowns of which none touches another more than `width` away.
    pub(super) fn new(size: usize, width: usize) -> Self {
        Self { width, rows: vec![0.0; size * (width + 1)] }
    }

    pub(super) fn size(&self) -> usize {
        self.rows.len() / (self.width + 1)
    }

    fn index(&self, row: usize, column: usize) -> usize {
        row * (self.width + 1) + self.width + column - row
    }

    /// Adds to an entry of the lower half; those of the upper half are passed over, being the same.
    pub(super) fn add(&mut self, row: usize, column: usize, value: f64) {
        if column <= row {
            let index = self.index(row, column);
            self.rows[index] += value;
        }
    }

    /// The largest entry of the diagonal.
    pub(super) fn largest_diagonal(&self) -> f64 {
        (0..self.size()).map(|row| self.rows[self.index(row, row)]).fold(0.0, f64::max)
    }

    /// Makes an unknown zero, whatever the others are.
    pub(super) fn fix_at_zero(&mut self, unknown: usize) {
        let last = (unknown + self.width + 1).min(self.size());
        for other in unknown.saturating_sub(self.width)..last {
            let index = self.index(other.max(unknown), other.min(unknown));
            self.rows[index] = f64::from(u8::from(other == unknown));
        }
    }

    /// Cholesky's factor; none if the matrix is not positive definite.
    pub(super) fn factor(mut self) -> Option<Factor> {
        for row in 0..self.size() {
            let first = row.saturating_sub(self.width);
            let (above, this_row) = self.rows.split_at_mut(row * (self.width + 1));
            // The row from its first entry inside the matrix on.
            let this_row = &mut this_row[first + self.width - row..=self.width];
            for column in first..row {
                // Entries of the earlier row in the same columns, up to its diagonal.
                let start = column.saturating_sub(self.width).max(first);
                let base = column * (self.width + 1) + self.width - column;
                let earlier = &above[base + start..=base + column];
                let (known, diagonal) = earlier.split_at(column - start);
                let product = dot(known, &this_row[start - first..column - first]);
                this_row[column - first] = (this_row[column - first] - product) / diagonal[0];
            }
            let (known, diagonal) = this_row.split_at_mut(row - first);
            let rest = diagonal[0] - dot(known, known);
            if rest.is_nan() || rest <= 0.0 {
                return None;
            }
            diagonal[0] = rest.sqrt();
        }
        Some(Factor(self))
    }
}

impl Factor {
    /// Solves for a right-hand side.
    pub(super) fn solve(&self, mut values: Vec<f64>) -> Vec<f64> {
        let Self(lower) = self;
        for row in 0..lower.size() {
            let first = row.saturating_sub(lower.width);
            let entries = &lower.rows[lower.index(row, first)..=lower.index(row, row)];
            let (known, diagonal) = entries.split_at(row - first);
            let product = dot(known, &values[first..row]);
            values[row] = (values[row] - product) / diagonal[0];
        }
        for row in (0..lower.size()).rev() {
            let first = row.saturating_sub(lower.width);
            let entries = &lower.rows[lower.index(row, first)..=lower.index(row, row)];
            let (known, diagonal) = entries.split_at(row - first);
            let value = values[row] / diagonal[0];
            values[row] = value;
            values[first..row].iter_mut().zip(known).for_each(|(other, entry)| *other -= entry * value);
        }
        values
    }
}

/// The sum of products, in four parts: one sum alone waits for each addition before the next.
fn dot(one: &[f64], other: &[f64]) -> f64 {
    let (fours, rest) = one.as_chunks::<4>();
    let (other_fours, other_rest) = other.as_chunks::<4>();
    let mut parts = [0.0; 4];
    for (one, other) in fours.iter().zip(other_fours) {
        for ((part, one), other) in parts.iter_mut().zip(one).zip(other) {
            *part += one * other;
        }
    }
    let rest: f64 = rest.iter().zip(other_rest).map(|(one, other)| one * other).sum();
    (parts[0] + parts[1]) + (parts[2] + parts[3]) + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_what_it_was_made_of() {
        let (size, width) = (40, 5);
        let mut matrix = Banded::new(size, width);
        let entry = |row: usize, column: usize| {
            if row == column { 9.0 } else { ((row * 7 + column * 7) % 5) as f64 / 5.0 - 0.4 }
        };
        for row in 0..size {
            for column in row.saturating_sub(width)..(row + width + 1).min(size) {
                matrix.add(row, column, entry(row, column));
            }
        }
        let wanted: Vec<f64> = (0..size).map(|index| (index as f64 * 0.7).sin()).collect();
        let row_sum = |row: usize| {
            let columns = row.saturating_sub(width)..(row + width + 1).min(size);
            columns.map(|column| entry(row, column) * wanted[column]).sum::<f64>()
        };
        let found = matrix.factor().unwrap().solve((0..size).map(row_sum).collect());
        for (found, wanted) in found.iter().zip(&wanted) {
            assert!((found - wanted).abs() < 1e-12, "{found} {wanted}");
        }
    }

    #[test]
    fn an_indefinite_matrix_has_no_factor() {
        let mut matrix = Banded::new(2, 1);
        matrix.add(0, 0, 1.0);
        matrix.add(1, 0, 2.0);
        matrix.add(1, 1, 1.0);
        assert!(matrix.factor().is_none());
    }
}
