//! What stands between a program and the cells: power, failing calls, worn cells, and a count of everything.

use std::ops::Range;

use embedded_hal::i2c;
use embedded_storage::nor_flash::{NorFlashError, NorFlashErrorKind};

use super::{Cells, Clock, Cut, Deed, PartTimes, Random, Step};

/// Why a chip did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It has no power.
    NoPower,
    /// This call failed; for I2C, a missing acknowledge.
    CallFailed,
    /// The cells cannot be read.
    UnreadableCells,
    /// Cells that are worn: the chip noticed.
    Worn,
    /// The chip cannot do that: a mistake of the program. For instance a unit of flash programmed twice.
    Forbidden,
}

impl i2c::Error for Fault {
    fn kind(&self) -> i2c::ErrorKind {
        match self {
            Self::Forbidden => i2c::ErrorKind::Other,
            _ => i2c::ErrorKind::NoAcknowledge(i2c::NoAcknowledgeSource::Unknown),
        }
    }
}

impl NorFlashError for Fault {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// Which call fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failing {
    /// The n-th, counted from 0, once.
    Once(usize),
    /// From the n-th on all.
    From(usize),
}

/// What one read answers instead of what the cells hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lie {
    /// All ones, as a bus without a part.
    Ones,
    /// All zeros.
    Zeros,
    /// Every bit inverted.
    Inverted,
    /// One bit of the first byte is wrong.
    OneBit,
    /// What the read before it answered, as far as that goes.
    Again,
}

impl Lie {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Ones, Self::Zeros, Self::Inverted, Self::OneBit, Self::Again];
}

/// A way in which cells are worn out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Worn {
    /// A bit of a cell always reads as one value, whatever is written.
    StuckBit {
        /// The cell.
        address: usize,
        /// The bit.
        bit: u8,
        /// Whether it is one.
        one: bool,
    },
    /// Writing these cells does nothing, and nothing is said.
    SilentNoWrite(Range<usize>),
    /// Erasing these cells does nothing, and nothing is said.
    SilentNoErase(Range<usize>),
    /// Writing or erasing them is refused.
    Refused(Range<usize>),
    /// Reading them is refused.
    Unreadable(Range<usize>),
}

/// What was done since power came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Calls of any sort.
    pub calls: usize,
    /// Bytes read.
    pub bytes_read: usize,
    /// Steps that wrote or programmed.
    pub writes: usize,
    /// Units erased.
    pub erases: usize,
}

/// Power, faults and counts in front of the cells.
#[derive(Clone, Debug)]
pub struct Bus {
    /// The cells behind it.
    pub cells: Cells,
    /// Where unstable cells get their chance from.
    pub random: Random,
    /// Where a torn cell gets it from.
    pub chance_of_cut: Random,
    /// When power fails, in steps that change cells.
    pub cut: Option<Cut>,
    /// When power fails, in calls of any sort.
    pub cut_at_call: Option<usize>,
    /// Calls that fail.
    pub failing: Option<Failing>,
    /// Worn cells.
    pub worn: Vec<Worn>,
    /// The read of this number, counted from 0, lies.
    pub lie: Option<(usize, Lie)>,
    /// The step of this number is reported as done and has done nothing.
    pub lost_step: Option<usize>,
    /// How long things take.
    pub times: PartTimes,
    /// What time it is.
    pub clock: Clock,
    /// Steps done, if kept.
    pub journal: Option<Vec<Step>>,
    /// How often each cell was written, if kept.
    pub wear: Option<Vec<u32>>,
    /// What was done.
    pub counts: Counts,
    /// No longer.
    pub has_power: bool,
    /// The program asked for what a chip forbids.
    pub was_misused: bool,
    steps: usize,
    reads: usize,
    last_read: Vec<u8>,
}

fn meet(range: &Range<usize>, start: usize, length: usize) -> bool {
    range.start < start + length && start < range.end
}

