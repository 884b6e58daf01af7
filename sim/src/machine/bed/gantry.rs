//! What carries the nozzle: a beam along X that sags, on rails that are twisted against each other.

use crate::scenario::{Gantry, Machine};

/// A beam at rest on its two ends, and a carriage that hangs on it wherever the nozzle is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Beam {
    start_mm: f64,
    length_mm: f64,
    own_sag_um: f64,
    carriage_sag_um: f64,
}

/// What rails that are twisted against each other add: `c0 + c1·u + c2·v + c3·u·v`, relative to the middle of the bed.
pub(super) fn twist_um(gantry: &Gantry, machine: &Machine, middle_mm: [f64; 2]) -> [f64; 4] {
    let (x_mm, y_mm) = (machine.travel_x_mm, machine.travel_y_mm);
    // A nozzle that passes higher meets a lower bed; about the middle of the travel, not of the bed.
    let twist = -gantry.twist_um.0 / (x_mm.length() / 2.0 * (y_mm.length() / 2.0));
    let (off_x_mm, off_y_mm) = (middle_mm[0] - x_mm.middle(), middle_mm[1] - y_mm.middle());
    [off_x_mm * off_y_mm, off_y_mm, off_x_mm, 1.0].map(|share| share * twist)
}

impl Beam {
    pub(super) fn new(gantry: &Gantry, middle_mm: [f64; 2]) -> Self {
        Self {
            start_mm: gantry.ends_x_mm.from - middle_mm[0],
            length_mm: gantry.ends_x_mm.length(),
            own_sag_um: gantry.own_sag_um.0,
            carriage_sag_um: gantry.carriage_sag_um.0,
        }
    }

    /// How far the nozzle hangs below the line through the beam's ends.
    ///
    /// Own weight: `16/5·(t − 2t³ + t⁴)` of the sag in the middle. A load where the nozzle is: `16·t²(1 − t)²`, from
    /// `P·a²(L − a)²/(3·E·I·L)` (tables of simply supported beams in any handbook; from memory, integrated in a test).
    pub(super) fn sag_um(&self, u: f64) -> f64 {
        let t = ((u - self.start_mm) / self.length_mm).clamp(0.0, 1.0);
        let both = t * (1.0 - t);
        3.2 * self.own_sag_um * both * (1.0 + both) + 16.0 * self.carriage_sag_um * both * both
    }

    /// A bound on the curvature, in µm per mm².
    pub(super) fn largest_curvature(&self) -> f64 {
        // The second derivatives are largest in the middle and at the ends.
        (9.6 * self.own_sag_um + 32.0 * self.carriage_sag_um) / (self.length_mm * self.length_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Own identity: the sag under a load at `a` is `∫ M·m/(E·I)` (virtual work), both moments triangles with their
    /// peak at `a`; own weight has the moment `q·x(L − x)/2` in place of the first.
    #[test]
    fn sags_as_the_moments_say() {
        let integral = |a: f64, moment: &dyn Fn(f64) -> f64| {
            let steps = 20_000;
            let unit = |x: f64| if x < a { x * (1.0 - a) } else { a * (1.0 - x) };
            (0..steps).map(|step| (f64::from(step) + 0.5) / f64::from(steps)).map(|x| moment(x) * unit(x)).sum::<f64>()
                / f64::from(steps)
        };
        let carriage = |a: f64| integral(a, &|x| if x < a { x * (1.0 - a) } else { a * (1.0 - x) });
        let weight = |a: f64| integral(a, &|x| x * (1.0 - x) / 2.0);
        let beam =
            |own_sag_um, carriage_sag_um| Beam { start_mm: -150.0, length_mm: 300.0, own_sag_um, carriage_sag_um };
        for t in [0.05, 0.2, 0.37, 0.5, 0.81] {
            let u = 300.0 * t - 150.0;
            let (own, loaded) = (beam(100.0, 0.0).sag_um(u), beam(0.0, 100.0).sag_um(u));
            assert!((own - 100.0 * weight(t) / weight(0.5)).abs() < 1e-4, "{t}: {own}");
            assert!((loaded - 100.0 * carriage(t) / carriage(0.5)).abs() < 1e-4, "{t}: {loaded}");
        }
        assert_eq!(beam(100.0, 50.0).sag_um(-200.0), 0.0);
    }
}
