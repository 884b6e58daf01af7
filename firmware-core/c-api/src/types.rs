//! Plain structures that C fills and reads: integers of fixed width, the unit in the name.

use crate::GAPKEEPER_EXTRA_AXES;
use crate::pointer::Plain;

/// A place in machine space.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperPoint {
    /// To the right.
    pub x_um: i32,
    /// To the back.
    pub y_um: i32,
    /// Up.
    pub z_um: i32,
}

/// A straight move at logical height.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperMove {
    /// Where it begins.
    pub start: GapkeeperPoint,
    /// Where it ends.
    pub end: GapkeeperPoint,
    /// The further axes at the beginning, in any unit.
    pub extra_start: [i32; GAPKEEPER_EXTRA_AXES],
    /// The further axes at the end.
    pub extra_end: [i32; GAPKEEPER_EXTRA_AXES],
}

/// The end of one straight part of a move; it begins where the piece before it ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperPiece {
    /// Machine position: X and Y as in the move, Z corrected.
    pub end: GapkeeperPoint,
    /// The further axes.
    pub extra: [i32; GAPKEEPER_EXTRA_AXES],
}

/// What scaling `E` leaves over from one piece to the next. Begin once with `= {0}` and use it for every move of that `E`,
/// with `gapkeeper_piece_next_scaled`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperFlow {
    /// In 131072ths of a unit of `E`, from -65536 to 65535.
    pub remainder_q17: i32,
}

/// The plane of an arc.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperPlane {
    /// First axis X, second Y.
    Xy = 0,
    /// First axis Z, second X.
    Zx = 1,
    /// First axis Y, second Z.
    Yz = 2,
}

/// Sense of rotation, seen from the positive end of the axis that stands on the plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperTurn {
    /// As the clock.
    Clockwise = 0,
    /// Against it.
    Anticlockwise = 1,
}

/// A circular arc or helix at logical height, by its radius or, if that is 0, by its centre.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperArc {
    /// Its ends; if they are the same point, a full circle.
    pub motion: GapkeeperMove,
    /// From the start to the centre, along the plane's first axis.
    pub centre_first_um: i32,
    /// The same along the second.
    pub centre_second_um: i32,
    /// Positive for the shorter way round, negative for the longer, 0 for an arc by its centre.
    pub radius_um: i32,
    /// How far a chord may be off the arc, 1 or more.
    pub tolerance_um: u16,
    /// A GapkeeperPlane.
    pub plane: u8,
    /// A GapkeeperTurn.
    pub turn: u8,
}

/// Full correction up to one height, none from another on. Two equal heights: it never fades.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperFade {
    /// Full correction up to this logical height.
    pub full_below_um: i32,
    /// No correction of the shape from this logical height on.
    pub zero_above_um: i32,
}

/// When a stored grid comes into force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperGridReturn {
    /// By itself after homing: old job files need no change.
    AfterHoming = 0,
    /// When the job or a person asks for it.
    WhenAsked = 1,
}

/// What a keeper needs to know of the machine. Begin with `gapkeeper_settings_default`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperSettings {
    /// No piece of a move ends below this machine height.
    pub lowest_machine_z_um: i32,
    /// Where grids that will be measured fade out.
    pub fade: GapkeeperFade,
    /// How far a piece may be off the corrected path, 2 to 1000.
    pub tolerance_um: u16,
    /// One step of `gapkeeper_shift_by`.
    pub shift_step_um: u16,
    /// A GapkeeperGridReturn.
    pub grid_return: u8,
    /// A grid this near to the bed's temperature is used as it is.
    pub window_nearest_c: u8,
    /// Two grids on either side are blended if they are no farther apart than this.
    pub window_blend_c: u8,
}

/// Where the nodes of a grid or the stations of a survey stand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperLattice {
    /// X of the first column.
    pub x0_um: i32,
    /// Y of the first row.
    pub y0_um: i32,
    /// Distance between columns.
    pub pitch_x_um: u32,
    /// Distance between rows.
    pub pitch_y_um: u32,
    /// Nodes along X, 2 to 16.
    pub columns: u8,
    /// Nodes along Y, 2 to 16; columns times rows up to `GAPKEEPER_STATIONS`.
    pub rows: u8,
}

/// Which surface the readings ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperSurface {
    /// Bilinear between the nodes.
    Bilinear = 0,
    /// A smooth surface through the nodes, computed once as a denser grid.
    Refined = 1,
}