impl Bus {
    /// With power, without faults.
    pub fn new(cells: Cells, times: PartTimes) -> Self {
        Self {
            cells,
            random: Random(0),
            chance_of_cut: Random(0),
            cut: None,
            cut_at_call: None,
            failing: None,
            worn: Vec::new(),
            lie: None,
            lost_step: None,
            times,
            clock: Clock::default(),
            journal: None,
            wear: None,
            counts: Counts::default(),
            has_power: true,
            was_misused: false,
            steps: 0,
            reads: 0,
            last_read: Vec::new(),
        }
    }

    /// Every call begins here.
    pub fn begin_call(&mut self) -> Result<(), Fault> {
        if !self.has_power || self.cut_at_call == Some(self.counts.calls) {
            self.has_power = false;
            return Err(Fault::NoPower);
        }
        let call = self.counts.calls;
        self.counts.calls += 1;
        match self.failing {
            Some(Failing::Once(failing)) if call == failing => Err(Fault::CallFailed),
            Some(Failing::From(first)) if call >= first => Err(Fault::CallFailed),
            _ => Ok(()),
        }
    }

    /// What a chip forbids.
    pub fn forbid(&mut self) -> Fault {
        self.was_misused = true;
        Fault::Forbidden
    }

    /// Reads cells, all of which exist.
    pub fn read(&mut self, start: usize, bytes: &mut [u8]) -> Result<(), Fault> {
        if start + bytes.len() > self.cells.bytes.len() {
            return Err(self.forbid());
        }
        self.counts.bytes_read += bytes.len();
        self.cells.read(start, bytes, &mut self.random).ok_or(Fault::UnreadableCells)?;
        for worn in &self.worn {
            match worn {
                Worn::Unreadable(range) if meet(range, start, bytes.len()) => return Err(Fault::Worn),
                Worn::StuckBit { address, bit, one } if meet(&(*address..address + 1), start, bytes.len()) => {
                    let byte = &mut bytes[address - start];
                    *byte = if *one { *byte | 1 << bit } else { *byte & !(1 << bit) };
                }
                _ => {}
            }
        }
        if let Some((number, lie)) = self.lie {
            if number == self.reads {
                for (index, byte) in bytes.iter_mut().enumerate() {
                    *byte = match lie {
                        Lie::Ones => 0xFF,
                        Lie::Zeros => 0,
                        Lie::Inverted => !*byte,
                        Lie::OneBit => *byte ^ u8::from(index == 0),
                        Lie::Again => self.last_read.get(index).copied().unwrap_or(0),
                    };
                }
            }
            self.last_read = bytes.to_vec();
        }
        self.reads += 1;
        Ok(())
    }

    /// How many reads there were.
    pub fn reads(&self) -> usize {
        self.reads
    }

    /// Changes cells, all of which exist; here power may fail.
    pub fn step(&mut self, step: Step) -> Result<(), Fault> {
        if let Some(cut) = self.cut.filter(|cut| cut.step == self.steps) {
            self.cells.tear(&step, cut.place, cut.torn, &mut self.chance_of_cut);
            self.has_power = false;
            return Err(Fault::NoPower);
        }
        let mut takes_effect = self.lost_step != Some(self.steps);
        self.steps += 1;
        match step.deed {
            Deed::Erase => self.counts.erases += 1,
            _ => self.counts.writes += 1,
        }
        for worn in &self.worn {
            match worn {
                Worn::Refused(range) if meet(range, step.start, step.new.len()) => return Err(Fault::Worn),
                Worn::SilentNoWrite(range) if step.deed != Deed::Erase && meet(range, step.start, step.new.len()) => {
                    takes_effect = false;
                }
                Worn::SilentNoErase(range) if step.deed == Deed::Erase && meet(range, step.start, step.new.len()) => {
                    takes_effect = false;
                }
                _ => {}
            }
        }
        if takes_effect {
            self.cells.apply(&step);
        }
        if let Some(wear) = &mut self.wear {
            for cell in &mut wear[step.start..step.start + step.new.len()] {
                *cell += 1;
            }
        }
        if let Some(journal) = &mut self.journal {
            journal.push(step);
        }
        Ok(())
    }
}
