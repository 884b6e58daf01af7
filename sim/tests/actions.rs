//! What the verdict advises is what comes of it: every share is found again by a replay with the action taken.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fmt::Write as _;
use std::io::Cursor;

use gapkeeper::{HeightGrid, Lattice, Surface};
use gapkeeper_sim::outcome::{Outcome, Run};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::{Bounded, Celsius, Count, NotNegative, Scenario};
use gapkeeper_sim::setup::Setup;
use gapkeeper_sim::survey::survey;
use gapkeeper_sim::{demo, summary};

/// Lines all over the bed, 3 m of them.
fn job() -> String {
    let mut job = String::from("M83\nG0 Z5\nG0 X20 Y20\nG0 Z0.2\n");
    for line in 0..20 {
        let y_mm = 20 + 8 * line;
        let _ = writeln!(job, "G0 X20 Y{y_mm}\nG1 X180 E6 F1200");
    }
    job
}

/// The demo's machine over a bed that stands so high everywhere.
fn level(height_um: f64) -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.bed.forms.clear();
    scenario.bed.screws.iter_mut().for_each(|screw| screw.height_um = Bounded(height_um));
    scenario
}

/// Read by hand, and the readings say so high everywhere.
fn read(scenario: &Scenario, height_um: i16) -> Setup {
    let lattice = Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 95_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    Setup {
        grid: HeightGrid::new(lattice, &[height_um; 9]).unwrap(),
        by_hand: true,
        ..Setup::read_off(scenario).unwrap()
    }
}

fn advised(setup: &Setup) -> Outcome {
    advised_within(setup, 50.0)
}

fn advised_within(setup: &Setup, tolerance_um: f64) -> Outcome {
    replay("job", Cursor::new(job()), &Settings { advise: true, tolerance_um, ..setup.settings() }).unwrap()
}

/// Share that is good in the run that would be used, per cent, without asking for advice.
fn good_percent(setup: &Setup) -> f64 {
    good_percent_within(setup, 50.0)
}

fn good_percent_within(setup: &Setup, tolerance_um: f64) -> f64 {
    let outcome = replay("job", Cursor::new(job()), &Settings { tolerance_um, ..setup.settings() }).unwrap();
    100.0 * outcome.runs.iter().find(|run| run.in_use).unwrap().first_layer.good()
}

fn same(found: Option<f64>, wanted: f64) {
    assert!(found.is_some_and(|found| (found - wanted).abs() < 1e-6), "{found:?} instead of {wanted}");
}

/// The plate stands 60 µm lower than the readings say: nothing is good, and all of it with the shift put right.
#[test]
fn the_shift_that_is_missing_is_found() {
    let scenario = level(0.0);
    let outcome = advised(&read(&scenario, 60));
    assert_eq!(outcome.verdict.headline, "Nothing of the first layer will stick, 100 % too far: do not print yet.");
    let action = &outcome.verdict.actions[0];
    assert_eq!(action.text, "Lower the shift by 60 µm.");
    let mut shifted = scenario.clone();
    shifted.correction.shift_um = -60;
    same(action.share_percent, good_percent(&read(&shifted, 60)));
    same(action.share_percent, 100.0);
    assert_eq!(action.line(), "Lower the shift by 60 µm. 100 % good.");
}

/// The plate stands 300 µm above the readings, the layer is 200 thick.
#[test]
fn contact_is_named_with_its_place_and_mended() {
    let scenario = level(300.0);
    let outcome = advised(&read(&scenario, 0));
    assert_eq!(outcome.verdict.headline, "Nozzle meets the plate at line 6, X 20 Y 20: do not print.");
    let texts: Vec<&str> = outcome.verdict.actions.iter().map(|action| action.text.as_str()).collect();
    assert!(texts.contains(&"Raise the shift by 300 µm."), "{texts:?}");
    for action in &outcome.verdict.actions {
        same(action.share_percent, 100.0);
    }
    assert!(summary::text(&outcome).starts_with(&format!("{}\n  1. ", outcome.verdict.headline)));
    let json: serde_json::Value = serde_json::from_str(&summary::json(&outcome)).unwrap();
    assert_eq!(json["verdict"]["headline"], outcome.verdict.headline);
    assert_eq!(json["verdict"]["actions"][0]["share_percent"], 100.0);
}

/// Over the demo's bow the readings as they are do worse than refined: the share of that run stands in the outcome.
#[test]
fn the_better_surface_is_named() {
    let scenario = demo::scenario().unwrap();
    let setup = Setup { surface: Surface::Bilinear, by_hand: true, ..Setup::read_off(&scenario).unwrap() };
    let outcome = advised(&setup);
    let action = outcome.verdict.actions.iter().find(|action| action.text == "Take the refined surface.").unwrap();
    same(action.share_percent, 100.0 * outcome.runs[Run::Refined as usize].first_layer.good());
    let shares: Vec<f64> = outcome.verdict.actions.iter().filter_map(|action| action.share_percent).collect();
    assert!(shares.is_sorted_by(|a, b| a >= b) && (1..=3).contains(&shares.len()), "{shares:?}");
}

