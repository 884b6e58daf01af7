//! Documents for tests of grid files, and how many of them.

#![allow(dead_code, reason = "each test program uses a part of it")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper::{BedHeight, Fade, HeightGrid, Lattice, Surface, Tie};
use gapkeeper_host_tools::grid_file::{
    GridDocument, GridFormat, LengthUnit, MissingFacts, OlderSurveys, RowOrder, StationReading, SurveyMarks,
};
use proptest::prelude::*;

/// Any document that can be.
pub fn documents() -> impl Strategy<Value = GridDocument> {
    let lattice = (-1_000_000..1_000_000, any::<i32>(), 100_u32..69_000, 100_u32..69_000, 2_u8..=16, 2_u8..=16);
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
    let (survey, lowest) = (any::<Option<(i16, bool, bool)>>(), any::<Option<i32>>());
    let reading = (any::<(i32, i32)>(), -8191..=8191_i32, proptest::option::of(1..=1000_u16));
    let older = proptest::collection::vec(proptest::collection::vec(reading.clone(), 1..4), 0..3);
    let kept = (proptest::collection::vec(reading, 0..4), older, 0..=1000_u16);
    let plate = proptest::option::of("[^\\p{C}]{1,15}");
    (with_nodes, any::<i32>(), fade, any::<Option<i16>>(), survey, lowest, kept, plate).prop_filter_map(
        "the far node is beyond 32 bits",
        |((lattice, nodes_um), shift_um, fade, bed_temperature_c, survey, lowest_machine_z_um, kept, plate)| {
            let fade =
                fade.map(|(full_below_um, range_um)| Fade::new(full_below_um, full_below_um + range_um).unwrap());
            let grid = HeightGrid::new(lattice, &nodes_um).ok()?;
            let survey = survey.map(|(closure_um, closure_accepted, refined)| SurveyMarks {
                closure_um,
                closure_accepted,
                surface: if refined { Surface::Refined } else { Surface::Bilinear },
                // One survey in four is whole.
                tie: Tie::new((closure_um & 3) as u8, (closure_um.unsigned_abs() % 101) as u8),
            });
            let reading = |((x_um, y_um), height_um, spread_um)| StationReading {
                at: BedHeight { x_um, y_um, height_um },
                spread_um,
            };
            let readings = |readings: Vec<_>| readings.into_iter().map(reading).collect::<Vec<StationReading>>();
            let (newest, older, drift_um) = kept;
            let readings_um: Vec<_> = older.into_iter().map(readings).collect();
            // Of every other document, of every other survey.
            let degrees = |survey: usize| survey.is_multiple_of(2).then_some(drift_um as i16);
            let count = if drift_um.is_multiple_of(2) { readings_um.len() } else { 0 };
            let bed_temperatures_c = (0..count).map(degrees).collect();
            let older = OlderSurveys { drift_um, readings: readings_um, bed_temperatures_c };
            Some(GridDocument {
                grid,
                shift_um,
                fade,
                bed_temperature_c,
                survey,
                lowest_machine_z_um,
                readings: readings(newest),
                older: if older.readings.is_empty() { OlderSurveys::default() } else { older },
                plate,
            })
        },
    )
}

/// A number of cases, unless `PROPTEST_CASES` asks for another.
pub fn cases(count: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(asked.unwrap_or(count)) }
}

/// Any document that the core's record takes, too.
pub fn storable_documents() -> impl Strategy<Value = GridDocument> {
    documents().prop_map(|mut document| {
        document.shift_um %= 8192;
        document.bed_temperature_c = document.bed_temperature_c.map(|degrees| degrees.rem_euclid(1274) - 273);
        if let Some(marks) = &mut document.survey {
            marks.closure_um %= 16_383;
        }
        let correction = gapkeeper::Correction::new(document.grid.clone());
        document.fade = document.fade.filter(|fade| correction.with_fade(*fade).is_ok());
        document
    })
}

/// All that a file of this program may need to be told, in the form that it is written in.
pub fn facts(document: &GridDocument, format: GridFormat) -> MissingFacts {
    let lattice = document.grid.lattice();
    MissingFacts {
        unit: Some(match format {
            GridFormat::Npy => LengthUnit::Micrometre,
            _ => LengthUnit::Millimetre,
        }),
        rows: Some(RowOrder::FirstFront),
        origin_um: Some((lattice.x0_um, lattice.y0_um)),
        pitch_um: Some((lattice.pitch_x_um, lattice.pitch_y_um)),
        setup: Some(7),
        address: Some(0x2_FFF0),
        exaggeration: Some(20),
        ..MissingFacts::default()
    }
}
