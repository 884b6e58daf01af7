//! A keeper as C would hold it, for tests that call the C functions from Rust.

#![allow(dead_code, reason = "each test program uses its part")]

use core::ffi::c_char;
use std::mem::MaybeUninit;

use gapkeeper_c_api::*;

/// Calls a C function from a test.
macro_rules! call {
    ($call:expr) => {
        // SAFETY: the test gives pointers to variables of its own, or such as the function must refuse.
        unsafe { $call }
    };
}

pub mod chip;

/// Zeroed storage or an empty structure.
pub fn zeroed<T>() -> T {
    // SAFETY: used for storage and structures of the C interface, which are integers and pointers that may be null.
    unsafe { MaybeUninit::zeroed().assume_init() }
}

/// Three by three stations.
pub const LATTICE: GapkeeperLattice =
    GapkeeperLattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

/// High in the middle.
pub const HEIGHTS_UM: [i16; 9] = [0, 150, 0, 150, 300, 150, 0, 150, 0];

/// Straight across the bed.
pub const MOTION: GapkeeperMove = GapkeeperMove {
    start: GapkeeperPoint { x_um: 20_000, y_um: 20_000, z_um: 200 },
    end: GapkeeperPoint { x_um: 200_000, y_um: 180_000, z_um: 200 },
    extra_start: [0],
    extra_end: [8011],
};

/// The grid of [`LATTICE`] at 60 degrees.
pub fn grid() -> GapkeeperGrid {
    GapkeeperGrid {
        lattice: LATTICE,
        fade: GapkeeperFade { full_below_um: 400, zero_above_um: 8000 },
        bed_temperature_c: 60,
        shift_um: 0,
        surface: GapkeeperSurface::Refined as u8,
        ties: 0,
        tie_residual_um: 0,
    }
}

/// The default settings.
pub fn settings() -> GapkeeperSettings {
    let mut settings = zeroed();
    assert_eq!(call!(gapkeeper_settings_default(&raw mut settings)), GapkeeperResult::Ok);
    settings
}

/// Storage of all kinds; a C program would have it in static memory.
pub struct Session {
    /// The keeper.
    pub keeper: GapkeeperKeeper,
    /// The move under way.
    pub pieces: GapkeeperPieces,
    /// The arc under way.
    pub chords: GapkeeperChords,
    /// The store of a save by steps.
    pub store: GapkeeperStore,
}

impl Session {
    /// Storage that nobody initialised.
    pub fn raw() -> Box<Self> {
        Box::new(zeroed())
    }

    /// A keeper with these settings and without memory, homed.
    pub fn homed(settings: &GapkeeperSettings) -> Box<Self> {
        let mut session = Self::raw();
        let keeper = &raw mut session.keeper;
        let mut choice = zeroed();
        assert_eq!(call!(gapkeeper_init_without_memory(keeper, GAPKEEPER_KEEPER_SIZE, settings)), GapkeeperResult::Ok);
        assert_eq!(call!(gapkeeper_homed(keeper, &raw mut choice)), GapkeeperResult::Ok);
        session
    }

    /// A homed keeper with the grid in force and a move and an arc begun.
    pub fn begun() -> Box<Self> {
        let mut session = Self::homed(&settings());
        let Self { keeper, pieces, chords, .. } = &mut *session;
        let keeper: *mut _ = keeper;
        let set = call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9));
        assert_eq!(set, GapkeeperResult::Ok);
        assert_eq!(call!(gapkeeper_line_begin(pieces, GAPKEEPER_PIECES_SIZE, keeper, &MOTION)), GapkeeperResult::Ok);
        assert_eq!(call!(gapkeeper_arc_begin(chords, GAPKEEPER_CHORDS_SIZE, keeper, &arc())), GapkeeperResult::Ok);
        session
    }

    /// The next piece of the move under way.
    pub fn next_piece(&mut self) -> Result<GapkeeperPiece, GapkeeperResult> {
        let mut piece = zeroed();
        match call!(gapkeeper_piece_next(&raw mut self.pieces, &raw const self.keeper, &raw mut piece)) {
            GapkeeperResult::Ok => Ok(piece),
            refused => Err(refused),
        }
    }

    /// All pieces of a move.
    pub fn pieces_of(&mut self, motion: &GapkeeperMove) -> Result<Vec<GapkeeperPiece>, GapkeeperResult> {
        let keeper = &raw mut self.keeper;
        match call!(gapkeeper_line_begin(&raw mut self.pieces, GAPKEEPER_PIECES_SIZE, keeper, motion)) {
            GapkeeperResult::Ok => {}
            refused => return Err(refused),
        }
        let mut pieces = Vec::new();
        loop {
            match self.next_piece() {
                Ok(piece) => pieces.push(piece),
                Err(GapkeeperResult::End) => return Ok(pieces),
                Err(refused) => return Err(refused),
            }
        }
    }

    /// What a screen should know.
    pub fn status(&self) -> GapkeeperStatus {
        let mut status = zeroed();
        assert_eq!(call!(gapkeeper_status(&raw const self.keeper, &raw mut status)), GapkeeperResult::Ok);
        status
    }

    /// Which grid was chosen last, or why none.
    pub fn choice_text(&self) -> String {
        text(|text, size| call!(gapkeeper_choice_text(&raw const self.keeper, text, size)))
    }

    /// An event for the survey under way; the order that follows.
    pub fn event(&mut self, event: GapkeeperEvent) -> Result<GapkeeperOrder, GapkeeperResult> {
        let mut order = zeroed();
        match call!(gapkeeper_survey_event(&raw mut self.keeper, &event, &raw mut order)) {
            GapkeeperResult::Ok => Ok(order),
            refused => Err(refused),
        }
    }

    /// What the last refusal says.
    pub fn text_of(&self, result: GapkeeperResult) -> String {
        text(|text, size| call!(gapkeeper_result_text(&raw const self.keeper, result as u8, text, size)))
    }

    /// What the screen says.
    pub fn screen(&self) -> String {
        text(|text, size| call!(gapkeeper_status_text(&raw const self.keeper, text, size)))
    }
}

/// The text that a function gives; it must fit the buffer that the header calls enough.
pub fn text(give: impl FnOnce(*mut c_char, usize) -> GapkeeperResult) -> String {
    let mut bytes = [0x55_u8; GAPKEEPER_RESULT_TEXT_SIZE];
    assert_eq!(give(bytes.as_mut_ptr().cast(), bytes.len()), GapkeeperResult::Ok);
    let length = bytes.iter().position(|&byte| byte == 0).expect("a terminating zero");
    String::from_utf8(bytes[..length].to_vec()).expect("texts are UTF-8")
}

/// An event without numbers.
pub fn plain(kind: GapkeeperEventKind) -> GapkeeperEvent {
    GapkeeperEvent { kind: kind as u8, ..zeroed() }
}

/// Half a circle with a rise.
pub fn arc() -> GapkeeperArc {
    GapkeeperArc {
        motion: GapkeeperMove {
            start: GapkeeperPoint { x_um: 60_000, y_um: 60_000, z_um: 200 },
            end: GapkeeperPoint { x_um: 160_000, y_um: 60_000, z_um: 600 },
            extra_start: [0],
            extra_end: [5000],
        },
        centre_first_um: 50_000,
        centre_second_um: 0,
        radius_um: 0,
        tolerance_um: 50,
        plane: GapkeeperPlane::Xy as u8,
        turn: GapkeeperTurn::Clockwise as u8,
    }
}
