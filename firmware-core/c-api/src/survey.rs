//! Measuring by hand: events in, orders out.

use gapkeeper::{Agreement, Order, SurveyEvent, SurveyPlan, SurveySettings};

use crate::GAPKEEPER_STATIONS;
use crate::keeper::KeeperStorage;
use crate::pointer::{self, Answer, Plain};
use crate::result::{GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::types::GapkeeperLattice;

/// What a survey needs to know besides its stations. Heights are machine heights. Begin with
/// `gapkeeper_survey_settings_default`.
///
/// No reading says how high the bed is anywhere else, so nothing but `start_um` keeps the nozzle off it. If screws may
/// be turned by more, let it hold after that too; a bed that the survey itself wants raised takes it along by
/// `headroom_um`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperSurveySettings {
    /// Surely above the bed everywhere, by more than the feeler is thick; the nozzle never waits lower.
    pub start_um: i32,
    /// No order goes below this.
    pub lowest_um: i32,
    /// Bed temperature at which the grid shall hold.
    pub bed_temperature_c: i16,
    /// Nozzle temperature while measuring; a hot nozzle is longer.
    pub nozzle_temperature_c: i16,
    /// How long both must have been right before the first reading.
    pub soak_s: u16,
    /// Thickness of the paper or blade in the gap.
    pub feeler_um: u16,
    /// One detent of the knob.
    pub detent_um: u16,
    /// One detent downwards while the nozzle is higher than `clearance_um` above the highest reading so far, until the
    /// knob is turned back up; held to the feeler. 0: always `detent_um`, for a hand that turns by numbers.
    pub coarse_um: u16,
    /// The bed is expected from this much above the highest reading so far on downwards; the nozzle never waits lower.
    pub clearance_um: u16,
    /// Further height for travelling, and the highest that the knob goes above where the nozzle waits.
    pub lift_um: u16,
    /// Change at the first station that is still no reason to doubt the round.
    pub closure_limit_um: u16,
    /// A reading farther than this from what all others predict is offered for one more look.
    pub outlier_limit_um: u16,
    /// How far the bed must be raised when the limit switch was in the way.
    pub headroom_um: u16,
    /// A corner round ends once the heights of its stations lie within this of each other.
    pub corner_limit_um: u16,
    /// How far either temperature may be off.
    pub temperature_window_c: u8,
    /// Not 0, the default: of 3 by 3 stations the middles of the four cells are visited as well, and all 13 readings enter
    /// a grid of 5 by 5 nodes. Other numbers of stations have no middles here.
    pub middles: u8,
}

impl GapkeeperSurveySettings {
    pub(crate) fn with_middles(&self, plan: SurveyPlan<GAPKEEPER_STATIONS>) -> SurveyPlan<GAPKEEPER_STATIONS> {
        if self.middles == 0 { plan } else { plan.with_middles().unwrap_or(plan) }
    }
}

impl From<SurveySettings> for GapkeeperSurveySettings {
    fn from(settings: SurveySettings) -> Self {
        Self {
            start_um: settings.start_um,
            lowest_um: settings.lowest_um,
            bed_temperature_c: settings.bed_temperature_c,
            nozzle_temperature_c: settings.nozzle_temperature_c,
            soak_s: settings.soak_s,
            feeler_um: settings.feeler_um,
            detent_um: settings.detent_um,
            coarse_um: settings.coarse_um,
            clearance_um: settings.clearance_um,
            lift_um: settings.lift_um,
            closure_limit_um: settings.closure_limit_um,
            outlier_limit_um: settings.outlier_limit_um,
            headroom_um: settings.headroom_um,
            corner_limit_um: settings.corner_limit_um,
            temperature_window_c: settings.temperature_window_c,
            middles: 1,
        }
    }
}

impl From<GapkeeperSurveySettings> for SurveySettings {
    fn from(settings: GapkeeperSurveySettings) -> Self {
        Self {
            bed_temperature_c: settings.bed_temperature_c,
            nozzle_temperature_c: settings.nozzle_temperature_c,
            temperature_window_c: settings.temperature_window_c,
            soak_s: settings.soak_s,
            feeler_um: settings.feeler_um,
            detent_um: settings.detent_um,
            coarse_um: settings.coarse_um,
            start_um: settings.start_um,
            clearance_um: settings.clearance_um,
            lift_um: settings.lift_um,
            lowest_um: settings.lowest_um,
            closure_limit_um: settings.closure_limit_um,
            outlier_limit_um: settings.outlier_limit_um,
            headroom_um: settings.headroom_um,
            corner_limit_um: settings.corner_limit_um,
        }
    }
}

