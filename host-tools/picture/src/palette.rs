//! Colours that all pictures share.

/// Text and frames.
pub const INK: &str = "#22262b";
/// Notes and tick labels.
pub const INK_SOFT: &str = "#5a626b";
/// Grid lines behind the data.
pub const RULE: &str = "#e3e6e8";
