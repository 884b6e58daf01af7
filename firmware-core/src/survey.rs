//! The survey: one ordered visit of all stations by hand, as a state machine without any I/O.
//!
//! Events go in ([`SurveyEvent`]), one order comes out ([`Order`]); whatever drives the machine carries it out and
//! says [`SurveyEvent::Arrived`]. Time, temperatures and the switch are events too, so a survey can be rehearsed on a
//! desktop to the last detent.

mod height;
mod outlier;
mod plan;
mod prompt;
mod settings;

use heapless::Vec;

use crate::grid::{HeightGrid, Lattice, MAX_HEIGHT_UM};
use crate::split::Point;
use crate::stored_grid::{StoredGrid, Surface};
pub use outlier::Deviation;
pub use plan::{PlanError, SurveyPlan};
pub use prompt::Prompt;
pub use settings::SurveySettings;

/// Most check stations of a survey.
pub const MAX_CHECK_STATIONS: usize = 4;

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SurveyEvent {
    /// The last order was carried out.
    Arrived,
    /// The knob was turned; positive raises the nozzle.
    Turned {
        /// Detents.
        detents: i16,
    },
    /// The button was pressed: this is the reading, or yes.
    Pressed,
    /// Back one station, or no.
    Back,
    /// End it.
    Abort,
    /// The limit switch tripped.
    LimitSwitchTripped,
    /// A screw of the bed was turned.
    ScrewTurned,
    /// How warm it is, and when.
    Temperature {
        /// The bed.
        bed_c: i16,
        /// The nozzle.
        nozzle_c: i16,
        /// Seconds on any clock that does not run backwards.
        at_s: u32,
    },
}

/// What is to be done next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Order {
    /// Nothing new: show [`Survey::prompt`] and wait for an event.
    Wait,
    /// Raise the nozzle straight to this height; never downwards.
    Lift {
        /// Machine height.
        z_um: i32,
    },
    /// Travel level to this place.
    Travel {
        /// Its X.
        x_um: i32,
        /// Its Y.
        y_um: i32,
    },
    /// Lower the nozzle to where it waits: above the bed where that is not measured, and above all that is.
    Approach {
        /// Machine height.
        z_um: i32,
    },
    /// Follow the knob.
    Step {
        /// Machine height.
        z_um: i32,
    },
    /// The round is void, since the limit switch was in the way: raise the bed at every screw by this much at least.
    RaiseBed {
        /// Upwards.
        by_um: u16,
    },
    /// All is measured and the nozzle is off the bed: fetch it with [`Survey::result`].
    Done,
    /// The survey was ended without a result.
    Aborted,
}

/// Where the nozzle is going, or is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Visit {
    Station(usize),
    Check(usize),
    Again(usize),
    Closure,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Heating,
    Soaking { since_s: u32, left_s: u16 },
    Lifting(Visit),
    Travelling(Visit),
    Approaching(Visit),
    Setting(Visit),
    RaiseBed,
    AskClosure,
    Leaving,
    Done,
    Aborted,
}

/// How well two surfaces predict the check stations.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CheckResiduals {
    /// Root mean square of reading less bilinear surface.
    pub bilinear_rms_um: u32,
    /// Root mean square of reading less refined surface.
    pub refined_rms_um: u32,
}

