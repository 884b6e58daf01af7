//! Power cuts on three memories: at every step of a save and at every place inside it, then the same in the next save.
//!
//! Each history ends in a start from raw cells. `GAPKEEPER_DEPTH=3` goes one save deeper (hours), `GAPKEEPER_SAMPLES`
//! and `GAPKEEPER_SEED` change what is drawn. A failure prints a word; `GAPKEEPER_REPLAY=word` repeats that history
//! alone. Run with `-- --nocapture` to see the counts.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::time::Instant;

use gapkeeper::Saved;
use gapkeeper_tests::media::{ByteChip, Deed, I2cChip, Medium, NorChip};
use gapkeeper_tests::power_cuts::{Code, Report, Scenario, replay, sample, search};
use gapkeeper_tests::stores::{Found, Mistake, Real, Sketch, Stepwise, Subject, value};

fn from_environment(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|text| text.parse().unwrap_or_else(|_| panic!("{name}={text}: use a number")))
}

/// True if another history is to be repeated alone.
fn is_replaying() -> bool {
    std::env::var_os("GAPKEEPER_REPLAY").is_some()
}

fn every_cut<M: Medium>(subject: &impl Subject) {
    if is_replaying() {
        return;
    }
    let start = Instant::now();
    let depth = from_environment("GAPKEEPER_DEPTH").unwrap_or(2) as usize;
    let mut all = Report::default();
    for scenario in Scenario::ALL {
        all += search::<M>(subject, scenario, depth, 1).unwrap_or_else(|error| panic!("{error}"));
    }
    println!("medium {}, every history of {depth} cuts: {all:?} in {:.1?}", M::LETTER, start.elapsed());
}

/// Goals 1 to 4: every step, every place, nine torn states, then all of it again; a new start after each cut.
#[test]
fn every_cut_twice_on_a_byte_written_eeprom() {
    every_cut::<ByteChip>(&Real);
}

/// Goals 1 to 4, a whole page at risk.
#[test]
fn every_cut_twice_on_an_i2c_eeprom() {
    every_cut::<I2cChip>(&Real);
}

/// Goals 1 to 4, with units that cannot be read and half-erased pages.
#[test]
fn every_cut_twice_on_nor_flash() {
    every_cut::<NorChip>(&Real);
}

/// The same by steps, each with one access to the memory at most: a save that is carried on piece by piece.
#[test]
fn every_cut_twice_step_by_step() {
    every_cut::<ByteChip>(&Stepwise);
    every_cut::<I2cChip>(&Stepwise);
    every_cut::<NorChip>(&Stepwise);
}

fn samples<M: Medium>(depth: usize) {
    if is_replaying() {
        return;
    }
    let start = Instant::now();
    let count = from_environment("GAPKEEPER_SAMPLES").unwrap_or(500);
    let seed = from_environment("GAPKEEPER_SEED").unwrap_or(20);
    let mut all = Report::default();
    for scenario in Scenario::ALL {
        all += sample::<M>(&Real, scenario, depth, 1, count, seed).unwrap_or_else(|error| panic!("{error}"));
    }
    println!("medium {}, drawn histories of {depth} cuts: {} in {:.1?}", M::LETTER, all.histories, start.elapsed());
}

/// Deeper, drawn from a seed, with power really cut in the middle of the call. One of the cuts may leave cells
/// that read differently from time to time; for more of them see `the_known_limit`.
#[test]
fn three_cuts_and_more_drawn_from_a_seed() {
    for depth in [3, 4, 9] {
        samples::<ByteChip>(depth);
        samples::<I2cChip>(depth);
        samples::<NorChip>(depth);
    }
}

/// Power cut before every call on the bus, reads, polls and acknowledges too, during a save and during a start.
fn every_call<M: Medium>() {
    let mut cuts = 0;
    for scenario in Scenario::ALL {
        let (cells, before) = scenario.start::<M>(&Real);
        let new = &scenario.saves()[0];
        for call in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().cut_at_call = Some(call);
            let outcome = Real.save(chip.slots(), new);
            let was_cut = !chip.bus().has_power;
            let mut after = M::with_cells(chip.bus().cells.clone());
            let found = Real.load(after.slots(), scenario.is_setup());
            let (old, new) = (before.clone().map_or(Found::Nothing, Found::Value), Found::Value(new.clone()));
            assert!(found == old || found == new, "{scenario:?}, call {call}: {found:?}");
            if !was_cut {
                assert_eq!((outcome, found), (Ok(Saved::Written), new));
                break;
            }
            assert_eq!(outcome, Err("access"));
            cuts += 1;
        }
        for call in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().cut_at_call = Some(call);
            let found = Real.load(chip.slots(), scenario.is_setup());
            assert_eq!(chip.bus().cells, cells, "a start changes nothing");
            if chip.bus().has_power {
                break;
            }
            assert_eq!(found, Found::Failed);
            cuts += 1;
        }
    }
    println!("medium {}, cuts before a call: {cuts}", M::LETTER);
    assert!(cuts > 100);
}