/// What happened. Temperatures and turned screws have functions of their own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperEventKind {
    /// All motion that was ordered has really ended: the motors stand still, after a step and a stop too.
    Arrived = 0,
    /// The knob was turned by `detents`; positive raises the nozzle.
    Turned = 1,
    /// The button was pressed: this is the reading, or yes.
    Pressed = 2,
    /// Back one station, or no.
    Back = 3,
    /// End it.
    Abort = 4,
    /// How the limit switch stands: `is_tripped`. Tell it once at the start and at each change, also without a survey;
    /// untold counts as not tripped.
    LimitSwitch = 5,
    /// Leave out the middles of cells that are still to come; it counts while a gap is being set and nothing else is to
    /// come. Where a corner round asks for screws to be turned, leave them as they are and begin the survey.
    Enough = 6,
}

/// An event for a survey.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperEvent {
    /// Detents of the knob, 0 for other events.
    pub detents: i16,
    /// A GapkeeperEventKind.
    pub kind: u8,
    /// Not 0: the limit switch is tripped, or its wire is broken; 0 for other events.
    pub is_tripped: u8,
}

impl TryFrom<GapkeeperEvent> for SurveyEvent {
    type Error = GapkeeperResult;

    fn try_from(GapkeeperEvent { detents, kind, is_tripped }: GapkeeperEvent) -> Result<Self, GapkeeperResult> {
        const EVENTS: [(GapkeeperEventKind, SurveyEvent); 7] = [
            (GapkeeperEventKind::Arrived, SurveyEvent::Arrived),
            (GapkeeperEventKind::Turned, SurveyEvent::Turned { detents: 0 }),
            (GapkeeperEventKind::Pressed, SurveyEvent::Pressed),
            (GapkeeperEventKind::Back, SurveyEvent::Back),
            (GapkeeperEventKind::Abort, SurveyEvent::Abort),
            (GapkeeperEventKind::LimitSwitch, SurveyEvent::LimitSwitch { is_tripped: false }),
            (GapkeeperEventKind::Enough, SurveyEvent::Enough),
        ];
        match EVENTS.iter().find(|(known, _)| *known as u8 == kind) {
            Some((_, Self::Turned { .. })) => Ok(Self::Turned { detents }),
            Some((_, Self::LimitSwitch { .. })) => Ok(Self::LimitSwitch { is_tripped: is_tripped != 0 }),
            Some((_, event)) => Ok(*event),
            None => Err(GapkeeperResult::UnknownKind),
        }
    }
}

/// What is to be done next. A new order replaces the one under way. Say `GAPKEEPER_EVENT_KIND_ARRIVED` when a stop, lift,
/// travel, approach or step has really ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperOrderKind {
    /// Nothing new: show the prompt and wait for an event.
    Wait = 0,
    /// Stop all motion at once, wherever it is.
    Stop = 1,
    /// Raise the nozzle straight to `z_um`; never downwards.
    Lift = 2,
    /// Travel level to `x_um`, `y_um`.
    Travel = 3,
    /// Lower the nozzle to `z_um`, where it waits: above the bed where that is not measured, and above all that is.
    Approach = 4,
    /// Follow the knob to `z_um`.
    Step = 5,
    /// All is measured; the grid is not saved yet, and in force unless the choice says why it cannot be.
    Done = 6,
    /// The survey was ended without a result; the grid that was in force before is in force again.
    Aborted = 7,
}

/// An order of a survey. Fields that do not belong to the kind are 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperOrder {
    /// Where to travel.
    pub x_um: i32,
    /// Where to travel.
    pub y_um: i32,
    /// Machine height to go to.
    pub z_um: i32,
    /// A GapkeeperOrderKind.
    pub kind: u8,
}

