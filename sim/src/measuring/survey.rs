//! A whole survey by the virtual operator on the bench.

use std::fmt;

use gapkeeper::{
    Agreement, BedHeight, Choice, Lattice, MAX_TIES, Order, Prompt, StoredGrid, Surface, SurveyEvent, TIE_LIMIT_UM,
    TieError, TramAdvice, Unusable,
};

use crate::bench::{Bench, BenchError, advice_line};
use crate::controller::CAPACITY;
use crate::core_settings::{add_screws, raised, with_screws};
use crate::operator::Operator;
use crate::scenario::Scenario;

/// Saving, turning three or four screws, hands off (own estimate).
const SCREWS_S: f64 = 120.0;

/// No survey takes longer than a day.
const LONGEST_S: f64 = 86_400.0;

/// So often a person turns the screws; a hand that is coarser than the limit would go on for ever.
const MOST_CORNER_ROUNDS: usize = 4;

/// So often a person turns the knob at one station; then it does not move any more.
const MOST_TURNS: u32 = 1000;

/// One thing that happened during a survey.
#[derive(Clone, Debug, PartialEq)]
pub enum Happening {
    /// A reading was taken.
    Reading {
        /// What the person was asked for.
        prompt: Prompt,
        /// Where.
        x_mm: f64,
        /// Where.
        y_mm: f64,
        /// Height of the bed as read.
        height_um: f64,
        /// Height of the bed as it was.
        true_um: f64,
        /// When, in seconds.
        at_s: f64,
    },
    /// The first station had moved, and the person answered.
    Closure {
        /// By this much.
        um: i16,
        /// Whether it was accepted or the round begun again.
        accepted: bool,
    },
    /// The readings of a tie did not fit the old grid, and the person began again.
    TieRefused {
        /// Why.
        why: TieError,
    },
    /// The limit switch was in the way, and the person raised the bed.
    BedRaised {
        /// By this much.
        by_um: f64,
    },
    /// The corners were too far apart, and the person turned the screws as advised.
    ScrewsTurned {
        /// How far the corners were apart.
        apart_um: u16,
        /// How far the bed was raised at each screw.
        raised_um: Vec<f64>,
        /// The advice, screw by screw.
        turns: Vec<String>,
    },
    /// The corner round is over, and the survey begins.
    Trammed {
        /// How far the corners are apart.
        apart_um: u16,
        /// How far below the lowest corner the nozzle may go.
        headroom_um: i32,
    },
}

impl fmt::Display for Happening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Reading { prompt, x_mm, y_mm, height_um, true_um, at_s } => {
                let what = match prompt {
                    Prompt::SetGap { visit, visits, is_corner: true, .. } => format!("corner {visit} of {visits}"),
                    Prompt::SetGap { visit, visits, .. } => format!("station {visit} of {visits}"),
                    Prompt::LookAgain { off_um, .. } => format!("once more, {off_um:+} um off"),
                    _ => "reading".to_string(),
                };
                write!(
                    f,
                    "{:>5}  {what:<24}  X {x_mm:6.1}  Y {y_mm:6.1}  read {height_um:+5.0} um  bed {true_um:+7.1} um",
                    clock(*at_s)
                )
            }
            Self::Closure { um, accepted: true } => write!(f, "       the first station moved by {um:+} um: accepted"),
            Self::Closure { um, accepted: false } => {
                write!(f, "       the first station moved by {um:+} um: the round begins again")
            }
            Self::TieRefused { why } => write!(f, "       {why}; the round begins again"),
            Self::ScrewsTurned { apart_um, turns, .. } => {
                write!(f, "       the corners are {apart_um} um apart, a new setup; screws: {}", turns.join(", "))
            }
            Self::Trammed { apart_um, headroom_um } => {
                write!(f, "       the corners are {apart_um} um apart, headroom {headroom_um} um: the survey begins")
            }
            Self::BedRaised { by_um } => {
                write!(f, "       the limit switch is in the way: every screw raised by {by_um:.0} um, a new setup")
            }
        }
    }
}

/// Minutes and seconds.
pub fn clock(seconds: f64) -> String {
    // Not negative, and below a day.
    let seconds = seconds.round() as u64;
    format!("{}:{:02}", seconds / 60, seconds % 60)
}

