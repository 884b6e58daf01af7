//! A grid as constants of a program, for a machine that is built with its grid.

use std::fmt::Write as _;

use gapkeeper::Surface;

use super::{GridDocument, SurfaceChoice};

/// The languages in which constants are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Language {
    /// A module of Rust, without any dependency.
    Rust,
    /// A header of C99 that needs `<stdbool.h>` and `<stdint.h>` alone.
    C,
}

/// The source text of a document's constants: everything that the document holds, so nothing is lost.
///
/// Rows run along X, the first at the smallest Y. What a document does not know has no value in Rust (`None`), and in C
/// a flag before it that is false.
///
/// The surface is one of the constants, chosen by [`GridDocument::surface_choice`].
pub fn source(document: &GridDocument, language: Language, asked: Option<Surface>) -> String {
    let surface = document.surface_choice(asked);
    match language {
        Language::Rust => rust(document, surface),
        Language::C => c(document, surface),
    }
}

fn heading(surface: SurfaceChoice) -> String {
    format!(
        "// Made by gapgrid from a height grid. Rows run along X, the first at the smallest Y.\n\
         // Surface between the nodes: {surface}.\n"
    )
}

fn rust(document: &GridDocument, surface: SurfaceChoice) -> String {
    let lattice = document.grid.lattice();
    let fade = document.fade.map(|fade| (fade.full_below_um(), fade.zero_above_um()));
    let marks = document.survey;
    let (ties, tie_residual_um) = tie_numbers(document);
    let constants = [
        ("X of the first column.", "X0_UM: i32", lattice.x0_um.to_string()),
        ("Y of the first row.", "Y0_UM: i32", lattice.y0_um.to_string()),
        ("Distance between columns.", "PITCH_X_UM: u32", lattice.pitch_x_um.to_string()),
        ("Distance between rows.", "PITCH_Y_UM: u32", lattice.pitch_y_um.to_string()),
        ("Nodes along X.", "COLUMNS: usize", lattice.columns.to_string()),
        ("Nodes along Y.", "ROWS: usize", lattice.rows.to_string()),
        ("Raises or lowers the whole grid.", "SHIFT_UM: i32", document.shift_um.to_string()),
        ("Full below and zero above.", "FADE_UM: Option<(i32, i32)>", format!("{fade:?}")),
        ("At which it was measured.", "BED_TEMPERATURE_C: Option<i16>", format!("{:?}", document.bed_temperature_c)),
        (
            "Found at the end of the survey.",
            "CLOSURE_UM: Option<i16>",
            format!("{:?}", marks.map(|marks| marks.closure_um)),
        ),
        (
            "Above the limit and accepted all the same.",
            "CLOSURE_ACCEPTED: bool",
            marks.is_some_and(|marks| marks.closure_accepted).to_string(),
        ),
        ("Ties since the last whole survey.", "TIES: u8", ties.to_string()),
        ("Found at the last of them.", "TIE_RESIDUAL_UM: u8", tie_residual_um.to_string()),
        (
            "Whether the surface between nodes is refined.",
            "REFINED: bool",
            (surface.surface == Surface::Refined).to_string(),
        ),
    ];
    let mut text = heading(surface);
    for (meaning, name, value) in constants {
        // Writing to a string does not fail.
        let _ = writeln!(text, "\n/// {meaning}\npub const {name} = {value};");
    }
    let rows = rows(document, "    [", "],\n");
    let _ = write!(text, "\n/// Heights of the nodes.\npub const NODES_UM: [[i16; COLUMNS]; ROWS] = [\n{rows}];\n");
    text
}

/// Ties and the residual of the last; none are zero.
fn tie_numbers(document: &GridDocument) -> (u8, u8) {
    let tie = document.survey.and_then(|marks| marks.tie);
    tie.map_or((0, 0), |tie| (tie.count(), tie.residual_um()))
}

fn c(document: &GridDocument, surface: SurfaceChoice) -> String {
    let lattice = document.grid.lattice();
    let fade = document.fade.map(|fade| (fade.full_below_um(), fade.zero_above_um()));
    let marks = document.survey;
    let (ties, tie_residual_um) = tie_numbers(document);
    // The lowest number of 32 bits has no literal of its own: its sign is an operator.
    let c32 = |number: i32| match number.checked_abs() {
        Some(_) => format!("INT32_C({number})"),
        None => format!("(-INT32_C({}) - 1)", i32::MAX),
    };
    let constants = [
        ("int32_t grid_x0_um", c32(lattice.x0_um)),
        ("int32_t grid_y0_um", c32(lattice.y0_um)),
        ("uint32_t grid_pitch_x_um", format!("UINT32_C({})", lattice.pitch_x_um)),
        ("uint32_t grid_pitch_y_um", format!("UINT32_C({})", lattice.pitch_y_um)),
        ("int32_t grid_shift_um", c32(document.shift_um)),
        ("bool grid_has_fade", fade.is_some().to_string()),
        ("int32_t grid_full_below_um", c32(fade.map_or(0, |fade| fade.0))),
        ("int32_t grid_zero_above_um", c32(fade.map_or(0, |fade| fade.1))),
        ("bool grid_has_bed_temperature", document.bed_temperature_c.is_some().to_string()),
        ("int32_t grid_bed_temperature_c", c32(document.bed_temperature_c.unwrap_or(0).into())),
        ("bool grid_has_survey", marks.is_some().to_string()),
        ("int32_t grid_closure_um", c32(marks.map_or(0, |marks| marks.closure_um).into())),
        ("bool grid_closure_accepted", marks.is_some_and(|marks| marks.closure_accepted).to_string()),
        ("int32_t grid_ties", c32(ties.into())),
        ("int32_t grid_tie_residual_um", c32(tie_residual_um.into())),
        ("bool grid_refined", (surface.surface == Surface::Refined).to_string()),
    ];
    let heading = heading(surface);
    let mut text = format!("{heading}#ifndef GRID_H\n#define GRID_H\n\n#include <stdbool.h>\n#include <stdint.h>\n\n");
    let _ = write!(text, "#define GRID_COLUMNS {}\n#define GRID_ROWS {}\n\n", lattice.columns, lattice.rows);
    for (name, value) in constants {
        // Writing to a string does not fail.
        let _ = writeln!(text, "static const {name} = {value};");
    }
    let rows = rows(document, "    {", "},\n");
    let _ = write!(text, "static const int16_t grid_nodes_um[GRID_ROWS][GRID_COLUMNS] = {{\n{rows}}};\n\n#endif\n");
    text
}

/// A row of nodes on a row of text.
fn rows(document: &GridDocument, open: &str, close: &str) -> String {
    let columns = usize::from(document.grid.lattice().columns);
    let row = |nodes_um: &[i16]| {
        let nodes: Vec<String> = nodes_um.iter().map(i16::to_string).collect();
        format!("{open}{}{close}", nodes.join(", "))
    };
    document.grid.nodes_um().chunks(columns).map(row).collect()
}
