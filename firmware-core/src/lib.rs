//! Keeps the nozzle's gap right over a bed that is not flat.
//!
//! Four corner screws take out tilt, never bow or twist. This crate holds the measured heights of a bed in fixed
//! memory and bends every move to them: integers only, no heap, no panics, the same bits on every chip.
//!
//! ```
//! use gapkeeper::{Correction, Fade, HeightGrid, Lattice, Move, Point, DEFAULT_TOLERANCE_UM};
//!
//! // Nine readings on a bed that is 0.3 mm high in the middle.
//! let stations = Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
//! let readings = HeightGrid::<9>::new(stations, &[0, 150, 0, 150, 300, 150, 0, 150, 0])?;
//!
//! // A smooth surface through them, once; from then on everything is bilinear.
//! let grid: HeightGrid<225> = readings.refined(15, 15)?;
//! let correction = Correction::new(grid).with_fade(Fade::new(400, 8000)?)?;
//!
//! // Every straight move becomes pieces; E rides along.
//! let motion = Move {
//!     start: Point { x_um: 20_000, y_um: 20_000, z_um: 200 },
//!     end: Point { x_um: 200_000, y_um: 180_000, z_um: 200 },
//!     extra_start: [0],
//!     extra_end: [8_011],
//! };
//! for piece in correction.split(&motion, DEFAULT_TOLERANCE_UM)? {
//!     // queue_straight_motion(piece.end, piece.extra)
//!     assert!(piece.end.z_um >= 200);
//! }
//! # Ok::<(), Box<dyn core::error::Error>>(())
//! ```
//!
//! | item | what it is |
//! |---|---|
//! | [`HeightGrid`], [`Lattice`] | heights on a regular lattice, bilinear between them; `refined` makes a denser one |
//! | [`Fade`], [`Correction`] | the correction, its fade and its exact inverse |
//! | [`Move`], [`Split`], [`Piece`] | straight moves in, pieces along the corrected surface out |
//! | [`Flow`] | `E` scaled by the thickness really laid where the shape fades |
//! | [`Arc`], [`Chords`] | arcs and helices in, straight moves out |
//! | [`Survey`], [`SurveyPlan`] | measuring by hand: events in, orders out |
//! | [`Tie`] | a grid brought to turned screws by a few readings |
//! | [`WeightedLayout`], [`Agreement`] | the surface of a survey from all its readings, and how well they agree |
//! | [`TramAdvice`] | how far to turn which screw, and what no screw takes out |
//! | [`Bank`], [`StoredGrid`] | grids by bed temperature and setup, and the choice between them |
//! | [`record`], [`Store`], [`memory`] | the bytes of a grid, and persistent memory that power loss cannot spoil |
//! | `panel` | knob, button and limit switch over `embedded-hal` |
//! | [`Keeper`] | all of it behind one front door: what a controller calls |
//!
//! # Units and signs
//! Lengths are whole micrometres. X right, Y back, Z up. A positive height means that the bed is high there; a
//! positive shift moves the nozzle away from the bed.
//!
//! # Features
//! | feature | default | what it adds |
//! |---|---|---|
//! | `defmt` | off | `defmt::Format` on every public type but those that own memory, hardware or a whole state |
//! | `embedded-hal` | off | panel parts and the I2C EEPROM over `embedded-hal` 1.0 |
//! | `embedded-storage` | off | persistent memory over NOR flash traits |
//!
//! Without `defmt::Format` are [`Keeper`], [`Survey`], [`Store`], the event queue and the three memories: log what they
//! return, such as [`Status`] and [`Prompt`].
//!
//! # What may grow in a minor version
//! Errors, [`Status`] and [`Prompt`] are `#[non_exhaustive]`. Settings get new fields with a default:
//! begin with `..KeeperSettings::default()`, `..SurveySettings::default()`. What a controller must carry out or tell
//! ([`Order`], [`SurveyEvent`], [`Choice`], [`Progress`], panel events) grows in a major version only, so that the
//! compiler shows where the new case is missing.
//!
//! # What it does not do
//! No planning of speed, no step pulses, no files, no floats: a controller or a desktop program does those.

#![no_std]
#![cfg_attr(docsrs, feature(doc_cfg))]
#![cfg_attr(target_arch = "avr", feature(asm_experimental_arch))]
#![deny(missing_docs)]

#[cfg(test)]
extern crate std;

/// The guide's code is compiled and run with the tests.
#[cfg(doctest)]
#[doc = include_str!("../INTEGRATION.md")]
struct IntegrationGuide;

mod angle;
mod arc;
mod axis;
mod bank;
mod correction;
mod crc;
mod deviation;
mod fade;
mod fixed_point;
mod grid;
mod keeper;
pub mod memory;
#[cfg(feature = "embedded-hal")]
pub mod panel;
mod reciprocal;
pub mod record;
mod refine;
mod split;
pub mod store;
mod stored_grid;
mod survey;
mod tie;
mod tram;
mod weights;

pub use arc::{Arc, ArcError, Chords, MAX_RADIUS_DIFFERENCE_UM, MAX_RADIUS_UM, Plane, Turn};
pub use axis::{MAX_NODES, MAX_NODES_PER_AXIS, MAX_SPAN_UM, MIN_PITCH_UM};
pub use bank::{Bank, Choice, TemperatureWindows, Unusable};
pub use correction::{Correction, CorrectionError};
pub use deviation::Deviation;
pub use fade::{Fade, FadeError};
pub use grid::{GridAxis, GridError, HeightGrid, Lattice, MAX_HEIGHT_UM};
pub use keeper::{
    GridReturn, Keeper, KeeperError, KeeperSettings, LoadError, LoadReport, Pieces, SaveError, Saving, SettingsError,
    Status,
};
pub use split::{DEFAULT_TOLERANCE_UM, Flow, MAX_TOLERANCE_UM, Move, Piece, Point, Split, SplitError};
pub use store::{Loaded, OtherSlot, Progress, Saved, Store, StoreError};
pub use stored_grid::{StoredGrid, Surface};
pub use survey::{
    Caution, HOT_FROM_C, Order, PlanError, Prompt, Survey, SurveyEvent, SurveyPlan, SurveySettings, SurveySettingsError,
};
pub use tie::{MAX_TIES, TIE_LIMIT_UM, Tie, TieError};
pub use tram::{
    BedHeight, BedPlane, Hold, MAX_AMPLIFICATION, MAX_SCREW_TRAVEL_UM, MAX_SCREWS, MAX_THREAD_UM, MAX_TRAM_READINGS,
    MIN_SCREWS, MIN_SPREAD_UM, MIN_THREAD_UM, Residual, Screw, ScrewAdvice, TramAdvice, TramError,
};
pub use weights::{Agreement, WeightedLayout};
