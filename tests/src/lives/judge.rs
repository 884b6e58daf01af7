//! Judging what is in force and in the bank after every call, and whether every state can be left.

use gapkeeper::{Choice, HeightGrid, Move, Order, Point, Prompt, StoredGrid, Surface, SurveyEvent};

use super::apply::{Verdict, hold};
use super::chip::Trouble;
use super::operator::Op;
use super::subject::{GRIDS, NODES, STATIONS};
use super::{Life, Subject};

impl<S: Subject> Life<S> {
    /// A refused call left everything as it was.
    pub(super) fn unchanged(&self, before: &S, what: &str) -> Verdict {
        hold(self.subject.keeper() == before.keeper(), &format!("{what} changed something"))
    }

    /// What holds after every call.
    pub(super) fn judge(&mut self, before: &S, op: Op) -> Verdict {
        let keeper = self.subject.keeper();
        let status = keeper.status();
        hold(status.homed == self.world.is_homed, "homed or not")?;
        hold(keeper.setup().is_some() == self.world.is_loaded, "a setup that the memory did not name, or none")?;
        if !self.world.is_loaded {
            let is_empty = (0..GRIDS).all(|place| keeper.bank().grid(place).is_none());
            hold(is_empty && keeper.correction_in_force().is_none(), "grids without a load that succeeded")?;
        }
        hold(
            keeper.survey_under_way().is_some() == self.world.round.is_some(),
            "a survey outlived its end, or did not live so long",
        )?;
        hold(self.subject.order_due() == self.world.due, "the order that is due is another one, or none")?;
        for grid in (0..GRIDS).filter_map(|place| keeper.bank().grid(place)) {
            hold(self.world.is_known(&grid.grid), "a grid in the bank that was never measured")?;
            let is_current = Some(grid.setup) == keeper.setup();
            hold(!is_current || self.world.is_fresh(&grid.grid), "a stale grid counts as one of the current setup")?;
        }
        hold(!self.world.chip.was_misused(), "the chip was misused")?;
        if self.world.is_tripped {
            let goes_on = matches!(
                status.prompt,
                Some(
                    Prompt::Ready { .. }
                        | Prompt::Trammed { .. }
                        | Prompt::Moving { .. }
                        | Prompt::SetGap { .. }
                        | Prompt::LookAgain { .. }
                )
            );
            hold(!goes_on, "the round goes on while the switch is tripped")?;
        }
        if let (Some(Prompt::RaiseBed { is_told: true, .. }), Some(round)) = (status.prompt, &self.world.round) {
            hold(round.is_told, "screws count as turned that nobody told of since the switch tripped")?;
        }
        if let (Some(round), Some(prompt)) = (&self.world.round, status.prompt) {
            let is_right = match prompt {
                Prompt::Ready { is_corner, .. }
                | Prompt::Moving { is_corner, .. }
                | Prompt::SetGap { is_corner, .. } => is_corner == round.in_corner_round,
                Prompt::TurnScrews { .. } => round.in_corner_round,
                Prompt::Trammed { .. } => round.corners > 0 && !round.in_corner_round,
                _ => true,
            };
            hold(is_right, "a survey of a bed that is not trammed, or a corner round of one that is")?;
        }
        let may_change_force = matches!(
            op,
            Op::Home
                | Op::PutInForce
                | Op::Release
                | Op::LosePosition
                | Op::TellOfScrew { .. }
                | Op::Adopt
                | Op::Shift { .. }
                | Op::SetFade { .. }
                | Op::Load(_)
                | Op::BeginMemory(_)
                | Op::CutPower(_)
                | Op::Save(Some(Trouble::Cut(..)))
                | Op::SaveBySteps { .. }
        );
        if keeper.correction_in_force() != before.keeper().correction_in_force() {
            let is_done = before.keeper().survey_under_way().is_some() && keeper.survey_under_way().is_none();
            hold(may_change_force || is_done, "a call changed what is in force")?;
            self.check_force()?;
        }
        self.check_force_is_fresh()?;
        let far = Point { x_um: 90_000, y_um: 80_000, z_um: 5000 };
        let moves = self.subject.line(&Move { start: far, end: far, extra_start: [0], extra_end: [0] });
        hold(
            moves.is_ok() == self.may_move(&self.subject),
            "moves are taken where none may be, or refused where they may",
        )?;
        if self.world.round.is_none() {
            self.force = self.subject.keeper().correction_in_force().cloned();
        }
        if self.random.below(8) == 0 { self.can_be_left() } else { Ok(()) }
    }

    /// The last thing: the machine takes moves again.
    pub(super) fn ends_well(&self) -> Verdict {
        self.can_be_left()
    }

