//! How each layer lies on what is below it, cell by cell over the bed, in the run that would be used.

use crate::class::Class;
use crate::class::Measure;
use crate::scenario::Extent;
use gapkeeper_host_tools::job::CellLattice;
use gapkeeper_host_tools::job::SAME_LAYER_UM;

/// Cells are no narrower than this, and on large beds so wide that there are about so many.
const FINEST_MM: f64 = 2.5;
const MOST_CELLS: f64 = 2500.0;
/// What is farther above what lies there is a bridge over nothing, and not judged.
const BRIDGE_UM: f64 = 400.0;

/// The worst class printed in each cell, rows along X from the front; none where nothing is printed.
pub(crate) type CellClasses = Vec<Option<Class>>;

/// Where the cells of a map of one layer lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CellGrid {
    /// Where the bed lies.
    pub x_mm: Extent,
    /// Where the bed lies.
    pub y_mm: Extent,
    /// Cells along X.
    pub columns: usize,
    /// Cells along Y.
    pub rows: usize,
}

/// A place of a line, and the nozzle there.
pub(crate) struct Laid {
    pub(crate) x_mm: f64,
    pub(crate) y_mm: f64,
    pub(crate) logical_um: f64,
    pub(crate) bed_um: f64,
    /// None where the move was refused.
    pub(crate) nozzle_um: Option<f64>,
    pub(crate) on_bed: bool,
}

/// The layer under way, and what lies below it.
pub(crate) struct LayerCells {
    grid: CellGrid,
    lattice: CellLattice,
    measure: Measure,
    /// Logical heights of the newest layer in each cell and of what it lies on; no number where nothing lies.
    tops_um: Vec<[f32; 2]>,
    classes: CellClasses,
    touched: Vec<usize>,
}

impl LayerCells {
    pub(crate) fn new(x_mm: Extent, y_mm: Extent, measure: Measure) -> Self {
        let lattice = CellLattice::new([x_mm.ends(), y_mm.ends()], FINEST_MM, MOST_CELLS);
        let count = lattice.count();
        Self {
            grid: CellGrid { x_mm, y_mm, columns: lattice.columns, rows: lattice.rows },
            lattice,
            measure,
            tops_um: vec![[f32::NAN; 2]; count],
            classes: vec![None; count],
            touched: Vec::new(),
        }
    }

    pub(crate) fn grid(&self) -> CellGrid {
        self.grid
    }

    /// Takes in a place; `nozzle_at` tells where the nozzle would be there at another logical height.
    pub(crate) fn add(&mut self, laid: &Laid, nozzle_at: impl Fn(f64) -> f64) {
        let Some(cell) = self.lattice.at(laid.x_mm, laid.y_mm) else { return };
        let Some([top_um, below_um]) = self.tops_um.get_mut(cell) else { return };
        let logical_um = laid.logical_um;
        let above_top_um = logical_um - f64::from(*top_um);
        if above_top_um > SAME_LAYER_UM {
            *below_um = *top_um;
        }
        if above_top_um.is_nan() || above_top_um >= -SAME_LAYER_UM {
            *top_um = logical_um as f32;
        }
        let class = match laid.nozzle_um {
            None => Class::Refused,
            Some(nozzle_um) if laid.on_bed => self.measure.class(nozzle_um - laid.bed_um - logical_um, logical_um),
            Some(nozzle_um) => {
                let below_um = f64::from(*below_um);
                let asked_um = logical_um - below_um;
                if !(SAME_LAYER_UM..=BRIDGE_UM).contains(&asked_um) {
                    return;
                }
                // Where the nozzle was in the plate, the plate is what lies below.
                let gap_um = nozzle_um - nozzle_at(below_um).max(laid.bed_um);
                self.measure.class(gap_um - asked_um, asked_um)
            }
        };
        if let Some(worst) = self.classes.get_mut(cell) {
            if worst.is_none() {
                self.touched.push(cell);
            }
            *worst = worse(*worst, Some(class));
        }
    }

