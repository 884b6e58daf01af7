//! What people and circumstances do next.

use gapkeeper::{Order, Prompt};

use super::chip::Trouble;
use super::subject::GRIDS;
use super::{Life, Subject};

/// One thing that is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Op {
    CutPower(Option<Damage>),
    Load(Option<Trouble>),
    BeginMemory(Option<Trouble>),
    Save(Option<Trouble>),
    SaveBySteps { steps: usize, between: Between, carries_on: bool, trouble: Option<Trouble> },
    Home,
    LosePosition,
    PutInForce,
    Release,
    Temperature { bed_c: i16, nozzle_c: i16, after_s: u32, as_event: bool },
    Line,
    Arc,
    BeginSurvey,
    BeginTie,
    CarryOut,
    AskForOrder,
    SayArrived,
    Turn { detents: i16 },
    Press,
    Back,
    Enough,
    Abort,
    Switch { is_tripped: bool },
    TellOfScrew { as_event: bool },
    TurnScrew,
    Adopt,
    Shift { steps: i16 },
    SetFade { choice: usize },
}

/// What somebody does between two steps of a save.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Between {
    Nothing,
    TellOfScrew,
    Shift,
}

/// What befalls the memory while there is no power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Damage {
    /// One byte anywhere is another one.
    Byte(usize, u8),
    /// Both slots of the setup read as erased, or as noise.
    Setup { is_erased: bool },
}

impl<S: Subject> Life<S> {
    fn one_in(&mut self, count: usize) -> bool {
        self.random.below(count) == 0
    }

    /// What is due, most of the time.
    pub(super) fn choose(&mut self) -> Op {
        if self.random.below(256) < self.hostility { self.anything() } else { self.what_is_due() }
    }

    fn anything(&mut self) -> Op {
        let as_event = self.one_in(2);
        match self.random.below(29) {
            0 => self.cut_power(),
            1 => Op::Load(self.trouble()),
            2 if self.world.failed_loads > 1 => Op::BeginMemory(self.trouble()),
            2 => Op::Save(self.trouble()),
            3 => self.saving_by_steps(),
            4 => Op::Home,
            5 => Op::LosePosition,
            6 => Op::PutInForce,
            7 => Op::Release,
            8 => self.wild_temperature(),
            9 => Op::Line,
            10 => Op::BeginSurvey,
            11 | 12 => Op::CarryOut,
            13 => Op::AskForOrder,
            14 => Op::SayArrived,
            15 => Op::Turn { detents: self.random.below(60) as i16 - 45 },
            16 => Op::Press,
            17 => Op::Back,
            18 => Op::Abort,
            19 | 20 => Op::Switch { is_tripped: self.one_in(2) },
            21 => Op::TellOfScrew { as_event },
            22 => Op::TurnScrew,
            23 => Op::Adopt,
            24 => Op::Shift { steps: [1, -1, 100, -3000, i16::MAX, i16::MIN][self.random.below(6)] },
            25 => Op::SetFade { choice: self.random.below(3) },
            26 => Op::Enough,
            27 => Op::BeginTie,
            _ => Op::Arc,
        }
    }

    fn what_is_due(&mut self) -> Op {
        let status = self.subject.keeper().status();
        let world = &self.world;
        let (settings_bed_c, settings_nozzle_c) = world
            .round
            .as_ref()
            .map_or((60, 200), |round| (round.settings.bed_temperature_c, round.settings.nozzle_temperature_c));
        if !world.is_loaded {
            // A memory out of the box is begun sooner.
            let patience = u32::from(!world.known.is_empty());
            return if world.failed_loads > patience && self.one_in(2) {
                Op::BeginMemory(self.trouble())
            } else {
                Op::Load(self.trouble())
            };
        }
        if !world.is_homed && status.prompt.is_none() {
            return if self.world.bed_c == 20 && !self.one_in(3) { self.usual_temperature(60, 200) } else { Op::Home };
        }
        if world.may_turn && world.is_turn_stored && self.one_in(2) {
            return Op::TurnScrew;
        }
        if status.unsaved && self.one_in(if self.world.may_turn || self.world.is_turned_unstored { 2 } else { 6 }) {
            return if self.one_in(2) { self.saving_by_steps() } else { Op::Save(self.trouble()) };
        }
        let Some(prompt) = status.prompt else { return self.between_surveys() };
        if self.world.motion.is_some() {
            // Sometimes something happens on the way.
            return match self.random.below(64) {
                0 => Op::Switch { is_tripped: true },
                1 => self.usual_temperature(settings_bed_c, settings_nozzle_c),
                2 => Op::Press,
                _ => Op::CarryOut,
            };
        }
        if self.world.due != Order::Wait {
            return Op::AskForOrder;
        }
        match prompt {
            Prompt::Heat { .. } | Prompt::Soak { .. } => self.usual_temperature(settings_bed_c, settings_nozzle_c),
            Prompt::SetGap { z_um, is_coarse, is_turned, .. }
            | Prompt::LookAgain { z_um, is_coarse, is_turned, .. } => {
                match (is_turned, self.random.below(16)) {
                    (true, 0..10) => Op::Press,
                    (_, 10) => self.usual_temperature(settings_bed_c, settings_nozzle_c),
                    (_, 11) if self.one_in(3) => Op::Back,
                    (false, 12) if self.one_in(3) => Op::Press,
                    (_, 13) if self.one_in(2) => Op::Enough,
                    _ => {
                        // Somewhere near the bed, never twice the same.
                        let wanted_um = 100 + 10 * self.random.below(12) as i32;
                        let detents = (wanted_um - z_um) / if is_coarse { 50 } else { 10 };
                        Op::Turn { detents: if detents == 0 { 1 } else { detents as i16 } }
                    }
                }
            }
            Prompt::SwitchTripped { .. } if self.world.is_tripped && self.one_in(2) => Op::Switch { is_tripped: false },
            Prompt::RaiseBed { is_told: false, .. } if !self.one_in(4) => Op::TellOfScrew { as_event: self.one_in(2) },
            Prompt::RaiseBed { is_told: false, .. } | Prompt::Closure { .. } | Prompt::TieRefused { .. }
                if self.one_in(3) =>
            {
                Op::Back
            }
            Prompt::TurnScrews { is_told, .. } => match self.random.below(8) {
                0 => Op::Back,
                1..3 => Op::Enough,
                3..6 if !is_told => Op::TellOfScrew { as_event: self.one_in(2) },
                _ => Op::Press,
            },
            _ => Op::Press,
        }
    }

