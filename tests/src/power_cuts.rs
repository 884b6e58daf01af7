//! A search through histories of power cuts: every cut of one save, then every cut of the next, and so on.

use std::collections::HashSet;
use std::fmt::Write as _;

use gapkeeper::Saved;

use crate::media::{Cells, Cut, Medium, Place, Random, Step, Torn};
use crate::stores::{Found, Subject, Value, layout_1, layout_2, seal_offsets, value};

/// What the memory holds when the first save begins, and what that save is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scenario {
    /// The first save of all.
    First,
    /// Both slots are in use.
    Overwrite,
    /// The shift alone changes.
    Shift,
    /// Both slots hold layout 1.
    Migrate,
    /// Both slots hold layout 2, finished.
    MigrateSealed,
    /// The sequence numbers are about to begin again at 0.
    Wrap,
    /// A save that was cut short is tried again.
    Retry,
    /// The setup instead of a grid.
    Setup,
}

impl Scenario {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::First,
        Self::Overwrite,
        Self::Shift,
        Self::Migrate,
        Self::MigrateSealed,
        Self::Wrap,
        Self::Retry,
        Self::Setup,
    ];

    fn letter(self) -> char {
        match self {
            Self::First => 'f',
            Self::Overwrite => 'o',
            Self::Shift => 's',
            Self::Migrate => 'm',
            Self::MigrateSealed => 'n',
            Self::Wrap => 'w',
            Self::Retry => 'r',
            Self::Setup => 'u',
        }
    }

    /// Whether it is about the setup.
    pub fn is_setup(self) -> bool {
        self == Self::Setup
    }

    /// The cells before, and the value that is stored in them.
    pub fn start<M: Medium>(self, subject: &impl Subject) -> (Cells, Option<Value>) {
        let mut chip = M::blank();
        let setup = self.is_setup();
        let place = |chip: &mut M, slot: usize, bytes: &[u8]| {
            let region = M::region();
            let first = (region.first_address + region.slot_size * slot as u32) as usize;
            chip.bus().cells.bytes[first..first + bytes.len()].copy_from_slice(bytes);
        };
        let saved = |chip: &mut M, index| {
            let outcome = subject.save(chip.slots(), &value(setup, index));
            assert_eq!(outcome, Ok(Saved::Written), "{self:?} cannot begin");
        };
        match self {
            Self::First => return (chip.bus().cells.clone(), None),
            Self::Overwrite | Self::Retry => {
                saved(&mut chip, 0);
                saved(&mut chip, 1);
            }
            Self::Shift => {
                saved(&mut chip, 2);
                saved(&mut chip, 3);
            }
            Self::Setup => {
                saved(&mut chip, 0);
                saved(&mut chip, 1);
            }
            Self::Migrate => {
                place(&mut chip, 2, &layout_1(&value(false, 0), 6));
                place(&mut chip, 3, &layout_1(&value(false, 1), 7));
            }
            Self::MigrateSealed => {
                for (slot, index) in [(2, 0), (3, 1)] {
                    let record = layout_2(&value(false, index), 6 + index as u32);
                    place(&mut chip, slot, &record);
                    let seal: Vec<u8> = record[record.len() - 4..].iter().map(|byte| !byte).collect();
                    let offsets = seal_offsets(&chip.slots());
                    for offset in offsets {
                        let first = M::region().first_address + M::region().slot_size * slot as u32;
                        let first = first as usize + offset;
                        chip.bus().cells.bytes[first..first + seal.len()].copy_from_slice(&seal);
                    }
                }
            }
            Self::Wrap => {
                // Layout 1 needs no seal, so any sequence number can be put there.
                place(&mut chip, 2, &layout_1(&value(false, 0), u32::MAX));
                saved(&mut chip, 1);
            }
        }
        let found = subject.load(chip.slots(), setup);
        let Found::Value(value) = found else { panic!("{self:?} cannot begin: {found:?}") };
        (M::with_cells(chip.bus().cells.clone()).bus().cells.clone(), Some(value))
    }

    /// The values saved one after the other.
    pub fn saves(self) -> [Value; 4] {
        let indexes = match self {
            Self::Shift => [4, 2, 3, 5],
            Self::Retry => [2, 2, 2, 5],
            _ => [2, 5, 3, 4],
        };
        indexes.map(|index| value(self.is_setup(), index))
    }
}

/// What a search went through.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Histories, each one a list of cuts.
    pub histories: u64,
    /// Different images among those that the first cut left.
    pub images: u64,
}

impl core::ops::AddAssign for Report {
    fn add_assign(&mut self, other: Self) {
        self.histories += other.histories;
        self.images += other.images;
    }
}

