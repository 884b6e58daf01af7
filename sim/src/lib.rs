//! Modelled beds, a virtual controller that runs the core, replay of jobs, and pictures of the gap.
//!
//! ```
//! use std::io::Cursor;
//!
//! use gapkeeper_sim::replay::{Settings, replay};
//! use gapkeeper_sim::{demo, outcome::Run};
//!
//! let scenario = demo::scenario()?;
//! let job = Cursor::new("G1 X20 Y20 Z0.2 F1200\nG1 X200 Y180 E8\n");
//! let settings = Settings::new(&scenario);
//! let outcome = replay("diagonal", job, &settings)?;
//! let good = |run: Run| outcome.runs[run as usize].first_layer.good();
//! assert!(good(Run::Refined) > good(Run::Uncorrected));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! | module | what it holds |
//! |---|---|
//! | [`scenario`] | the scenario file: a machine and a bed, in TOML |
//! | [`bed`] | the modelled bed: a surface through screws, plus forms |
//! | [`replay`] | the virtual controller over that bed, three runs side by side |
//! | [`setup`] | a scenario with a grid in force: shift, fade, surface, raised bed |
//! | [`deposit`] | what each run lays down, as a height field |
//! | [`outcome`] | what a replay found, as plain data |
//! | [`mod@verdict`] | what came out in one sentence, and what to do, each way tried out |
//! | [`picture`], [`report`], [`summary`] | that data as pictures, as a page, as text and JSON |
//! | [`mod@bench`], [`survey`] | a machine to measure on, and a whole survey |
//! | [`plan`] | what to do before measuring: stations, surface, hand |
//! | [`verify`] | limits that our core, or a recorded trace of another controller, must keep |
//! | [`rehearse`] | the same survey by a person at the keys of a terminal |
//! | [`life`] | years of power cycles, surveys and mishaps |
//! | [`demo`] | the built-in scenario and job |

#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod judging;
mod machine;
mod measuring;
mod replaying;
mod showing;

pub use judging::{plan, verify};
pub use machine::controller::CAPACITY;
pub use machine::{bed, demo, scenario};
pub use measuring::{bench, life, rehearse, survey};
pub use replaying::{deposit, outcome, replay, setup, verdict};
pub use showing::{picture, report, summary};

use judging::dynamics;
use machine::{controller, core_settings};
use measuring::operator;
use replaying::{action, class, footprint, gap, layer_cells, lines, replay_error, settings, stretch, surfaces};
