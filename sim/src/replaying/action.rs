//! What a person can do about a first layer, each way tried out on the job's first layer over the modelled bed.
//!
//! Whatever has to be measured first is measured by the scenario's own hand, five times over, and the share is their mean.

use gapkeeper::{BedHeight, HeightGrid, Surface, TemperatureWindows, WeightedLayout};

use crate::bed::ModelledBed;
use crate::bench::Bench;
use crate::controller::CAPACITY;
use crate::core_settings::{controller, in_force, raised, refine, survey_plan};
use crate::footprint::Footprint;
use crate::outcome::{Action, Class, GapFigures, Outcome, Run};
use crate::scenario::{Bounded, Celsius, Count, Scenario};
use crate::settings::Settings;
use crate::survey::survey;
use crate::verdict::GOOD_ENOUGH;

/// Surveys averaged for a share.
const SURVEYS: u64 = 5;
/// Most actions in a verdict.
const MOST: usize = 3;
/// Ignore gains smaller than this.
const LEAST_GAIN: f64 = 0.001;
/// What leaves all but this much of the first layer bad is nothing to do about it.
const LEAST_GOOD: f64 = 0.25;
/// More stations take more time: this much of a gain is worth it.
const WORTH_STATIONS: f64 = 0.01;
/// One step of the shift, as far as it is looked for either way.
const SHIFT_STEP_UM: i32 = 10;
const FARTHEST_SHIFT_STEPS: i32 = 50;
/// So far from the job's temperature a bed may be before what is printed does not stick for other reasons (common
/// practice, no source).
const NEAR_C: f64 = 15.0;
/// Most stations along an axis that are advised.
const MOST_STATIONS: u8 = 9;
/// Places that the search for a shift looks at; what it finds is judged at all of them.
const SEARCHED_PLACES: usize = 20_000;

/// What came of trying something out.
#[derive(Clone, Copy)]
struct Tried {
    good: f64,
    /// The least gap left on the first layer.
    least_gap_um: f64,
    /// Nothing touches and nothing is refused.
    is_safe: bool,
    /// The limit switch stood in the way of a survey, and every screw was raised.
    raises: bool,
}

impl Tried {
    fn of(figures: &GapFigures) -> Self {
        let length_mm = &figures.length_mm;
        let is_safe = length_mm.get(Class::Contact) + length_mm.get(Class::Refused) <= 0.0;
        let least_gap_um = figures.errors.map_or(f64::INFINITY, |errors| errors.nearest.gap_um());
        Self { good: figures.good(), least_gap_um, is_safe, raises: false }
    }
}

struct Trial<'a> {
    settings: &'a Settings<'a>,
    footprint: &'a Footprint,
    grid: &'a HeightGrid<CAPACITY>,
    bed_um: Vec<f64>,
    now: Tried,
    found: Vec<(f64, String)>,
}

/// What to do, at most three ways, the one with the largest share first.
pub(crate) fn actions(
    outcome: &Outcome,
    settings: &Settings<'_>,
    grid: &HeightGrid<CAPACITY>,
    bed: &ModelledBed,
    footprint: &Footprint,
) -> Vec<Action> {
    let Some(used) = outcome.runs.get(settings.run_in_use as usize) else { return Vec::new() };
    if used.first_layer.length_mm.on_bed() <= 0.0 {
        return Vec::new();
    }
    let mut now = Tried::of(&used.first_layer);
    now.is_safe &= outcome.faults.is_empty();
    let bed_um = footprint.heights_of(bed, &settings.scenario.bed);
    let mut trial = Trial { settings, footprint, grid, bed_um, now, found: Vec::new() };
    trial.other_surface(outcome);
    let is_well = now.is_safe && now.good >= 1.0;
    if !is_well {
        trial.shift();
        trial.temperature();
        trial.screws();
    }
    if !(is_well && settings.by_hand) {
        trial.stations();
    }
    let mut found = trial.found;
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut actions: Vec<Action> = Vec::new();
    let action = |(share, text)| Action { text, share_percent: Some(100.0 * share) };
    if settings.by_hand && now.is_safe && now.good >= GOOD_ENOUGH {
        found.insert(0, (now.good, format!("Print with the {} surface.", words(surface_of(settings.run_in_use)))));
    }
    actions.extend(found.into_iter().take(MOST).map(action));
    let off_bed = used.first_layer.length_mm.share(Class::OffBed);
    if actions.is_empty() && !is_well && off_bed <= 1.0 - GOOD_ENOUGH {
        let text = "Nothing tried out, neither shift nor screws nor stations, makes a quarter of it good: look at the plate and the job.";
        actions.push(Action { text: text.to_owned(), share_percent: None });
    }
    actions
}

