//! Documents for tests of grid files, and how many of them.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper::{Fade, HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::grid_file::{GridDocument, SurveyMarks};
use proptest::prelude::*;

/// Any document that can be.
pub fn documents() -> impl Strategy<Value = GridDocument> {
    let lattice = (-1_000_000..1_000_000, any::<i32>(), 100_u32..70_000, 100_u32..70_000, 2_u8..=15, 2_u8..=15);
    let lattice = lattice.prop_map(|(x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows)| Lattice {
        x0_um,
        y0_um,
        pitch_x_um,
        pitch_y_um,
        columns,
        rows,
    });
    let with_nodes = lattice
        .prop_flat_map(|lattice| (Just(lattice), proptest::collection::vec(-8191_i16..=8191, lattice.node_count())));
    let fade = proptest::option::of((-1_000_000..1_000_000, 100..1_000_000));
    (with_nodes, any::<i32>(), fade, any::<Option<i16>>(), any::<Option<(i16, bool, bool)>>()).prop_filter_map(
        "the far node is beyond 32 bits",
        |((lattice, nodes_um), shift_um, fade, bed_temperature_c, survey)| {
            let fade =
                fade.map(|(full_below_um, range_um)| Fade::new(full_below_um, full_below_um + range_um).unwrap());
            let grid = HeightGrid::new(lattice, &nodes_um).ok()?;
            let survey = survey.map(|(closure_um, closure_accepted, refined)| SurveyMarks {
                closure_um,
                closure_accepted,
                surface: if refined { Surface::Refined } else { Surface::Bilinear },
            });
            Some(GridDocument { grid, shift_um, fade, bed_temperature_c, survey })
        },
    )
}

/// A number of cases, unless `PROPTEST_CASES` asks for another.
pub fn cases(count: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(asked.unwrap_or(count)) }
}