/// A survey under way, with memory for `CAPACITY` stations.
#[derive(Clone, Debug)]
pub struct Survey<const CAPACITY: usize> {
    plan: SurveyPlan<CAPACITY>,
    settings: SurveySettings,
    state: State,
    z_um: i32,
    bed_c: i16,
    is_warm: bool,
    /// The knob was turned back up at this visit: what it seeks is near, and a detent moves little from here on.
    seeks_finely: bool,
    /// Nozzle heights by lattice node.
    readings_um: Vec<Option<i16>, CAPACITY>,
    checks_um: Vec<i16, MAX_CHECK_STATIONS>,
    /// Stations that have been looked at a second time.
    looked_again: Vec<bool, CAPACITY>,
    off_um: i16,
    closure_um: i16,
}

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// A survey that begins with warming up; `z_um` is where the nozzle stands now.
    ///
    /// The readings must stay within [`MAX_HEIGHT_UM`], so `start_um` and `lowest_um` are held within it.
    pub fn new(plan: SurveyPlan<CAPACITY>, settings: SurveySettings, z_um: i32) -> Self {
        let highest_um = i32::from(MAX_HEIGHT_UM);
        let lowest_um = settings.lowest_um.max(-highest_um).min(highest_um);
        let start_um = settings.start_um.max(lowest_um).min(highest_um);
        let mut survey = Self {
            plan,
            settings: SurveySettings { lowest_um, start_um, ..settings },
            state: State::Heating,
            z_um,
            bed_c: settings.bed_temperature_c,
            is_warm: false,
            seeks_finely: false,
            readings_um: Vec::new(),
            checks_um: Vec::new(),
            looked_again: Vec::new(),
            off_um: 0,
            closure_um: 0,
        };
        survey.forget();
        survey
    }

    /// Takes in an event and says what is to be done.
    pub fn handle(&mut self, event: SurveyEvent) -> Order {
        match (event, self.state) {
            (_, State::Done) => Order::Done,
            (_, State::Aborted) => Order::Aborted,
            (SurveyEvent::Abort, _) => {
                self.state = State::Aborted;
                self.lift()
            }
            (SurveyEvent::Temperature { bed_c, nozzle_c, at_s }, _) => self.temperature(bed_c, nozzle_c, at_s),
            (SurveyEvent::ScrewTurned, State::Heating | State::Soaking { .. }) => Order::Wait,
            // The bed is another one now: whatever was read is void.
            (SurveyEvent::ScrewTurned, _) => {
                if self.state == State::RaiseBed {
                    self.bed_was_raised();
                }
                self.forget();
                self.go(Visit::Station(0))
            }
            (SurveyEvent::LimitSwitchTripped, State::Setting(_) | State::Approaching(_)) => {
                self.forget();
                self.state = State::RaiseBed;
                self.lift()
            }
            (SurveyEvent::Arrived, State::RaiseBed) => Order::RaiseBed { by_um: self.settings.headroom_um },
            (SurveyEvent::Arrived, State::Lifting(visit)) => {
                self.state = State::Travelling(visit);
                let Point { x_um, y_um, .. } = self.place(visit);
                Order::Travel { x_um, y_um }
            }
            (SurveyEvent::Arrived, State::Travelling(visit)) => {
                self.state = State::Approaching(visit);
                // Until it has arrived the nozzle may be anywhere on its way, and a lift has to go up from there.
                Order::Approach { z_um: self.waiting_um() }
            }
            (SurveyEvent::Arrived, State::Approaching(visit)) => {
                self.state = State::Setting(visit);
                self.z_um = self.waiting_um();
                self.seeks_finely = false;
                Order::Wait
            }
            (SurveyEvent::Turned { detents }, State::Setting(_)) => {
                self.turn(detents);
                Order::Step { z_um: self.z_um }
            }
            (SurveyEvent::Pressed, State::Setting(visit)) if self.is_warm => self.read(visit),
            (SurveyEvent::Back, State::Setting(visit) | State::Approaching(visit)) => self.back(visit),
            (SurveyEvent::Pressed, State::AskClosure) | (SurveyEvent::Arrived, State::Leaving) => {
                self.state = State::Done;
                Order::Done
            }
            (SurveyEvent::Back, State::AskClosure) => {
                self.forget();
                self.go(Visit::Station(0))
            }
            _ => Order::Wait,
        }
    }

    /// What a person should see now.
    pub fn prompt(&self) -> Prompt {
        let visits = self.plan.len() as u16 + self.plan.checks(&self.settings) as u16 + 1;
        let number = |visit| match visit {
            Visit::Station(index) | Visit::Again(index) => index as u16 + 1,
            Visit::Check(index) => (self.plan.len() + index) as u16 + 1,
            Visit::Closure => visits,
        };
        match self.state {
            // A reading on a cold bed would not hold: a press is not taken until both are right again.
            State::Heating | State::Setting(_) if !self.is_warm => {
                Prompt::Heat { bed_c: self.settings.bed_temperature_c, nozzle_c: self.settings.nozzle_temperature_c }
            }
            State::Heating => Prompt::Soak { seconds: self.settings.soak_s },
            State::Soaking { left_s, .. } => Prompt::Soak { seconds: left_s },
            State::Lifting(visit) | State::Travelling(visit) | State::Approaching(visit) => {
                Prompt::Moving { visit: number(visit), visits }
            }
            State::Setting(Visit::Again(_)) => {
                Prompt::LookAgain { off_um: self.off_um, z_um: self.z_um, is_coarse: self.is_coarse() }
            }
            State::Setting(visit) => {
                Prompt::SetGap { visit: number(visit), visits, z_um: self.z_um, is_coarse: self.is_coarse() }
            }
            State::Leaving => Prompt::Moving { visit: visits, visits },
            State::RaiseBed => Prompt::RaiseBed { by_um: self.settings.headroom_um },
            State::AskClosure => Prompt::Closure { um: self.closure_um },
            State::Done => Prompt::Done { closure_um: self.closure_um },
            State::Aborted => Prompt::Aborted,
        }
    }

    /// The station being set or gone to, as column and row; none outside a visit or at a check station.
    pub fn station(&self) -> Option<(u8, u8)> {
        match self.state {
            State::Lifting(visit) | State::Travelling(visit) | State::Approaching(visit) | State::Setting(visit) => {
                match visit {
                    Visit::Station(index) | Visit::Again(index) => self.plan.station(index),
                    Visit::Closure => self.plan.station(0),
                    Visit::Check(_) => None,
                }
            }
            _ => None,
        }
    }

    /// Height of the bed at a station, as far as it has been read.
    pub fn height_um(&self, column: u8, row: u8) -> Option<i16> {
        let reading_um = self.readings_um.get(self.plan.node(column, row)?).copied()??;
        Some(self.bed_um(reading_um))
    }

    /// What was measured; none before [`Order::Done`].
    ///
    /// The surface is the one that predicts the check stations better, refined where there are none.
    pub fn result(&self, setup: u32) -> Option<StoredGrid<CAPACITY>> {
        if self.state != State::Done {
            return None;
        }
        let prefers_bilinear = self.check_residuals().is_some_and(|found| found.bilinear_rms_um < found.refined_rms_um);
        Some(StoredGrid {
            grid: self.grid()?,
            shift_um: 0,
            fade: None,
            bed_temperature_c: self.bed_c,
            setup,
            closure_um: self.closure_um,
            closure_accepted: self.closure_um.unsigned_abs() > self.settings.closure_limit_um,
            surface: if prefers_bilinear { Surface::Bilinear } else { Surface::Refined },
        })
    }

    /// How well both surfaces predict the check stations; none without check stations or before they are read.
    pub fn check_residuals(&self) -> Option<CheckResiduals> {
        let count = self.plan.checks(&self.settings);
        if count == 0 || self.checks_um.len() < count {
            return None;
        }
        let grid = self.grid()?;
        let lattice = self.plan.lattice();
        // Twice as dense where it fits: then the middle of every cell is a node.
        let dense = |nodes: u8| if nodes <= 8 { 2 * nodes - 1 } else { nodes };
        let refined = grid.refined::<225>(dense(lattice.columns), dense(lattice.rows)).ok()?;
        let (mut bilinear, mut smooth) = (0_u64, 0_u64);
        for (index, &reading_um) in self.checks_um.iter().enumerate() {
            let Point { x_um, y_um, .. } = self.plan.check(index);
            let height_um = i32::from(self.bed_um(reading_um));
            bilinear += u64::from(grid.height_um(x_um, y_um).abs_diff(height_um)).pow(2);
            smooth += u64::from(refined.height_um(x_um, y_um).abs_diff(height_um)).pow(2);
        }
        // Heights have 14 bits, so roots of their mean squares fit 32.
        let root_of_mean = |sum: u64| sum.checked_div(count as u64).unwrap_or(0).isqrt() as u32;
        Some(CheckResiduals { bilinear_rms_um: root_of_mean(bilinear), refined_rms_um: root_of_mean(smooth) })
    }

    /// Height of the bed for a reading.
    fn bed_um(&self, reading_um: i16) -> i16 {
        // A feeler is thin; a reading is at least the lowest height.
        let height_um = i32::from(reading_um) - i32::from(self.settings.feeler_um);
        height_um.max(-i32::from(MAX_HEIGHT_UM)) as i16
    }

    fn grid(&self) -> Option<HeightGrid<CAPACITY>> {
        let mut heights_um = Vec::<i16, CAPACITY>::new();
        for reading_um in &self.readings_um {
            heights_um.push(self.bed_um((*reading_um)?)).ok()?;
        }
        HeightGrid::new(self.plan.lattice(), &heights_um).ok()
    }

    fn forget(&mut self) {
        self.readings_um.clear();
        self.looked_again.clear();
        self.checks_um.clear();
        for _ in 0..self.plan.len() {
            // The plan has no more stations than fit.
            let _ = self.readings_um.push(None);
            let _ = self.looked_again.push(false);
        }
        self.closure_um = 0;
    }

    fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) -> Order {
        let window_c = u16::from(self.settings.temperature_window_c);
        self.bed_c = bed_c;
        self.is_warm = bed_c.abs_diff(self.settings.bed_temperature_c) <= window_c
            && nozzle_c.abs_diff(self.settings.nozzle_temperature_c) <= window_c;
        match self.state {
            State::Heating | State::Soaking { .. } if !self.is_warm => self.state = State::Heating,
            State::Heating => self.state = State::Soaking { since_s: at_s, left_s: self.settings.soak_s },
            State::Soaking { since_s, .. } => {
                let soaked_s = at_s.saturating_sub(since_s);
                let left_s = u32::from(self.settings.soak_s).saturating_sub(soaked_s) as u16;
                if left_s == 0 {
                    return self.go(Visit::Station(0));
                }
                self.state = State::Soaking { since_s, left_s };
            }
            _ => {}
        }
        Order::Wait
    }

    fn place(&self, visit: Visit) -> Point {
        match visit {
            Visit::Station(index) | Visit::Again(index) => self.plan.place(index),
            Visit::Check(index) => self.plan.check(index),
            Visit::Closure => self.plan.place(0),
        }
    }

    fn lift(&mut self) -> Order {
        self.z_um = self.z_um.max(self.travel_um());
        Order::Lift { z_um: self.z_um }
    }

    fn go(&mut self, visit: Visit) -> Order {
        self.state = State::Lifting(visit);
        self.lift()
    }

    fn read(&mut self, visit: Visit) -> Order {
        // Held within the heights of a grid by `Turned`, and the start by `new`.
        let reading_um = self.z_um.max(-i32::from(MAX_HEIGHT_UM)).min(MAX_HEIGHT_UM.into()) as i16;
        match visit {
            Visit::Station(index) => {
                self.set(index, reading_um);
                let next = if index + 1 < self.plan.len() { Visit::Station(index + 1) } else { self.after_stations() };
                self.go(next)
            }
            Visit::Again(index) => {
                self.set(index, reading_um);
                let next = self.after_stations();
                self.go(next)
            }
            Visit::Check(index) => {
                self.checks_um.truncate(index);
                let _ = self.checks_um.push(reading_um);
                let next =
                    if index + 1 < self.plan.checks(&self.settings) { Visit::Check(index + 1) } else { Visit::Closure };
                self.go(next)
            }
            Visit::Closure => {
                let first_um = self.reading_um(0).unwrap_or(reading_um);
                self.closure_um = reading_um.saturating_sub(first_um);
                if self.closure_um.unsigned_abs() > self.settings.closure_limit_um {
                    self.state = State::AskClosure;
                } else {
                    // Nobody leaves a hot nozzle standing on the paper.
                    self.state = State::Leaving;
                }
                self.lift()
            }
        }
    }

    fn back(&mut self, visit: Visit) -> Order {
        let last = self.plan.len() - 1;
        let to = match visit {
            Visit::Station(0) => return Order::Wait,
            Visit::Station(index) => Visit::Station(index - 1),
            Visit::Again(_) | Visit::Check(0) => Visit::Station(last),
            Visit::Check(index) => Visit::Check(index - 1),
            Visit::Closure => match self.plan.checks(&self.settings) {
                0 => Visit::Station(last),
                count => Visit::Check(count - 1),
            },
        };
        match to {
            Visit::Station(index) => {
                if let Some(reading_um) = self.plan.node_of(index).and_then(|node| self.readings_um.get_mut(node)) {
                    *reading_um = None;
                }
            }
            Visit::Check(index) => self.checks_um.truncate(index),
            Visit::Again(_) | Visit::Closure => {}
        }
        self.go(to)
    }

    fn reading_um(&self, index: usize) -> Option<i16> {
        self.readings_um.get(self.plan.node_of(index)?).copied()?
    }

    fn set(&mut self, index: usize, reading_um: i16) {
        if let Some(slot) = self.plan.node_of(index).and_then(|node| self.readings_um.get_mut(node)) {
            *slot = Some(reading_um);
        }
    }

    /// Once all stations are read: one that is to be looked at again, a check station, or the first one once more.
    fn after_stations(&mut self) -> Visit {
        let doubtful = (0..self.plan.len())
            .filter(|&index| self.looked_again.get(index) == Some(&false))
            .filter_map(|index| Some((index, self.deviation(index)?)))
            .max_by_key(|(_, deviation)| deviation.rank());
        if let Some((index, off_um)) = doubtful.map(|(index, deviation)| (index, deviation.off_um()))
            && off_um.unsigned_abs() > self.settings.outlier_limit_um.into()
        {
            if let Some(looked_again) = self.looked_again.get_mut(index) {
                *looked_again = true;
            }
            self.off_um = off_um.max(i16::MIN.into()).min(i16::MAX.into()) as i16;
            return Visit::Again(index);
        }
        if self.plan.checks(&self.settings) > 0 { Visit::Check(0) } else { Visit::Closure }
    }

    /// How the reading of a station stands against all others.
    fn deviation(&self, index: usize) -> Option<Deviation> {
        let Lattice { columns, rows, .. } = self.plan.lattice();
        let reading_um = |node: usize| self.readings_um.get(node).copied().flatten().map(i32::from);
        outlier::deviation(columns, rows, self.plan.node_of(index)?, reading_um)
    }
}