/// One history, as one short word: `Bo7:12.0.3.0,40.w.8.1` is medium B, scenario o, seed 7, and two cuts, each of step,
/// place (w for everywhere), torn state, and the chance that unstable cells had.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Code {
    medium: char,
    scenario: Scenario,
    seed: u64,
    cuts: Vec<Cut>,
}

impl Code {
    /// The word.
    pub fn word(&self) -> String {
        let mut word = format!("{}{}{}", self.medium, self.scenario.letter(), self.seed);
        for (index, cut) in self.cuts.iter().enumerate() {
            let place = match cut.place {
                Place::Grain(grain) => grain.to_string(),
                Place::Everywhere => "w".to_owned(),
            };
            let torn = Torn::ALL_OF_FLASH.iter().position(|torn| *torn == cut.torn).unwrap_or(0);
            let separator = if index == 0 { ':' } else { ',' };
            // Writing to a string cannot fail.
            let _ = write!(word, "{separator}{}.{place}.{torn}.{}", cut.step, cut.reading);
        }
        word
    }

    /// Reads such a word.
    pub fn parse(word: &str) -> Option<Self> {
        let (head, cuts) = word.split_once(':')?;
        let mut letters = head.chars();
        let (medium, letter) = (letters.next()?, letters.next()?);
        let scenario = Scenario::ALL.into_iter().find(|scenario| scenario.letter() == letter)?;
        let seed = letters.as_str().parse().ok()?;
        let cuts = cuts.split(',').map(|cut| {
            let mut parts = cut.split('.');
            let step = parts.next()?.parse().ok()?;
            let place = match parts.next()? {
                "w" => Place::Everywhere,
                grain => Place::Grain(grain.parse().ok()?),
            };
            let torn = *Torn::ALL_OF_FLASH.get(parts.next()?.parse::<usize>().ok()?)?;
            let reading = parts.next()?.parse().ok()?;
            Some(Cut { step, place, torn, reading })
        });
        Some(Self { medium, scenario, seed, cuts: cuts.collect::<Option<_>>()? })
    }

    /// The letter of its medium.
    pub fn medium(&self) -> char {
        self.medium
    }
}

/// Readings of an unstable image, each with other chances.
const READINGS: u64 = 3;

/// What may be found, as far as the histories up to now allow.
#[derive(Clone)]
struct Expected {
    /// The last value whose save was acknowledged.
    acknowledged: Option<Value>,
    /// What the last start found.
    found: Option<Value>,
    /// Saves that were cut short since then.
    attempts: Vec<Value>,
    /// A cut left a cell that reads differently from time to time, or not at all as long as it stays so.
    in_doubt: bool,
}

impl Expected {
    fn check(&self, found: &Found) -> Result<Option<Value>, String> {
        let value = match found {
            Found::Value(value) => Some(value.clone()),
            Found::Nothing => None,
            Found::Failed => return Err("the load failed".to_owned()),
        };
        let is_last_attempt = value.is_some() && value.as_ref() == self.attempts.last();
        let is_an_attempt = value.as_ref().is_some_and(|value| self.attempts.contains(value));
        let allowed = value == self.found
            || is_last_attempt
            // A cell that reads differently each time: anything whole since the last acknowledged one.
            || self.in_doubt && (is_an_attempt || value == self.acknowledged);
        if allowed {
            return Ok(value);
        }
        Err(format!("found {value:?}\n instead of {:?}\n or {:?}", self.found, self.attempts.last()))
    }
}

/// A search over one medium, one scenario, one store.
struct Search<'a, M, S> {
    subject: &'a S,
    scenario: Scenario,
    seed: u64,
    medium: core::marker::PhantomData<M>,
}

