use super::*;
use crate::demo;

/// Two years of mishaps, and nothing that must never happen.
#[test]
fn nothing_that_must_never_happen_does() {
    let scenario = demo::scenario().unwrap();
    let mut life = Life::new(&scenario, 1, None).unwrap();
    for number in 1..=700 {
        let day = life.day(number).unwrap();
        assert_eq!(day.faults, [], "{day:?}");
    }
    let counts = life.counts();
    println!("{counts:?}");
    // The life was one worth living: all of it happened.
    assert!(counts.cuts > 30 && counts.surveys > 100 && counts.screw_turns > 20 && counts.aborted_surveys > 10);
    assert!(counts.ties > 20, "{counts:?}");
    assert!(counts.corrected_jobs > 50 && counts.uncorrected_jobs > 50 && counts.uncertain_setups > 5, "{counts:?}");
}

/// The judge can tell: a keeper that is told nothing of a turned screw is caught.
#[test]
fn a_forgotten_screw_is_caught() {
    let scenario = demo::scenario().unwrap();
    let mut faults = Vec::new();
    for seed in 0..6 {
        let mut life = Life::new(&scenario, seed, None).unwrap();
        for number in 1..100 {
            faults.extend(life.day(number).unwrap().faults);
            life.truth.setup += u32::from(number == 50);
        }
    }
    assert!(faults.contains(&Fault::StaleApplied), "{faults:?}");
}

/// So is a memory that falls back to what it held a while ago.
#[test]
fn a_memory_that_forgets_is_caught() {
    let scenario = demo::scenario().unwrap();
    let mut life = Life::new(&scenario, 4, None).unwrap();
    let mut faults = Vec::new();
    let mut earlier = life.cells.bytes.clone();
    for number in 1..400 {
        faults.extend(life.day(number).unwrap().faults);
        if number % 20 == 0 {
            std::mem::swap(&mut earlier, &mut life.cells.bytes);
        }
    }
    assert!(faults.contains(&Fault::Lost) && faults.contains(&Fault::StaleApplied), "{faults:?}");
}

#[test]
fn the_memory_lives_in_its_file() {
    let scenario = demo::scenario().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cells.bin");
    let mut with_file = Life::new(&scenario, 5, Some(path.clone())).unwrap();
    let mut without = Life::new(&scenario, 5, None).unwrap();
    for number in 1..50 {
        assert_eq!(with_file.day(number).unwrap(), without.day(number).unwrap());
    }
    assert_eq!(fs::read(&path).unwrap(), without.cells.bytes);
    // Begun anew over the memory of an earlier life, and over nothing else.
    assert!(Life::new(&scenario, 6, Some(path.clone())).is_ok());
    let memory = fs::read(&path).unwrap();
    for foreign in [&b"G28\nG1 X10 E1\n"[..], b"", &memory[1..], &[0xFF; MEMORY_BYTES], &[&memory[..], b"1"].concat()] {
        fs::write(&path, foreign).unwrap();
        assert!(matches!(Life::new(&scenario, 5, Some(path.clone())), Err(LifeError::NotOurs { .. })));
        assert_eq!(fs::read(&path).unwrap(), foreign);
    }
    assert!(matches!(Life::new(&scenario, 5, Some(folder.path().to_owned())), Err(LifeError::NotOurs { .. })));
}

/// Tolerance, feeler and knob of a life are the scenario's.
#[test]
fn a_life_is_set_up_by_its_scenario() {
    let mut scenario = demo::scenario().unwrap();
    scenario.correction.tolerance_um = Some(0);
    assert!(matches!(Life::new(&scenario, 1, None), Err(LifeError::Settings(SettingsError::Tolerance))));
    scenario.correction.tolerance_um = None;
    (scenario.measuring.feeler_um, scenario.measuring.detent_um) = (180, 50);
    // Nodes are readings then.
    scenario.measuring.middles = false;
    let mut life = Life::new(&scenario, 1, None).unwrap();
    for number in 1..40 {
        assert_eq!(life.day(number).unwrap().faults, []);
    }
    assert!(life.truth.measured.len() > 5);
    for Measured { grid, .. } in life.truth.measured.iter().filter(|measured| measured.grid.tie.is_none()) {
        // In whole detents from where a survey begins, less the feeler.
        assert!(grid.grid.nodes_um().iter().all(|node_um| (2000 - 180 - node_um) % 50 == 0), "{grid:?}");
    }
}

/// The days of a life, none of which has a fault.
fn days_without_fault(scenario: &Scenario, seed: u64, days: u32) -> Vec<Day> {
    let mut life = Life::new(scenario, seed, None).unwrap();
    let days: Vec<Day> = (1..=days).map(|number| life.day(number).unwrap()).collect();
    for day in &days {
        assert_eq!(day.faults, [], "seed {seed}: {day:?}");
    }
    days
}

/// Of this seed a tie is over by the step at which somebody would abort it.
#[test]
fn a_survey_that_is_over_is_not_aborted() {
    let days = days_without_fault(&demo::scenario().unwrap(), 86, 40);
    let events: Vec<&String> = days.iter().flat_map(|day| &day.events).collect();
    let no_survey = gapkeeper::KeeperError::NoSurvey.to_string();
    assert!(!events.iter().any(|event| event.contains(&no_survey)), "{events:?}");
}

/// Screws of the demo, one of them in the middle of the back.
#[test]
fn three_screws_twist_no_plate() {
    let mut scenario = demo::scenario().unwrap();
    scenario.bed.screws.truncate(3);
    (scenario.bed.screws[2].x_mm, scenario.bed.screws[2].y_mm) =
        (crate::scenario::Bounded(115.0), crate::scenario::Bounded(185.0));
    let mut life = Life::new(&scenario, 3, None).unwrap();
    for number in 1..=365 {
        let day = life.day(number).unwrap();
        assert_eq!((day.faults.as_slice(), life.truth.twist_um), (&[][..], 0.0), "{day:?}");
    }
    assert!(life.counts().ties > 10 && life.counts().screw_turns > 20, "{:?}", life.counts());
}

/// A dent between the stations: the whole survey does not see it either. A bed that bends after that is another matter.
#[test]
fn a_tie_is_no_worse_than_its_whole_survey() {
    let mut text = demo::SCENARIO_TEXT.to_owned();
    text += "\n[[bed.forms]]\nkind = \"dent\"\nx_mm = 67\ny_mm = 100\nradius_mm = 45\ndepth_um = 300\n";
    let scenario = Scenario::parse(&text, "dented", PathBuf::new()).unwrap();
    let days = days_without_fault(&scenario, 1, 365);
    assert!(days.iter().flat_map(|day| &day.events).any(|event| event.starts_with("tie at")));
    // Off by that dent is more than what a tie may add.
    let mut life = Life::new(&demo::scenario().unwrap(), 1, None).unwrap();
    let mut faults = Vec::new();
    for number in 1..=365 {
        if number == 180 {
            life.bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
        }
        faults.extend(life.day(number).unwrap().faults);
    }
    assert!(faults.contains(&Fault::TiedWrongly), "{faults:?}");
}