/// A grid without its heights, which stand in an array of their own: row by row, the first row at the smallest Y.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperGrid {
    /// Where its nodes stand.
    pub lattice: GapkeeperLattice,
    /// Where it fades out.
    pub fade: GapkeeperFade,
    /// Bed temperature that it is for.
    pub bed_temperature_c: i16,
    /// Moves the nozzle away from the bed (positive) or nearer.
    pub shift_um: i16,
    /// A GapkeeperSurface.
    pub surface: u8,
    /// Ties since the last whole survey; 0 for a whole survey.
    pub ties: u8,
    /// Residual of the last tie, in micrometres; 0 without one.
    pub tie_residual_um: u8,
}

/// Which grid was chosen, or why none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperChoiceKind {
    /// The grid in `place`, `off_c` off in temperature.
    Nearest = 0,
    /// `place` (the cooler) and `warmer_place` in proportion, `share_q16` of the warmer.
    Blend = 1,
    /// None: no grid is remembered.
    Empty = 2,
    /// None: every grid is for screws that have been turned since.
    Stale = 3,
    /// None: the nearest, for `cooler_c`, is too far off, and no two stand on either side.
    TooFar = 4,
    /// None: `cooler_c` and `warmer_c` stand on either side, but not on the same stations or too far apart.
    NoBlend = 5,
    /// None: the memory was not read yet, so nobody knows which setup holds.
    NotLoaded = 6,
    /// None: the grid in `place` would be right, but cannot be put in force; `why` says why not.
    Unusable = 7,
}

/// Why a grid cannot be put in force. `gapkeeper_choice_text` has the numbers and what to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperWhy {
    /// It can, or none was chosen.
    None = 0,
    /// It cannot be refined or blended.
    Surface = 1,
    /// Its shift is out of range.
    Shift = 2,
    /// Its fade is too short for its shape: `gapkeeper_set_fade`.
    Fade = 3,
}

/// Which grid was chosen and why. Fields that do not belong to the kind are 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperChoice {
    /// Share of the warmer grid, 65536 for all of it.
    pub share_q16: u32,
    /// How far off the grid's temperature is.
    pub off_c: u16,
    /// Temperature of the cooler, or only, grid.
    pub cooler_c: i16,
    /// Temperature of the warmer grid.
    pub warmer_c: i16,
    /// A GapkeeperChoiceKind.
    pub kind: u8,
    /// Place of the chosen, or cooler, grid.
    pub place: u8,
    /// Place of the warmer grid.
    pub warmer_place: u8,
    /// A GapkeeperWhy.
    pub why: u8,
}

/// What is hot while hands are near the nozzle or the screws. All 0 if nothing is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperCaution {
    /// The bed.
    pub bed_c: i16,
    /// The nozzle.
    pub nozzle_c: i16,
    /// 1: something is hot.
    pub is_hot: u8,
    /// 1: the work can be done in gloves, or when all has cooled down. 0: setting a gap needs bare fingers.
    pub can_wear_gloves: u8,
}

/// What a screen should know of a keeper.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperStatus {
    /// Which grid was chosen last, and why.
    pub choice: GapkeeperChoice,
    /// The current setup; 0 before the memory was read.
    pub setup: u32,
    /// Shift in force.
    pub shift_um: i32,
    /// How warm the bed is.
    pub bed_c: i16,
    /// Bed temperature that the grid in force is for; 0 without one.
    pub grid_bed_c: i16,
    /// 1: positions mean something.
    pub homed: u8,
    /// 1: moves are corrected.
    pub in_force: u8,
    /// 1: something would be lost without power.
    pub unsaved: u8,
    /// 1: a survey is under way.
    pub surveying: u8,
    /// 1: the memory was read, or there is none, so the setup is known.
    pub setup_known: u8,
    /// 1: the bed has left the window of the grid in force. It stays in force: put one in force, or home, before the next print.
    pub is_off_temperature: u8,
    /// Ties of the grid in force since its last whole survey; 0 for a whole survey, and without a grid.
    pub ties: u8,
    /// Residual of the last tie, in micrometres; 0 without one.
    pub tie_residual_um: u8,
    /// What is hot, while a survey asks for hands.
    pub caution: GapkeeperCaution,
}

/// How warm it is, and when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperTemperature {
    /// Seconds on any clock that does not run backwards.
    pub at_s: u32,
    /// The bed.
    pub bed_c: i16,
    /// The nozzle.
    pub nozzle_c: i16,
}

// SAFETY: integers and structures of integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperPoint {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperMove {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperPiece {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperFlow {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperArc {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperSettings {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperLattice {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperGrid {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperChoice {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperFade {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperStatus {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperTemperature {}
// SAFETY: as above.
unsafe impl Plain for i16 {}
