use std::fmt::Write as _;

use gapkeeper::{Lattice, Point};

use super::*;
use crate::bed::ModelledBed;
use crate::core_settings::in_force;
use crate::demo;
use crate::scenario::{Bounded, Positive, Scenario};

/// Four heights through the fade, with lifts, drawing back and an arc.
fn job() -> String {
    let mut job = "M83\nG28\nG1 F3000\n".to_string();
    for z_mm in [0.2, 3.0, 6.0, 9.0] {
        for line in 0..9 {
            let y_mm = 20 + 20 * line;
            let _ = write!(job, "G0 Z{}\nG0 X21 Y{y_mm}\nG0 Z{z_mm}\nG1 E0.8\n", z_mm + 0.4);
            let _ = write!(job, "G1 X205 Y{} E9.125\nG1 E-0.8\n", y_mm - 9);
        }
        let _ = write!(job, "G0 X70 Y100\nG0 Z{z_mm}\nG2 X160 I45 J0 E6\nG1 X161 Z{} E0.1\n", z_mm + 0.2);
    }
    job
}

fn scenario() -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.correction.shift_um = 15;
    scenario.bed.screws[0].height_um = Bounded(-120.0);
    scenario
}

fn grid(change: impl FnOnce(&mut Scenario)) -> HeightGrid<CAPACITY> {
    let mut scenario = scenario();
    change(&mut scenario);
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    bed.read_off(scenario.stations()).unwrap()
}

/// The correction that the trace should show.
fn right() -> Correction<CAPACITY> {
    in_force(&scenario(), grid(|_| ()).densest().unwrap()).unwrap()
}

/// One piece of a controller: job line, end, `E` in nanometres since the start, and its logical height.
#[derive(Clone, Copy)]
struct Gone {
    job_line: u64,
    end: Point,
    e_nm: i64,
    logical_um: f64,
}

/// What a controller with this correction goes.
fn record(correction: &Correction<CAPACITY>) -> Vec<Gone> {
    let (mut gone, mut e_nm, mut line_e_nm, mut line) = (Vec::new(), 0, 0, 0);
    walk::<JobError>("job", job().as_bytes(), ReadingOptions::default(), |event| {
        if let JobEvent::Move(job_move) = event {
            if job_move.line != line {
                (e_nm, line, line_e_nm) = (e_nm + line_e_nm, job_move.line, 0);
            }
            let (start_um, end_um) = ends(&job_move);
            let long = (end_um[0] - start_um[0]).hypot(end_um[1] - start_um[1]);
            for piece in correction.split(&job_move.motion, 2).unwrap() {
                let way = (f64::from(piece.end.x_um) - start_um[0]).hypot(f64::from(piece.end.y_um) - start_um[1]);
                let share = if long > 0.0 { way / long } else { 1.0 };
                let logical_um = between(start_um, end_um, share)[2];
                line_e_nm = piece.extra[0].into();
                gone.push(Gone { job_line: line, end: piece.end, e_nm: e_nm + line_e_nm, logical_um });
            }
        }
        Ok(())
    })
    .unwrap();
    gone
}

fn csv(gone: &[Gone]) -> String {
    let mut text = "job_line,x_mm,y_mm,z_um,e_nm\n".to_string();
    for Gone { job_line, end, e_nm, .. } in gone {
        let mm = |um: i32| f64::from(um) / 1000.0;
        let _ = writeln!(text, "{job_line},{:.3},{:.3},{},{e_nm}", mm(end.x_um), mm(end.y_um), end.z_um);
    }
    text
}

fn judged(gone: &[Gone], stale: Vec<(String, HeightGrid<CAPACITY>)>) -> (Vec<Check>, Vec<String>) {
    let surface = |grid: &HeightGrid<CAPACITY>| grid.densest().map_err(|error| error.to_string());
    let fit = Fit::new(&grid(|_| ()), surface).unwrap();
    let others = Others { stale, fit, other_surface: Some((false, grid(|_| ()))) };
    let input = ("trace.csv".to_string(), std::io::Cursor::new(csv(gone)));
    judge_rows(&right(), ("job", job().as_bytes(), ReadingOptions::default()), input, &TraceSettings::default(), others)
        .unwrap()
}

/// The names of the checks that fail, and the first explanation.
fn found(gone: &[Gone]) -> (Vec<&'static str>, Vec<String>) {
    let (checks, explanations) = judged(gone, Vec::new());
    (checks.iter().filter(|check| !check.passed).map(|check| check.name).collect(), explanations)
}

