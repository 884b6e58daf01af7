//! A survey by hand in the terminal, against the modelled bed: practice before one stands at a hot machine.
//!
//! The person turns the knob with arrow keys and hears of the bed only what paper tells: how it drags. The true
//! heights are shown once all is read.

mod drag;
mod state;
mod table;
mod terminal;
mod view;

use std::io;
use std::time::{Duration, Instant};

use gapkeeper::Lattice;

use crate::bench::BenchError;
use crate::scenario::{NotNegative, Scenario};
use crate::survey::SurveyOutcome;
use state::{Ending, Key, Rehearsal};
pub use terminal::FullScreen;

/// How long a key is waited for before time passes on the bench.
const TICK: Duration = Duration::from_millis(100);

/// Why nothing came of a rehearsal.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RehearseError {
    /// Keys or screen are missing.
    #[error("a rehearsal needs a terminal for its keys and its screen; `gapsim survey` measures without one")]
    NoTerminal,
    /// The terminal does not do what it is told.
    #[error("terminal: {0}")]
    Terminal(#[from] io::Error),
    /// The scenario allows no survey.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// The person ended it.
    #[error("ended before all stations were read: nothing is kept, nothing written")]
    Ended,
}

/// Lets a person measure the stations in the terminal.
///
/// `feel_um` is the standard deviation of what the paper seems to say, one error a visit; 0 for a perfect hand.
///
/// # Errors
/// [`RehearseError`]; the terminal is as before in every case.
pub fn rehearse(
    scenario: &Scenario,
    stations: Lattice,
    feel_um: NotNegative,
    seed: u64,
) -> Result<SurveyOutcome, RehearseError> {
    let mut rehearsal = Rehearsal::new(scenario, stations, feel_um, seed)?;
    if !FullScreen::is_possible() {
        return Err(RehearseError::NoTerminal);
    }
    let mut screen = FullScreen::open()?;
    let rows = usize::from(stations.rows);
    let mut seen_at = Instant::now();
    let ending = loop {
        let size = screen.size()?;
        let fits = size[0] >= view::WIDTH && size[1] >= view::height(rows);
        screen.show(if fits { view::compose(&rehearsal.view()) } else { view::too_small(size, rows) })?;
        let mut key = screen.next_key(TICK)?;
        let passed = seen_at.elapsed();
        seen_at = Instant::now();
        // What cannot be seen stands still.
        if fits {
            rehearsal.pass(passed.as_secs_f64())?;
        }
        // A key that is held down comes faster than a slow line can be redrawn.
        while let Some(pressed) = key {
            if fits || pressed == Key::End {
                rehearsal.key(pressed)?;
            }
            key = if rehearsal.ending().is_none() { screen.next_key(Duration::ZERO)? } else { None };
        }
        if let Some(ending) = rehearsal.ending() {
            break ending;
        }
    };
    drop(screen);
    match ending {
        Ending::Measured => Ok(rehearsal.outcome()?),
        Ending::Ended => Err(RehearseError::Ended),
    }
}

/// Station by station what was read, what was there and the difference, then how good it is on the whole.
pub fn table(outcome: &SurveyOutcome) -> String {
    table::table(outcome)
}
