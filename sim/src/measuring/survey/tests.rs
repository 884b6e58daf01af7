use gapkeeper::{KeeperError, Tie, WeightedLayout};
use gapkeeper_host_tools::grid_file::OlderSurveys;

use super::*;
use crate::demo;
use crate::scenario::{Bounded, Count, Form, NotNegative, OldGrid, Positive, Share};

fn run(change: impl FnOnce(&mut Scenario), seed: u64) -> SurveyOutcome {
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(0.0);
    scenario.measuring.settle_um = Bounded(0.0);
    change(&mut scenario);
    survey(&scenario, scenario.stations(), seed).unwrap()
}

fn readings(outcome: &SurveyOutcome) -> Vec<(f64, f64)> {
    let readings = outcome.happenings.iter().filter_map(|happening| match happening {
        Happening::Reading { height_um, true_um, .. } => Some((*height_um, *true_um)),
        _ => None,
    });
    readings.collect()
}

#[test]
fn a_perfect_hand_reads_the_bed_to_half_a_detent() {
    let outcome = run(|_| (), 1);
    // Nine stations, four middles, the first once more.
    assert_eq!(readings(&outcome).len(), 14);
    assert!(readings(&outcome).iter().all(|(read_um, true_um)| (read_um - true_um).abs() <= 5.0));
    assert!(outcome.grid.closure_um.abs() <= 10 && !outcome.grid.closure_accepted);
    assert_eq!(outcome.grid.surface, Surface::Refined, "a plate that bows");
    // Soaking, then fourteen stations of half a minute and the way.
    assert!((600.0 + 14.0 * 30.0..1200.0).contains(&outcome.seconds), "{}", outcome.seconds);
}

/// A crest along the middle column of stations, over a bed that lies low.
fn with_crest(scenario: &mut Scenario, crest_um: f64) {
    scenario.machine.limit_switch_trips_at_mm = Bounded(-2.0);
    for screw in &mut scenario.bed.screws {
        screw.height_um.0 -= 700.0;
    }
    scenario.bed.forms.push(Form::Ridge {
        x_mm: Bounded(115.0),
        y_mm: Bounded(100.0),
        angle_deg: Bounded(90.0),
        half_width_mm: Positive(90.0),
        height_um: Bounded(crest_um),
    });
}

#[test]
fn a_bed_that_rises_between_stations_is_not_met() {
    for crest_um in [300.0, 500.0, 1000.0, 1500.0, 2000.0] {
        let outcome = run(|scenario| with_crest(scenario, crest_um), 1);
        assert!(readings(&outcome).iter().all(|(read_um, true_um)| (read_um - true_um).abs() <= 5.0));
        let (low_um, high_um) = readings(&outcome)
            .iter()
            .fold((f64::MAX, f64::MIN), |(low_um, high_um), (_, um)| (low_um.min(*um), high_um.max(*um)));
        assert!(high_um - low_um >= crest_um, "{crest_um}: {low_um} to {high_um}");
    }
}

#[test]
fn a_bed_above_the_start_is_met_and_said() {
    let mut scenario = demo::scenario().unwrap();
    with_crest(&mut scenario, 3000.0);
    let met = survey(&scenario, scenario.stations(), 1).unwrap_err();
    assert!(matches!(met, BenchError::Met { by_um, x_mm: 115.0, .. } if by_um > 0.0), "{met:?}");
    assert!(met.to_string().contains("lower than 2000 um"), "{met}");
}

#[test]
fn a_bed_that_still_moves_does_not_close() {
    let moving = |scenario: &mut Scenario| {
        scenario.measuring.soak_s = 10;
        scenario.measuring.settle_um = Bounded(300.0);
    };
    let outcome = run(moving, 1);
    let closures: Vec<_> =
        outcome.happenings.iter().filter(|happening| matches!(happening, Happening::Closure { .. })).collect();
    // The first round does not close; on the second the plate has come to rest.
    assert!(matches!(closures[..], [Happening::Closure { accepted: false, .. }]), "{closures:?}");
    assert!(outcome.grid.closure_um.abs() <= 40);
}

#[test]
fn a_limit_switch_in_the_way_is_met_by_raising_the_bed() {
    let outcome = run(|scenario| scenario.machine.limit_switch_trips_at_mm = Bounded(-0.02), 1);
    let raised = outcome.happenings.iter().filter(|happening| matches!(happening, Happening::BedRaised { .. }));
    assert_eq!(raised.count(), 1);
    assert_eq!(outcome.grid.setup, 1, "a new setup");
    // The bed that was measured is the raised one; within the reading's half detent and what the surface leaves of it.
    let scenario = demo::scenario().unwrap();
    let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let lattice = outcome.grid.grid.lattice();
    let off_um = f64::from(outcome.grid.grid.nodes_um()[0])
        - bed.height_um(f64::from(lattice.x0_um) / 1000.0, f64::from(lattice.y0_um) / 1000.0);
    assert!((off_um - 500.0).abs() <= 7.0, "{off_um}");
}

