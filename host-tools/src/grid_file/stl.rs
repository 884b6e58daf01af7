//! A surface of triangles as binary STL (Library of Congress, format description fdd000504), for any viewer; out only.
//!
//! 80 bytes of header, the number of triangles, and 50 bytes for each: normal, three corners, two bytes of nothing.
//! Lengths are millimetres, heights multiplied by the exaggeration. Every cell is two triangles, parted from its front
//! left to its back right corner.

use super::error::given;
use super::loss::beside_heights;
use super::xyz::nodes;
use super::{Fact, GridDocument, GridFileErrorKind as Kind, Loss, MissingFacts};

const HEADER_SIZE: usize = 80;
/// The highest node stays within 32 bits of micrometres.
const MAX_EXAGGERATION: u32 = 100_000;

/// The exaggeration, if it is given and makes a surface.
pub(super) fn exaggeration(facts: &MissingFacts) -> Result<u32, Kind> {
    match given(facts.exaggeration, Fact::Exaggeration)? {
        exaggeration @ 1..=MAX_EXAGGERATION => Ok(exaggeration),
        exaggeration => Err(Kind::Exaggeration(exaggeration)),
    }
}

pub(super) fn render(document: &GridDocument, facts: &MissingFacts) -> Result<(Vec<u8>, Vec<Loss>), Kind> {
    let exaggeration = exaggeration(facts)?;
    let corners_mm: Vec<[f64; 3]> = nodes(document)
        .map(|(x_um, y_um, height_um)| {
            let height_um = f64::from(height_um) * f64::from(exaggeration);
            [f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0, height_um / 1000.0]
        })
        .collect();
    let mut bytes = format!("surface in millimetres, heights times {exaggeration}").into_bytes();
    bytes.resize(HEADER_SIZE, b' ');
    let triangles: Vec<[usize; 3]> = cells(document).flat_map(|[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
    // At most 392.
    bytes.extend_from_slice(&(triangles.len() as u32).to_le_bytes());
    for triangle in triangles {
        let corners_mm = triangle.map(|corner| corners_mm[corner]);
        let vectors = std::iter::once(normal(corners_mm)).chain(corners_mm);
        // The format has single precision.
        bytes.extend(vectors.flatten().flat_map(|number| (number as f32).to_le_bytes()));
        bytes.extend_from_slice(&[0, 0]);
    }
    let is_exact = |mm: &f64| (f64::from(*mm as f32) * 1000.0).round() == (mm * 1000.0).round();
    let loss = (!corners_mm.iter().flatten().all(is_exact)).then_some(Loss::SinglePrecision);
    Ok((bytes, beside_heights(document).into_iter().chain(loss).collect()))
}

/// The nodes at the corners of each cell: front left, front right, back right, back left.
pub(super) fn cells(document: &GridDocument) -> impl Iterator<Item = [usize; 4]> {
    let lattice = document.grid.lattice();
    let (columns, rows) = (usize::from(lattice.columns), usize::from(lattice.rows));
    (0..rows - 1).flat_map(move |row| {
        (0..columns - 1).map(move |column| {
            let first = row * columns + column;
            [first, first + 1, first + columns + 1, first + columns]
        })
    })
}

/// The direction at right angles to a triangle whose corners run anticlockwise seen from above, of length 1.
fn normal([a, b, c]: [[f64; 3]; 3]) -> [f64; 3] {
    let [u, v] = [b, c].map(|corner| [corner[0] - a[0], corner[1] - a[1], corner[2] - a[2]]);
    let cross = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    // Never zero: nodes are apart along X and Y.
    let length = cross.iter().map(|part| part * part).sum::<f64>().sqrt();
    cross.map(|part| part / length)
}
