//! The virtual operator: somebody with a knob and a sheet of paper.

use std::f64::consts::TAU;

use gapkeeper::{Prompt, SurveyEvent};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use crate::scenario::Measuring;

/// Somebody who sets gaps by feel; the same seed feels the same everywhere.
#[derive(Clone, Debug)]
pub(crate) struct Operator {
    generator: ChaCha8Rng,
    feel_um: f64,
    bias_um: f64,
    blunder_share: f64,
    detent_um: f64,
    feeler_um: f64,
    /// What the paper says at the station under way: the gap that this person takes for the right one.
    believed_gap_um: Option<f64>,
    repeats_left: u8,
}

impl Operator {
    /// An operator for a scenario.
    pub fn new(measuring: &Measuring, seed: u64) -> Self {
        Self {
            generator: ChaCha8Rng::seed_from_u64(seed),
            feel_um: measuring.feel_um.0,
            bias_um: measuring.bias_um.0,
            blunder_share: measuring.blunder_share.0,
            detent_um: measuring.detent_um.into(),
            feeler_um: measuring.feeler_um.into(),
            believed_gap_um: None,
            repeats_left: 1,
        }
    }

    /// What this person does on a prompt, with the true gap below the nozzle; none while waiting for the machine.
    pub fn act(&mut self, prompt: Prompt, gap_um: f64) -> Option<SurveyEvent> {
        match prompt {
            Prompt::SetGap { is_coarse, is_turned, .. } | Prompt::LookAgain { is_coarse, is_turned, .. } => {
                let believed_gap_um = self.believed_gap_um.unwrap_or_else(|| self.feel());
                self.believed_gap_um = Some(believed_gap_um);
                // Paper that is held fast by the nozzle on the plate needs no feel: contact ends a reading.
                let above_plate = (-gap_um / self.detent_um).ceil();
                let detents = ((believed_gap_um - gap_um) / self.detent_um).max(above_plate);
                // Half-way between two detents is as good as either, or a hand would turn to and fro for ever.
                if detents.abs() <= 0.5 {
                    if !is_turned {
                        // A press would not be taken: up and down again.
                        return Some(SurveyEvent::Turned { detents: 1 });
                    }
                    self.believed_gap_um = None;
                    return Some(SurveyEvent::Pressed);
                }
                // A hand turns a hundred detents at a time at the most, and feels after every coarse one.
                let most = if is_coarse && detents < 0.0 { 1.0 } else { 100.0 };
                Some(SurveyEvent::Turned { detents: detents.round().clamp(-most, most) as i16 })
            }
            // Once again with patience; if it still moves, take it.
            Prompt::Closure { .. } | Prompt::TieRefused { .. } if self.repeats_left > 0 => {
                self.repeats_left -= 1;
                Some(SurveyEvent::Back)
            }
            Prompt::RaiseBed { is_told: false, .. } | Prompt::TurnScrews { is_told: false, .. } => {
                Some(SurveyEvent::ScrewTurned)
            }
            Prompt::Closure { .. }
            | Prompt::TieRefused { .. }
            | Prompt::Ready { .. }
            | Prompt::Trammed { .. }
            | Prompt::TurnScrews { is_told: true, .. }
            | Prompt::SwitchTripped { press_lifts: true }
            | Prompt::RaiseBed { is_told: true, .. }
            | Prompt::BedTemperature { .. }
            | Prompt::HandsOff => Some(SurveyEvent::Pressed),
            _ => None,
        }
    }

    /// A gap that feels right to this person.
    pub(crate) fn feel(&mut self) -> f64 {
        let blunder_um = if self.uniform() < self.blunder_share {
            // The corner of the sheet folded over, or felt through to the glass.
            self.feeler_um * if self.uniform() < 0.5 { -1.0 } else { 1.0 + self.uniform().round() }
        } else {
            0.0
        };
        let normal = (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TAU * self.uniform()).cos();
        self.feeler_um + self.bias_um + self.feel_um * normal + blunder_um
    }

    fn uniform(&mut self) -> f64 {
        f64::from(self.generator.next_u32()) / 4_294_967_296.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{Bounded, NotNegative, Share};

    fn readings(measuring: &Measuring, count: usize) -> Vec<f64> {
        let mut operator = Operator::new(measuring, 5);
        let prompt =
            Prompt::SetGap { visit: 1, visits: 10, is_corner: false, z_um: 0, is_coarse: false, is_turned: true };
        let mut read = || {
            let mut gap_um = 900.0;
            while let Some(SurveyEvent::Turned { detents }) = operator.act(prompt, gap_um) {
                gap_um += f64::from(detents) * 10.0;
            }
            gap_um
        };
        (0..count).map(|_| read()).collect()
    }

    /// Mean and spread against the closed form: normal feel, and a knob of step δ adds δ/√12 (row U-10, GUM F.2.2.1).
    #[test]
    fn feel_has_the_mean_and_spread_asked_for() {
        let measuring = Measuring { feel_um: NotNegative(20.0), bias_um: Bounded(7.0), ..Measuring::default() };
        let readings = readings(&measuring, 20_000);
        let mean_um = readings.iter().sum::<f64>() / readings.len() as f64;
        let variance = readings.iter().map(|um| (um - mean_um).powi(2)).sum::<f64>() / readings.len() as f64;
        let expected_um = (20.0_f64.powi(2) + 10.0_f64.powi(2) / 12.0).sqrt();
        assert!((mean_um - 107.0).abs() < 0.6, "{mean_um}");
        assert!((variance.sqrt() - expected_um).abs() < 0.4, "{} {expected_um}", variance.sqrt());
    }

    #[test]
    fn half_way_between_two_detents_is_not_turned_to_and_fro() {
        let mut operator = Operator::new(&Measuring { feel_um: NotNegative(0.0), ..Measuring::default() }, 1);
        let prompt =
            Prompt::SetGap { visit: 1, visits: 9, is_corner: false, z_um: 0, is_coarse: false, is_turned: true };
        assert_eq!([95.0, 105.0].map(|gap_um| operator.act(prompt, gap_um)), [Some(SurveyEvent::Pressed); 2]);
        // Without a turn of the knob a press is no reading.
        let prompt =
            Prompt::SetGap { visit: 1, visits: 9, is_corner: false, z_um: 0, is_coarse: false, is_turned: false };
        assert_eq!(operator.act(prompt, 100.0), Some(SurveyEvent::Turned { detents: 1 }));
    }

    /// However little this hand feels, the nozzle is never turned into the plate.
    #[test]
    fn contact_ends_a_reading() {
        let measuring = Measuring { feel_um: NotNegative(80.0), ..Measuring::default() };
        let readings = readings(&measuring, 5000);
        assert!(readings.iter().all(|gap_um| *gap_um >= 0.0) && readings.contains(&0.0));
    }

    #[test]
    fn blunders_come_as_often_as_asked_for() {
        let measuring = Measuring { feel_um: NotNegative(0.0), blunder_share: Share(0.1), ..Measuring::default() };
        let readings = readings(&measuring, 5000);
        let share = readings.iter().filter(|um| (**um - 100.0).abs() > 50.0).count() as f64 / 5000.0;
        assert!((share - 0.1).abs() < 0.02, "{share}");
    }
}
