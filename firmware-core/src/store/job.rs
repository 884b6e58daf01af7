//! Loading and saving as a row of steps, each with one access to the memory.

use super::slot::{Found, Slot, beside, current, next_sequence};
use super::{Progress, SEAL_SIZE, Saved, Store, StoreError, round_down, round_up};
use crate::axis::MAX_NODES;
use crate::crc::Crc32c;
use crate::grid::GridError;
use crate::memory::{Cells, SlotMemory};
use crate::record::{
    self, Binding, CRC_SIZE, Frame, HEADER_SIZE, KIND_GRID, KIND_SETUP, LAYOUT_VERSION, RecordError, VALUE_AT,
    max_record_size,
};
use crate::store::OtherSlot;

/// Bytes read in one step.
pub(super) const READ_AT_ONCE: usize = 32;
/// Bytes of the longest record that any build of this layout or an older one writes.
const LONGEST: usize = max_record_size(MAX_NODES);
/// CRC-32C over any bytes and their own check value.
pub(super) const RESIDUE: u32 = 0x4867_4BC7;

/// What a job is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Task {
    Load,
    Save,
    /// Into both slots, whatever they hold.
    SaveTwice {
        is_second: bool,
    },
    /// Zeros over both headers.
    Forget {
        is_second: bool,
    },
}

/// One load or save under way.
#[derive(Clone, Debug)]
pub(super) struct Job {
    pub(super) task: Task,
    pub(super) kind: u8,
    /// The first one of two slots.
    pub(super) first_slot: usize,
    /// Bytes to be written, in the second buffer.
    length: usize,
    /// What was found in both slots, as far as they are read.
    slots: [Slot; 2],
    /// Which of them is read or written: 0 or 1.
    at: usize,
    pub(super) phase: Phase,
}

/// What the next step does.
#[derive(Clone, Copy, Debug)]
pub(super) enum Phase {
    ReadHeader,
    /// Reads on from `offset`; `last` are the four bytes before it.
    ReadRest {
        offset: usize,
        length: usize,
        crc: Crc32c,
        last: [u8; CRC_SIZE],
    },
    ReadSeal {
        found: Found,
        wanted: [u8; SEAL_SIZE],
    },
    Erase {
        step: usize,
    },
    /// Writes on from `from` in one of the three parts of a record.
    Write {
        part: usize,
        from: usize,
    },
    Compare {
        offset: usize,
    },
    WriteSeal {
        is_second: bool,
        from: usize,
    },
    CompareSeal {
        is_second: bool,
    },
    /// The current value is in this buffer.
    Loaded {
        index: usize,
        other: OtherSlot,
    },
}

impl Job {
    pub(super) fn new(task: Task, kind: u8, first_slot: usize, length: usize) -> Self {
        Self { task, kind, first_slot, length, slots: [Slot::Empty; 2], at: 0, phase: Phase::ReadHeader }
    }

    fn slot(&self) -> usize {
        self.first_slot.saturating_add(self.at)
    }
}

impl<M: SlotMemory, const CAPACITY: usize, const BUFFER: usize> Store<M, CAPACITY, BUFFER> {
    /// Does what the job's phase says; what has come of the job if that was the last step.
    pub(super) fn advance(&mut self, job: &mut Job) -> Result<Option<Progress>, StoreError<M::Error>> {
        match job.phase {
            Phase::ReadHeader => self.read_header(job),
            Phase::ReadRest { offset, length, crc, last } => self.read_rest(job, offset, length, crc, last),
            Phase::ReadSeal { found, wanted } => self.read_seal(job, found, wanted),
            Phase::Erase { step } => {
                if step < self.memory.erase_steps() {
                    self.memory.erase_step(job.slot(), step).map_err(StoreError::Access)?;
                }
                let step = step.saturating_add(1);
                job.phase = self.erase_from(step);
                Ok(None)
            }
            Phase::Write { part, from } => self.write(job, part, from),
            Phase::Compare { offset } => self.compare(job, offset),
            Phase::WriteSeal { is_second, from } => {
                let (seal, offset) = (self.seal(job.length), self.seal_offset(is_second));
                let to = SEAL_SIZE.min(from.saturating_add(self.memory.write_size().max(1)));
                let bytes = seal.get(from..to).unwrap_or(&[]);
                self.memory.write(job.slot(), offset.saturating_add(from), bytes).map_err(StoreError::Access)?;
                let is_written = to == SEAL_SIZE;
                job.phase = if is_written {
                    Phase::CompareSeal { is_second }
                } else {
                    Phase::WriteSeal { is_second, from: to }
                };
                Ok(None)
            }
            Phase::CompareSeal { is_second } => {
                let (seal, offset) = (self.seal(job.length), self.seal_offset(is_second));
                let mut there = [0; SEAL_SIZE];
                let cells = self.memory.read(job.slot(), offset, &mut there).map_err(StoreError::Access)?;
                if cells == Cells::Damaged || there != seal {
                    return Err(StoreError::NotKept { slot: job.slot() });
                }
                if !is_second {
                    job.phase = Phase::WriteSeal { is_second: true, from: 0 };
                    return Ok(None);
                }
                self.written(job)
            }
            Phase::Loaded { .. } => Ok(Some(Progress::Loaded)),
        }
    }

