//! A whole survey by the virtual operator on the bench.

use std::fmt;

use gapkeeper::{BedHeight, CheckResiduals, Lattice, Order, Prompt, StoredGrid, Surface, SurveyEvent, TramAdvice};

use crate::bench::{Bench, BenchError, advice_line};
use crate::controller::CAPACITY;
use crate::operator::Operator;
use crate::scenario::Scenario;

/// No survey takes longer than a day.
const LONGEST_S: f64 = 86_400.0;

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
    /// The limit switch was in the way, and the person raised the bed.
    BedRaised {
        /// By this much.
        by_um: f64,
    },
}

impl fmt::Display for Happening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Reading { prompt, x_mm, y_mm, height_um, true_um, at_s } => {
                let what = match prompt {
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
    /// What was measured, what the check stations say and what the screws could do, in sentences.
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
        if let Some(checks) = self.checks {
            text += &format!(
                "check stations: bilinear off by {} um RMS, refined by {} um RMS\n",
                checks.bilinear_rms_um, checks.refined_rms_um
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
    /// What was measured.
    pub grid: StoredGrid<CAPACITY>,
    /// What the check stations said.
    pub checks: Option<CheckResiduals>,
    /// How far the screws would have to be turned, or why that cannot be said.
    pub advice: Result<TramAdvice, gapkeeper::TramError>,
    /// Time it took, warming and soaking included.
    pub seconds: f64,
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
pub fn survey_on(
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
        let Some(prompt) = bench.prompt() else { break };
        order = match order {
            Order::Done | Order::Aborted => break,
            Order::RaiseBed { by_um } => {
                notes.bed_raised(by_um);
                bench.raise_bed(by_um.into())
            }
            _ => match operator.act(prompt, bench.gap_um()) {
                None => bench.wait(10.0),
                Some(event) => {
                    turns = if matches!(event, SurveyEvent::Turned { .. }) { turns + 1 } else { 0 };
                    if event == SurveyEvent::Pressed || event == SurveyEvent::Back {
                        // Turning, sliding the paper, turning again.
                        order = bench.wait(station_s);
                        debug_assert_eq!(order, Order::Wait);
                        notes.answered(bench, scenario, prompt, event);
                    }
                    bench.event(event)?
                }
            },
        };
    }
    notes.outcome(bench, scenario)
}

/// What is written down while somebody measures.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    happenings: Vec<Happening>,
    checks: Option<CheckResiduals>,
}

impl Notes {
    /// A reading is about to be taken, or the question about the first station answered.
    pub(crate) fn answered(&mut self, bench: &Bench, scenario: &Scenario, prompt: Prompt, event: SurveyEvent) {
        self.happenings.push(match prompt {
            Prompt::Closure { um } => Happening::Closure { um, accepted: event == SurveyEvent::Pressed },
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
        self.checks = survey.and_then(gapkeeper::Survey::check_residuals).or(self.checks);
    }

    /// The bed is about to be raised.
    pub(crate) fn bed_raised(&mut self, by_um: u16) {
        self.happenings.push(Happening::BedRaised { by_um: by_um.into() });
    }

    /// What came of it, once the survey is done.
    pub(crate) fn outcome(self, bench: &Bench, scenario: &Scenario) -> Result<SurveyOutcome, BenchError> {
        let keeper = bench.keeper();
        let place = keeper.bank().place_for(scenario.measuring.bed_temperature_c, keeper.setup(), u8::MAX);
        // The survey has put it there; one that ended otherwise has nothing to show.
        let grid = keeper.bank().grid(place).cloned().ok_or(BenchError::Endless)?;
        let lattice = grid.grid.lattice();
        let heights: Vec<BedHeight> = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .zip(grid.grid.nodes_um())
            .map(|((x_um, y_um), &height_um)| BedHeight { x_um, y_um, height_um: height_um.into() })
            .collect();
        let (advice, seconds) = (bench.tram_advice(&heights), bench.clock_s());
        Ok(SurveyOutcome { happenings: self.happenings, grid, checks: self.checks, advice, seconds })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo;
    use crate::scenario::{Bounded, Form, NotNegative, Positive, Share};

    fn run(change: impl FnOnce(&mut Scenario), seed: u64) -> SurveyOutcome {
        let mut scenario = demo::scenario().unwrap();
        scenario.measuring.feel_um = NotNegative(0.0);
        scenario.measuring.settle_um = Bounded(0.0);
        change(&mut scenario);
        survey(&scenario, scenario.stations(), seed).unwrap()
    }

    fn readings(outcome: &SurveyOutcome) -> Vec<(f64, f64)> {
        let readings = outcome.happenings.iter().filter_map(|happening| match happening {
            Happening::Reading { height_um, true_um, .. } => Some((*height_um, *true_um)),
            _ => None,
        });
        readings.collect()
    }

    #[test]
    fn a_perfect_hand_reads_the_bed_to_half_a_detent() {
        let outcome = run(|_| (), 1);
        // Nine stations, four checks, the first once more.
        assert_eq!(readings(&outcome).len(), 14);
        assert!(readings(&outcome).iter().all(|(read_um, true_um)| (read_um - true_um).abs() <= 5.0));
        assert!(outcome.grid.closure_um.abs() <= 10 && !outcome.grid.closure_accepted);
        assert_eq!(outcome.grid.surface, Surface::Refined, "a plate that bows");
        // Soaking, then fourteen stations of half a minute and the way.
        assert!((600.0 + 14.0 * 30.0..1200.0).contains(&outcome.seconds), "{}", outcome.seconds);
    }

    /// A crest along the middle column of stations, over a bed that lies low.
    fn with_crest(scenario: &mut Scenario, crest_um: f64) {
        scenario.machine.limit_switch_trips_at_mm = Bounded(-2.0);
        for screw in &mut scenario.bed.screws {
            screw.height_um.0 -= 700.0;
        }
        scenario.bed.forms.push(Form::Ridge {
            x_mm: Bounded(115.0),
            y_mm: Bounded(100.0),
            angle_deg: Bounded(90.0),
            half_width_mm: Positive(90.0),
            height_um: Bounded(crest_um),
        });
    }

    #[test]
    fn a_bed_that_rises_between_stations_is_not_met() {
        for crest_um in [300.0, 500.0, 1000.0, 1500.0, 2000.0] {
            let outcome = run(|scenario| with_crest(scenario, crest_um), 1);
            assert!(readings(&outcome).iter().all(|(read_um, true_um)| (read_um - true_um).abs() <= 5.0));
            let (low_um, high_um) = readings(&outcome)
                .iter()
                .fold((f64::MAX, f64::MIN), |(low_um, high_um), (_, um)| (low_um.min(*um), high_um.max(*um)));
            assert!(high_um - low_um >= crest_um, "{crest_um}: {low_um} to {high_um}");
        }
    }

    #[test]
    fn a_bed_above_the_start_is_met_and_said() {
        let mut scenario = demo::scenario().unwrap();
        with_crest(&mut scenario, 3000.0);
        let met = survey(&scenario, scenario.stations(), 1).unwrap_err();
        assert!(matches!(met, BenchError::Met { by_um, x_mm: 115.0, .. } if by_um > 0.0), "{met:?}");
        assert!(met.to_string().contains("lower than 2000 um"), "{met}");
    }

    #[test]
    fn a_bed_that_still_moves_does_not_close() {
        let moving = |scenario: &mut Scenario| {
            scenario.measuring.soak_s = 10;
            scenario.measuring.settle_um = Bounded(300.0);
        };
        let outcome = run(moving, 1);
        let closures: Vec<_> =
            outcome.happenings.iter().filter(|happening| matches!(happening, Happening::Closure { .. })).collect();
        // The first round does not close; on the second the plate has come to rest.
        assert!(matches!(closures[..], [Happening::Closure { accepted: false, .. }]), "{closures:?}");
        assert!(outcome.grid.closure_um.abs() <= 40);
    }

    #[test]
    fn a_limit_switch_in_the_way_is_met_by_raising_the_bed() {
        let outcome = run(|scenario| scenario.machine.limit_switch_trips_at_mm = Bounded(-0.02), 1);
        let raised = outcome.happenings.iter().filter(|happening| matches!(happening, Happening::BedRaised { .. }));
        assert_eq!(raised.count(), 1);
        assert_eq!(outcome.grid.setup, 1, "a new setup");
        // The bed that was measured is the raised one.
        let scenario = demo::scenario().unwrap();
        let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
        let lattice = outcome.grid.grid.lattice();
        let off_um = f64::from(outcome.grid.grid.nodes_um()[0])
            - bed.height_um(f64::from(lattice.x0_um) / 1000.0, f64::from(lattice.y0_um) / 1000.0);
        assert!((off_um - 500.0).abs() <= 5.0, "{off_um}");
    }

    #[test]
    fn a_blunder_is_looked_at_again() {
        let blundering = |scenario: &mut Scenario| {
            scenario.measuring.blunder_share = Share(0.08);
            scenario.measuring.feeler_um = 200;
        };
        let looked_again = (0..20)
            .flat_map(|seed| run(blundering, seed).happenings)
            .filter(|happening| matches!(happening, Happening::Reading { prompt: Prompt::LookAgain { .. }, .. }));
        assert!(looked_again.count() >= 3);
    }

    #[test]
    fn the_same_seed_measures_the_same() {
        let careful = |scenario: &mut Scenario| scenario.measuring.feel_um = NotNegative(20.0);
        assert_eq!(run(careful, 9).grid, run(careful, 9).grid);
        assert_ne!(run(careful, 9).grid, run(careful, 10).grid);
    }
}
