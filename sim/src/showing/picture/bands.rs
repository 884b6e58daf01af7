//! The bands of a map: one for each class, with round contour lines inside them.

use super::frame::{Span, nice_step};
use crate::outcome::{Class, LOOSE_ABOVE, TOO_CLOSE_BELOW, TOO_FAR_ABOVE};

/// Contour lines between the lowest and the highest error, edges of bands left out; more could not be told apart.
const MOST_LINES: f64 = 9.0;

/// Which gap error is of which class, for one thickness asked for, and where lines are drawn; the same for all runs.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Bands {
    /// Where one class ends and the next begins, ascending.
    pub(crate) edges_um: Vec<f64>,
    /// The classes between the edges: one more.
    pub(crate) classes: Vec<Class>,
    /// Round values at which a line is drawn without a change of class; zero among them.
    pub(crate) lines_um: Vec<f64>,
}

impl Bands {
    /// Bands for what is laid `asked_um` thick; none for a tool that is meant to touch. Lines reach as far as `errors_um`.
    pub(crate) fn new(tolerance_um: f64, asked_um: Option<f64>, errors_um: Span) -> Self {
        let tolerance_um = if tolerance_um.is_finite() { tolerance_um.max(1.0) } else { 1.0 };
        let (edges_um, classes) = match asked_um.filter(|um| um.is_finite() && *um > 0.0) {
            Some(asked_um) => {
                let nearest = tolerance_um.min(asked_um * (1.0 - TOO_CLOSE_BELOW)).min(asked_um);
                let farthest = tolerance_um.min(asked_um * (TOO_FAR_ABOVE - 1.0));
                (
                    vec![-asked_um, -nearest, farthest, asked_um * (LOOSE_ABOVE - 1.0)],
                    vec![Class::Contact, Class::TooClose, Class::Good, Class::TooFar, Class::Loose],
                )
            }
            None => (vec![-tolerance_um, tolerance_um], vec![Class::TooClose, Class::Good, Class::TooFar]),
        };
        let step_um = nice_step(((errors_um.high - errors_um.low) / MOST_LINES).max(tolerance_um / 5.0));
        let is_free = |line: &f64| edges_um.iter().all(|edge| (edge - line).abs() > 0.4 * step_um);
        let mut lines_um = errors_um.ticks(step_um);
        lines_um.retain(is_free);
        Self { edges_um, classes, lines_um }
    }

    /// The class of a gap error.
    pub(crate) fn class(&self, error_um: f64) -> Class {
        self.classes[self.edges_um.partition_point(|edge| *edge <= error_um)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ERRORS: Span = Span { low: -297.0, high: 130.0 };

    #[test]
    fn bands_are_those_of_the_classes() {
        for (tolerance_um, asked_um) in [(40.0, 200.0), (50.0, 200.0), (25.0, 80.0), (500.0, 300.0)] {
            let bands = Bands::new(tolerance_um, Some(asked_um), ERRORS);
            // Beside the edges, where rounding could decide.
            for error_um in (-900..900).map(|half| f64::from(half) / 2.0 + 0.1) {
                let class = Class::of(asked_um + error_um, asked_um, tolerance_um);
                assert_eq!(bands.class(error_um), class, "{error_um} of {asked_um}");
            }
        }
        let pen = Bands::new(40.0, None, ERRORS);
        for error_um in (-90..90).map(|um| f64::from(um) + 0.5) {
            assert_eq!(pen.class(error_um), Class::of_tool(error_um, 40.0), "{error_um}");
        }
    }

    #[test]
    fn lines_are_round_and_reach_as_far_as_the_errors() {
        let bands = Bands::new(40.0, Some(200.0), ERRORS);
        assert_eq!(bands.edges_um.iter().map(|edge| edge.round()).collect::<Vec<_>>(), [-200.0, -40.0, 40.0, 120.0]);
        assert_eq!(bands.lines_um, [-250.0, -150.0, -100.0, 0.0, 100.0]);
        let narrow = Bands::new(50.0, Some(200.0), Span { low: -12.0, high: 9.0 });
        assert_eq!(narrow.lines_um, [-10.0, 0.0]);
    }

    #[test]
    fn odd_figures_still_make_bands() {
        assert_eq!(Bands::new(f64::NAN, Some(f64::INFINITY), ERRORS).edges_um, [-1.0, 1.0]);
        assert_eq!(Bands::new(0.0, Some(0.0), Span::of([])).classes.len(), 3);
    }
}