/// What a person meets on the way.
const fn raises(tried: Tried) -> &'static str {
    if tried.raises { " Raise every screw when the survey asks for it." } else { "" }
}

const fn words(surface: Surface) -> &'static str {
    match surface {
        Surface::Bilinear => "bilinear",
        Surface::Refined => "refined",
    }
}

const fn surface_of(run: Run) -> Surface {
    match run {
        Run::Refined => Surface::Refined,
        _ => Surface::Bilinear,
    }
}

impl Trial<'_> {
    /// Takes in what was tried, if it is worth it.
    fn take(&mut self, tried: Option<Tried>, text: impl FnOnce() -> String) {
        let Some(tried) = tried.filter(|tried| tried.is_safe) else { return };
        let gains = !self.now.is_safe || tried.good > self.now.good + LEAST_GAIN;
        if gains && tried.good >= LEAST_GOOD {
            self.found.push((tried.good, text() + raises(tried)));
        }
    }

    fn judge(
        &self,
        scenario: &Scenario,
        grid: &HeightGrid<CAPACITY>,
        surface: Surface,
        (bed_um, raised_um): (&[f64], f64),
    ) -> Option<Tried> {
        let grid = match surface {
            Surface::Bilinear => grid.clone(),
            Surface::Refined => refine(scenario, grid).ok()?,
        };
        let mut controller = controller(scenario, Some(in_force(scenario, grid).ok()?));
        let tolerance_um = self.settings.tolerance_um;
        let mut tried = Tried::of(&self.footprint.judge(&mut controller, bed_um, raised_um, tolerance_um));
        tried.is_safe &= self.footprint.is_clear(&mut controller, bed_um, raised_um);
        Some(tried)
    }

    /// The mean over some surveys of a scenario by its own hand, with the surface that the machine takes; the bed may be
    /// another one than now.
    fn surveyed(&self, scenario: &Scenario, bed_um: &[f64]) -> Option<Tried> {
        let mut sum = Tried { good: 0.0, least_gap_um: f64::INFINITY, is_safe: true, raises: false };
        for seed in 1..=SURVEYS {
            let found = survey(scenario, scenario.stations(), seed).ok()?;
            let raised_um = found.raised_um();
            let tried = self.judge(scenario, &found.grid.grid, found.grid.surface, (bed_um, raised_um))?;
            sum.good += tried.good / SURVEYS as f64;
            sum.least_gap_um = sum.least_gap_um.min(tried.least_gap_um);
            sum.is_safe &= tried.is_safe;
            sum.raises |= raised_um > 0.0;
        }
        Some(sum)
    }

    fn other_surface(&mut self, outcome: &Outcome) {
        let in_use = self.settings.run_in_use;
        for run in [Run::Corrected, Run::Refined].into_iter().filter(|run| *run != in_use) {
            let tried = outcome.runs.get(run as usize).map(|run| Tried {
                is_safe: run.refused_moves == 0 && run.travel_contacts == 0 && Tried::of(&run.first_layer).is_safe,
                ..Tried::of(&run.first_layer)
            });
            self.take(tried, || format!("Take the {} surface.", words(surface_of(run))));
        }
    }

    /// The shift at which most is good and nothing touches.
    fn shift(&mut self) {
        let scenario = self.settings.scenario;
        let surface = surface_of(self.settings.run_in_use);
        let errors = || {
            let grid = match surface {
                Surface::Bilinear => self.grid.clone(),
                Surface::Refined => refine(scenario, self.grid).ok()?,
            };
            let mut controller = controller(scenario, Some(in_force(scenario, grid).ok()?));
            Some(self.footprint.errors(&mut controller, &self.bed_um, SEARCHED_PLACES))
        };
        let Some(errors) = errors() else { return };
        let measure = self.footprint.measure(self.settings.tolerance_um);
        // What is good, and of equals the smallest sum of squares.
        let worth = |steps: i32| {
            let by_um = f64::from(steps * SHIFT_STEP_UM);
            let (mut good_mm, mut squares) = (0.0, 0.0);
            for &(error_um, asked_um, length_mm) in &errors {
                squares += length_mm * (error_um + by_um).powi(2);
                match measure.class(error_um + by_um, asked_um) {
                    Class::Good => good_mm += length_mm,
                    // Never bought with what touches.
                    Class::Contact => good_mm -= 1000.0 * length_mm,
                    _ => {}
                }
            }
            (good_mm, squares)
        };
        let mut shifts: Vec<(i32, (f64, f64))> = (-FARTHEST_SHIFT_STEPS..=FARTHEST_SHIFT_STEPS)
            .filter(|steps| *steps != 0)
            .map(|steps| (steps, worth(steps)))
            .filter(|(_, (good_mm, _))| *good_mm > 0.0)
            .collect();
        shifts.sort_by(|(_, (good_mm, squares)), (_, (than_mm, than_squares))| {
            // Micrometres of length are rounding.
            let [good, than] = [good_mm, than_mm].map(|mm| (mm * 1000.0).round());
            than.total_cmp(&good).then(squares.total_cmp(than_squares))
        });
        // The first at which a way between lines does not touch either.
        let found = shifts.iter().find_map(|(steps, _)| {
            let by_um = steps * SHIFT_STEP_UM;
            let mut shifted = scenario.clone();
            shifted.correction.shift_um += by_um;
            let tried = self.judge(&shifted, self.grid, surface, (&self.bed_um, 0.0))?;
            tried.is_safe.then_some((tried, by_um))
        });
        let Some((tried, by_um)) = found else { return };
        let way = if by_um > 0 { "Raise" } else { "Lower" };
        self.take(Some(tried), || format!("{way} the shift by {} µm.", by_um.abs()));
    }

    /// The bed as warm as the grid was read, or the grid read as warm as the bed is.
    fn temperature(&mut self) {
        let scenario = self.settings.scenario;
        let printing_c = scenario.warmth_printing().bed_c;
        let Some(grid_c) = self
            .settings
            .grid_temperature_c
            .filter(|grid_c| (grid_c - printing_c).abs() > TemperatureWindows::default().nearest_c.into())
        else {
            return;
        };
        if (grid_c - printing_c).abs() <= NEAR_C {
            let mut other = scenario.clone();
            other.printing.bed_temperature_c = Some(Celsius(grid_c));
            if let Ok(bed) = ModelledBed::new(&other, other.warmth_printing()) {
                let bed_um = self.footprint.heights_of(&bed, &other.bed);
                let tried = self.judge(&other, self.grid, surface_of(self.settings.run_in_use), (&bed_um, 0.0));
                self.take(tried, || {
                    format!("Print with the bed at {grid_c:.0} °C, where the grid was read, if the material allows it.")
                });
            }
        }
        let mut other = scenario.clone();
        other.printing.bed_temperature_c = Some(Celsius(printing_c));
        // Within what a scenario may state.
        other.measuring.bed_temperature_c = printing_c.round() as i16;
        let tried = self.surveyed(&other, &self.bed_um);
        self.take(tried, || format!("Measure with the bed at {printing_c:.0} °C, where the job runs."));
    }

    /// The screws turned until the plane through the readings is level, and the bed measured anew; where moves are
    /// refused, all of them raised.
    fn screws(&mut self) {
        let scenario = self.settings.scenario;
        let lattice = self.grid.lattice();
        let heights: Vec<BedHeight> = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .zip(self.grid.nodes_um())
            .map(|((x_um, y_um), &height_um)| BedHeight { x_um, y_um, height_um: height_um.into() })
            .collect();
        let Ok(advice) = Bench::new(scenario).map_err(drop).and_then(|bench| bench.tram_advice(&heights).map_err(drop))
        else {
            return;
        };
        let mut trammed = scenario.clone();
        for (screw, turn) in trammed.bed.screws.iter_mut().zip(advice.screws()) {
            screw.height_um = Bounded(screw.height_um.0 + f64::from(turn.raise_um));
        }
        let turns: Vec<String> =
            advice.screws().iter().filter(|turn| turn.raise_decidegrees.abs() >= 5).map(ToString::to_string).collect();
        if !turns.is_empty() {
            self.measured_anew(&trammed, || format!("Turn the screws ({}), measure again", turns.join(", ")));
        }
        if self.now.is_safe {
            return;
        }
        for by_um in [200.0, 500.0, 1000.0] {
            let before = self.found.len();
            self.measured_anew(&raised(scenario, by_um), || {
                format!("Raise every screw by {by_um:.0} µm, measure again")
            });
            if self.found.len() > before {
                break;
            }
        }
    }

    /// Another bed under the same job, measured anew with as many stations.
    fn measured_anew(&mut self, other: &Scenario, what: impl FnOnce() -> String) {
        let Ok(bed) = ModelledBed::new(other, other.warmth_printing()) else { return };
        let bed_um = self.footprint.heights_of(&bed, &other.bed);
        // Screws that are raised again on the way are not raised enough.
        let tried = self.surveyed(other, &bed_um).filter(|tried| !tried.raises);
        self.take(tried, || what() + ".");
    }

    /// Stations along the axes: the scenario's, if its survey leaves such a grid, else the grid's nodes.
    fn stations_now(&self) -> [u8; 2] {
        let Scenario { survey, .. } = self.settings.scenario;
        let lattice = self.grid.lattice();
        let plan = survey_plan::<CAPACITY>(self.settings.scenario, self.settings.scenario.stations());
        if plan.is_ok_and(|plan| plan.lattice() == lattice) {
            survey.stations.map(|Count(count)| count)
        } else {
            [lattice.columns, lattice.rows]
        }
    }

    /// More stations; where nothing was measured yet, as many as the scenario has are one of the ways.
    fn stations(&mut self) {
        let scenario = self.settings.scenario;
        let [columns, rows] = self.stations_now();
        let now = columns.max(rows);
        let mut best: Option<Measured> = None;
        let more: &[u8] = if self.settings.by_hand { &[1, 2, 4] } else { &[0, 1, 2, 4] };
        for count in more.iter().map(|more| now + more).filter(|count| *count <= MOST_STATIONS) {
            // Nothing more can be worth it.
            if best.is_some_and(|best| best.tried.good > 1.0 - WORTH_STATIONS) {
                break;
            }
            let mut other = scenario.clone();
            if count > now {
                other.survey.stations = [Count(count); 2];
            }
            let Some((tried, raise_um)) = self.surveyed_clear(&other) else { continue };
            if best.is_none_or(|best| tried.good > best.tried.good + WORTH_STATIONS) {
                best = Some(Measured { tried, count, raise_um });
            }
        }
        let Some(Measured { tried, count, raise_um }) = best else { return };
        let [columns, rows] = if count > now { [count; 2] } else { [columns, rows] };
        let with_middles = scenario.measuring.middles && WeightedLayout::of(columns, rows, true).is_some();
        let middles = if with_middles { " and the middles between them" } else { "" };
        let shift = if raise_um > 0 { format!(" raise the shift by {raise_um} µm,") } else { String::new() };
        let text = format!("Measure {columns} × {rows} stations{middles},{shift} print.");
        if self.settings.by_hand {
            self.take(Some(tried), || text);
        } else if tried.good >= LEAST_GOOD {
            self.found.push((tried.good, text + raises(tried)));
        }
    }

    /// As [`Self::surveyed`], with what the shift must be raised by so that nothing touches.
    fn surveyed_clear(&self, other: &Scenario) -> Option<(Tried, i32)> {
        let tried = self.surveyed(other, &self.bed_um)?;
        if tried.is_safe {
            return Some((tried, 0));
        }
        let steps = (1.0 - tried.least_gap_um / f64::from(SHIFT_STEP_UM)).floor();
        // Whole steps within what is looked for; none where only the switch or a way between lines is met.
        if !(1.0..=f64::from(FARTHEST_SHIFT_STEPS)).contains(&steps) {
            return None;
        }
        let raise_um = steps as i32 * SHIFT_STEP_UM;
        let mut raised = other.clone();
        raised.correction.shift_um += raise_um;
        let tried = self.surveyed(&raised, &self.bed_um).filter(|tried| tried.is_safe)?;
        Some((tried, raise_um))
    }
}

/// A way of measuring, and what comes of it.
#[derive(Clone, Copy)]
struct Measured {
    tried: Tried,
    count: u8,
    /// With the shift raised by this.
    raise_um: i32,
}