impl SurveyOutcome {
    /// What to do with the grid, and what speaks for it.
    pub fn headline(&self) -> String {
        if let (None, Some(tie)) = (self.unusable, self.grid.tie) {
            return format!("Print with this tied grid: the shape held to {} um", tie.residual_um());
        }
        match (self.unusable, self.agreement) {
            (Some(why), _) => format!("This grid cannot be put in force as it is: {why}"),
            (None, Some(agreement)) if agreement.needs_more_stations() => format!(
                "Measure more stations: {} um RMS expected between these, too rough a bed for them or too coarse a hand",
                agreement.surface_rms_um
            ),
            (None, Some(agreement)) => {
                format!("Print with this grid: {} um RMS expected between the stations", agreement.surface_rms_um)
            }
            (None, None) => {
                "Take this grid: no reading is left to say how well it fits between the stations".to_owned()
            }
        }
    }

    /// What was measured, how well the readings agree and what the screws could do, in sentences.
    pub fn verdict(&self, scenario: &Scenario) -> String {
        let surface = match self.grid.surface {
            Surface::Refined => "refined",
            Surface::Bilinear => "bilinear",
        };
        let mut text = format!(
            "measured at {} C in {} min:s, closure {:+} um{}; the {surface} surface is taken\n",
            self.grid.bed_temperature_c,
            clock(self.seconds),
            self.grid.closure_um,
            if self.grid.closure_accepted { " (above the limit, accepted)" } else { "" },
        );
        if let Some(tie) = self.grid.tie {
            text += &format!(
                "tied to the old grid, {} of {MAX_TIES} ties since a whole survey: the shape held to {} um (limit {TIE_LIMIT_UM})\n",
                tie.count(),
                tie.residual_um()
            );
        }
        if let Some(why) = self.unusable {
            text += &format!("this grid cannot be put in force as it is: {why}\n");
        }
        if let Some(agreement) = self.agreement {
            text += &format!(
                "surface of all readings: {} um RMS expected between the stations{}\n",
                agreement.surface_rms_um,
                if agreement.needs_more_stations() {
                    ": too rough a bed for so few stations, or too coarse a hand; measure more"
                } else {
                    ""
                }
            );
        }
        match &self.advice {
            Ok(advice) => {
                let residual = advice.residual();
                text += &format!(
                    "tram advice; turning a screw begins a new setup:\n  screws cannot remove {} um peak to valley, {} um RMS\n",
                    residual.peak_to_valley_um, residual.rms_um
                );
                for (turn, screw) in advice.screws().iter().zip(&scenario.bed.screws) {
                    text += &format!("  {}\n", advice_line(turn, screw));
                }
            }
            Err(error) => text += &format!("no tram advice: {error}\n"),
        }
        text
    }
}

/// What came of a survey.
#[derive(Clone, Debug)]
pub struct SurveyOutcome {
    /// All that happened, in order.
    pub happenings: Vec<Happening>,
    /// The readings that count, one of each station.
    pub readings: Vec<BedHeight>,
    /// What was measured.
    pub grid: StoredGrid<CAPACITY>,
    /// Why it cannot come into force as it is, if it cannot.
    pub unusable: Option<Unusable>,
    /// How well the readings agree, where all of them make the surface.
    pub agreement: Option<Agreement>,
    /// How far the screws would have to be turned, or why that cannot be said.
    pub advice: Result<TramAdvice, gapkeeper::TramError>,
    /// Time it took, warming and soaking included.
    pub seconds: f64,
}

impl SurveyOutcome {
    /// How far all screws were raised.
    pub fn raised_um(&self) -> f64 {
        let raised = |happening: &Happening| if let Happening::BedRaised { by_um } = happening { *by_um } else { 0.0 };
        self.happenings.iter().map(raised).sum()
    }

    /// How far each screw was raised besides during the corner round, by number; empty if none was.
    pub fn screws_raised_um(&self) -> Vec<f64> {
        let mut sums_um: Vec<f64> = Vec::new();
        for happening in &self.happenings {
            let Happening::ScrewsTurned { raised_um, .. } = happening else { continue };
            add_screws(&mut sums_um, raised_um);
        }
        sums_um
    }

