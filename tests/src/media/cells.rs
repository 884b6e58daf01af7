//! Raw cells, the steps that change them, and what a cut leaves.

use std::collections::BTreeMap;

use super::Random;

/// What a cell holds that was being written when power failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Torn {
    /// What it held before: the step had not begun.
    Old,
    /// What it should hold: the step was over.
    New,
    /// All ones.
    Ones,
    /// All zeros.
    Zeros,
    /// The bits that are one before and after.
    And,
    /// The bits that are one before or after.
    Or,
    /// The new byte with one bit wrong.
    OneBit,
    /// Anything.
    Random,
    /// Each read finds the old or the new byte.
    Unstable,
    /// It cannot be read: flash with error correction says so.
    Unreadable,
}

impl Torn {
    /// All but the last, which only flash knows.
    pub const ALL: [Self; 9] = [
        Self::Old,
        Self::New,
        Self::Ones,
        Self::Zeros,
        Self::And,
        Self::Or,
        Self::OneBit,
        Self::Random,
        Self::Unstable,
    ];

    /// All.
    pub const ALL_OF_FLASH: [Self; 10] = [
        Self::Old,
        Self::New,
        Self::Ones,
        Self::Zeros,
        Self::And,
        Self::Or,
        Self::OneBit,
        Self::Random,
        Self::Unstable,
        Self::Unreadable,
    ];
}

/// Where inside a step power fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// At one grain: those before it are new, those after it old.
    Grain(usize),
    /// All grains of the step are torn.
    Everywhere,
}

/// One moment at which power fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut {
    /// Steps that are over before.
    pub step: usize,
    /// Where inside the next one.
    pub place: Place,
    /// What it leaves.
    pub torn: Torn,
    /// Which chance cells have that were unstable before.
    pub reading: u64,
}

/// What a step does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Deed {
    /// Writes; written cells may be written over.
    Write,
    /// Programs a unit of flash, once.
    Program,
    /// Erases a unit of flash.
    Erase,
}

/// One indivisible order to a chip that changes cells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// What it does.
    pub deed: Deed,
    /// First cell.
    pub start: usize,
    /// What the cells hold afterwards.
    pub new: Vec<u8>,
    /// Cells that change together.
    pub grain: usize,
}

impl Step {
    /// Every place where power may fail in it.
    pub fn places(&self) -> impl Iterator<Item = Place> + use<> {
        let grains = self.new.len().div_ceil(self.grain);
        let everywhere = (grains > 1).then_some(Place::Everywhere);
        (0..grains).map(Place::Grain).chain(everywhere)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Mark {
    Unstable { other: u8 },
    Unreadable,
}

/// What outlives a power failure.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Cells {
    /// The bytes, where they are stable.
    pub bytes: Vec<u8>,
    marks: BTreeMap<usize, Mark>,
    /// Units of flash that were programmed since they were erased.
    spent: Vec<bool>,
}

impl Cells {
    /// Erased cells, in `units` that can be programmed once (0 where that does not matter).
    pub fn erased(count: usize, units: usize) -> Self {
        Self { bytes: vec![0xFF; count], marks: BTreeMap::new(), spent: vec![false; units] }
    }

    /// Whether some cell reads differently from time to time.
    pub fn are_unstable(&self) -> bool {
        self.marks.values().any(|mark| matches!(mark, Mark::Unstable { .. }))
    }

    /// Whether some cell reads differently from time to time, or cannot be read.
    pub fn are_in_doubt(&self) -> bool {
        !self.marks.is_empty()
    }

    /// Whether a unit of flash was programmed since it was erased.
    pub fn is_spent(&self, unit: usize) -> bool {
        self.spent.get(unit).copied().unwrap_or(false)
    }

    /// One read of these cells; all unstable ones fall the same way. None where they cannot be read.
    pub fn read(&self, start: usize, bytes: &mut [u8], noise: &mut Random) -> Option<()> {
        bytes.copy_from_slice(&self.bytes[start..start + bytes.len()]);
        if self.marks.is_empty() {
            return Some(());
        }
        let falls_to_other = noise.draw() & 1 == 1;
        for (&address, mark) in self.marks.range(start..start + bytes.len()) {
            match mark {
                Mark::Unreadable => return None,
                Mark::Unstable { other } if falls_to_other => bytes[address - start] = *other,
                Mark::Unstable { .. } => {}
            }
        }
        Some(())
    }

    /// A step to its end.
    pub fn apply(&mut self, step: &Step) {
        self.finish(step, 0, step.new.len());
    }

    fn finish(&mut self, step: &Step, from: usize, to: usize) {
        self.bytes[step.start + from..step.start + to].copy_from_slice(&step.new[from..to]);
        if !self.marks.is_empty() {
            self.marks.retain(|&address, _| address < step.start + from || address >= step.start + to);
        }
        self.spend(step, from, to, step.deed == Deed::Program);
    }

    fn spend(&mut self, step: &Step, from: usize, to: usize, spent: bool) {
        if step.deed != Deed::Write {
            let (first, last) = ((step.start + from) / step.grain, (step.start + to) / step.grain);
            self.spent[first..last].fill(spent);
        }
    }

    /// A step that power failed in.
    pub fn tear(&mut self, step: &Step, place: Place, torn: Torn, random: &mut Random) {
        let (from, to) = match place {
            Place::Everywhere => (0, step.new.len()),
            Place::Grain(grain) => (grain * step.grain, ((grain + 1) * step.grain).min(step.new.len())),
        };
        self.finish(step, 0, from);
        match torn {
            Torn::Old => return,
            Torn::New => return self.finish(step, from, to),
            _ => {}
        }
        // An erase that was not finished leaves a unit that may not be programmed.
        self.spend(step, from, to, true);
        let wrong = from + random.below(to - from);
        for (index, &new) in step.new.iter().enumerate().take(to).skip(from) {
            let address = step.start + index;
            let old = self.bytes[address];
            self.marks.remove(&address);
            self.bytes[address] = match torn {
                Torn::Ones => 0xFF,
                Torn::Zeros => 0,
                Torn::And => old & new,
                Torn::Or => old | new,
                Torn::OneBit if index == wrong => new ^ 1 << random.below(8),
                Torn::Random => random.draw() as u8,
                _ => new,
            };
            match torn {
                Torn::Unstable if old != new => drop(self.marks.insert(address, Mark::Unstable { other: old })),
                Torn::Unreadable => drop(self.marks.insert(address, Mark::Unreadable)),
                _ => {}
            }
        }
    }
}
