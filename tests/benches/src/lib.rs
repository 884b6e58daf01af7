//! What correction, splitting, parsing and replaying cost on a desktop; the benches stand in `benches/`.

#![forbid(unsafe_code)]
#![deny(missing_docs)]