    /// A scenario as it leaves its screws.
    pub(crate) fn left(&self, scenario: &Scenario) -> Scenario {
        with_screws(raised(scenario, self.raised_um()), &self.screws_raised_um())
    }
}

/// Measures the stations with the virtual operator.
///
/// # Errors
/// [`BenchError`] if the scenario allows no survey.
pub fn survey(scenario: &Scenario, stations: Lattice, seed: u64) -> Result<SurveyOutcome, BenchError> {
    survey_on(&mut Bench::new(scenario)?, scenario, stations, seed)
}

/// The same on a bench that has just been switched on.
///
/// # Errors
/// [`BenchError`] if the scenario allows no survey.
pub(crate) fn survey_on(
    bench: &mut Bench,
    scenario: &Scenario,
    stations: Lattice,
    seed: u64,
) -> Result<SurveyOutcome, BenchError> {
    let mut operator = Operator::new(&scenario.measuring, seed);
    let mut notes = Notes::default();
    let mut order = bench.begin(scenario, stations)?;
    let station_s = scenario.measuring.station_s.0;
    let mut turns = 0;
    loop {
        order = bench.carry_out(order)?;
        if bench.clock_s() > LONGEST_S || turns > MOST_TURNS {
            return Err(BenchError::Endless);
        }
        if matches!(order, Order::Done | Order::Aborted) {
            break;
        }
        let Some(prompt) = bench.prompt() else { break };
        let Some(event) = operator.act(prompt, bench.gap_um()) else {
            bench.wait(10.0);
            order = bench.keeper().order_due();
            continue;
        };
        turns = if matches!(event, SurveyEvent::Turned { .. }) { turns + 1 } else { 0 };
        order = match (event, prompt) {
            (SurveyEvent::ScrewTurned, Prompt::RaiseBed { by_um, .. }) => {
                notes.bed_raised(by_um);
                bench.raise_bed(by_um.into())?
            }
            (SurveyEvent::ScrewTurned, Prompt::TurnScrews { .. }) if notes.corner_rounds() >= MOST_CORNER_ROUNDS => {
                bench.event(SurveyEvent::Enough)?
            }
            (SurveyEvent::ScrewTurned, Prompt::TurnScrews { apart_um, .. }) => {
                bench.wait(SCREWS_S);
                let advice = bench.corner_advice().ok_or(BenchError::Endless)?.map_err(BenchError::Tram)?;
                bench.turn_screws(&notes.screws_turned(apart_um, &advice))?
            }
            (SurveyEvent::Pressed, Prompt::Trammed { apart_um, headroom_um, .. }) => {
                notes.trammed(apart_um, headroom_um);
                bench.event(event)?
            }
            (SurveyEvent::Pressed, Prompt::TieRefused { why }) => return Err(BenchError::Tie(why)),
            (SurveyEvent::Pressed | SurveyEvent::Back, prompt) if is_answer(prompt) => {
                // Turning, sliding the paper, turning again.
                bench.wait(station_s);
                notes.answered(bench, scenario, prompt, event);
                bench.event(event)?
            }
            _ => bench.event(event)?,
        };
    }
    notes.outcome(bench, scenario)
}

/// Whether a press answers this prompt with a reading or a decision; other presses only let the machine go on.
pub(crate) fn is_answer(prompt: Prompt) -> bool {
    matches!(
        prompt,
        Prompt::SetGap { .. } | Prompt::LookAgain { .. } | Prompt::Closure { .. } | Prompt::TieRefused { .. }
    )
}

/// What is written down while somebody measures.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    happenings: Vec<Happening>,
    agreement: Option<Agreement>,
}

