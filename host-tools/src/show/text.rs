//! A grid in a terminal, of characters that every terminal has.

use std::fmt::Write as _;

use gapkeeper::HeightGrid;

use super::ramp::Colour;
use super::{band, colour, levels_um};

/// Widest and highest picture, in characters.
const WIDEST: f64 = 64.0;
const HIGHEST: f64 = 28.0;
/// How much higher than wide a character is.
const CHARACTER_ASPECT: f64 = 2.0;

/// The surface as a picture of digits, one for each band of heights, and the heights of each band. The lowest band is 0.
///
/// It reads as well without colour; with it, bands are coloured by the 256 colours of common terminals.
pub fn shaded<const CAPACITY: usize>(surface: &HeightGrid<CAPACITY>, is_coloured: bool) -> String {
    let lattice = surface.lattice();
    let (x0, y0) = (f64::from(lattice.x0_um), f64::from(lattice.y0_um));
    let span = |pitch_um: u32, nodes: u8| f64::from(pitch_um) * f64::from(nodes - 1);
    let (span_x, span_y) = (span(lattice.pitch_x_um, lattice.columns), span(lattice.pitch_y_um, lattice.rows));
    // One scale for both axes, as large as fits.
    let um_per_line = (span_y / HIGHEST).max(span_x / WIDEST * CHARACTER_ASPECT);
    let lines = (span_y / um_per_line).round().clamp(2.0, HIGHEST) as usize;
    let width = (span_x / um_per_line * CHARACTER_ASPECT).round().clamp(4.0, WIDEST) as usize;

    let levels = levels_um(surface);
    let middle = |index: usize, count: usize| (index as f64 + 0.5) / count as f64;
    let band_at = |line: usize, place: usize| {
        let x_um = x0 + span_x * middle(place, width);
        let y_um = y0 + span_y * (1.0 - middle(line, lines));
        // Inside the grid, whose places have 32 bits.
        band(&levels, surface.height_um(x_um.round() as i32, y_um.round() as i32).into())
    };
    // A refined grid may end some micrometres inside the stations.
    let mm = |um: f64| ((um / 100.0).round() / 10.0).to_string();
    let (front, back) = (mm(y0), mm(y0 + span_y));
    let label = front.len().max(back.len());
    let edge = format!("{:label$} +{:-<width$}+\n", "", "");
    let mut out = edge.clone();
    for line in 0..lines {
        let text = if line == 0 {
            &back
        } else if line == lines - 1 {
            &front
        } else {
            ""
        };
        let bands: Vec<usize> = (0..width).map(|place| band_at(line, place)).collect();
        // Writing to a string does not fail.
        let _ = write!(out, "{text:>label$} |");
        for run in bands.chunk_by(|a, b| a == b) {
            let characters = digit(run[0]).to_string().repeat(run.len());
            out.push_str(&painted(&characters, colour(&levels, run[0]), is_coloured));
        }
        out.push_str("|\n");
    }
    out.push_str(&edge);
    let (left, right) = (mm(x0), mm(x0 + span_x));
    let between = (width + 1).saturating_sub(left.len() + right.len()).max(1);
    let _ = writeln!(out, "{:label$}  {left}{:between$}{right}  X and Y in mm\n", "", "");

    for index in (0..=levels.len()).rev() {
        let um = |at: usize| levels.get(at).map_or(0.0, |level| *level);
        let meaning = match (index, levels.len()) {
            (_, 0) => "all of it".to_owned(),
            (0, _) => format!("below {} um", um(0)),
            (last, count) if last == count => format!("from {} um", um(last - 1)),
            (between, _) => format!("from {} um to {} um", um(between - 1), um(between)),
        };
        let sample = painted(&digit(index).to_string().repeat(3), colour(&levels, index), is_coloured);
        let _ = writeln!(out, "{:label$} [{sample}] {meaning}", "");
    }
    out
}

/// [`levels_um`] makes no more than ten bands.
fn digit(band: usize) -> char {
    u32::try_from(band).ok().and_then(|band| char::from_digit(band, 10)).unwrap_or('9')
}

fn painted(text: &str, [r, g, b]: Colour, is_coloured: bool) -> String {
    if !is_coloured {
        return text.to_owned();
    }
    // The colour cube of terminals: six steps for each of three colours, from number 16 on.
    let step = |value: u8| (u16::from(value) * 5 + 127) / 255;
    let number = 16 + 36 * step(r) + 6 * step(g) + step(b);
    // Black on light ground and white on dark, by the weights of ITU-R BT.709.
    let light = 0.2126 * f64::from(r) + 0.7152 * f64::from(g) + 0.0722 * f64::from(b);
    let ground = if light > 110.0 { 16 } else { 231 };
    format!("\x1b[38;5;{ground};48;5;{number}m{text}\x1b[0m")
}

#[cfg(test)]
mod tests {
    use gapkeeper::Lattice;

    use super::*;

    fn grid(heights_um: [i16; 6]) -> HeightGrid<6> {
        let lattice =
            Lattice { x0_um: -10_000, y0_um: 12_500, pitch_x_um: 50_000, pitch_y_um: 40_000, columns: 3, rows: 2 };
        HeightGrid::new(lattice, &heights_um).unwrap()
    }

    /// Low in front, high at the back to the right: by hand.
    #[test]
    fn digits_rise_with_the_bed() {
        let picture = shaded(&grid([0, 0, 0, 0, 0, 90]), false);
        let lines: Vec<&str> = picture.lines().filter(|line| line.contains('|')).collect();
        assert_eq!(lines.len(), 13, "100 to 40 mm, 64 characters, each twice as high as wide:\n{picture}");
        assert!(lines[0].starts_with("52.5 |00") && lines[0].ends_with("8|"), "{picture}");
        assert!(lines[12].starts_with("12.5 |00") && lines[12].ends_with("0|"), "{picture}");
        assert!(picture.contains("[000] below 10 um") && picture.contains("[888] from 80 um\n"), "{picture}");
        assert!(picture.is_ascii() && !picture.contains('\x1b'));
    }

    #[test]
    fn colour_adds_nothing_but_colour() {
        let grid = grid([0, 10, 20, 30, 40, 500]);
        let coloured = shaded(&grid, true);
        assert!(coloured.contains("\x1b[38;5;"));
        let mut plain = String::new();
        for part in coloured.split('\x1b') {
            plain.push_str(if part.starts_with('[') { part.split_once('m').unwrap().1 } else { part });
        }
        assert_eq!(plain, shaded(&grid, false));
    }

    #[test]
    fn a_flat_bed_is_one_band() {
        assert!(shaded(&grid([3; 6]), false).ends_with("[000] all of it\n"));
    }
}