/// Heaters that time out in mid-round: all is heated and soaked once more, and nothing of before is kept.
#[test]
fn a_bed_that_cools_in_between_is_measured_anew() {
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(0.0);
    scenario.measuring.settle_um = Bounded(0.0);
    let mut bench = Bench::new(&scenario).unwrap();
    let mut operator = Operator::new(&scenario.measuring, 1);
    let mut order = bench.begin(&scenario, scenario.stations()).unwrap();
    let (mut presses, mut voids) = (0, 0);
    while !matches!(order, Order::Done | Order::Aborted) {
        order = bench.carry_out(order).unwrap();
        let Some(prompt) = bench.prompt() else { break };
        if presses == 5 && voids == 0 && matches!(prompt, Prompt::SetGap { is_turned: true, .. }) {
            order = bench.event(SurveyEvent::Temperature { bed_c: 40, nozzle_c: 210, at_s: 5000 }).unwrap();
            assert!(matches!(bench.prompt(), Some(Prompt::BedTemperature { bed_c: 40, wanted_c: 60 })));
            voids += 1;
            continue;
        }
        order = match operator.act(prompt, bench.gap_um()) {
            None => {
                bench.wait(10.0);
                Order::Wait
            }
            Some(event) => {
                presses += u32::from(event == SurveyEvent::Pressed && is_answer(prompt));
                bench.event(event).unwrap()
            }
        };
    }
    // Five readings that are void, then nine stations, four middles, the first once more.
    assert_eq!((order, presses, voids), (Order::Done, 5 + 14, 1));
    let grid = bench.keeper().bank().grid(0).unwrap();
    assert_eq!(grid.bed_temperature_c, 60);
    assert!(bench.clock_s() > 1200.0, "soaked twice: {}", bench.clock_s());
}

#[test]
fn a_blunder_is_looked_at_again() {
    let blundering = |scenario: &mut Scenario| {
        scenario.measuring.blunder_share = Share(0.08);
        scenario.measuring.feeler_um = 200;
    };
    let looked_again = (0..20)
        .flat_map(|seed| run(blundering, seed).happenings)
        .filter(|happening| matches!(happening, Happening::Reading { prompt: Prompt::LookAgain { .. }, .. }));
    assert!(looked_again.count() >= 3);
}

#[test]
fn the_same_seed_measures_the_same() {
    let careful = |scenario: &mut Scenario| scenario.measuring.feel_um = NotNegative(20.0);
    assert_eq!(run(careful, 9).grid, run(careful, 9).grid);
    assert_ne!(run(careful, 9).grid, run(careful, 10).grid);
}

fn turned(outcome: &SurveyOutcome) -> usize {
    outcome.happenings.iter().filter(|happening| matches!(happening, Happening::ScrewsTurned { .. })).count()
}

/// Own model: a thin plate whose screws stand anywhere is level after one round with a perfect hand, and the grid is of the
/// bed that the round leaves.
#[test]
fn a_corner_round_trams_the_bed_before_it_is_measured() {
    let crooked = |scenario: &mut Scenario| {
        scenario.measuring.corner_limit_um = Some(30);
        for (screw, by_um) in scenario.bed.screws.iter_mut().zip([0.0, 250.0, -180.0, 90.0]) {
            screw.height_um.0 += by_um;
        }
    };
    let outcome = run(crooked, 1);
    assert_eq!(turned(&outcome), 1, "{:#?}", outcome.happenings);
    let [.., Happening::Trammed { apart_um, .. }] = outcome
        .happenings
        .iter()
        .filter(|happening| !matches!(happening, Happening::Reading { .. }))
        .cloned()
        .collect::<Vec<_>>()[..]
    else {
        panic!("{:#?}", outcome.happenings);
    };
    assert!(apart_um <= 30);
    let mut scenario = demo::scenario().unwrap();
    crooked(&mut scenario);
    let left = outcome.left(&scenario);
    let bed = crate::bed::ModelledBed::new(&left, left.warmth_measuring()).unwrap();
    let lattice = outcome.grid.grid.lattice();
    for (node, &um) in outcome.grid.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = lattice.node_um((node % 5) as u8, (node / 5) as u8);
        let off_um = f64::from(um) - bed.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        assert!(off_um.abs() <= 12.0, "node {node}: {off_um}");
    }
    // Only the bow is left, which no screw takes out.
    let residual = outcome.advice.as_ref().unwrap().screws().iter().map(|turn| turn.raise_um).max();
    assert!(residual <= Some(30), "{:?}", outcome.advice);
}

/// A hand that is coarser than the limit comes to an end all the same.
#[test]
fn a_coarse_hand_leaves_the_corner_round_after_some_turns() {
    let outcome = run(
        |scenario| {
            scenario.measuring.corner_limit_um = Some(1);
            scenario.measuring.feel_um = NotNegative(40.0);
        },
        3,
    );
    assert_eq!(turned(&outcome), MOST_CORNER_ROUNDS);
    assert_eq!(outcome.grid.setup as usize, MOST_CORNER_ROUNDS);
}

