//! Calls that fail and cells that are worn, one after the other until none is left.

use gapkeeper::Saved;

use crate::media::{Failing, Medium, Worn};
use crate::power_cuts::Scenario;
use crate::stores::{Found, Subject};

fn complain<T>(what: &str, found: &Found) -> Result<T, String> {
    Err(format!("{what}: {found:?}"))
}

/// The n-th call fails once, and for ever, for every n, during a save and during a load. Returns the number of runs.
///
/// The caller gets an error, or the call did not matter; the old or the new value is found; a later save succeeds.
///
/// # Errors
/// What went wrong, and at which call.
pub fn failing_calls<M: Medium>(subject: &impl Subject, scenario: Scenario) -> Result<u64, String> {
    let (cells, before) = scenario.start::<M>(subject);
    let old = before.map_or(Found::Nothing, Found::Value);
    let value = &scenario.saves()[0];
    let new = Found::Value(value.clone());
    let load = |chip: &mut M| subject.load(chip.slots(), scenario.is_setup());
    let mut runs = 0;
    for kind in [Failing::Once, Failing::From] {
        for call in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().failing = Some(kind(call));
            let outcome = subject.save(chip.slots(), value);
            if chip.bus().was_misused {
                return complain(&format!("save, call {call}: misused"), &old);
            }
            let was_reached = chip.bus().counts.calls > call;
            // At once again, on the same chip.
            if let (Failing::Once(_), Err(error)) = (kind(call), outcome)
                && (subject.save(chip.slots(), value).is_err() || load(&mut chip) != new)
            {
                return complain(&format!("save, call {call}: {error}, and so again at once"), &old);
            }
            // Later, the bus works again.
            let mut later = M::with_cells(chip.bus().cells.clone());
            let found = load(&mut later);
            if found != new && (outcome.is_ok() || found != old) {
                return complain(&format!("save, {:?}: {outcome:?}, but found", kind(call)), &found);
            }
            if subject.save(later.slots(), value).is_err() || load(&mut later) != new {
                return complain(&format!("save, {:?}: a later one fails", kind(call)), &found);
            }
            runs += 1;
            if !was_reached {
                break;
            }
        }
        for call in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().failing = Some(kind(call));
            let found = load(&mut chip);
            if found != old && found != Found::Failed {
                return complain(&format!("load, {:?}", kind(call)), &found);
            }
            runs += 1;
            if chip.bus().counts.calls <= call {
                break;
            }
        }
    }
    Ok(runs)
}

/// Every cell of the record's two slots worn in every way. Returns the number of runs.
///
/// A save that says that it was kept is found, on the same worn cells; one that reports an error leaves what was found
/// before it, or the new value.
///
/// # Errors
/// What went wrong, and how the cells were worn.
pub fn worn_cells<M: Medium>(subject: &impl Subject, scenario: Scenario) -> Result<u64, String> {
    let (cells, _) = scenario.start::<M>(subject);
    let value = &scenario.saves()[0];
    let new = Found::Value(value.clone());
    let region = M::region();
    let first_slot = if scenario.is_setup() { 0 } else { 2 };
    let start = (region.first_address + first_slot * region.slot_size) as usize;
    let end = start + 2 * region.slot_size as usize;
    let mut ways = Vec::new();
    for address in start..end {
        for bit in 0..8 {
            ways.extend([false, true].map(|one| Worn::StuckBit { address, bit, one }));
        }
        let cell = address..address + 1;
        ways.extend([Worn::SilentNoWrite(cell.clone()), Worn::Refused(cell.clone()), Worn::Unreadable(cell)]);
    }
    for slot in 0..2 {
        let first = start + slot * region.slot_size as usize;
        ways.push(Worn::SilentNoErase(first..first + region.slot_size as usize));
    }
    let mut runs = 0;
    for way in ways {
        let mut chip = M::with_cells(cells.clone());
        chip.bus().worn = vec![way.clone()];
        let before = subject.load(chip.slots(), scenario.is_setup());
        let outcome = subject.save(chip.slots(), value);
        let found = subject.load(chip.slots(), scenario.is_setup());
        let is_right = match outcome {
            Ok(Saved::Written) => found == new,
            Ok(Saved::Unchanged) => false,
            // A cell that refuses to be read is an error at each load that reaches it.
            Err(_) if found == Found::Failed => matches!(way, Worn::Unreadable(_)),
            Err(_) => found == before || found == new,
        };
        if !is_right {
            return complain(&format!("{way:?}: {outcome:?}, before {before:?}, but found"), &found);
        }
        runs += 1;
    }
    Ok(runs)
}