impl<M: Medium, S: Subject> Search<'_, M, S> {
    fn chance(&self, cut_count: usize, reading: u64) -> Random {
        Random(self.seed ^ (cut_count as u64) << 32 ^ reading << 40)
    }

    fn boot(&self, cells: &Cells, cut_count: usize, reading: u64) -> M {
        let mut chip = M::with_cells(cells.clone());
        chip.bus().random = self.chance(cut_count, reading);
        chip
    }

    fn load(&self, cells: &Cells, cut_count: usize, reading: u64) -> Found {
        self.subject.load(self.boot(cells, cut_count, reading).slots(), self.scenario.is_setup())
    }

    /// A whole save, without a cut: the steps that it takes.
    fn journal(&self, cells: &Cells, value: &Value, cut_count: usize, reading: u64) -> Result<Vec<Step>, String> {
        let mut chip = self.boot(cells, cut_count, reading);
        chip.bus().journal = Some(Vec::new());
        let outcome = self.subject.save(chip.slots(), value);
        if chip.bus().was_misused {
            return Err("asked for what the chip forbids".to_owned());
        }
        // A store may refuse to save in what it finds; the steps up to there count.
        if outcome.is_err() && !cells.are_unstable() {
            return Err(format!("the save failed: {outcome:?}"));
        }
        Ok(chip.bus().journal.take().unwrap_or_default())
    }

    /// After all cuts: a save that is left alone is found at every start from then on.
    fn settle(&self, cells: &Cells, value: &Value, cut_count: usize, reading: u64) -> Result<(), String> {
        let mut chip = self.boot(cells, cut_count, reading);
        match self.subject.save(chip.slots(), value) {
            Ok(_) => {}
            Err(_) if cells.are_unstable() => return Ok(()),
            Err(error) => return Err(format!("the last save failed: {error}")),
        }
        let readings = if chip.bus().cells.are_unstable() { 3 } else { 1 };
        let cells = chip.bus().cells.clone();
        for reading in 0..readings {
            let found = self.load(&cells, cut_count + 1, reading);
            if found != Found::Value(value.clone()) {
                return Err(format!("acknowledged {value:?}\n but found {found:?}"));
            }
        }
        Ok(())
    }

    fn fail<T>(&self, cuts: &[Cut], what: &str) -> Result<T, String> {
        let code = Code { medium: M::LETTER, scenario: self.scenario, seed: self.seed, cuts: cuts.to_vec() };
        Err(format!("{what}\nreplay with GAPKEEPER_REPLAY={}", code.word()))
    }

    /// All cuts of the next save, and of those after it.
    fn descend(
        &self,
        cells: &Cells,
        expected: &Expected,
        saves: &[Value],
        depth: usize,
        cuts: &mut Vec<Cut>,
        report: &mut Report,
    ) -> Result<(), String> {
        let Some((value, later)) = saves.split_first() else { return Ok(()) };
        if depth == 0 {
            report.histories += 1;
            let readings = if cells.are_unstable() { READINGS } else { 1 };
            for reading in 0..readings {
                self.settle(cells, value, cuts.len(), reading).or_else(|error| self.fail(cuts, &error))?;
            }
            return Ok(());
        }
        let readings = if cells.are_unstable() { READINGS } else { 1 };
        let mut seen = HashSet::new();
        for reading in 0..readings {
            let steps = self.journal(cells, value, cuts.len(), reading).or_else(|error| self.fail(cuts, &error))?;
            if steps.is_empty() {
                // Stored already, it says: then it must be found from now on.
                self.settle(cells, value, cuts.len(), reading).or_else(|error| self.fail(cuts, &error))?;
                report.histories += 1;
                let value = Some(value.clone());
                let kept =
                    Expected { acknowledged: value.clone(), found: value, attempts: Vec::new(), in_doubt: false };
                self.descend(cells, &kept, later, depth - 1, cuts, report)?;
            }
            let mut before = cells.clone();
            for (index, step) in steps.iter().enumerate() {
                for place in step.places() {
                    for &torn in M::torn_states() {
                        let cut = Cut { step: index, place, torn, reading };
                        let mut after = before.clone();
                        after.tear(step, place, torn, &mut self.chance(cuts.len(), reading));
                        cuts.push(cut);
                        // The same cells have the same future.
                        let is_new = seen.insert(after.clone());
                        if is_new {
                            report.images += u64::from(cuts.len() == 1);
                            self.after_cut(&after, expected, value, later, depth - 1, cuts, report)?;
                        } else {
                            report.histories += 1;
                        }
                        cuts.pop();
                    }
                }
                before.apply(step);
            }
        }
        Ok(())
    }

    #[allow(clippy::too_many_arguments, reason = "one step of a recursion")]
    fn after_cut(
        &self,
        cells: &Cells,
        expected: &Expected,
        value: &Value,
        later: &[Value],
        depth: usize,
        cuts: &mut Vec<Cut>,
        report: &mut Report,
    ) -> Result<(), String> {
        let unstable = cells.are_unstable();
        let mut attempts = expected.attempts.clone();
        attempts.push(value.clone());
        let in_doubt = expected.in_doubt || cells.are_in_doubt();
        let tried = Expected { attempts, in_doubt, ..expected.clone() };
        for reading in 0..if unstable { READINGS } else { 1 } {
            let found = self.load(cells, cuts.len(), reading);
            let found = tried.check(&found).or_else(|error| self.fail(cuts, &error))?;
            if reading == 0 {
                let next = Expected { found, ..tried.clone() };
                self.descend(cells, &next, later, depth, cuts, report)?;
            }
        }
        Ok(())
    }
}