    /// Abort, one lift, and the machine takes moves, corrected as before.
    fn can_be_left(&self) -> Verdict {
        let mut subject = self.subject.clone();
        if self.world.round.is_some() {
            match subject.survey(SurveyEvent::Abort) {
                Ok(Order::Aborted) => {}
                Ok(Order::Lift { .. }) => {
                    hold(subject.survey(SurveyEvent::Arrived) == Ok(Order::Aborted), "an abort that does not end")?;
                }
                _ => return Err("an abort without effect".to_string()),
            }
            hold(subject.keeper().survey_under_way().is_none(), "aborted and still under way")?;
            hold(
                subject.keeper().correction_in_force() == self.force.as_ref(),
                "aborted, and the grid before is not in force",
            )?;
        }
        if !self.world.is_homed {
            subject.homed();
        }
        let up = Point { x_um: 0, y_um: 0, z_um: 9000 };
        let motion = Move { start: up, end: up, extra_start: [0], extra_end: [0] };
        hold(subject.line(&motion).is_ok(), "a state that cannot be left")
    }

    fn sources(&self) -> Vec<&StoredGrid<STATIONS>> {
        let keeper = self.subject.keeper();
        let places = match keeper.choice() {
            Choice::Nearest { place, .. } => vec![place],
            Choice::Blend { cooler, warmer, .. } => vec![cooler, warmer],
            _ => Vec::new(),
        };
        places.into_iter().filter_map(|place| keeper.bank().grid(place)).collect()
    }

    /// No grid of another setup, and none that the memory did not vouch for.
    fn check_force_is_fresh(&self) -> Verdict {
        let keeper = self.subject.keeper();
        if keeper.correction_in_force().is_none() || self.world.round.is_some() {
            return Ok(());
        }
        hold(self.world.is_homed && self.world.is_loaded, "a grid is in force that nobody may know of")?;
        let sources = self.sources();
        hold(!sources.is_empty(), "a grid is in force, and no choice says which")?;
        let is_fresh =
            |grid: &&StoredGrid<STATIONS>| Some(grid.setup) == keeper.setup() && self.world.is_fresh(&grid.grid);
        hold(sources.iter().all(is_fresh), "a stale grid is in force")
    }

    /// What is in force is what the bank holds.
    fn check_force(&self) -> Verdict {
        let keeper = self.subject.keeper();
        let Some(correction) = keeper.correction_in_force() else { return Ok(()) };
        let expected = match (keeper.choice(), &self.sources()[..]) {
            (Choice::Nearest { .. }, [grid]) => {
                hold(correction.fade() == grid.fade, "another fade is in force")?;
                hold(correction.shift_um() == i32::from(grid.shift_um), "another shift is in force")?;
                nodes(&grid.grid, grid.surface)
            }
            (Choice::Blend { share_q16, .. }, [cooler, warmer]) => {
                let mut pairs = cooler.grid.nodes_um().iter().zip(warmer.grid.nodes_um());
                let blended = HeightGrid::<STATIONS>::from_fn(cooler.grid.lattice(), |_, _| {
                    pairs.next().map_or(0, |(&cold, &hot)| {
                        let part = i64::from(hot - cold) * i64::from(share_q16);
                        i32::from(cold) + ((part + 32_768) >> 16) as i32
                    })
                });
                let nearer = if share_q16 < 32_768 { cooler } else { warmer };
                blended.ok().and_then(|grid| nodes(&grid, nearer.surface))
            }
            _ => None,
        };
        hold(expected.as_ref() == Some(correction.grid()), "what is in force is not what the bank holds")
    }

    /// The right grid for the bed's temperature, or none.
    pub(super) fn check_choice(&self) -> Verdict {
        let keeper = self.subject.keeper();
        let windows = self.settings.windows;
        let off_c = |grid: &StoredGrid<STATIONS>| grid.bed_temperature_c.abs_diff(self.world.bed_c);
        let fresh = || {
            (0..GRIDS).filter_map(|place| keeper.bank().grid(place)).filter(|grid| Some(grid.setup) == keeper.setup())
        };
        let nearest_c = fresh().map(off_c).min();
        match (keeper.correction_in_force(), keeper.choice()) {
            (Some(_), Choice::Nearest { place, .. }) => {
                let chosen_c = keeper.bank().grid(place).map(off_c);
                let is_near = chosen_c.is_some_and(|off_c| off_c <= windows.nearest_c.into());
                hold(chosen_c == nearest_c && is_near, "a grid too far from the bed's temperature")
            }
            (Some(_), Choice::Blend { cooler, warmer, .. }) => {
                let bed_c = |place| keeper.bank().grid(place).map(|grid| grid.bed_temperature_c);
                let (cooler_c, warmer_c) = (bed_c(cooler), bed_c(warmer));
                let lies_between = cooler_c < Some(self.world.bed_c) && warmer_c > Some(self.world.bed_c);
                hold(lies_between && nearest_c > Some(windows.nearest_c.into()), "a blend that does not lie between")
            }
            (Some(_), _) => Err("a grid is in force that was not chosen".to_string()),
            (None, Choice::Unusable { .. }) => Ok(()),
            (None, _) => {
                hold(nearest_c.is_none_or(|off_c| off_c > windows.nearest_c.into()), "the right grid was not chosen")
            }
        }
    }
}

/// What becomes of a grid in force.
pub(super) fn nodes(grid: &HeightGrid<STATIONS>, surface: Surface) -> Option<HeightGrid<NODES>> {
    match surface {
        Surface::Refined => grid.densest().ok(),
        Surface::Bilinear => HeightGrid::new(grid.lattice(), grid.nodes_um()).ok(),
    }
}
