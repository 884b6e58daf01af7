//! Patches that are printed to be measured, against the deposit model: the loop from a coarse hand to a good grid.
//!
//! Few surveys by default; the table of 40: `GAPKEEPER_PATCH_SURVEYS=40 cargo test -p gapkeeper-sim --test patches --
//! --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::io::Cursor;

use gapkeeper::{HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::estimate::{Estimate, Hand};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, read_grid};
use gapkeeper_host_tools::patches::{PatchForm, PatchReadings, PatchSettings};
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::demo;
use gapkeeper_sim::deposit::{Squeeze, replay_with_deposit};
use gapkeeper_sim::outcome::Run;
use gapkeeper_sim::scenario::{Form, NotNegative, Positive, Scenario};
use gapkeeper_sim::setup::{self, Setup};
use gapkeeper_sim::survey::survey;

const MEASURED_TO_UM: f64 = 10.0;
/// A patch is measured over the jaws of a calliper.
const JAWS_MM: f64 = 3.0;

/// G. Marsaglia's xorshift of 64 bits, and the sum of twelve uniform numbers for a normal one.
struct Numbers(u64);

impl Numbers {
    fn normal(&mut self) -> f64 {
        let mut uniform = || {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }
}

/// The demo's machine with a coarse hand, over a bed that is rough as well.
fn scenario(hand_um: f64, seed: u64) -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(hand_um);
    scenario.bed.forms.push(Form::Random { rms_um: Positive(12.0), shortest_mm: Positive(80.0), seed });
    scenario
}

/// Mean thickness in the middle of a patch; none where nothing was laid.
fn thickness_um(squeeze: &Squeeze, x_mm: f64, y_mm: f64, asked_um: f64) -> Option<f64> {
    let map = &squeeze.first_layer_map;
    let (width_mm, height_mm) =
        ((map.x_mm.to - map.x_mm.from) / map.columns as f64, (map.y_mm.to - map.y_mm.from) / map.rows as f64);
    let (mut sum, mut count) = (0.0, 0.0);
    for (at, squeeze) in map.squeeze.iter().enumerate().filter(|(_, squeeze)| !squeeze.is_nan()) {
        let x = map.x_mm.from + ((at % map.columns) as f64 + 0.5) * width_mm;
        let y = map.y_mm.from + ((at / map.columns) as f64 + 0.5) * height_mm;
        if (x - x_mm).abs() <= JAWS_MM && (y - y_mm).abs() <= JAWS_MM {
            sum += f64::from(*squeeze) * asked_um;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| sum / count)
}

/// Root mean square error of a document's refined surface over its area, and the share of it within 50 um.
fn error_um(document: &GridDocument, bed: &ModelledBed) -> (f64, f64) {
    let surface = document.surface_grid(Surface::Refined).unwrap();
    let lattice = document.grid.lattice();
    let (mut squares, mut within, mut count) = (0.0, 0, 0);
    for at in 0..31 * 31 {
        let share = |at: i32| f64::from(at) / 30.0;
        let along = |start_um: i32, pitch_um: u32, nodes: u8, share: f64| {
            f64::from(start_um) + share * f64::from(pitch_um) * f64::from(nodes - 1)
        };
        let x_um = along(lattice.x0_um, lattice.pitch_x_um, lattice.columns, share(at % 31));
        let y_um = along(lattice.y0_um, lattice.pitch_y_um, lattice.rows, share(at / 31));
        let nozzle_um = f64::from(surface.height_um(x_um as i32, y_um as i32) + document.shift_um);
        let off_um = nozzle_um - bed.height_um(x_um / 1000.0, y_um / 1000.0);
        squares += off_um * off_um;
        within += i32::from(off_um.abs() <= 50.0);
        count += 1;
    }
    ((squares / f64::from(count)).sqrt(), f64::from(within) / f64::from(count))
}

/// A survey by hand, saved and read again, and the setup that uses it.
fn surveyed(scenario: &Scenario, seed: u64) -> (GridDocument, Setup) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("grid.json");
    let found = survey(scenario, scenario.stations(), seed).unwrap();
    setup::save(scenario, &found, &path).unwrap();
    (read_grid(&path).unwrap(), Setup::saved(scenario, &path).unwrap())
}

fn middles(grid: &HeightGrid<CAPACITY>, nodes: u8) -> Lattice {
    let lattice = grid.lattice();
    let pitch = |pitch_um: u32, old: u8| pitch_um * u32::from(old - 1) / u32::from(nodes - 1);
    Lattice {
        pitch_x_um: pitch(lattice.pitch_x_um, lattice.columns),
        pitch_y_um: pitch(lattice.pitch_y_um, lattice.rows),
        columns: nodes,
        rows: nodes,
        ..lattice
    }
}

