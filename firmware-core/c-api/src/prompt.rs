//! What a person should see during a survey, as text and as numbers.

use core::ffi::c_char;

use gapkeeper::{Prompt, Survey};

use crate::keeper::KeeperStorage;
use crate::pointer::{Answer, Plain};
use crate::result::{GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::text;

/// What a person should see now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperPromptKind {
    /// Waiting for bed and nozzle, which should have `bed_c` and `nozzle_c`.
    Heat = 0,
    /// Waiting `seconds` for the plate to settle.
    Soak = 1,
    /// Axes are moving, for `visit` of `visits`.
    Moving = 2,
    /// Turn the knob until the feeler drags, then press. The nozzle stands at `z_um`.
    SetGap = 3,
    /// The same once more, since the reading is `off_um` from what the others predict.
    LookAgain = 4,
    /// The limit switch tripped: raise the bed by `by_um` at least, which begins a new setup.
    RaiseBed = 5,
    /// The first station has moved by `closure_um`: press to accept, back to repeat.
    Closure = 6,
    /// Measured, with `closure_um` of change at the first station.
    Done = 7,
    /// Ended without a result.
    Aborted = 8,
}

/// A prompt for screens with words of their own. Fields that do not belong to the kind are 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperPrompt {
    /// Where the nozzle stands.
    pub z_um: i32,
    /// Which visit, from 1.
    pub visit: u16,
    /// Of how many.
    pub visits: u16,
    /// What is left of the wait.
    pub seconds: u16,
    /// How far to raise the bed.
    pub by_um: u16,
    /// Reading less prediction.
    pub off_um: i16,
    /// Change at the first station.
    pub closure_um: i16,
    /// What the bed should have.
    pub bed_c: i16,
    /// What the nozzle should have.
    pub nozzle_c: i16,
    /// A GapkeeperPromptKind.
    pub kind: u8,
    /// Not 0: a detent downwards moves `coarse_um`.
    pub is_coarse: u8,
}

// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperPrompt {}

impl From<Prompt> for GapkeeperPrompt {
    fn from(prompt: Prompt) -> Self {
        let of = |kind: GapkeeperPromptKind| Self { kind: kind as u8, ..Self::default() };
        match prompt {
            Prompt::Heat { bed_c, nozzle_c } => Self { bed_c, nozzle_c, ..of(GapkeeperPromptKind::Heat) },
            Prompt::Soak { seconds } => Self { seconds, ..of(GapkeeperPromptKind::Soak) },
            Prompt::Moving { visit, visits } => Self { visit, visits, ..of(GapkeeperPromptKind::Moving) },
            Prompt::SetGap { visit, visits, z_um, is_coarse } => {
                Self { visit, visits, z_um, is_coarse: is_coarse.into(), ..of(GapkeeperPromptKind::SetGap) }
            }
            Prompt::LookAgain { off_um, z_um, is_coarse } => {
                Self { off_um, z_um, is_coarse: is_coarse.into(), ..of(GapkeeperPromptKind::LookAgain) }
            }
            Prompt::RaiseBed { by_um } => Self { by_um, ..of(GapkeeperPromptKind::RaiseBed) },
            Prompt::Closure { um } => Self { closure_um: um, ..of(GapkeeperPromptKind::Closure) },
            Prompt::Done { closure_um } => Self { closure_um, ..of(GapkeeperPromptKind::Done) },
            Prompt::Aborted => of(GapkeeperPromptKind::Aborted),
        }
    }
}

fn prompt_of(storage: &KeeperStorage) -> Result<Prompt, GapkeeperResult> {
    storage.keeper().survey_under_way().map(Survey::prompt).ok_or(GapkeeperResult::NoSurvey)
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
        prompt.give(prompt_of(&storage)?.into());
        Ok(())
    })
}

/// What a person should see during a survey, up to four lines of twenty characters. `GAPKEEPER_SCREEN_TEXT_SIZE` bytes
/// are enough.
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
        let prompt = prompt_of(&storage)?;
        // SAFETY: as the caller promises.
        unsafe { text::copy(prompt, text, size) }
    })
}