/// Every height as another rule has it.
fn with_heights(rule: impl Fn(&Gone) -> i32) -> Vec<Gone> {
    let changed = |gone: Gone| Gone { end: Point { z_um: rule(&gone), ..gone.end }, ..gone };
    record(&right()).into_iter().map(changed).collect()
}

fn assert_named(gone: &[Gone], name: &str) {
    let (_, explanations) = found(gone);
    assert!(explanations.first().is_some_and(|first| first.contains(name)), "{name}: {explanations:?}");
}

#[test]
fn our_own_core_departs_nowhere() {
    let gone = record(&right());
    let (checks, explanations) = judged(&gone, Vec::new());
    assert!(checks.iter().all(|check| check.passed) && explanations.is_empty(), "{checks:?} {explanations:?}");
    assert!(checks.iter().any(|check| check.name == "trace_e_um") && gone.len() > 1000);
}

#[test]
fn a_wrong_sign_is_named() {
    let wrong = with_heights(|gone| (2.0 * gone.logical_um).round() as i32 - gone.end.z_um);
    assert_named(&wrong, "the correction has the wrong sign");
    let (checks, _) = judged(&wrong, Vec::new());
    let z = checks.iter().find(|check| check.name == "trace_z_um").unwrap();
    assert!(z.found > 100.0 && z.remark.contains("the first at job line 4 (line 2 of the trace)"), "{z:?}");
}

#[test]
fn a_sign_that_is_wrong_for_a_while_is_named_with_its_lines() {
    let wrong = with_heights(|gone| {
        let is_wrong = (60..=90).contains(&gone.job_line);
        if is_wrong { (2.0 * gone.logical_um).round() as i32 - gone.end.z_um } else { gone.end.z_um }
    });
    let (_, explanations) = found(&wrong);
    assert!(explanations[0].starts_with("the correction has the wrong sign, from job line 6"), "{explanations:?}");
}

#[test]
fn no_correction_and_one_applied_twice_are_named() {
    assert_named(&with_heights(|gone| gone.logical_um.round() as i32), "nothing is corrected");
    let twice = with_heights(|gone| 2 * gone.end.z_um - gone.logical_um.round() as i32);
    assert_named(&twice, "the correction is applied twice");
}

#[test]
fn a_dropped_piece_is_named_with_its_line() {
    let all = record(&right());
    // Two of the longest move on the first layer: one within it, then its last.
    let line = 8;
    let of_line: Vec<usize> = (0..all.len()).filter(|&index| all[index].job_line == line).collect();
    assert!(of_line.len() > 6);
    let height = |index: usize| f64::from(all[index].end.z_um);
    let x = |index: usize| f64::from(all[index].end.x_um);
    let sag = |&&index: &&usize| {
        let share = (x(index) - x(index - 1)) / (x(index + 1) - x(index - 1));
        (height(index - 1) + (height(index + 1) - height(index - 1)) * share - height(index)).abs()
    };
    let inner = of_line[1..of_line.len() - 1].iter().max_by(|a, b| sag(a).total_cmp(&sag(b))).unwrap();
    let mut dropped = all.clone();
    dropped.remove(*inner);
    let (failed, explanations) = found(&dropped);
    assert_eq!(failed, ["trace_between_ends_um"], "{explanations:?}");
    assert_eq!(explanations, ["pieces are missing or too long: places 1, the first in job line 8"]);

    let mut dropped = all.clone();
    dropped.remove(of_line[of_line.len() - 1]);
    let (failed, explanations) = found(&dropped);
    assert_eq!(failed, ["trace_moves_not_ended"], "{explanations:?}");
    assert_eq!(explanations, ["the last piece is missing: moves 1, the first in job line 8"]);

    let mut dropped = all.clone();
    dropped.retain(|gone| gone.job_line != line);
    let (failed, explanations) = found(&dropped);
    assert_eq!(failed, ["trace_missing_moves"], "{explanations:?}");
    assert_eq!(explanations, ["whole moves are missing: 1, the first of job line 8"]);

    let (failed, explanations) = found(&all[..all.len() / 2]);
    assert!(failed.contains(&"trace_missing_moves"));
    assert!(explanations.iter().any(|one| one.starts_with("the trace ends before the job")), "{explanations:?}");
}

