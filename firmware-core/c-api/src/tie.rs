//! The tie: an older grid brought to turned screws by a few readings.

use gapkeeper::{SurveySettings, Tie};

use crate::corners::GapkeeperScrews;
use crate::keeper::KeeperStorage;
use crate::pointer::{self, Answer};
use crate::result::{GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::survey::{GapkeeperOrder, GapkeeperSurveySettings};

/// Begins a tie: a survey of the stations nearest to the screws and of the one in the middle, which brings the grid of the
/// newest setup near `bed_temperature_c` to the screws as they stand now. The plate must be the same, the same side up. Of the
/// screws only their places matter, of the settings all but `middles`. Events, orders and prompts are those of
/// `gapkeeper_survey_begin`; `GAPKEEPER_PROMPT_KIND_TIE_REFUSED` comes besides.
///
/// `GAPKEEPER_RESULT_TIE` without such a grid, or once it has been tied three times: a whole survey is needed.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `settings` and `screws` are null or may be read, `order` is null or may be
/// written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_tie_begin(
    keeper: *mut GapkeeperKeeper,
    settings: *const GapkeeperSurveySettings,
    screws: *const GapkeeperScrews,
    z_um: i32,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        // SAFETY: as the caller promises.
        let (settings, screws) = unsafe { (pointer::read(settings)?, pointer::read(screws)?) };
        let settings = SurveySettings::from(settings);
        let places = screws.screws()?.map(|screw| (screw.x_um, screw.y_um));
        let plan = storage.note(storage.keeper().plan_tie(settings.bed_temperature_c, places))?;
        order.give(storage.try_change(|keeper| keeper.begin_survey(plan, settings, z_um))?.into());
        Ok(())
    })
}

/// The mark of a tie from its numbers; of no tie for none.
pub(crate) fn mark(ties: u8, residual_um: u8) -> Result<Option<Tie>, GapkeeperResult> {
    match ties {
        0 => Ok(None),
        ties => Tie::new(ties, residual_um).map(Some).ok_or(GapkeeperResult::NotStorable),
    }
}

/// And back: ties, and residual of the last.
pub(crate) fn numbers(tie: Option<Tie>) -> (u8, u8) {
    tie.map_or((0, 0), |tie| (tie.count(), tie.residual_um()))
}
