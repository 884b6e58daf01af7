//! What was found, for the eye and for programs: pictures, a page, text and JSON.

pub mod picture;
pub mod report;
pub mod summary;
