//! A measured grid and all that must be remembered with it.

use crate::fade::Fade;
use crate::grid::HeightGrid;
use crate::tie::Tie;

/// Which surface the nodes ask for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Surface {
    /// Bilinear between the nodes.
    Bilinear,
    /// A denser grid computed from the nodes, for a plate that bows: what a survey leaves.
    #[default]
    Refined,
}

/// One measured grid with what it was measured under and how it is to be applied.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StoredGrid<const CAPACITY: usize> {
    /// Heights at the nodes: the readings, or the surface of all of them.
    pub grid: HeightGrid<CAPACITY>,
    /// Moves the nozzle away from the bed (positive) or nearer.
    pub shift_um: i16,
    /// Where the correction dies out.
    pub fade: Option<Fade>,
    /// Bed temperature while it was measured.
    pub bed_temperature_c: i16,
    /// The mechanical state of the bed that it was measured in; turning any screw begins a new one.
    pub setup: u32,
    /// Change found when the first station was visited again.
    pub closure_um: i16,
    /// Whether that change was above the limit and accepted all the same.
    pub closure_accepted: bool,
    /// Which surface the nodes ask for.
    pub surface: Surface,
    /// How it was tied to an older grid; none for a whole survey.
    pub tie: Option<Tie>,
}
