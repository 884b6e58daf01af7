//! Persistent memory whose power may fail.

use std::fmt;

use gapkeeper::memory::ByteMemory;

/// Persistent memory that may lose power inside any write.
#[derive(Clone, Debug)]
pub(super) struct Cells {
    pub(super) bytes: Vec<u8>,
    pub(super) writes: Vec<u32>,
    /// Bytes that can still be written before power fails.
    pub(super) left: Option<u32>,
    /// What the byte under the pen holds when it fails.
    pub(super) torn: u8,
    pub(super) written: u64,
}

/// Power is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct PowerCut;

impl Cells {
    /// Erased memory.
    pub(super) fn new(bytes: usize) -> Self {
        Self { bytes: vec![0xFF; bytes], writes: vec![0; bytes], left: None, torn: 0xFF, written: 0 }
    }
}

impl fmt::Display for PowerCut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "power cut")
    }
}

impl ByteMemory for Cells {
    type Error = PowerCut;

    fn capacity(&self) -> u32 {
        self.bytes.len() as u32
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, PowerCut> {
        self.bytes.get(address as usize).copied().ok_or(PowerCut)
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), PowerCut> {
        let cell = self.bytes.get_mut(address as usize).ok_or(PowerCut)?;
        self.writes[address as usize] += 1;
        self.written += 1;
        match &mut self.left {
            Some(0) => {
                *cell = self.torn;
                return Err(PowerCut);
            }
            Some(left) => *left -= 1,
            None => {}
        }
        *cell = byte;
        Ok(())
    }
}
