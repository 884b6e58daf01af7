//! The corner round: screws, and how far to turn them.

use core::ffi::c_char;

use gapkeeper::{Hold, Screw, ScrewAdvice, SurveyPlan, SurveySettings, TramAdvice, TramError};

use crate::keeper::KeeperStorage;
use crate::pointer::{self, Answer, Plain};
use crate::result::{Failure, GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::survey::{GapkeeperOrder, GapkeeperSurveySettings};
use crate::text;
use crate::types::GapkeeperLattice;

/// Most screws of a bed.
pub const GAPKEEPER_SCREWS: usize = 8;

/// A screw that raises and lowers the bed at one place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperScrew {
    /// To the right.
    pub x_um: i32,
    /// To the back.
    pub y_um: i32,
    /// Rise of one turn, 100 to 10000: M3 500, M4 700, M5 800.
    pub thread_um_per_turn: u16,
}

/// To what height the bed is brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperHold {
    /// The highest screw is not turned, the others only raise the bed: headroom is gained.
    Highest = 0,
    /// The lowest screw is not turned, the others only lower the bed: springs are pressed together.
    Lowest = 1,
    /// The screw `held`, counted from 0, is not turned.
    Screw = 2,
    /// The bed comes to `target_um`; every screw may have to be turned.
    Height = 3,
}

/// The screws of a bed. Fill it whole, or begin with `= {0}`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperScrews {
    /// The first `count` of them.
    pub screws: [GapkeeperScrew; GAPKEEPER_SCREWS],
    /// For `GAPKEEPER_HOLD_HEIGHT`.
    pub target_um: i32,
    /// Number of screws, 3 to `GAPKEEPER_SCREWS`.
    pub count: u8,
    /// A GapkeeperHold.
    pub hold: u8,
    /// For `GAPKEEPER_HOLD_SCREW`.
    pub held: u8,
    /// Not 0: the plate is so thick that it does not twist.
    pub is_rigid: u8,
}

/// How to turn one screw. Positive raises the bed at the screw; which way that is depends on thread and mechanism.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperScrewTurn {
    /// How far the bed must rise at the screw.
    pub raise_um: i32,
    /// The same in thousandths of a turn.
    pub raise_milliturns: i32,
    /// The same in tenths of a degree, whole turns included.
    pub raise_decidegrees: i32,
}

/// How to turn all screws, and what no screw takes out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperScrewAdvice {
    /// By screw, in the order given; those that are not there are 0.
    pub turns: [GapkeeperScrewTurn; GAPKEEPER_SCREWS],
    /// What stays, from the lowest corner to the highest.
    pub residual_um: u32,
    /// Number of screws.
    pub count: u8,
    /// 1: the advice takes out a twist too.
    pub takes_out_twist: u8,
}

// SAFETY: integers and structures of integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperScrews {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperScrewAdvice {}

impl GapkeeperScrews {
    pub(crate) fn screws(&self) -> Result<impl Iterator<Item = Screw>, GapkeeperResult> {
        let screws = self.screws.get(..usize::from(self.count)).ok_or(GapkeeperResult::WrongSize)?;
        Ok(screws.iter().map(|&GapkeeperScrew { x_um, y_um, thread_um_per_turn }| Screw {
            x_um,
            y_um,
            thread_um_per_turn,
        }))
    }

    fn hold(&self) -> Result<Hold, GapkeeperResult> {
        match self.hold {
            hold if hold == GapkeeperHold::Highest as u8 => Ok(Hold::Highest),
            hold if hold == GapkeeperHold::Lowest as u8 => Ok(Hold::Lowest),
            hold if hold == GapkeeperHold::Screw as u8 => Ok(Hold::Screw(self.held)),
            hold if hold == GapkeeperHold::Height as u8 => Ok(Hold::Height { target_um: self.target_um }),
            _ => Err(GapkeeperResult::UnknownKind),
        }
    }
}

