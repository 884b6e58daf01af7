//! The forms that a plate adds to the surface through its screws.

use std::f64::consts::{PI, TAU};
use std::path::Path;

use gapkeeper_host_tools::grid_file::read_surface;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::BedError;
use super::gantry::{self, Beam};
use super::measured::Measured;
use super::plate::Sheet;
use crate::scenario::{Form, Gantry, Machine};

/// Waves in a random surface: enough that no one of them is seen.
const WAVES: usize = 48;

/// A plane wave: `height_um · sin(kx·u + ky·v + phase)`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wave {
    height_um: f64,
    kx_per_mm: f64,
    ky_per_mm: f64,
    phase: f64,
}

/// A form ready to be evaluated; places are relative to the middle of the bed, in millimetres.
#[derive(Clone, Debug)]
pub(super) enum Shape {
    /// `c0 + c1·u² + c2·v² + c3·u·v`
    Quadratic([f64; 4]),
    Ridge {
        at_mm: [f64; 2],
        across: [f64; 2],
        half_width_mm: f64,
        height_um: f64,
    },
    Dent {
        at_mm: [f64; 2],
        radius_mm: f64,
        depth_um: f64,
    },
    Waves(Vec<Wave>),
    Measured {
        surface: Measured,
        middle_mm: [f64; 2],
    },
    /// `c0 + c1·u + c2·v + c3·u·v`
    Warped([f64; 4]),
    /// An elastic plate.
    Sheet(Sheet),
    /// What the nozzle hangs on.
    Beam(Beam),
}

impl Shape {
    /// What a gantry adds to the bed as the nozzle meets it.
    pub(super) fn of_gantry(gantry: &Gantry, machine: &Machine, middle_mm: [f64; 2]) -> [Self; 2] {
        [Self::Beam(Beam::new(gantry, middle_mm)), Self::Warped(gantry::twist_um(gantry, machine, middle_mm))]
    }

    pub(super) fn new(form: &Form, middle_mm: [f64; 2], half_mm: [f64; 2], folder: &Path) -> Result<Self, BedError> {
        let from_middle = |x_mm: f64, y_mm: f64| [x_mm - middle_mm[0], y_mm - middle_mm[1]];
        Ok(match form {
            Form::Bow { height_um } => {
                let fall = |half_mm: f64| -height_um.0 / (2.0 * half_mm * half_mm);
                Self::Quadratic([height_um.0, fall(half_mm[0]), fall(half_mm[1]), 0.0])
            }
            Form::Twist { height_um } => Self::Quadratic([0.0, 0.0, 0.0, height_um.0 / (half_mm[0] * half_mm[1])]),
            Form::Ridge { x_mm, y_mm, angle_deg, half_width_mm, height_um } => {
                let (sin, cos) = angle_deg.0.to_radians().sin_cos();
                Self::Ridge {
                    at_mm: from_middle(x_mm.0, y_mm.0),
                    across: [-sin, cos],
                    half_width_mm: half_width_mm.0,
                    height_um: height_um.0,
                }
            }
            Form::Dent { x_mm, y_mm, radius_mm, depth_um } => {
                Self::Dent { at_mm: from_middle(x_mm.0, y_mm.0), radius_mm: radius_mm.0, depth_um: depth_um.0 }
            }
            Form::Ripple { height_um, wavelength_mm, angle_deg, phase_deg } => {
                let (sin, cos) = angle_deg.0.to_radians().sin_cos();
                let k_per_mm = TAU / wavelength_mm.0;
                Self::Waves(vec![Wave {
                    height_um: height_um.0,
                    kx_per_mm: k_per_mm * cos,
                    ky_per_mm: k_per_mm * sin,
                    phase: phase_deg.0.to_radians(),
                }])
            }
            Form::Random { rms_um, shortest_mm, seed } => Self::Waves(random_waves(rms_um.0, shortest_mm.0, *seed)),
            Form::Measured { file } => Self::Measured { surface: read_surface(&folder.join(file))?.into(), middle_mm },
        })
    }

    pub(super) fn height_um(&self, u: f64, v: f64) -> f64 {
        match self {
            Self::Quadratic([c0, c1, c2, c3]) => c0 + c1 * u * u + c2 * v * v + c3 * u * v,
            Self::Ridge { at_mm, across, half_width_mm, height_um } => {
                let distance_mm = (u - at_mm[0]) * across[0] + (v - at_mm[1]) * across[1];
                height_um * hump(distance_mm / half_width_mm)
            }
            Self::Dent { at_mm, radius_mm, depth_um } => {
                -depth_um * hump((u - at_mm[0]).hypot(v - at_mm[1]) / radius_mm)
            }
            Self::Waves(waves) => {
                waves.iter().map(|w| w.height_um * (w.kx_per_mm * u + w.ky_per_mm * v + w.phase).sin()).sum()
            }
            Self::Measured { surface, middle_mm } => surface.height_um(u + middle_mm[0], v + middle_mm[1]),
            Self::Warped(coefficients) => super::warped_um(*coefficients, u, v),
            Self::Sheet(sheet) => sheet.height_um(u, v),
            Self::Beam(beam) => beam.sag_um(u),
        }
    }

    /// A bound on the curvature in any direction, in µm per mm².
    pub(super) fn largest_curvature(&self) -> f64 {
        match self {
            Self::Quadratic([_, c1, c2, c3]) => 2.0 * c1.abs().max(c2.abs()) + c3.abs(),
            Self::Ridge { half_width_mm: reach_mm, height_um, .. }
            | Self::Dent { radius_mm: reach_mm, depth_um: height_um, .. } => {
                height_um.abs() * (PI / reach_mm).powi(2) / 2.0
            }
            Self::Waves(waves) => {
                waves.iter().map(|w| w.height_um.abs() * w.kx_per_mm.hypot(w.ky_per_mm).powi(2)).sum()
            }
            Self::Measured { surface, .. } => surface.largest_curvature(),
            Self::Warped([.., twist]) => 2.0 * twist.abs(),
            Self::Sheet(sheet) => sheet.largest_curvature(),
            Self::Beam(beam) => beam.largest_curvature(),
        }
    }
}

/// 1 in the middle, 0 from a distance of 1 on, smooth everywhere: a raised cosine.
fn hump(distance: f64) -> f64 {
    if distance.abs() < 1.0 { (1.0 + (PI * distance).cos()) / 2.0 } else { 0.0 }
}

/// Waves of every direction and of one to four times the shortest length; equal parts of the mean square.
fn random_waves(rms_um: f64, shortest_mm: f64, seed: u64) -> Vec<Wave> {
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    let mut uniform = || f64::from(generator.next_u32()) / 4_294_967_296.0;
    // The mean square of a sine is half the square of its height.
    let height_um = rms_um * (2.0 / WAVES as f64).sqrt();
    let mut wave = || {
        let (sin, cos) = (TAU * uniform()).sin_cos();
        let k_per_mm = TAU / (shortest_mm * (1.0 + 3.0 * uniform()));
        Wave { height_um, kx_per_mm: k_per_mm * cos, ky_per_mm: k_per_mm * sin, phase: TAU * uniform() }
    };
    (0..WAVES).map(|_| wave()).collect()
}