impl From<Order> for GapkeeperOrder {
    fn from(order: Order) -> Self {
        let of = |kind: GapkeeperOrderKind| Self { kind: kind as u8, ..Self::default() };
        match order {
            Order::Wait => of(GapkeeperOrderKind::Wait),
            Order::Stop => of(GapkeeperOrderKind::Stop),
            Order::Lift { z_um } => Self { z_um, ..of(GapkeeperOrderKind::Lift) },
            Order::Travel { x_um, y_um } => Self { x_um, y_um, ..of(GapkeeperOrderKind::Travel) },
            Order::Approach { z_um } => Self { z_um, ..of(GapkeeperOrderKind::Approach) },
            Order::Step { z_um } => Self { z_um, ..of(GapkeeperOrderKind::Step) },
            Order::Done => of(GapkeeperOrderKind::Done),
            Order::Aborted => of(GapkeeperOrderKind::Aborted),
        }
    }
}

/// How well the readings of a survey agree with each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperAgreement {
    /// The reading that disagrees most, less what all others predict.
    pub off_um: i32,
    /// Root mean square over all readings of reading less what all others predict.
    pub predicted_rms_um: u32,
    /// How far the surface is off, as a root mean square over the area: an estimate from the readings alone.
    pub surface_rms_um: u32,
    /// Column of the reading that disagrees most, among the nodes of the grid.
    pub column: u8,
    /// Its row.
    pub row: u8,
    /// 1: the bed is too rough, or the hand too coarse, for so few stations.
    pub needs_more_stations: u8,
    /// 0: nothing is known, and all else is 0.
    pub is_known: u8,
}

impl From<Agreement> for GapkeeperAgreement {
    fn from(agreement: Agreement) -> Self {
        let Agreement { column, row, off_um, predicted_rms_um, surface_rms_um } = agreement;
        let needs_more_stations = agreement.needs_more_stations().into();
        Self { off_um, predicted_rms_um, surface_rms_um, column, row, needs_more_stations, is_known: 1 }
    }
}

// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperAgreement {}
// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperSurveySettings {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperEvent {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperOrder {}

/// Settings for a cold survey with office paper, a knob of 10 um and careful limits.
///
/// # Safety
/// `settings` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_survey_settings_default(settings: *mut GapkeeperSurveySettings) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        unsafe { Answer::at(settings) }?.give(SurveySettings::default().into());
        Ok(())
    })
}

/// Begins a survey of all nodes of a lattice, row by row and to and fro, and of the middles between them if the settings
/// ask for them; the nozzle stands at machine height `z_um`.
/// Nothing moves yet. The grid in force waits, and holds again if the survey is aborted.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `stations` and `settings` are null or may be read, `order` is null or may
/// be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_survey_begin(
    keeper: *mut GapkeeperKeeper,
    stations: *const GapkeeperLattice,
    settings: *const GapkeeperSurveySettings,
    z_um: i32,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        // SAFETY: as the caller promises.
        let (stations, settings) = unsafe { (pointer::read(stations)?, pointer::read(settings)?) };
        let plan = storage.note(SurveyPlan::new(stations.into()))?;
        let plan = settings.with_middles(plan);
        order.give(storage.try_change(|keeper| keeper.begin_survey(plan, settings.into(), z_um))?.into());
        Ok(())
    })
}

/// Gives an event to the survey and says what is to be done. A limit switch is taken in without a survey too, and leaves
/// moves under way alone then.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `event` is null or may be read, `order` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_survey_event(
    keeper: *mut GapkeeperKeeper,
    event: *const GapkeeperEvent,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        // SAFETY: as the caller promises.
        let event = SurveyEvent::try_from(unsafe { pointer::read(event) }?)?;
        order.give(storage.tell_or_note(event)?.into());
        Ok(())
    })
}

/// The order that is due in the survey under way, to be asked for again; without a survey it is to wait.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `order` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_order_due(
    keeper: *const GapkeeperKeeper,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        order.give(storage.keeper().order_due().into());
        Ok(())
    })
}

/// How well the readings agree with each other: of the survey under way once all are taken, without one of the grid in force
/// if it was measured since the power came on. Nothing is known where the stations have no weights: only of 3 by 3 with
/// middles and of 5 by 5.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `agreement` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_agreement(
    keeper: *const GapkeeperKeeper,
    agreement: *mut GapkeeperAgreement,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, agreement) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(agreement)?) };
        agreement.give(storage.keeper().agreement().map(GapkeeperAgreement::from).unwrap_or_default());
        Ok(())
    })
}