impl From<&TramAdvice> for GapkeeperScrewAdvice {
    fn from(advice: &TramAdvice) -> Self {
        let mut given = Self {
            residual_um: advice.residual().peak_to_valley_um,
            takes_out_twist: advice.takes_out_twist().into(),
            ..Self::default()
        };
        for (turn, &ScrewAdvice { raise_um, raise_milliturns, raise_decidegrees, .. }) in
            given.turns.iter_mut().zip(advice.screws())
        {
            *turn = GapkeeperScrewTurn { raise_um, raise_milliturns, raise_decidegrees };
            given.count += 1;
        }
        given
    }
}

/// As `gapkeeper_survey_begin`, after a corner round: first the stations nearest to the screws are visited, in the order of
/// the screws. While their heights are farther apart than `corner_limit_um`, the prompt asks for screws to be turned, by
/// `gapkeeper_screw_advice`; then the survey begins. Of the screws only their places matter here.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `stations`, `settings` and `screws` are null or may be read, `order` is null or
/// may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_corner_round_begin(
    keeper: *mut GapkeeperKeeper,
    stations: *const GapkeeperLattice,
    settings: *const GapkeeperSurveySettings,
    screws: *const GapkeeperScrews,
    z_um: i32,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        // SAFETY: as the caller promises.
        let (stations, settings) = unsafe { (pointer::read(stations)?, pointer::read(settings)?) };
        // SAFETY: as the caller promises.
        let screws = unsafe { pointer::read(screws)? };
        let plan = storage.note(SurveyPlan::new(stations.into()))?;
        let plan = settings.with_middles(plan);
        let places = screws.screws()?.map(|screw| (screw.x_um, screw.y_um));
        let plan = storage.note(plan.with_corner_round(places))?;
        let settings = SurveySettings::from(settings);
        order.give(storage.try_change(|keeper| keeper.begin_survey(plan, settings, z_um))?.into());
        Ok(())
    })
}

/// How to turn each screw, while the prompt is `GAPKEEPER_PROMPT_KIND_TURN_SCREWS`; `GAPKEEPER_RESULT_NO_SURVEY` at any
/// other time. It stays the same until the press that ends the turning.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `screws` is null or may be read, `advice` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_screw_advice(
    keeper: *mut GapkeeperKeeper,
    screws: *const GapkeeperScrews,
    advice: *mut GapkeeperScrewAdvice,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, advice) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(advice)?) };
        // SAFETY: as the caller promises.
        let given = unsafe { pointer::read(screws)? };
        let heights = storage.keeper().survey_under_way().and_then(gapkeeper::Survey::corner_heights);
        let heights = heights.ok_or(GapkeeperResult::NoSurvey)?;
        let hold = given.hold()?;
        let mut screws = [Screw { x_um: 0, y_um: 0, thread_um_per_turn: 0 }; GAPKEEPER_SCREWS];
        for (place, screw) in screws.iter_mut().zip(given.screws()?) {
            *place = screw;
        }
        let screws = screws.get(..usize::from(given.count)).unwrap_or_default();
        let found = match given.is_rigid {
            0 => TramAdvice::new(heights, screws, hold),
            _ => TramAdvice::rigid(heights, screws, hold),
        };
        advice.give((&storage.note(found)?).into());
        Ok(())
    })
}

/// How to turn a screw, counted from 0, in a line of at most twenty characters, such as `3 raise 1t 82 deg`.
/// `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.
///
/// # Safety
/// `advice` is null or may be read, `text` is null or may be written for `size` bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_screw_advice_text(
    advice: *const GapkeeperScrewAdvice,
    screw: u8,
    text: *mut c_char,
    size: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let advice = unsafe { pointer::read(advice) }?;
        let turns = advice.turns.get(..usize::from(advice.count)).ok_or(GapkeeperResult::WrongSize)?;
        let &turn = turns.get(usize::from(screw)).ok_or(GapkeeperResult::WrongSize)?;
        let GapkeeperScrewTurn { raise_um, raise_milliturns, raise_decidegrees } = turn;
        let line = ScrewAdvice { screw, raise_um, raise_milliturns, raise_decidegrees };
        // SAFETY: as the caller promises.
        unsafe { text::copy(line, text, size) }
    })
}

impl From<TramError> for Failure {
    fn from(error: TramError) -> Self {
        Self::Tram(error)
    }
}
