//! From the plain structures to the core's types and back.

use gapkeeper::{
    Arc, ArcError, Caution, Choice, CorrectionError, Fade, GridReturn, KeeperSettings, Lattice, Move, Piece, Plane,
    Point, Status, Surface, TemperatureWindows, Turn, Unusable,
};

use crate::GAPKEEPER_EXTRA_AXES;
use crate::result::GapkeeperResult;
use crate::tie;
use crate::types::*;

impl From<GapkeeperPoint> for Point {
    fn from(GapkeeperPoint { x_um, y_um, z_um }: GapkeeperPoint) -> Self {
        Self { x_um, y_um, z_um }
    }
}

impl From<Point> for GapkeeperPoint {
    fn from(Point { x_um, y_um, z_um }: Point) -> Self {
        Self { x_um, y_um, z_um }
    }
}

impl From<GapkeeperMove> for Move<GAPKEEPER_EXTRA_AXES> {
    fn from(GapkeeperMove { start, end, extra_start, extra_end }: GapkeeperMove) -> Self {
        Self { start: start.into(), end: end.into(), extra_start, extra_end }
    }
}

impl From<Move<GAPKEEPER_EXTRA_AXES>> for GapkeeperMove {
    fn from(Move { start, end, extra_start, extra_end }: Move<GAPKEEPER_EXTRA_AXES>) -> Self {
        Self { start: start.into(), end: end.into(), extra_start, extra_end }
    }
}

impl From<Piece<GAPKEEPER_EXTRA_AXES>> for GapkeeperPiece {
    fn from(Piece { end, extra }: Piece<GAPKEEPER_EXTRA_AXES>) -> Self {
        Self { end: end.into(), extra }
    }
}

impl GapkeeperArc {
    /// The arc, or why there is none; the outer error is for kinds that are not in the header.
    pub(crate) fn arc(&self) -> Result<Result<Arc<GAPKEEPER_EXTRA_AXES>, ArcError>, GapkeeperResult> {
        const PLANES: [(GapkeeperPlane, Plane); 3] =
            [(GapkeeperPlane::Xy, Plane::Xy), (GapkeeperPlane::Zx, Plane::Zx), (GapkeeperPlane::Yz, Plane::Yz)];
        let unknown = GapkeeperResult::UnknownKind;
        let (_, plane) = *PLANES.iter().find(|(kind, _)| *kind as u8 == self.plane).ok_or(unknown)?;
        let turn = match self.turn {
            turn if turn == GapkeeperTurn::Clockwise as u8 => Turn::Clockwise,
            turn if turn == GapkeeperTurn::Anticlockwise as u8 => Turn::Anticlockwise,
            _ => return Err(unknown),
        };
        Ok(match self.radius_um {
            0 => Arc::with_centre(self.motion.into(), plane, turn, [self.centre_first_um, self.centre_second_um]),
            radius_um => Arc::with_radius(self.motion.into(), plane, turn, radius_um),
        })
    }
}

impl GapkeeperFade {
    pub(crate) fn fade(&self) -> Result<Option<Fade>, GapkeeperResult> {
        if self.full_below_um == self.zero_above_um {
            return Ok(None);
        }
        Fade::new(self.full_below_um, self.zero_above_um).map(Some).map_err(|_| GapkeeperResult::Fade)
    }
}

impl From<Option<Fade>> for GapkeeperFade {
    fn from(fade: Option<Fade>) -> Self {
        fade.map_or(Self::default(), |fade| Self {
            full_below_um: fade.full_below_um(),
            zero_above_um: fade.zero_above_um(),
        })
    }
}

impl From<GapkeeperLattice> for Lattice {
    fn from(lattice: GapkeeperLattice) -> Self {
        let GapkeeperLattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows } = lattice;
        Self { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows }
    }
}

impl From<Lattice> for GapkeeperLattice {
    fn from(Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows }: Lattice) -> Self {
        Self { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows }
    }
}

impl TryFrom<GapkeeperSettings> for KeeperSettings {
    type Error = GapkeeperResult;

    fn try_from(settings: GapkeeperSettings) -> Result<Self, GapkeeperResult> {
        Ok(Self {
            grid_return: match settings.grid_return {
                when if when == GapkeeperGridReturn::AfterHoming as u8 => GridReturn::AfterHoming,
                when if when == GapkeeperGridReturn::WhenAsked as u8 => GridReturn::WhenAsked,
                _ => return Err(GapkeeperResult::UnknownKind),
            },
            windows: TemperatureWindows { nearest_c: settings.window_nearest_c, blend_c: settings.window_blend_c },
            tolerance_um: settings.tolerance_um,
            lowest_machine_z_um: settings.lowest_machine_z_um,
            shift_step_um: settings.shift_step_um,
            fade: settings.fade.fade()?,
        })
    }
}