    fn read_header(&mut self, job: &mut Job) -> Result<Option<Progress>, StoreError<M::Error>> {
        let mut header = [0; HEADER_SIZE];
        if self.memory.read(job.slot(), 0, &mut header).map_err(StoreError::Access)? == Cells::Damaged {
            return self.examined(job, Slot::Damaged);
        }
        if header.iter().all(|&byte| byte == 0xFF) || header.iter().all(|&byte| byte == 0) {
            return self.examined(job, Slot::Empty);
        }
        let Ok((version, length)) = record::header(&header) else { return self.examined(job, Slot::Damaged) };
        let length = usize::from(length);
        if length > self.seal_offset(false) || version <= LAYOUT_VERSION && length > LONGEST {
            return self.examined(job, Slot::Damaged);
        }
        let mut crc = Crc32c::new();
        crc.update(&header);
        self.keep(job, 0, &header);
        job.phase = Phase::ReadRest { offset: HEADER_SIZE, length, crc, last: [0; CRC_SIZE] };
        Ok(None)
    }

    /// Reads a part of a record. Of one that is longer than a buffer only the check value is formed.
    fn read_rest(
        &mut self,
        job: &mut Job,
        offset: usize,
        length: usize,
        mut crc: Crc32c,
        mut last: [u8; CRC_SIZE],
    ) -> Result<Option<Progress>, StoreError<M::Error>> {
        let mut bytes = [0; READ_AT_ONCE];
        let size = length.saturating_sub(offset).min(READ_AT_ONCE);
        let bytes = bytes.get_mut(..size).unwrap_or(&mut []);
        if self.memory.read(job.slot(), offset, bytes).map_err(StoreError::Access)? == Cells::Damaged {
            return self.examined(job, Slot::Damaged);
        }
        crc.update(bytes);
        for &byte in &*bytes {
            let [_, second, third, fourth] = last;
            last = [second, third, fourth, byte];
        }
        self.keep(job, offset, bytes);
        let offset = offset.saturating_add(size);
        if offset < length {
            job.phase = Phase::ReadRest { offset, length, crc, last };
            return Ok(None);
        }
        if crc.value() != RESIDUE {
            return self.examined(job, Slot::Damaged);
        }
        match self.judge(job, length) {
            Ok(found) => {
                job.phase = Phase::ReadSeal { found, wanted: last.map(|byte| !byte) };
                Ok(None)
            }
            Err(slot) => self.examined(job, slot),
        }
    }

    /// What a record with a right check value is. All of it, or as much as fits, is in the buffer.
    fn judge(&self, job: &Job, length: usize) -> Result<Found, Slot> {
        let [first, second] = &self.buffers;
        let buffer = if self.read_buffer(job) == 0 { first } else { second };
        let bytes = buffer.get(..length.min(BUFFER)).unwrap_or(&[]);
        let frame = match Frame::open(bytes) {
            Ok(frame) => frame,
            Err(RecordError::NewerLayout { version }) => return Err(Slot::Newer(version)),
            Err(_) => return Err(Slot::Damaged),
        };
        match frame.binding {
            Some(binding) if binding != self.binding(job.slot()) => return Err(Slot::Foreign(binding)),
            Some(_) => {}
            // Tools write grids that belong to no slot. Nothing but a store writes setups, and always bound ones.
            None if frame.version >= 3 && job.kind == KIND_SETUP => return Err(Slot::Damaged),
            None => {}
        }
        if frame.kind != job.kind {
            return Err(Slot::Damaged);
        }
        let (version, sequence, is_bound) = (frame.version, frame.sequence, frame.binding.is_some());
        let nodes = frame.nodes();
        let too_many_nodes = match job.kind {
            KIND_GRID if length > BUFFER => Some(nodes),
            KIND_GRID => match frame.grid::<CAPACITY>() {
                Ok(_) => None,
                Err(RecordError::Grid(GridError::Capacity { needed, .. })) => Some(needed),
                Err(_) => return Err(Slot::Damaged),
            },
            _ => {
                frame.setup().map_err(|_| Slot::Damaged)?;
                None
            }
        };
        let saved = second.get(..job.length).unwrap_or(&[]);
        let is_wanted = job.task == Task::Save && is_bound && says_the_same(bytes, saved);
        Ok(Found { version, sequence, seals: 0, too_many_nodes, is_wanted })
    }