/// What is still to be measured is worth what the scenario's hand makes of it: the mean of five surveys.
#[test]
fn measuring_is_worth_what_the_hand_makes_of_it() {
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(35.0);
    let outcome = advised(&Setup::read_off(&scenario).unwrap());
    let action = &outcome.verdict.actions[0];
    let words: Vec<&str> = action.text.split(' ').collect();
    let count = words[1].parse::<u8>().unwrap();
    if count != 3 {
        scenario.survey.stations = [Count(count); 2];
    }
    let share = |seed| {
        let found = survey(&scenario, scenario.stations(), seed).unwrap();
        good_percent(&Setup::surveyed(&scenario, &found))
    };
    same(action.share_percent, (1..=5).map(share).sum::<f64>() / 5.0);
}

/// The machine refuses what is below its switch: screws are raised, and measured again.
#[test]
fn refusal_is_named_and_mended() {
    let mut scenario = level(-400.0);
    scenario.machine.limit_switch_trips_at_mm = Bounded(-0.1);
    let outcome = advised(&read(&scenario, -400));
    assert!(outcome.verdict.headline.starts_with("Moves below the limit switch are refused from line 4 on"));
    let texts: Vec<&str> = outcome.verdict.actions.iter().map(|action| action.text.as_str()).collect();
    assert!(texts.iter().any(|text| text.starts_with("Raise every screw by 500 µm, measure again")), "{texts:?}");
}

/// Nothing is advised that leaves the nozzle in the plate or a move refused where nothing is laid.
#[test]
fn what_goes_wrong_on_the_way_is_not_forgotten() {
    let scenario = level(0.0);
    for (start, headline) in [
        ("G0 X20 Y20 Z5\nG0 Z-0.03\nG0 X200\n", "Nozzle meets the plate at line 4, X 20 Y 20"),
        ("G0 X20 Y20 Z5\nG0 Z-1\n", "Moves below the limit switch are refused from line 4 on"),
    ] {
        let job = job().replacen("G0 X20 Y20\n", start, 1);
        let advised =
            |setup: &Setup| replay("job", Cursor::new(&job), &Settings { advise: true, ..setup.settings() }).unwrap();
        let outcome = advised(&read(&scenario, 0));
        assert!(outcome.verdict.headline.starts_with(headline), "{}", outcome.verdict.headline);
        let raises = outcome.verdict.actions.iter().any(|action| action.text == "Raise the shift by 40 µm.");
        assert_eq!(raises, headline.starts_with("Nozzle"), "{:?}", outcome.verdict.actions);
        for action in &outcome.verdict.actions {
            // Only what raises the nozzle by as much, and not where nothing sticks then.
            let Some(by_um) = action.text.strip_prefix("Raise the shift by ") else {
                assert!(action.text.starts_with("Nothing tried out") && headline.starts_with("Moves"), "{action:?}");
                continue;
            };
            let by_um: i32 = by_um.split(' ').next().unwrap().parse().unwrap();
            let mut shifted = scenario.clone();
            shifted.correction.shift_um = by_um;
            assert!(advised(&read(&shifted, 0)).faults.is_empty(), "{action:?}");
        }
    }
}

/// A plate of glass that was read cold and is printed on hot stands elsewhere then: measure it hot, or, where that is
/// near enough for the material, print as warm as it was read.
#[test]
fn another_temperature_is_tried_out() {
    let text = include_str!("../demo/glass.toml");
    let mut scenario = Scenario::parse(text, "glass.toml", std::path::PathBuf::new()).unwrap();
    for (read_c, printed_c, tolerance_um) in [(20, 100.0, 50.0), (88, 100.0, 8.0)] {
        scenario.measuring.bed_temperature_c = read_c;
        scenario.printing.bed_temperature_c = Some(Celsius(printed_c));
        let setup = Setup { by_hand: true, ..Setup::read_off(&scenario).unwrap() };
        let actions = advised_within(&setup, tolerance_um).verdict.actions;
        let of = |start: &str| actions.iter().find(|action| action.text.starts_with(start));
        if read_c == 20 {
            let hot = of("Measure with the bed at 100 °C, where the job runs.").unwrap();
            let mut warm = scenario.clone();
            warm.measuring.bed_temperature_c = 100;
            let share = |seed| {
                let found = survey(&warm, warm.stations(), seed).unwrap();
                good_percent(&Setup::surveyed(&warm, &found))
            };
            same(hot.share_percent, (1..=5).map(share).sum::<f64>() / 5.0);
        }
        let as_read = of("Print with the bed at 88 °C, where the grid was read, if the material allows it.");
        assert_eq!(as_read.is_some(), read_c == 88, "{actions:?}");
        if let Some(as_read) = as_read {
            let mut warm = setup.clone();
            warm.scenario.printing.bed_temperature_c = Some(Celsius(88.0));
            same(as_read.share_percent, good_percent_within(&warm, tolerance_um));
        }
    }
}