impl From<KeeperSettings> for GapkeeperSettings {
    fn from(settings: KeeperSettings) -> Self {
        Self {
            lowest_machine_z_um: settings.lowest_machine_z_um,
            fade: settings.fade.into(),
            tolerance_um: settings.tolerance_um,
            shift_step_um: settings.shift_step_um,
            grid_return: match settings.grid_return {
                GridReturn::AfterHoming => GapkeeperGridReturn::AfterHoming,
                GridReturn::WhenAsked => GapkeeperGridReturn::WhenAsked,
            } as u8,
            window_nearest_c: settings.windows.nearest_c,
            window_blend_c: settings.windows.blend_c,
        }
    }
}

/// A surface from its kind.
pub(crate) fn surface(kind: u8) -> Result<Surface, GapkeeperResult> {
    match kind {
        kind if kind == GapkeeperSurface::Bilinear as u8 => Ok(Surface::Bilinear),
        kind if kind == GapkeeperSurface::Refined as u8 => Ok(Surface::Refined),
        _ => Err(GapkeeperResult::UnknownKind),
    }
}

impl From<Surface> for GapkeeperSurface {
    fn from(surface: Surface) -> Self {
        match surface {
            Surface::Bilinear => Self::Bilinear,
            Surface::Refined => Self::Refined,
        }
    }
}

impl From<Choice> for GapkeeperChoice {
    fn from(choice: Choice) -> Self {
        let none = |kind: GapkeeperChoiceKind| Self { kind: kind as u8, ..Self::default() };
        // Places are below GAPKEEPER_GRIDS.
        match choice {
            Choice::Nearest { place, off_c } => {
                Self { place: place as u8, off_c, ..none(GapkeeperChoiceKind::Nearest) }
            }
            Choice::Blend { cooler, warmer, share_q16 } => {
                Self { place: cooler as u8, warmer_place: warmer as u8, share_q16, ..none(GapkeeperChoiceKind::Blend) }
            }
            Choice::NotLoaded => none(GapkeeperChoiceKind::NotLoaded),
            Choice::Unusable { place, why } => {
                Self { place: place as u8, why: GapkeeperWhy::from(why) as u8, ..none(GapkeeperChoiceKind::Unusable) }
            }
            Choice::Empty => none(GapkeeperChoiceKind::Empty),
            Choice::Stale => none(GapkeeperChoiceKind::Stale),
            Choice::TooFar { nearest_c } => Self { cooler_c: nearest_c, ..none(GapkeeperChoiceKind::TooFar) },
            Choice::NoBlend { cooler_c, warmer_c } => Self { cooler_c, warmer_c, ..none(GapkeeperChoiceKind::NoBlend) },
        }
    }
}

impl From<Unusable> for GapkeeperWhy {
    fn from(why: Unusable) -> Self {
        match why {
            Unusable::Grid(_) => Self::Surface,
            Unusable::Correction(CorrectionError::Shift { .. }) => Self::Shift,
            Unusable::Correction(_) => Self::Fade,
        }
    }
}

impl From<Option<Caution>> for GapkeeperCaution {
    fn from(caution: Option<Caution>) -> Self {
        caution.map_or(Self::default(), |Caution { bed_c, nozzle_c, can_wear_gloves }| Self {
            bed_c,
            nozzle_c,
            is_hot: 1,
            can_wear_gloves: can_wear_gloves.into(),
        })
    }
}

impl GapkeeperStatus {
    pub(crate) fn new(status: &Status, setup: Option<u32>) -> Self {
        let (ties, tie_residual_um) = tie::numbers(status.tie);
        Self {
            choice: status.choice.into(),
            setup: setup.unwrap_or(0),
            shift_um: status.shift_um,
            bed_c: status.bed_c,
            grid_bed_c: status.grid_bed_c.unwrap_or(0),
            homed: status.homed.into(),
            in_force: status.in_force.into(),
            unsaved: status.unsaved.into(),
            surveying: status.prompt.is_some().into(),
            setup_known: setup.is_some().into(),
            is_off_temperature: status.is_off_temperature.into(),
            ties,
            tie_residual_um,
            caution: status.caution.into(),
        }
    }
}
