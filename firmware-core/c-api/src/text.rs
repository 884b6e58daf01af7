//! Text into a caller's buffer, always with a terminating zero.

use core::ffi::c_char;
use core::fmt::{self, Write};

use crate::result::GapkeeperResult;

/// Writes as much as fits and remembers whether anything did not.
struct Buffer<'a> {
    bytes: &'a mut [u8],
    used: usize,
    truncated: bool,
}

impl Write for Buffer<'_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        // One byte is kept for the terminating zero.
        let room = self.bytes.len().saturating_sub(self.used + 1);
        let mut length = text.len().min(room);
        while !text.is_char_boundary(length) {
            length -= 1;
        }
        let room = self.bytes.get_mut(self.used..).unwrap_or_default();
        // Byte by byte: `copy_from_slice` has a panic in it for lengths that differ.
        for (target, &byte) in room.iter_mut().zip(text.as_bytes()).take(length) {
            *target = byte;
        }
        self.used += length;
        self.truncated |= length < text.len();
        // What follows would stand right behind a text cut short.
        if self.truncated { Err(fmt::Error) } else { Ok(()) }
    }
}

/// Copies a text into `size` bytes, with a terminating zero.
///
/// # Safety
/// `text` is null or may be written for `size` bytes.
pub(crate) unsafe fn copy(content: impl fmt::Display, text: *mut c_char, size: usize) -> Result<(), GapkeeperResult> {
    if text.is_null() {
        return Err(GapkeeperResult::NullPointer);
    }
    if size == 0 || isize::try_from(size).is_err() {
        return Err(GapkeeperResult::WrongSize);
    }
    // The buffer may never have been written: zeros make it a slice of bytes.
    // SAFETY: not null, and writable for `size` bytes as the caller promises; any byte is a valid `u8`.
    let bytes = unsafe {
        text.write_bytes(0, size);
        core::slice::from_raw_parts_mut(text.cast::<u8>(), size)
    };
    let mut buffer = Buffer { bytes, used: 0, truncated: false };
    let written = write!(buffer, "{content}");
    if buffer.truncated || written.is_err() { Err(GapkeeperResult::Truncated) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copied(content: &str, size: usize) -> (Result<(), GapkeeperResult>, Vec<u8>) {
        let mut bytes = vec![0xAA_u8; 16];
        // SAFETY: at most as many bytes as there are.
        let result = unsafe { copy(content, bytes.as_mut_ptr().cast(), size.min(16)) };
        (result, bytes)
    }

    #[test]
    fn a_text_ends_with_a_zero_and_never_beyond_its_buffer() {
        let (result, bytes) = copied("drags", 6);
        assert_eq!((result, &bytes[..7]), (Ok(()), &b"drags\0\xAA"[..]));
        let (result, bytes) = copied("drags", 5);
        assert_eq!((result, &bytes[..6]), (Err(GapkeeperResult::Truncated), &b"drag\0\xAA"[..]));
        let (result, bytes) = copied("drags", 1);
        assert_eq!((result, &bytes[..2]), (Err(GapkeeperResult::Truncated), &b"\0\xAA"[..]));
        let (result, bytes) = copied("drags", 0);
        assert_eq!((result, bytes[0]), (Err(GapkeeperResult::WrongSize), 0xAA));
    }

    #[test]
    fn no_character_is_cut_in_two() {
        let (result, bytes) = copied("3 µm", 4);
        assert_eq!((result, &bytes[..5]), (Err(GapkeeperResult::Truncated), &b"3 \0\0\xAA"[..]));
    }
}