    fn between_surveys(&mut self) -> Op {
        if self.subject.keeper().correction_in_force().is_none() && self.world.bed_c != 20 && self.one_in(4) {
            return if self.one_in(2) { Op::BeginTie } else { Op::BeginSurvey };
        }
        if let (true, Some(bed_c)) = (self.one_in(8), self.between_two_grids()) {
            return Op::Temperature { bed_c, nozzle_c: 200, after_s: 1, as_event: false };
        }
        match self.random.below(32) {
            0..10 => Op::Line,
            10..13 => Op::BeginSurvey,
            13..15 => Op::BeginTie,
            15 => self.usual_temperature(60, 200),
            16..19 => Op::Home,
            19 => Op::TellOfScrew { as_event: self.one_in(2) },
            20 => Op::Adopt,
            21 => Op::Shift { steps: 1 },
            22 => Op::SetFade { choice: self.random.below(3) },
            23 => {
                let bed_c = [60, 70, 80][self.random.below(3)];
                self.usual_temperature(bed_c, 200)
            }
            24..26 => Op::PutInForce,
            26 => Op::Switch { is_tripped: self.one_in(8) },
            27 => Op::LosePosition,
            28 => Op::Arc,
            _ => self.cut_power(),
        }
    }

    fn saving_by_steps(&mut self) -> Op {
        let between = [Between::Nothing, Between::Nothing, Between::TellOfScrew, Between::Shift][self.random.below(4)];
        let (steps, carries_on) = (self.random.below(60), !self.one_in(6));
        Op::SaveBySteps { steps, between, carries_on, trouble: self.trouble() }
    }

    /// A temperature for which two grids would be blended, if they stand on the same stations.
    fn between_two_grids(&self) -> Option<i16> {
        let keeper = self.subject.keeper();
        let fresh = (0..GRIDS).filter_map(|place| keeper.bank().grid(place));
        let mut temperatures =
            fresh.filter(|grid| Some(grid.setup) == keeper.setup()).map(|grid| grid.bed_temperature_c);
        let (first_c, second_c) = (temperatures.next()?, temperatures.next()?);
        Some((first_c + second_c) / 2)
    }

    fn cut_power(&mut self) -> Op {
        if !self.one_in(16) {
            return Op::CutPower(None);
        }
        let bytes = self.world.chip.bytes().len();
        let damage = match self.random.below(4) {
            0 => Damage::Setup { is_erased: self.one_in(2) },
            _ => Damage::Byte(self.random.below(bytes), self.random.draw() as u8),
        };
        Op::CutPower(Some(damage))
    }

    /// Near what is wanted, one in eight times beyond the window.
    fn usual_temperature(&mut self, bed_c: i16, nozzle_c: i16) -> Op {
        let spread_c = if self.one_in(24) { 25 } else { 2 };
        let off_c = |life: &mut Self| life.random.below(2 * spread_c + 1) as i16 - spread_c as i16;
        Op::Temperature {
            bed_c: bed_c.saturating_add(off_c(self)),
            nozzle_c: nozzle_c.saturating_add(if spread_c > 2 && self.one_in(2) { 0 } else { off_c(self) }),
            after_s: self.random.below(8) as u32,
            as_event: self.one_in(4),
        }
    }

    fn wild_temperature(&mut self) -> Op {
        let bed_c = [-273, 20, 25, 60, 100, 110, i16::MIN, i16::MAX][self.random.below(8)];
        let nozzle_c = [200, 20, i16::MIN, i16::MAX][self.random.below(4).min(self.random.below(4))];
        Op::Temperature { bed_c, nozzle_c, after_s: self.random.below(3) as u32, as_event: self.one_in(2) }
    }

    /// One in a few calls of the memory has some.
    fn trouble(&mut self) -> Option<Trouble> {
        if !self.one_in(4) {
            return None;
        }
        let calls = if self.one_in(2) { 12 } else { 50 };
        let call = self.random.below(calls);
        let trouble = match self.random.below(10) {
            // Whoever stays beside the machine keeps its power on.
            0 | 1 if !self.world.is_turned_unstored => Trouble::Cut(self.random.below(100), self.random.draw()),
            0..3 => Trouble::Fails(call),
            3 => Trouble::Dead(call),
            4 => Trouble::Late(call),
            5 => Trouble::ReadsErased(call),
            6 => Trouble::ReadsFlipped(call),
            7 => Trouble::ReadsNoise(call),
            8 => Trouble::Unplugged(call),
            _ => Trouble::Loses(call),
        };
        if trouble.is_lie() {
            self.lies = self.lies.checked_sub(1)?;
        }
        Some(trouble)
    }
}
