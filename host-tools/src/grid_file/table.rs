//! A bare table of heights and the facts that make it a grid.

use gapkeeper::{GridAxis, Lattice, MAX_HEIGHT_UM};

use super::error::given;
use super::{Fact, GridDocument, GridFileErrorKind as Kind, MissingFacts, RowOrder, grid_of, nodes_along};

/// A height, and where it stands if the file is a text.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub um: i64,
    pub offset: Option<usize>,
}

/// Rows of equal length, in the order of the file.
pub(super) struct Table {
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// The grid, if the facts are known; errors may have an offset in the text.
    pub(super) fn document(self, facts: &MissingFacts) -> Result<GridDocument, (Option<usize>, Kind)> {
        let plain = |kind| (None, kind);
        facts.need(&[Fact::Rows, Fact::Origin, Fact::Pitch]).map_err(plain)?;
        let (x0_um, y0_um) = given(facts.origin_um, Fact::Origin).map_err(plain)?;
        let (pitch_x_um, pitch_y_um) = given(facts.pitch_um, Fact::Pitch).map_err(plain)?;
        let lattice = Lattice {
            x0_um,
            y0_um,
            pitch_x_um,
            pitch_y_um,
            columns: nodes_along(GridAxis::X, self.rows.first().map_or(0, Vec::len)).map_err(plain)?,
            rows: nodes_along(GridAxis::Y, self.rows.len()).map_err(plain)?,
        };
        let mut rows = self.rows;
        if given(facts.rows, Fact::Rows).map_err(plain)? == RowOrder::FirstBack {
            rows.reverse();
        }
        let mut nodes_um = Vec::with_capacity(lattice.node_count());
        for (row, cells) in rows.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                let height_um = i16::try_from(cell.um).ok().filter(|um| um.unsigned_abs() <= MAX_HEIGHT_UM as u16);
                let too_high = || {
                    // Beyond 32 bits any such number is as wrong.
                    let height_um = cell.um.clamp(i32::MIN.into(), i32::MAX.into()) as i32;
                    (cell.offset, Kind::Height { row: row + 1, column: column + 1, height_um })
                };
                nodes_um.push(height_um.ok_or_else(too_high)?);
            }
        }
        let grid = grid_of(lattice, &nodes_um).map_err(plain)?;
        Ok(GridDocument::of_heights(grid))
    }
}
