//! Why patches cannot be made or read.

/// What is wrong with patches or their form.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PatchError {
    /// A setting that no machine has.
    #[error("a {what} of {um} um\n  give {least} to {most} um")]
    Setting {
        /// Which.
        what: &'static str,
        /// Its value.
        um: u32,
        /// The least.
        least: u32,
        /// The most.
        most: u32,
    },
    /// Patches would lie on each other.
    #[error("patches of {size_um} um are {pitch_um} um apart\n  make them smaller, or take fewer")]
    Crowded {
        /// Side of a patch.
        size_um: u32,
        /// Distance of their middles.
        pitch_um: u32,
    },
    /// The correction fades on the layer itself.
    #[error(
        "the correction fades from {full_below_um} um on, below the layer\n  print a thinner layer, or let it fade higher"
    )]
    Fades {
        /// Full up to here.
        full_below_um: i32,
    },
    /// Not the form.
    #[error("the first line is not that of the form: {0}\n  fill in the form that was written with the job")]
    Header(&'static str),
    /// A record with a field that the form does not allow.
    #[error("record {record}: {text:?} is no {column}\n  {remedy}")]
    Field {
        /// The record, the header being 1.
        record: usize,
        /// Its column.
        column: &'static str,
        /// What stands there.
        text: String,
        /// What to do.
        remedy: &'static str,
    },
    /// The form was written with another grid.
    #[error(
        "the form was written with another grid: the nozzle stood up to {apart_um} um from where this one puts it, more \
         than {limit_um} um\n  give the grid and the surface that were in force while they were printed, or print them again"
    )]
    OtherGrid {
        /// The largest distance.
        apart_um: u32,
        /// The largest that is allowed.
        limit_um: u32,
    },
    /// The readings of the form would count twice.
    #[error(
        "the grid holds the readings of this form already\n  give the grid that was in force while they were printed"
    )]
    Again,
    /// Nothing was filled in, or nothing of it tells a gap.
    #[error(
        "no patch tells the gap: {unmeasured} are not measured, {untold} too thin or too thick\n  \
        measure in millimetres; set the shift so that a first layer lies, and print them again"
    )]
    Nothing {
        /// Not filled in.
        unmeasured: usize,
        /// Out of range.
        untold: usize,
    },
}
