//! Lines of G-code through the controller.

use super::{Fault, MachineController};

/// The digest is reported each time that so many lines are done, and after the last.
pub const REPORTED_LINES: u32 = 250;

/// The longest line, its end included.
const LONGEST: usize = 96;

/// Runs a job of lines, given byte by byte; reports the lines done and the digest of their pieces so far.
///
/// # Errors
/// [`Fault`] at the first line that is refused.
#[inline(never)]
pub fn run(
    controller: &mut MachineController,
    mut next: impl FnMut() -> Option<u8>,
    mut report: impl FnMut(u32, [u32; 2]),
) -> Result<(), Fault> {
    let (mut line, mut length, mut lines) = ([0; LONGEST], 0, 0_u32);
    loop {
        let byte = next();
        if let Some(byte) = byte {
            *line.get_mut(length).ok_or(Fault::Line)? = byte;
            length += 1;
        }
        if byte == Some(b'\n') || byte.is_none() && length > 0 {
            controller.line(line.get(..length).unwrap_or_default()).map_err(|_| Fault::Controller)?;
            controller.motors().end_line();
            (length, lines) = (0, lines + 1);
            if lines.is_multiple_of(REPORTED_LINES) {
                report(lines, controller.motors().digest());
            }
        }
        if byte.is_none() {
            if !lines.is_multiple_of(REPORTED_LINES) {
                report(lines, controller.motors().digest());
            }
            return Ok(());
        }
    }
}