impl Notes {
    /// A reading is about to be taken, or the question about the first station answered.
    pub(crate) fn answered(&mut self, bench: &Bench, scenario: &Scenario, prompt: Prompt, event: SurveyEvent) {
        self.happenings.push(match prompt {
            Prompt::Closure { um } => Happening::Closure { um, accepted: event == SurveyEvent::Pressed },
            Prompt::TieRefused { why } => Happening::TieRefused { why },
            _ => {
                let nozzle = bench.nozzle();
                Happening::Reading {
                    prompt,
                    x_mm: f64::from(nozzle.x_um) / 1000.0,
                    y_mm: f64::from(nozzle.y_um) / 1000.0,
                    height_um: f64::from(nozzle.z_um) - f64::from(scenario.measuring.feeler_um),
                    true_um: bench.bed_um(nozzle.x_um, nozzle.y_um),
                    at_s: bench.clock_s(),
                }
            }
        });
        let survey = bench.keeper().survey_under_way();
        // The last reading that counts is taken before the first station is visited again.
        self.agreement = survey.and_then(gapkeeper::Survey::agreement).or(self.agreement);
    }

    /// The screws are about to be turned as advised; how far the bed rises at each.
    pub(crate) fn screws_turned(&mut self, apart_um: u16, advice: &TramAdvice) -> Vec<f64> {
        let raised_um: Vec<f64> = advice.screws().iter().map(|turn| turn.raise_um.into()).collect();
        let turns = advice.screws().iter().map(ToString::to_string).collect();
        self.happenings.push(Happening::ScrewsTurned { apart_um, raised_um: raised_um.clone(), turns });
        raised_um
    }

    /// The survey is about to begin.
    pub(crate) fn trammed(&mut self, apart_um: u16, headroom_um: i32) {
        self.happenings.push(Happening::Trammed { apart_um, headroom_um });
    }

    /// How often the screws were turned.
    fn corner_rounds(&self) -> usize {
        self.happenings.iter().filter(|happening| matches!(happening, Happening::ScrewsTurned { .. })).count()
    }

    /// The bed is about to be raised.
    pub(crate) fn bed_raised(&mut self, by_um: u16) {
        self.happenings.push(Happening::BedRaised { by_um: by_um.into() });
    }

    /// What came of it, once the survey is done.
    pub(crate) fn outcome(self, bench: &Bench, scenario: &Scenario) -> Result<SurveyOutcome, BenchError> {
        let keeper = bench.keeper();
        let setup = keeper.setup().ok_or(BenchError::Endless)?;
        let place = keeper.bank().place_for(scenario.measuring.bed_temperature_c, setup, u8::MAX);
        // The survey has put it there; one that ended otherwise has nothing to show.
        let grid = keeper.bank().grid(place).cloned().ok_or(BenchError::Endless)?;
        let lattice = grid.grid.lattice();
        let heights: Vec<BedHeight> = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .zip(grid.grid.nodes_um())
            .map(|((x_um, y_um), &height_um)| BedHeight { x_um, y_um, height_um: height_um.into() })
            .collect();
        let (advice, seconds) = (bench.tram_advice(&heights), bench.clock_s());
        let unusable = match keeper.choice() {
            Choice::Unusable { why, .. } => Some(why),
            _ => None,
        };
        let readings = readings(&self.happenings);
        Ok(SurveyOutcome {
            happenings: self.happenings,
            readings,
            grid,
            unusable,
            agreement: self.agreement,
            advice,
            seconds,
        })
    }
}

/// The last reading of each station before the first one is visited again.
fn readings(happenings: &[Happening]) -> Vec<BedHeight> {
    let mut found: Vec<BedHeight> = Vec::new();
    for happening in happenings {
        match happening {
            Happening::Reading { prompt: Prompt::SetGap { visit, visits, .. }, .. } if visit == visits => {}
            Happening::Reading { x_mm, y_mm, height_um, .. } => {
                let um = |mm: f64| (mm * 1000.0).round() as i32;
                let reading = BedHeight { x_um: um(*x_mm), y_um: um(*y_mm), height_um: height_um.round() as i32 };
                found.retain(|other| (other.x_um, other.y_um) != (reading.x_um, reading.y_um));
                found.push(reading);
            }
            Happening::Closure { accepted: true, .. } => {}
            // Nothing of a corner round enters the grid.
            Happening::Closure { .. }
            | Happening::TieRefused { .. }
            | Happening::BedRaised { .. }
            | Happening::ScrewsTurned { .. }
            | Happening::Trammed { .. } => found.clear(),
        }
    }
    found
}

#[cfg(test)]
mod tests;