    /// Adds the layer under way to what is known of it already, and begins the next one.
    pub(crate) fn end_layer(&mut self, known: &mut CellClasses) {
        known.resize(self.classes.len(), None);
        for cell in self.touched.drain(..) {
            if let (Some(known), Some(class)) = (known.get_mut(cell), self.classes.get_mut(cell)) {
                *known = worse(*known, class.take());
            }
        }
    }
}

/// The one to look at of two, nothing printed being the least.
pub(crate) fn worse(one: Option<Class>, other: Option<Class>) -> Option<Class> {
    const ORDER: [Class; 7] =
        [Class::OffBed, Class::Good, Class::TooFar, Class::TooClose, Class::Loose, Class::Refused, Class::Contact];
    let rank = |class: Option<Class>| class.and_then(|class| ORDER.iter().position(|other| *other == class));
    if rank(other) > rank(one) { other } else { one }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MEASURE: Measure = Measure { tolerance_um: 50.0, lays: true };

    /// One cell of a layer that ends with this place, after others.
    fn last_class(places: &[(f64, f64, bool)], nozzle_at: impl Fn(f64) -> f64 + Copy) -> Option<Class> {
        let extent = Extent { from: 0.0, to: 10.0 };
        let mut cells = LayerCells::new(extent, extent, MEASURE);
        let mut last = Vec::new();
        for (logical_um, bed_um, on_bed) in places.iter().copied() {
            let nozzle_um = Some(nozzle_at(logical_um));
            last = Vec::new();
            cells.add(&Laid { x_mm: 1.0, y_mm: 1.0, logical_um, bed_um, nozzle_um, on_bed }, nozzle_at);
            cells.end_layer(&mut last);
        }
        assert_eq!(last.iter().flatten().count(), usize::from(last[0].is_some()), "only the first cell");
        last[0]
    }

    /// On the bed the gap counts; above, the thickness that is left by the fade, whatever the bed.
    #[test]
    fn a_layer_lies_on_the_one_below() {
        let level = |um: f64| um;
        assert_eq!(last_class(&[(200.0, -30.0, true)], level), Some(Class::Good));
        assert_eq!(last_class(&[(200.0, -80.0, true)], level), Some(Class::TooFar));
        assert_eq!(last_class(&[(200.0, -80.0, true), (400.0, -80.0, false)], level), Some(Class::Good));
        // A correction of half of the height left: each layer half as thick as asked for.
        assert_eq!(
            last_class(&[(200.0, 0.0, true), (400.0, 0.0, false)], |um| 100.0 + um / 2.0),
            Some(Class::TooClose)
        );
        // The plate stands in the way of the first layer, and is what the second lies on.
        assert_eq!(last_class(&[(200.0, 390.0, true), (400.0, 390.0, false)], level), Some(Class::TooClose));
        // A bridge over nothing, and over a gap of five layers.
        assert_eq!(last_class(&[(400.0, 0.0, false)], level), None);
        assert_eq!(last_class(&[(200.0, 0.0, true), (1200.0, 0.0, false)], level), None);
    }

    #[test]
    fn the_worst_of_a_cell_is_kept_and_refusal_with_it() {
        let extent = Extent { from: 0.0, to: 10.0 };
        let mut cells = LayerCells::new(extent, extent, MEASURE);
        let mut known = Vec::new();
        for nozzle_um in [Some(200.0), None, Some(260.0)] {
            let place = Laid { x_mm: 9.0, y_mm: 9.0, logical_um: 200.0, bed_um: 0.0, nozzle_um, on_bed: true };
            cells.add(&place, |um| um);
            cells.end_layer(&mut known);
        }
        assert_eq!(known.iter().flatten().collect::<Vec<_>>(), [&Class::Refused]);
        assert_eq!(known.last(), Some(&Some(Class::Refused)));
        assert_eq!(worse(None, Some(Class::Good)), Some(Class::Good));
        assert_eq!(worse(Some(Class::Contact), Some(Class::Good)), Some(Class::Contact));
    }
}