#[test]
fn patches_make_a_coarse_grid_good() {
    let surveys = std::env::var("GAPKEEPER_PATCH_SURVEYS").map_or(3, |count| count.parse::<u64>().unwrap());
    let mut numbers = Numbers(0x2026_1203);
    println!("error of the grid before and after {surveys} prints of patches, RMS um (share within 50 um)");
    for (hand_um, nodes) in [(40.0, 4), (40.0, 5), (20.0, 4)] {
        let mut sums = [(0.0, 0.0); 2];
        let mut shifts = Vec::new();
        for seed in 1..=surveys {
            let scenario = scenario(hand_um, seed);
            let (document, setup) = surveyed(&scenario, seed);
            let bed = ModelledBed::new(&setup.scenario, setup.scenario.warmth_printing()).unwrap();
            let surface = document.surface_grid(Surface::Refined).unwrap();
            let settings = PatchSettings::default();
            let (mut form, job) = settings.job(&document, &surface, middles(&document.grid, nodes)).unwrap();
            let (_, squeezes) = replay_with_deposit("patches", Cursor::new(&job), &setup.settings()).unwrap();
            let refined = &squeezes[Run::ALL.iter().position(|run| *run == Run::Refined).unwrap()];
            for row in &mut form.rows {
                let (x_mm, y_mm) = (f64::from(row.x_um) / 1000.0, f64::from(row.y_um) / 1000.0);
                let thick_um = thickness_um(refined, x_mm, y_mm, row.asked_um.into()).unwrap();
                let read_um = thick_um + MEASURED_TO_UM * numbers.normal();
                row.thickness_um = Some(read_um.round().max(0.0) as i32);
            }
            let form = PatchForm::parse(&form.text()).unwrap();
            let told = PatchReadings::of(&form, MEASURED_TO_UM as u16).unwrap();
            shifts.push(told.shift_um / told.shift_deviation_um);
            let readings = told.with_older(&document, Hand::of(hand_um).unwrap());
            let estimate = Estimate::new(&readings, Hand::of(hand_um).unwrap()).unwrap();
            let grid = estimate.grid(document.grid.lattice()).unwrap();
            let better = GridDocument { shift_um: 0, readings, grid, ..document.clone() };
            for (sum, document) in sums.iter_mut().zip([&document, &better]) {
                let (rms_um, within) = error_um(document, &bed);
                *sum = (sum.0 + rms_um / surveys as f64, sum.1 + 100.0 * within / surveys as f64);
            }
        }
        let [(was_um, was), (is_um, is)] = sums;
        println!("hand {hand_um} um, {nodes} x {nodes} patches: {was_um:.1} ({was:.0} %), then {is_um:.1} ({is:.0} %)");
        assert!(is_um < 0.75 * was_um && is >= was, "hand {hand_um}: {sums:?}");
        assert!(is_um < 15.0, "hand {hand_um}: {sums:?}");
    }
}

/// A grid that lies wrong as a whole is told the shift; where that is too much, patches are left out, or all of them.
#[test]
fn the_shift_is_told_and_too_much_is_refused() {
    let scenario = scenario(0.0, 1);
    for (shift_um, is_told) in [(60, true), (-60, true), (250, false), (-290, false)] {
        let (document, _) = surveyed(&scenario, 1);
        let document = GridDocument { shift_um, ..document };
        let mut shifted = scenario.clone();
        shifted.correction.shift_um = shift_um;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("grid.json");
        gapkeeper_host_tools::grid_file::write_grid(&path, &document).unwrap();
        let setup = Setup::saved(&shifted, &path).unwrap();
        let surface = document.surface_grid(Surface::Refined).unwrap();
        let (mut form, job) = PatchSettings::default().job(&document, &surface, middles(&document.grid, 3)).unwrap();
        let (_, squeezes) = replay_with_deposit("patches", Cursor::new(&job), &setup.settings()).unwrap();
        for row in &mut form.rows {
            let (x_mm, y_mm) = (f64::from(row.x_um) / 1000.0, f64::from(row.y_um) / 1000.0);
            row.thickness_um = thickness_um(&squeezes[2], x_mm, y_mm, 300.0).map(|um| um.round() as i32);
        }
        let told = PatchReadings::of(&form, 10);
        assert_eq!(told.is_ok(), is_told, "{shift_um}: {told:?}");
        if let Ok(told) = told {
            let expected_um = -f64::from(shift_um);
            assert!((told.shift_um - expected_um).abs() < 3.0 * told.shift_deviation_um + 5.0, "{shift_um}: {told:?}");
            assert_eq!((told.readings.len(), told.untold.len(), told.unmeasured), (9, 0, 0));
        }
    }
}
