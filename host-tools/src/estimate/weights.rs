//! Fixed weights from readings to nodes, for a chip without linear algebra.
//!
//! The setting is that of the core's own tables ([`gapkeeper::WeightedLayout`]): a rough part of three times the hand,
//! half a span long. It serves smooth and rough beds, careful and hasty hands.

use std::fmt::Write as _;

use gapkeeper::{BedHeight, Lattice};

use super::error::EstimateError;
use super::kriging::{Kriging, Setting};
use super::surveys::Surveys;
use crate::grid_file::{Language, OlderSurveys, StationReading};

/// The setting of fixed weights, for a hand of 1 µm.
pub(super) const SETTING: Setting = Setting { rough_um: 3.0, length: 0.5, hand_um: 1.0, drift_um: 0.0 };
/// Fractional bits of a weight in a program; with them 16 bits hold less than 2.
const BITS: u32 = 14;
/// Characters of a row of numbers.
const WIDEST: usize = 116;

/// What each reading counts for at each node.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    stations_um: Vec<(i32, i32)>,
    lattice: Lattice,
    by_node: Vec<Vec<f64>>,
}

impl Weights {
    /// The weights of stations, in their order, for the nodes of a lattice.
    ///
    /// # Errors
    /// [`EstimateError`] where the stations do not tell tilt, twist and bow, or a node lies too far out.
    pub fn new(stations_um: &[(i32, i32)], lattice: Lattice) -> Result<Self, EstimateError> {
        let reading =
            |&(x_um, y_um): &(i32, i32)| StationReading { at: BedHeight { x_um, y_um, height_um: 0 }, spread_um: None };
        let stations: Vec<StationReading> = stations_um.iter().map(reading).collect();
        let Surveys { frame, samples, .. } = Surveys::new(&stations, &OlderSurveys::default())?;
        let kriging = Kriging::new(&samples, SETTING).ok_or(EstimateError::Undetermined)?;
        let nodes = (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| (column, row)));
        let of_node = |(column, row)| {
            let (x_um, y_um) = lattice.node_um(column, row);
            kriging.weights(&kriging.reach(frame.place(x_um.into(), y_um.into())))
        };
        let by_node: Vec<Vec<f64>> = nodes.map(of_node).collect();
        let largest = by_node.iter().flatten().fold(0.0_f64, |largest, weight| largest.max(weight.abs()));
        let is_held = largest < f64::from(1 << (15 - BITS)) - 1e-4;
        is_held
            .then_some(Self { stations_um: stations_um.to_vec(), lattice, by_node })
            .ok_or(EstimateError::FarNode { largest })
    }

    /// By node, row by row from the smallest Y: the weight of each station.
    pub fn by_node(&self) -> &[Vec<f64>] {
        &self.by_node
    }

    /// The text of a program that makes the nodes of the readings, in integers.
    ///
    /// Readings that are all alike give nodes that are the same; else each node is within half a micrometre, and what
    /// rounding the weights to 14 bits makes of the readings' distance from that in the middle of the list.
    pub fn source(&self, language: Language) -> String {
        match language {
            Language::Rust => self.rust(),
            Language::C => self.c(),
        }
    }

    fn heading(&self) -> String {
        let Lattice { columns, rows, .. } = self.lattice;
        format!(
            "// Made by gapgrid: weights of {} readings for {columns} x {rows} nodes. Plane, twist and bow pass as they are.\n",
            self.stations_um.len()
        )
    }

    fn rust(&self) -> String {
        let Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows } = self.lattice;
        let stations: String = self.stations_um.iter().map(|(x, y)| format!("    [{x}, {y}],\n")).collect();
        let weights: String = self.rows("    [", "    ],\n");
        format!(
            "{}
/// Readings, one of each station.
pub const STATIONS: usize = {};
/// X and Y of the stations, in the order of the readings.
pub const STATIONS_UM: [[i32; 2]; STATIONS] = [
{stations}];
/// X of the first column.
pub const X0_UM: i32 = {x0_um};
/// Y of the first row.
pub const Y0_UM: i32 = {y0_um};
/// Distance between columns.
pub const PITCH_X_UM: u32 = {pitch_x_um};
/// Distance between rows.
pub const PITCH_Y_UM: u32 = {pitch_y_um};
/// Nodes along X.
pub const COLUMNS: usize = {columns};
/// Nodes along Y.
pub const ROWS: usize = {rows};
/// By node, row by row from the smallest Y: the weight of each station, with {BITS} fractional bits.
pub static WEIGHTS: [[i16; STATIONS]; COLUMNS * ROWS] = [
{weights}];

/// Heights of the nodes, row by row from the smallest Y.
pub fn nodes_um(readings_um: &[i16; STATIONS]) -> [i32; COLUMNS * ROWS] {{
    let middle_um = i64::from(readings_um[STATIONS / 2]);
    let mut nodes_um = [0; COLUMNS * ROWS];
    for (node_um, weights) in nodes_um.iter_mut().zip(&WEIGHTS) {{
        let mut sum = 0;
        for (&reading_um, &weight) in readings_um.iter().zip(weights) {{
            sum += (i64::from(reading_um) - middle_um) * i64::from(weight);
        }}
        *node_um = (middle_um + ((sum + (1 << {})) >> {BITS})) as i32;
    }}
    nodes_um
}}
",
            self.heading(),
            self.stations_um.len(),
            BITS - 1
        )
    }

    fn c(&self) -> String {
        let Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows } = self.lattice;
        let stations: String = self.stations_um.iter().map(|(x, y)| format!("    {{{x}, {y}}},\n")).collect();
        let weights = self.rows("    {", "    },\n");
        let one = 1 << BITS;
        format!(
            "{}#ifndef WEIGHTS_H
#define WEIGHTS_H

#include <stdint.h>

#define WEIGHTS_STATIONS {}
#define WEIGHTS_COLUMNS {columns}
#define WEIGHTS_ROWS {rows}
#define WEIGHTS_X0_UM ({x0_um})
#define WEIGHTS_Y0_UM ({y0_um})
#define WEIGHTS_PITCH_X_UM {pitch_x_um}
#define WEIGHTS_PITCH_Y_UM {pitch_y_um}

/* X and Y of the stations, in the order of the readings. */
static const int32_t weights_stations_um[WEIGHTS_STATIONS][2] = {{
{stations}}};

/* By node, row by row from the smallest Y: the weight of each station, with {BITS} fractional bits. */
static const int16_t weights[WEIGHTS_COLUMNS * WEIGHTS_ROWS][WEIGHTS_STATIONS] = {{
{weights}}};

/* Heights of the nodes, row by row from the smallest Y. */
static inline void weights_nodes_um(const int16_t readings_um[WEIGHTS_STATIONS],
                                    int32_t nodes_um[WEIGHTS_COLUMNS * WEIGHTS_ROWS]) {{
    const int32_t middle_um = readings_um[WEIGHTS_STATIONS / 2];
    for (int node = 0; node < WEIGHTS_COLUMNS * WEIGHTS_ROWS; node++) {{
        int64_t sum = {};
        for (int station = 0; station < WEIGHTS_STATIONS; station++) {{
            sum += (int64_t)(readings_um[station] - middle_um) * weights[node][station];
        }}
        /* Rounded down, also below zero. */
        const int64_t share = sum >= 0 ? sum / {one} : -((-sum + {}) / {one});
        nodes_um[node] = middle_um + (int32_t)share;
    }}
}}

#endif
",
            self.heading(),
            self.stations_um.len(),
            one / 2,
            one - 1
        )
    }

    /// The weights of each node in brackets.
    fn rows(&self, open: &str, close: &str) -> String {
        let mut text = String::new();
        for weights in &self.by_node {
            let _ = write!(text, "{open}\n       ");
            let mut width = 7;
            for weight in weights {
                // Less than 2, with 14 fractional bits.
                let number = format!(" {},", (weight * f64::from(1 << BITS)).round() as i16);
                if width + number.len() > WIDEST {
                    text += "\n       ";
                    width = 7;
                }
                width += number.len();
                text += &number;
            }
            let _ = write!(text, "\n{close}");
        }
        text
    }
}