#[test]
fn moves_that_are_not_split_are_named() {
    let mut ends_only = record(&right());
    let lines: Vec<u64> = ends_only.iter().map(|gone| gone.job_line).collect();
    let mut index = 0;
    let arcs: Vec<u64> =
        (1..).zip(job().lines()).filter(|(_, text)| text.starts_with("G2")).map(|(line, _)| line).collect();
    ends_only.retain(|gone| {
        index += 1;
        arcs.contains(&gone.job_line) || lines.get(index) != Some(&gone.job_line)
    });
    assert_named(&ends_only, "moves are not split");
}

#[test]
fn a_lost_fade_is_named() {
    let mut unfaded = scenario();
    unfaded.correction.fade = None;
    let gone = record(&in_force(&unfaded, grid(|_| ()).densest().unwrap()).unwrap());
    assert_named(&gone, "the fade is lost");
    let (_, explanations) = found(&gone);
    assert_eq!(explanations.len(), 1, "nothing else explains it: {explanations:?}");
}

#[test]
fn a_swapped_axis_is_named_in_the_look_up_in_the_grid_and_in_what_is_gone() {
    let right = right();
    let looked_up =
        with_heights(|gone| right.machine_z_um(gone.end.y_um, gone.end.x_um, gone.logical_um.round() as i32));
    assert_named(&looked_up, "X and Y are exchanged where the grid is looked up");
    let lattice = right.grid().lattice();
    let columns = usize::from(lattice.columns);
    let node =
        |column: u8, row: u8| i32::from(right.grid().nodes_um()[usize::from(column) * columns + usize::from(row)]);
    let exchanged = in_force(&scenario(), HeightGrid::from_fn(lattice, node).unwrap()).unwrap();
    assert_named(&record(&exchanged), "rows and columns of the grid are exchanged");
    let mirrored = in_force(
        &scenario(),
        HeightGrid::from_fn(lattice, |column, row| node(row, lattice.columns - 1 - column)).unwrap(),
    );
    assert_named(&record(&mirrored.unwrap()), "the grid is mirrored along X");
    let gone: Vec<Gone> = record(&right)
        .into_iter()
        .map(|gone| Gone { end: Point { x_um: gone.end.y_um, y_um: gone.end.x_um, ..gone.end }, ..gone })
        .collect();
    let (failed, explanations) = found(&gone);
    assert!(failed.contains(&"trace_xy_um"));
    assert!(
        explanations.iter().any(|one| one.starts_with("X and Y are exchanged: the pieces lie")),
        "{explanations:?}"
    );
}

#[test]
fn a_stale_grid_is_named_with_its_file_and_without() {
    // A screw was turned since: 60 um more in one corner.
    let stale = grid(|scenario| scenario.bed.screws[3].height_um = Bounded(-125.0));
    let gone = record(&in_force(&scenario(), stale.densest().unwrap()).unwrap());
    let other = grid(|scenario| scenario.bed.screws[1].height_um = Bounded(0.0));
    let files = vec![("other.json".to_string(), other), ("january.json".to_string(), stale)];
    let (_, explanations) = judged(&gone, files);
    assert_eq!(explanations, ["a stale grid is in force, refined: january.json"]);
    assert_named(&gone, "another grid of the same stations is in force, such as a stale one: its readings differ by ");
    let readings = record(&in_force(&scenario(), grid(|_| ())).unwrap());
    assert_named(&readings, "the readings are in force as they are, where the refined grid should be");
}

#[test]
fn heights_that_follow_nothing_are_not_explained_away() {
    let odd = with_heights(|gone| gone.end.z_um + 25 * (gone.end.x_um / 1000 % 3 - 1));
    assert_named(&odd, "follow none of the models");
    assert_named(&with_heights(|gone| gone.end.z_um + 30), "all off by +30.0 um");
}

/// One row far off, or a few, do not keep the fault from being named; they are said.
#[test]
fn outliers_do_not_hide_a_fault() {
    let spoiled = |mut gone: Vec<Gone>, rows: &[usize]| {
        rows.iter().for_each(|&row| gone[row].end.z_um += 3000);
        gone
    };
    let mirrored = with_heights(|gone| (2.0 * gone.logical_um).round() as i32 - gone.end.z_um);
    let (_, explanations) = found(&spoiled(mirrored, &[40, 300, 301]));
    assert!(explanations[0].starts_with("the correction has the wrong sign"), "{explanations:?}");
    assert!(explanations[1].starts_with("rows that this does not explain: "), "{explanations:?}");
    let lifted = with_heights(|gone| gone.end.z_um + 30);
    assert_named(&spoiled(lifted, &[100]), "all off by +30.0 um");
    let stale = grid(|scenario| scenario.bed.screws[3].height_um = Bounded(-125.0));
    let gone = record(&in_force(&scenario(), stale.densest().unwrap()).unwrap());
    assert_named(&spoiled(gone, &[77, 500]), "another grid of the same stations is in force");
    // In a short trace, one of a few hundred.
    let few: Vec<Gone> = with_heights(|gone| gone.logical_um.round() as i32).into_iter().take(448).collect();
    assert_named(&spoiled(few, &[200]), "nothing is corrected");
}

