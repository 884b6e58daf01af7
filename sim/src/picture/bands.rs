//! The bands of the map: edges at round gap errors, colours on both sides of zero.

use colorous::PURPLE_ORANGE;

use super::frame::nice_step;

/// Bands on either side of the one that sticks; more could not be told apart.
const MOST_BANDS_PER_SIDE: f64 = 6.0;

/// Where the bands of the map begin and end; the same for all runs.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Bands {
    /// Ascending, symmetric about zero: the tolerance on both sides, then round values.
    pub(crate) edges_um: Vec<f64>,
    /// Round values within the tolerance at which a line is drawn without a change of colour; zero among them.
    pub(crate) inner_lines_um: Vec<f64>,
    /// Distance between the round edges.
    pub(crate) step_um: f64,
}

impl Bands {
    /// Bands that reach as far as the largest error.
    pub(crate) fn new(tolerance_um: f64, largest_abs_um: f64) -> Self {
        let tolerance_um = if tolerance_um.is_finite() { tolerance_um.max(1.0) } else { 1.0 };
        let largest_um = if largest_abs_um.is_finite() { largest_abs_um.max(tolerance_um) } else { tolerance_um };
        let step_um = nice_step((largest_um / MOST_BANDS_PER_SIDE).max(tolerance_um / 2.0));
        // The first round value must leave a band wide enough to be seen beside the tolerance.
        let first = ((tolerance_um + 0.5 * step_um) / step_um).ceil() as u32;
        let last = (largest_um / step_um).floor() as u32;
        let upper: Vec<f64> =
            [tolerance_um].into_iter().chain((first..=last).map(|index| f64::from(index) * step_um)).collect();
        let edges_um = upper.iter().rev().map(|edge| -edge).chain(upper.iter().copied()).collect();

        // Rounded down: half the tolerance at most, so that there is one line on either side.
        let inner_step_um = [0.5, 0.4, 0.2]
            .iter()
            .map(|share| nice_step(tolerance_um * share))
            .find(|step| *step <= tolerance_um * 0.51)
            .unwrap_or(tolerance_um / 2.0);
        let inner = ((tolerance_um * 0.95) / inner_step_um).floor() as i32;
        let inner_lines_um = (-inner..=inner).map(|index| f64::from(index) * inner_step_um).collect();
        Self { edges_um, inner_lines_um, step_um }
    }

    /// Colour of the band above edge `index - 1` and below edge `index`; 0 is below all edges.
    pub(crate) fn colour(&self, index: usize) -> String {
        let per_side = self.edges_um.len() / 2;
        // How many bands away from the one that sticks.
        let away = index as f64 - per_side as f64;
        if away == 0.0 {
            return "#fbfbf8".to_owned();
        }
        // Starts at a colour that is plainly not white and stops before the darkest, so that ink stays legible on it.
        let share = 0.10 + 0.30 * (away.abs() - 1.0) / (per_side as f64 - 1.0).max(3.0);
        format!("#{:x}", PURPLE_ORANGE.eval_continuous(0.5 + share.copysign(away)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_are_round_and_symmetric() {
        let bands = Bands::new(40.0, 297.0);
        assert_eq!(bands.edges_um, [-250.0, -200.0, -150.0, -100.0, -40.0, 40.0, 100.0, 150.0, 200.0, 250.0]);
        assert_eq!(bands.inner_lines_um, [-20.0, 0.0, 20.0]);
    }

    #[test]
    fn within_tolerance_there_is_only_one_band() {
        assert_eq!(Bands::new(25.0, 3.0).edges_um, [-25.0, 25.0]);
        assert_eq!(Bands::new(f64::NAN, f64::INFINITY).edges_um.len(), 2);
    }

    #[test]
    fn the_two_sides_differ_in_colour() {
        let bands = Bands::new(40.0, 297.0);
        let colours: std::collections::BTreeSet<_> =
            (0..=bands.edges_um.len()).map(|index| bands.colour(index)).collect();
        assert_eq!(colours.len(), bands.edges_um.len() + 1);
    }
}
