//! What a person should see during a survey, as text and as numbers.

use core::ffi::c_char;

use gapkeeper::{Prompt, Status, TieError};

use crate::keeper::KeeperStorage;
use crate::pointer::{Answer, Plain};
use crate::result::{GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::text;
use crate::types::GapkeeperCaution;

/// What a person should see now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperPromptKind {
    /// Waiting for bed and nozzle, which should have `bed_c` and `nozzle_c`.
    Heat = 0,
    /// Waiting `seconds` for the plate to settle.
    Soak = 1,
    /// A press lifts the nozzle and takes it to the first of `visits` stations.
    Ready = 2,
    /// Axes are moving, for `visit` of `visits`.
    Moving = 3,
    /// The nozzle is being lifted, and nothing follows by itself.
    Lifting = 4,
    /// Turn the knob until the feeler drags, then press. The nozzle stands at `z_um`.
    SetGap = 5,
    /// The same once more, since the reading is `off_um` from what the others predict.
    LookAgain = 6,
    /// The bed left its temperature window with `bed_c` for `wanted_c`: the round is void. A press lifts the nozzle; then it
    /// is warmed up again.
    BedTemperature = 7,
    /// The limit switch is tripped, or its wire is broken: nothing is lowered. With `press_lifts` the round is void.
    SwitchTripped = 8,
    /// The limit switch was in the way: raise the bed by `by_um` at least, which begins a new setup. Say that with
    /// `gapkeeper_screw_turned` before; then `is_told`, and a press goes on.
    RaiseBed = 9,
    /// A screw was turned: the round is void. A press lifts the nozzle, and the round begins anew.
    HandsOff = 10,
    /// The first station has moved by `closure_um`: press to accept, back to repeat.
    Closure = 11,
    /// Measured, with `closure_um` of change at the first station.
    Done = 12,
    /// Ended without a result.
    Aborted = 13,
    /// Something newer than this interface; the text says what.
    Other = 14,
    /// The corner round is over: the corners are `apart_um` apart, and the nozzle may go `headroom_um` below the lowest. A
    /// press lifts the nozzle and takes it to the first of `visits` stations.
    Trammed = 15,
    /// The corners are `apart_um` apart and may be `limit_um`: turn the screws by `gapkeeper_screw_advice`, which begins a new
    /// setup. Say that with `gapkeeper_screw_turned` and save before; then `is_told`, and a press goes on. `back` reads the
    /// corners again, `enough` leaves the screws as they are.
    TurnScrews = 16,
    /// The readings of a tie do not fit the old grid: a whole survey is needed. The shape is off by `residual_um`; 0 if the bed
    /// moved out of range. A press ends the tie without a result, `back` begins it anew.
    TieRefused = 17,
}

/// A prompt for screens with words of their own. Fields that do not belong to the kind are 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperPrompt {
    /// Where the nozzle stands.
    pub z_um: i32,
    /// How far below the lowest corner the nozzle may still go.
    pub headroom_um: i32,
    /// Which visit, from 1.
    pub visit: u16,
    /// Of how many.
    pub visits: u16,
    /// What is left of the wait.
    pub seconds: u16,
    /// How far to raise the bed.
    pub by_um: u16,
    /// How far the corners are apart in height.
    pub apart_um: u16,
    /// What they may be apart.
    pub limit_um: u16,
    /// How far the shape is off that of the old grid.
    pub residual_um: u16,
    /// Reading less prediction.
    pub off_um: i16,
    /// Change at the first station.
    pub closure_um: i16,
    /// What the bed should have; of `GAPKEEPER_PROMPT_KIND_BED_TEMPERATURE` what it had when it left its window.
    pub bed_c: i16,
    /// What the nozzle should have.
    pub nozzle_c: i16,
    /// What the bed should have had.
    pub wanted_c: i16,
    /// What is hot: show it beside any prompt.
    pub caution: GapkeeperCaution,
    /// A GapkeeperPromptKind.
    pub kind: u8,
    /// 1: a detent downwards moves `coarse_um`.
    pub is_coarse: u8,
    /// 1: the knob was turned since the nozzle arrived; before that a press is no reading.
    pub is_turned: u8,
    /// 1: a press lifts the nozzle. 0: the survey has not begun.
    pub press_lifts: u8,
    /// 1: somebody said that the screws are turned, and a press goes on. 0: `back` if they are not.
    pub is_told: u8,
    /// 1: the visits are those of the corner round.
    pub is_corner: u8,
}

// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperPrompt {}

impl From<Prompt> for GapkeeperPrompt {
    fn from(prompt: Prompt) -> Self {
        let of = |kind: GapkeeperPromptKind| Self { kind: kind as u8, ..Self::default() };
        match prompt {
            Prompt::Heat { bed_c, nozzle_c } => Self { bed_c, nozzle_c, ..of(GapkeeperPromptKind::Heat) },
            Prompt::Soak { seconds } => Self { seconds, ..of(GapkeeperPromptKind::Soak) },
            Prompt::Ready { visits, is_corner } => {
                Self { visits, is_corner: is_corner.into(), ..of(GapkeeperPromptKind::Ready) }
            }
            Prompt::Trammed { apart_um, headroom_um, visits } => {
                Self { apart_um, headroom_um, visits, ..of(GapkeeperPromptKind::Trammed) }
            }
            Prompt::TurnScrews { apart_um, limit_um, is_told } => {
                Self { apart_um, limit_um, is_told: is_told.into(), ..of(GapkeeperPromptKind::TurnScrews) }
            }
            Prompt::Moving { visit, visits, is_corner } => {
                Self { visit, visits, is_corner: is_corner.into(), ..of(GapkeeperPromptKind::Moving) }
            }
            Prompt::Lifting => of(GapkeeperPromptKind::Lifting),
            Prompt::SetGap { visit, visits, is_corner, z_um, is_coarse, is_turned } => {
                let (is_corner, is_coarse, is_turned) = (is_corner.into(), is_coarse.into(), is_turned.into());
                Self { visit, visits, is_corner, z_um, is_coarse, is_turned, ..of(GapkeeperPromptKind::SetGap) }
            }
            Prompt::LookAgain { off_um, z_um, is_coarse, is_turned } => {
                let (is_coarse, is_turned) = (is_coarse.into(), is_turned.into());
                Self { off_um, z_um, is_coarse, is_turned, ..of(GapkeeperPromptKind::LookAgain) }
            }
            Prompt::BedTemperature { bed_c, wanted_c } => {
                Self { bed_c, wanted_c, ..of(GapkeeperPromptKind::BedTemperature) }
            }
            Prompt::SwitchTripped { press_lifts } => {
                Self { press_lifts: press_lifts.into(), ..of(GapkeeperPromptKind::SwitchTripped) }
            }
            Prompt::RaiseBed { by_um, is_told } => {
                Self { by_um, is_told: is_told.into(), ..of(GapkeeperPromptKind::RaiseBed) }
            }
            Prompt::HandsOff => of(GapkeeperPromptKind::HandsOff),
            Prompt::Closure { um } => Self { closure_um: um, ..of(GapkeeperPromptKind::Closure) },
            Prompt::Done { closure_um } => Self { closure_um, ..of(GapkeeperPromptKind::Done) },
            Prompt::TieRefused { why } => {
                let residual_um = if let TieError::Shape { residual_um } = why { residual_um } else { 0 };
                Self { residual_um, ..of(GapkeeperPromptKind::TieRefused) }
            }
            Prompt::Aborted => of(GapkeeperPromptKind::Aborted),
            _ => of(GapkeeperPromptKind::Other),
        }
    }
}

/// What is asked for and what is hot, from the status of a survey under way.
fn surveying(storage: &KeeperStorage) -> Result<(Prompt, Status), GapkeeperResult> {
    let status = storage.status();
    status.prompt.map(|prompt| (prompt, status)).ok_or(GapkeeperResult::NoSurvey)
}

/// What a person should see during a survey, as numbers.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `prompt` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_prompt(
    keeper: *const GapkeeperKeeper,
    prompt: *mut GapkeeperPrompt,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, prompt) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(prompt)?) };
        let (asked, status) = surveying(&storage)?;
        prompt.give(GapkeeperPrompt { caution: status.caution.into(), ..asked.into() });
        Ok(())
    })
}

/// What a person should see during a survey, up to four lines of twenty characters; the last says what is hot.
/// `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_prompt_text(
    keeper: *const GapkeeperKeeper,
    text: *mut c_char,
    size: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        let (_, status) = surveying(&storage)?;
        // SAFETY: as the caller promises.
        unsafe { text::copy(status, text, size) }
    })
}