/// The gate says whether the controller scales `E`; the core's own is within its rounding.
#[test]
fn e_is_judged_as_the_gate_says() {
    let mut flow = gapkeeper::Flow::new();
    let (correction, mut gone) = (right(), record(&right()));
    let (mut index, mut e_nm, mut line_e_nm, mut line) = (0, 0_i64, 0_i64, 0);
    walk::<JobError>("job", job().as_bytes(), ReadingOptions::default(), |event| {
        if let JobEvent::Move(job_move) = event {
            if job_move.line != line {
                (e_nm, line, line_e_nm) = (e_nm + line_e_nm, job_move.line, 0);
            }
            let before_nm = line_e_nm - i64::from(job_move.motion.extra_start[0]);
            let mut split = correction.split(&job_move.motion, 2).unwrap();
            while let Some(piece) = split.next_scaled(&mut flow) {
                line_e_nm = before_nm + i64::from(piece.extra[0]);
                gone[index].e_nm = e_nm + line_e_nm;
                index += 1;
            }
        }
        Ok(())
    })
    .unwrap();
    let departs = |gone: &[Gone], e_scaled| {
        let surface = |grid: &HeightGrid<CAPACITY>| grid.densest().map_err(|error| error.to_string());
        let fit = Fit::new(&grid(|_| ()), surface).unwrap();
        let others = Others { stale: Vec::new(), fit, other_surface: None };
        let input = ("trace.csv".to_string(), std::io::Cursor::new(csv(gone)));
        let settings = TraceSettings { e_scaled, e_um: Positive(5.0), ..TraceSettings::default() };
        let (checks, _) =
            judge_rows(&right(), ("job", job().as_bytes(), ReadingOptions::default()), input, &settings, others)
                .unwrap();
        checks.iter().find(|check| check.name == "trace_e_um").unwrap().clone()
    };
    assert!(departs(&gone, true).passed, "{:?}", departs(&gone, true));
    let unscaled = departs(&gone, false);
    assert!(!unscaled.passed && unscaled.found > 20.0, "{unscaled:?}");
    assert!(!departs(&record(&right()), true).passed && departs(&record(&right()), false).passed);
}

#[test]
fn e_that_drifts_is_found() {
    let mut gone = record(&right());
    let half = gone.len() / 2;
    gone[half..].iter_mut().for_each(|gone| gone.e_nm += 5000);
    let (failed, explanations) = found(&gone);
    assert_eq!((failed, explanations.len()), (vec!["trace_e_um"], 0));
}

#[test]
fn rows_of_lines_that_move_nothing_are_found() {
    let mut gone = record(&right());
    gone.insert(0, Gone { job_line: 1, end: Point::default(), e_nm: 0, logical_um: 0.0 });
    assert_eq!(found(&gone).0, ["trace_rows_of_no_move"]);
    // Going home is not judged.
    gone[0].job_line = 2;
    assert!(found(&gone).0.is_empty());
}

/// A lattice far from square: exchanged rows and columns are read as a program that strides wrongly would.
#[test]
fn a_grid_that_is_not_square_can_be_exchanged_too() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 40_000, pitch_y_um: 70_000, columns: 6, rows: 3 };
    let model = Model::of_grid(
        &HeightGrid::<18>::from_fn(lattice, |column, row| i32::from(column) + 10 * i32::from(row)).unwrap(),
    );
    let [columns, rows] = model.nodes();
    let index = |column: usize, row: usize| column * rows + row;
    let turned =
        model.with_shape(|column, row| model.node_um(index(column, row) % columns, index(column, row) / columns));
    assert_eq!(turned.node_um(5, 2), model.node_um(5, 2));
    assert_eq!(turned.node_um(1, 0), model.node_um(3, 0));
}