/// In corner rounds of a crooked bed, how often the screws are turned once only: by hand and by limit. The guide's figures
/// are those of a hundred seeds.
#[test]
fn a_careful_hand_needs_one_corner_round() {
    let mut scenario = demo::scenario().unwrap();
    // What comes after the corners takes time and changes nothing.
    scenario.survey.stations = [Count(2); 2];
    for (screw, by_um) in scenario.bed.screws.iter_mut().zip([0.0, 300.0, -250.0, 0.0]) {
        screw.height_um.0 += by_um;
    }
    let mut once = |feel_um, limit_um| {
        scenario.measuring.feel_um = NotNegative(feel_um);
        scenario.measuring.corner_limit_um = Some(limit_um);
        (1..=10).filter(|&seed| turned(&survey(&scenario, scenario.stations(), seed).unwrap()) == 1).count()
    };
    assert_eq!([once(20.0, 100), once(40.0, 100)], [10, 2]);
}

/// The readings that are kept are those of which the core made the grid.
#[test]
fn the_readings_that_count_are_kept() {
    for seed in 1..6 {
        let outcome = run(
            |scenario| {
                scenario.measuring.feel_um = NotNegative(30.0);
                scenario.measuring.blunder_share = Share(0.15);
                // Nothing of a corner round counts.
                scenario.measuring.corner_limit_um = (seed % 2 == 0).then_some(150);
            },
            seed,
        );
        let mut readings = outcome.readings.clone();
        readings.sort_by_key(|reading| (reading.y_um, reading.x_um));
        let heights_um: Vec<i16> = readings.iter().map(|reading| reading.height_um as i16).collect();
        let lattice = outcome.grid.grid.lattice();
        let again = WeightedLayout::ThreeWithMiddles.grid::<225>(lattice, &heights_um).unwrap();
        assert_eq!(again.nodes_um(), outcome.grid.grid.nodes_um(), "seed {seed}");
    }
}

/// The demo's bed measured whole, then with turned screws and an old grid to tie; `bent_um` more bow since.
fn with_old_grid(bent_um: f64) -> Scenario {
    let whole = run(|_| (), 1);
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(0.0);
    scenario.measuring.settle_um = Bounded(0.0);
    scenario.tie = Some(Box::new(OldGrid {
        grid: whole.grid,
        screws_raised_um: Vec::new(),
        surveys: OlderSurveys::default(),
        plate: None,
    }));
    for (screw, by_um) in scenario.bed.screws.iter_mut().zip([150.0, -60.0, 30.0, 210.0]) {
        screw.height_um.0 += by_um;
    }
    for form in &mut scenario.bed.forms {
        if let Form::Bow { height_um, .. } = form {
            height_um.0 += bent_um;
        }
    }
    scenario
}

#[test]
fn a_tie_follows_the_screws_with_five_readings() {
    let scenario = with_old_grid(0.0);
    let outcome = survey(&scenario, scenario.stations(), 1).unwrap();
    // The corners, the middle, the first once more.
    assert_eq!(readings(&outcome).len(), 6);
    let tie = outcome.grid.tie.unwrap();
    assert_eq!((tie.count(), outcome.grid.setup), (1, 1));
    assert!(tie.residual_um() <= 15, "{tie:?}");
    let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let lattice = outcome.grid.grid.lattice();
    for (node, &um) in outcome.grid.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = lattice.node_um((node % 5) as u8, (node / 5) as u8);
        let off_um = f64::from(um) - bed.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        assert!(off_um.abs() <= 25.0, "node {node}: {off_um}");
    }
    assert!(outcome.headline().starts_with("Print with this tied grid"), "{}", outcome.headline());
    assert!(outcome.verdict(&scenario).contains("1 of 3 ties since a whole survey"));
    // It is much quicker than fourteen visits.
    assert!(outcome.seconds < run(|_| (), 1).seconds - 4.0 * 60.0, "{}", outcome.seconds);
}

#[test]
fn a_bent_plate_is_not_tied() {
    let scenario = with_old_grid(160.0);
    let refused = survey(&scenario, scenario.stations(), 1).unwrap_err();
    assert!(matches!(refused, BenchError::Tie(TieError::Shape { residual_um: 101..=160 })), "{refused}");
    assert!(refused.to_string().ends_with("a whole survey is needed"), "{refused}");
    // Nor is one of another temperature, nor one that was tied too often.
    let mut cold = with_old_grid(0.0);
    cold.measuring.bed_temperature_c += 20;
    let refused = survey(&cold, cold.stations(), 1).unwrap_err();
    assert!(matches!(refused, BenchError::Keeper(KeeperError::Tie(TieError::NoGrid { .. }))), "{refused}");
    let mut often = with_old_grid(0.0);
    often.tie.as_mut().unwrap().grid.tie = Tie::new(MAX_TIES, 0);
    let refused = survey(&often, often.stations(), 1).unwrap_err();
    assert!(matches!(refused, BenchError::Keeper(KeeperError::Tie(TieError::TooOften))), "{refused}");
}
