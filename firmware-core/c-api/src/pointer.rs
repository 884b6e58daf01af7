//! Plain values behind pointers from C, checked before they are touched.

use crate::result::GapkeeperResult;

/// Null or not aligned?
pub(crate) fn check<T>(pointer: *const T) -> Result<(), GapkeeperResult> {
    if pointer.is_null() {
        Err(GapkeeperResult::NullPointer)
    } else if !pointer.is_aligned() {
        Err(GapkeeperResult::Misaligned)
    } else {
        Ok(())
    }
}

/// A structure made of nothing but integers and pointers: whatever bytes C left in it are a value.
///
/// # Safety
/// Every bit pattern is a valid value of the type.
pub(crate) unsafe trait Plain: Copy {}

/// A copy of what C points to, so that it may point to the same place for the answer.
///
/// # Safety
/// `pointer` is null or points to a `T`, if it is aligned.
pub(crate) unsafe fn read<T: Plain>(pointer: *const T) -> Result<T, GapkeeperResult> {
    check(pointer)?;
    // SAFETY: not null and aligned as just checked, a `T` as the caller promises, and any bytes are a `T`.
    Ok(unsafe { pointer.read() })
}

/// Where an answer goes.
pub(crate) struct Answer<T>(*mut T);

impl<T: Plain> Answer<T> {
    /// Checks the pointer, before anything is done that would need the answer.
    ///
    /// # Safety
    /// `pointer` is null or may be written as a `T`, if it is aligned, as long as this lives.
    pub(crate) unsafe fn at(pointer: *mut T) -> Result<Self, GapkeeperResult> {
        check(pointer)?;
        Ok(Self(pointer))
    }

    pub(crate) fn give(self, value: T) {
        // SAFETY: not null and aligned as checked in `at`, and writable as its caller promised.
        unsafe { self.0.write(value) }
    }
}