/// Every history of so many cuts, one in each of as many saves, on one medium.
///
/// After each cut a new chip has the old cells and nothing else. It must find the value before or the value after;
/// with unstable cells any value saved since the last acknowledged one, never less. At the end a save that is left
/// alone must succeed and be found.
///
/// # Errors
/// What went wrong, with a word by which [`replay`] repeats it.
pub fn search<M: Medium>(
    subject: &impl Subject,
    scenario: Scenario,
    depth: usize,
    seed: u64,
) -> Result<Report, String> {
    let (cells, value) = scenario.start::<M>(subject);
    let search = Search::<M, _> { subject, scenario, seed, medium: core::marker::PhantomData };
    let expected = Expected { acknowledged: value.clone(), found: value, attempts: Vec::new(), in_doubt: false };
    let mut report = Report::default();
    search.descend(&cells, &expected, &scenario.saves(), depth, &mut Vec::new(), &mut report)?;
    Ok(report)
}

/// Histories drawn from a seed, so many cuts deep, of which at most `most_in_doubt` leave cells that read differently
/// from time to time or not at all.
///
/// # Errors
/// As for [`search`].
pub fn sample<M: Medium>(
    subject: &impl Subject,
    scenario: Scenario,
    depth: usize,
    most_in_doubt: usize,
    count: u64,
    seed: u64,
) -> Result<Report, String> {
    let mut random = Random(seed);
    let mut report = Report::default();
    for _ in 0..count {
        let history_seed = random.draw() >> 40;
        let mut draw = Random(history_seed);
        let mut in_doubt = 0;
        let code = Code { medium: M::LETTER, scenario, seed: history_seed, cuts: Vec::new() };
        follow::<M>(
            subject,
            &code,
            |steps, _| {
                let step = draw.below(steps.len());
                let places: Vec<Place> = steps[step].places().collect();
                let place = places[draw.below(places.len())];
                let mut torn = M::torn_states()[draw.below(M::torn_states().len())];
                if matches!(torn, Torn::Unstable | Torn::Unreadable) {
                    in_doubt += 1;
                    if in_doubt > most_in_doubt {
                        torn = Torn::Random;
                    }
                }
                Cut { step, place, torn, reading: 0 }
            },
            depth,
        )?;
        report.histories += 1;
    }
    Ok(report)
}

/// One history again, with power really cut in the middle of each save.
///
/// # Errors
/// What goes wrong in it.
pub fn replay<M: Medium>(subject: &impl Subject, code: &Code) -> Result<(), String> {
    let cuts = code.cuts.clone();
    follow::<M>(subject, code, |_, index| cuts[index], cuts.len())
}

/// One history; `choose` names the cut of each save, given the steps that the save would take.
fn follow<M: Medium>(
    subject: &impl Subject,
    code: &Code,
    mut choose: impl FnMut(&[Step], usize) -> Cut,
    depth: usize,
) -> Result<(), String> {
    let scenario = code.scenario;
    let (mut cells, value) = scenario.start::<M>(subject);
    let search = Search::<M, _> { subject, scenario, seed: code.seed, medium: core::marker::PhantomData };
    let mut expected = Expected { acknowledged: value.clone(), found: value, attempts: Vec::new(), in_doubt: false };
    let mut cuts = Vec::new();
    let saves = scenario.saves();
    for (index, value) in saves.iter().cycle().take(depth).enumerate() {
        let journal = |reading| search.journal(&cells, value, index, reading);
        let steps = journal(0).or_else(|error| search.fail(&cuts, &error))?;
        if steps.is_empty() {
            // Stored already, it says: nothing is written, no power can fail, and it must be found from now on.
            search.settle(&cells, value, index, 0).or_else(|error| search.fail(&cuts, &error))?;
            let value = Some(value.clone());
            expected = Expected { acknowledged: value.clone(), found: value, attempts: Vec::new(), in_doubt: false };
            continue;
        }
        let cut = choose(&steps, index);
        cuts.push(cut);
        let mut chip = search.boot(&cells, index, cut.reading);
        chip.bus().cut = Some(cut);
        chip.bus().chance_of_cut = search.chance(index, cut.reading);
        let outcome = subject.save(chip.slots(), value);
        if outcome.is_ok() && chip.bus().has_power {
            return search.fail(&cuts, "the power did not fail");
        }
        if outcome.is_ok() {
            return search.fail(&cuts, "acknowledged without power");
        }
        // All that goes on.
        cells = chip.bus().cells.clone();
        expected.attempts.push(value.clone());
        expected.in_doubt |= cells.are_in_doubt();
        let readings = if cells.are_unstable() { READINGS } else { 1 };
        for reading in (0..readings).rev() {
            let found = search.load(&cells, cuts.len(), reading);
            let found = expected.check(&found).or_else(|error| search.fail(&cuts, &error))?;
            if reading == 0 {
                expected.found = found;
            }
        }
    }
    let last = &saves[depth % saves.len()];
    let readings = if cells.are_unstable() { READINGS } else { 1 };
    for reading in 0..readings {
        search.settle(&cells, last, cuts.len(), reading).or_else(|error| search.fail(&cuts, &error))?;
    }
    Ok(())
}