    fn read_seal(
        &mut self,
        job: &mut Job,
        mut found: Found,
        wanted: [u8; SEAL_SIZE],
    ) -> Result<Option<Progress>, StoreError<M::Error>> {
        let mut seal = [0; SEAL_SIZE];
        let offset = self.seal_offset(found.seals > 0);
        let cells = self.memory.read(job.slot(), offset, &mut seal).map_err(StoreError::Access)?;
        if cells == Cells::Readable && seal == wanted {
            found.seals += 1;
            if found.seals == 1 {
                job.phase = Phase::ReadSeal { found, wanted };
                return Ok(None);
            }
        }
        // In slots of another size or unit the seals of layout 2 stand elsewhere. Nothing else tells that of it.
        let slot = if found.version == 2 && found.seals == 0 { Slot::Damaged } else { Slot::Record(found) };
        self.examined(job, slot)
    }

    /// A slot is read: on to the other one, or to what is to be done.
    fn examined(&mut self, job: &mut Job, slot: Slot) -> Result<Option<Progress>, StoreError<M::Error>> {
        let [first, second] = &mut job.slots;
        if job.at == 0 {
            *first = slot;
            (job.at, job.phase) = (1, Phase::ReadHeader);
            return Ok(None);
        }
        *second = slot;
        let slots = job.slots;
        let index = current(&slots);
        let [first, second] = slots;
        let (chosen, other) = if index == Some(1) { (second, first) } else { (first, second) };
        let newer = match slots {
            [Slot::Newer(version), _] | [_, Slot::Newer(version)] => Err(StoreError::NewerLayout { version }),
            _ => Ok(()),
        };
        let foreign = match slots {
            [Slot::Foreign(binding), _] | [_, Slot::Foreign(binding)] => Err(StoreError::OtherGeometry { binding }),
            _ => Ok(()),
        };
        let is_setup = job.kind == KIND_SETUP;
        match job.task {
            Task::Load => {
                newer?;
                let (Some(index), Slot::Record(found)) = (index, chosen) else {
                    foreign?;
                    let is_empty = matches!((chosen, other), (Slot::Empty, Slot::Empty));
                    return Err(if is_empty { StoreError::Empty } else { StoreError::Damaged });
                };
                let other = beside(index, &found, &other);
                // Another program may have written here since, and only a setup tells which grids hold.
                if is_setup || other == OtherSlot::Damaged {
                    foreign?;
                }
                if let Some(nodes) = found.too_many_nodes {
                    return Err(StoreError::TooLarge { nodes, capacity: CAPACITY });
                }
                job.phase = Phase::Loaded { index, other };
                Ok(Some(Progress::Loaded))
            }
            Task::Save => {
                newer?;
                if is_setup {
                    foreign?;
                    // Beginning has stored one, so a read has lied, or the plug is out: what is there may be all there is.
                    index.ok_or(StoreError::NotBegun)?;
                }
                if let (Some(index), Slot::Record(found)) = (index, chosen)
                    && found.is_wanted
                    && found.seals == 2
                    && beside(index, &found, &other) == OtherSlot::Earlier
                {
                    return Ok(Some(Progress::Saved(Saved::Unchanged)));
                }
                self.write_beside(job, index, chosen.record().map_or(0, |found| next_sequence(found.sequence)))
            }
            Task::SaveTwice { .. } => {
                // Never 0, so that from now on an empty slot is one too many.
                self.write_beside(job, index, next_sequence(chosen.record().map_or(0, |found| found.sequence)))
            }
            Task::Forget { .. } => {
                // The current one last: until then an earlier one would be found.
                job.at = 1 - index.unwrap_or(0);
                job.phase = self.erase_from(0);
                Ok(None)
            }
        }
    }

    /// Goes on to write to the slot that is not current.
    fn write_beside(
        &mut self,
        job: &mut Job,
        current: Option<usize>,
        sequence: u32,
    ) -> Result<Option<Progress>, StoreError<M::Error>> {
        job.at = usize::from(current == Some(0));
        let binding = self.binding(job.slot());
        let [_, record] = &mut self.buffers;
        record::bind(record.get_mut(..job.length).unwrap_or(&mut []), sequence, binding).map_err(StoreError::Value)?;
        job.phase = self.erase_from(0);
        Ok(None)
    }

    fn erase_from(&self, step: usize) -> Phase {
        if step < self.memory.erase_steps() { Phase::Erase { step } } else { Phase::Write { part: 0, from: 0 } }
    }

    /// Fields, header, check value, in this order.
    fn parts(&self, length: usize) -> [(usize, usize); 3] {
        let crc_at = round_down(length.saturating_sub(CRC_SIZE), self.unit);
        let fields_at = round_up(HEADER_SIZE, self.unit).min(crc_at);
        [(fields_at, crc_at), (0, fields_at), (crc_at, length)]
    }