/// Where all is well there is nothing to mend, and nobody is asked to do anything else.
#[test]
fn nothing_is_advised_where_all_is_well() {
    let outcome = advised(&read(&level(0.0), 0));
    assert_eq!(outcome.verdict.headline, "All of the first layer will stick: print.");
    let texts: Vec<&str> = outcome.verdict.actions.iter().map(|action| action.text.as_str()).collect();
    assert_eq!(texts, ["Print with the refined surface."]);
}

/// Two millimetres of first layer, or a job that lies beside the plate: no comfort, and nothing to do that gains nothing.
#[test]
fn what_is_hardly_judged_is_no_comfort() {
    let setup = read(&level(0.0), 0);
    let of = |job: &str| replay("job", Cursor::new(job), &Settings { advise: true, ..setup.settings() }).unwrap();
    let tiny = of("M83\nG0 X50 Y50 Z0.2\nG1 X52 E0.1 F1200\n");
    assert_eq!(
        tiny.verdict.headline,
        "Almost nothing was judged, 2.0 mm of first layer, 100 % of it good: see what the job prints on the plate."
    );
    assert!(summary::text(&tiny).contains("2.0 mm judged of 2.0 mm on the bed"), "{}", summary::text(&tiny));
    let beside = of("M83\nG0 X50 Y-20 Z0.2\nG1 X180 E6\nG0 Y-10\nG1 X50 E6 F1200\n");
    assert!(beside.verdict.headline.contains("beyond the plate") && beside.verdict.actions.is_empty());
    // 150 mm of 6 m lie on it.
    let mut job = String::from("M83\nG0 X20 Y20 Z0.2\nG1 X170 E6 F1200\n");
    for line in 0..40 {
        let _ = writeln!(job, "G0 X20 Y{}\nG1 X170 E6", -50 - line);
    }
    for setup in [setup.clone(), Setup { by_hand: false, ..setup.clone() }] {
        let outcome = replay("job", Cursor::new(&job), &Settings { advise: true, ..setup.settings() }).unwrap();
        let Outcome { verdict, .. } = outcome;
        assert!(verdict.headline.ends_with("off the bed: move the job onto the plate."), "{}", verdict.headline);
        assert_eq!(verdict.actions, []);
    }
}

/// The demo's machine over a bed with waves of 150 µm, no shorter than this, read by hand.
fn rough(shortest_mm: u32) -> Setup {
    let rough = format!("rms_um = 150\nshortest_mm = {shortest_mm}\nseed = 7");
    let text = demo::SCENARIO_TEXT.replace("rms_um = 6\nshortest_mm = 60\nseed = 7", &rough);
    let scenario = Scenario::parse(&text, "rough.toml", std::path::PathBuf::new()).unwrap();
    Setup { by_hand: true, ..Setup::read_off(&scenario).unwrap() }
}

/// A bed too rough for its few stations: measuring finer gains more than raising the nozzle out of it, and what leaves
/// nearly all of it bad is not named at all.
#[test]
fn a_rough_bed_is_measured_finer() {
    let setup = rough(36);
    let Outcome { verdict, .. } = advised(&setup);
    let shares: Vec<f64> = verdict.actions.iter().filter_map(|action| action.share_percent).collect();
    assert!(shares.is_sorted_by(|a, b| a >= b) && shares.iter().all(|share| *share >= 25.0), "{verdict:?}");
    let first = &verdict.actions[0];
    assert!(first.text.starts_with("Measure ") && first.text.contains(" raise the shift by "), "{verdict:?}");
    // And it is what comes of it.
    let words: Vec<&str> = first.text.split([' ', ',']).collect();
    let mut other = setup.scenario.clone();
    other.survey.stations = [Count(words[1].parse().unwrap()); 2];
    let shift_at = words.windows(2).position(|words| words == ["shift", "by"]).unwrap() + 2;
    other.correction.shift_um = words[shift_at].parse().unwrap();
    let share = |seed| {
        let found = survey(&other, other.stations(), seed).unwrap();
        good_percent(&Setup::surveyed(&other, &found))
    };
    same(first.share_percent, (1..=5).map(share).sum::<f64>() / 5.0);

    // With waves this short nothing helps, and the verdict says so.
    let actions = advised(&rough(30)).verdict.actions;
    assert!(actions.len() == 1 && actions[0].share_percent.is_none(), "{actions:?}");
    assert!(actions[0].text.starts_with("Nothing tried out"), "{actions:?}");
}