/// Every call on the bus, cut there.
#[test]
fn every_call_on_the_bus() {
    every_call::<ByteChip>();
    every_call::<I2cChip>();
    every_call::<NorChip>();
}

/// A search derives the cells that a cut leaves from the steps of a whole save. Here each such cut is really made.
fn derived_cuts_are_real<M: Medium>() {
    for scenario in [Scenario::First, Scenario::Overwrite] {
        let (cells, _) = scenario.start::<M>(&Real);
        let new = &scenario.saves()[0];
        let mut whole = M::with_cells(cells.clone());
        whole.bus().journal = Some(Vec::new());
        Real.save(whole.slots(), new).unwrap();
        let steps = whole.bus().journal.take().unwrap();
        assert!(steps.iter().any(|step| step.deed != Deed::Erase));
        let mut before = cells.clone();
        for (index, step) in steps.iter().enumerate() {
            for place in step.places() {
                for &torn in M::torn_states() {
                    let cut = gapkeeper_tests::media::Cut { step: index, place, torn, reading: 0 };
                    let mut chip = M::with_cells(cells.clone());
                    chip.bus().cut = Some(cut);
                    Real.save(chip.slots(), new).unwrap_err();
                    let mut derived = before.clone();
                    derived.tear(step, place, torn, &mut gapkeeper_tests::media::Random(0));
                    assert_eq!(chip.bus().cells, derived, "{cut:?}");
                }
            }
            before.apply(step);
        }
        assert_eq!(before, whole.bus().cells);
    }
}

#[test]
fn the_search_makes_the_cuts_it_speaks_of() {
    derived_cuts_are_real::<ByteChip>();
    derived_cuts_are_real::<I2cChip>();
    derived_cuts_are_real::<NorChip>();
}

fn replay_on_its_medium(subject: &impl Subject, code: &Code) -> Result<(), String> {
    match code.medium() {
        ByteChip::LETTER => replay::<ByteChip>(subject, code),
        I2cChip::LETTER => replay::<I2cChip>(subject, code),
        NorChip::LETTER => replay::<NorChip>(subject, code),
        letter => Err(format!("there is no medium {letter}: use B, I or N")),
    }
}

/// The history in `GAPKEEPER_REPLAY`, alone.
#[test]
fn replay_from_the_environment() {
    if let Ok(word) = std::env::var("GAPKEEPER_REPLAY") {
        let code = Code::parse(&word).unwrap_or_else(|| panic!("{word} is no history"));
        replay_on_its_medium(&Real, &code).unwrap_or_else(|error| panic!("{error}"));
        println!("{word} holds");
    }
}

/// The word that a search prints repeats its failure, and the core's store does not have it.
#[test]
fn a_word_repeats_a_failure() {
    for mistake in [Mistake::SameSlot, Mistake::NoSeal, Mistake::SkipsEqualUnits] {
        let failure = search::<ByteChip>(&Sketch(mistake), Scenario::Overwrite, 2, 1).unwrap_err();
        let word = failure.rsplit('=').next().unwrap();
        let code = Code::parse(word).unwrap();
        assert_eq!(code.word(), word);
        let again = replay_on_its_medium(&Sketch(mistake), &code).unwrap_err();
        assert_eq!(again.lines().next(), failure.lines().next(), "{mistake:?}");
        assert_eq!(replay_on_its_medium(&Real, &code), Ok(()), "{mistake:?}");
    }
    for word in ["", "Bo1", "Bx1:0.0.0.0", "Bo1:0.0.99.0", "Bo1:0.0.0", "Bo:0.0.0.0", "Bo1:0.v.0.0"] {
        assert_eq!(Code::parse(word), None, "{word}");
    }
}

/// Beyond the promise: four cuts in a row, of which one leaves a seal unstable and the next one the slot of the only
/// other record. Whoever closes this gap will find this test in the way, and should turn it round.
#[test]
#[ignore = "this history was found for layout 2; with records of layout 3 its chances fall otherwise, and one has to be found anew"]
fn the_known_limit() {
    let code = Code::parse("No5432813:0.9.3.0,9.0.8.0,0.0.8.0,6.0.7.0").unwrap();
    let lost = replay_on_its_medium(&Real, &code).unwrap_err();
    assert!(lost.starts_with("found None"), "{lost}");
}

/// The values of a scenario differ, or its histories would prove little.
#[test]
fn the_values_differ() {
    for setup in [false, true] {
        for first in 0..6 {
            for second in 0..first {
                assert_ne!(value(setup, first), value(setup, second));
            }
        }
    }
}