    fn write(&mut self, job: &mut Job, part: usize, from: usize) -> Result<Option<Progress>, StoreError<M::Error>> {
        // Parts may be empty where units are large.
        let left = self.parts(job.length).into_iter().enumerate().skip(part).map(|(index, (start, end))| {
            let start = if index == part { start.max(from) } else { start };
            (index, start, end)
        });
        let Some((part, start, end)) = left.into_iter().find(|(_, start, end)| start < end) else {
            job.phase = Phase::Compare { offset: 0 };
            return Ok(None);
        };
        let to = end.min(start.saturating_add(self.memory.write_size().max(1)));
        let [_, record] = &self.buffers;
        let bytes = record.get(start..to).unwrap_or(&[]);
        self.memory.write(job.slot(), start, bytes).map_err(StoreError::Access)?;
        let is_last = part == 2 && to == end;
        job.phase = if is_last { Phase::Compare { offset: 0 } } else { Phase::Write { part, from: to } };
        Ok(None)
    }

    fn compare(&mut self, job: &mut Job, offset: usize) -> Result<Option<Progress>, StoreError<M::Error>> {
        let mut there = [0; READ_AT_ONCE];
        let [_, record] = &self.buffers;
        let end = job.length.min(offset.saturating_add(READ_AT_ONCE));
        let wanted = record.get(offset..end).unwrap_or(&[]);
        let there = there.get_mut(..wanted.len()).unwrap_or(&mut []);
        let cells = self.memory.read(job.slot(), offset, there).map_err(StoreError::Access)?;
        if cells == Cells::Damaged || there != wanted {
            return Err(StoreError::NotKept { slot: job.slot() });
        }
        if end < job.length {
            job.phase = Phase::Compare { offset: end };
            return Ok(None);
        }
        if matches!(job.task, Task::Forget { .. }) {
            return self.written(job);
        }
        job.phase = Phase::WriteSeal { is_second: false, from: 0 };
        Ok(None)
    }

    /// A slot is written: on to the other one, if the job says so.
    fn written(&mut self, job: &mut Job) -> Result<Option<Progress>, StoreError<M::Error>> {
        match job.task {
            Task::SaveTwice { is_second: false } => {
                job.task = Task::SaveTwice { is_second: true };
                // Not read again: what was written was compared, and a read that lies would have it written twice there.
                let [_, record] = &self.buffers;
                let sequence = Frame::open(record).map_err(StoreError::Value)?.sequence;
                self.write_beside(job, Some(job.at), next_sequence(sequence))
            }
            Task::Forget { is_second: false } => {
                job.task = Task::Forget { is_second: true };
                (job.at, job.phase) = (1 - job.at, self.erase_from(0));
                Ok(None)
            }
            _ => Ok(Some(Progress::Saved(Saved::Written))),
        }
    }

    /// Which buffer takes what is read.
    fn read_buffer(&self, job: &Job) -> usize {
        // A save has what it writes in the other one.
        if job.task == Task::Load { job.at } else { 0 }
    }

    fn keep(&mut self, job: &Job, offset: usize, bytes: &[u8]) {
        let index = self.read_buffer(job);
        let [first, second] = &mut self.buffers;
        let buffer = if index == 0 { first } else { second };
        for (place, &byte) in buffer.iter_mut().skip(offset).zip(bytes) {
            *place = byte;
        }
    }

    fn binding(&self, slot: usize) -> Binding {
        Binding {
            slot: u16::try_from(slot).unwrap_or(u16::MAX),
            unit: u16::try_from(self.unit).unwrap_or(u16::MAX),
            slot_size: u32::try_from(self.memory.slot_size()).unwrap_or(u32::MAX),
        }
    }

    fn seal_offset(&self, is_second: bool) -> usize {
        let [first, second] = self.seal_offsets;
        if is_second { second } else { first }
    }

    /// The complement of the check value of the record to be written.
    fn seal(&self, length: usize) -> [u8; SEAL_SIZE] {
        let [_, record] = &self.buffers;
        let crc = record.get(..length).and_then(|record| record.last_chunk::<CRC_SIZE>());
        crc.map_or([0; SEAL_SIZE], |crc| crc.map(|byte| !byte))
    }
}

/// Whether two records of the newest layout differ in nothing but slot, sequence and check value.
fn says_the_same(first: &[u8], second: &[u8]) -> bool {
    let before_sequence = |record: &[u8]| record.first_chunk::<8>().copied();
    let crc_at = first.len().saturating_sub(CRC_SIZE);
    first.len() == second.len()
        && before_sequence(first) == before_sequence(second)
        && first.iter().zip(second).take(crc_at).skip(VALUE_AT).all(|(first, second)| first == second)
}
