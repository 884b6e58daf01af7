//! Pictures of an outcome: the surveyor's map, the path unrolled, and the layers.
//!
//! Each function gives one complete SVG; its title says what came out, or what to do. They hold neither ids nor style sheets, so several can stand in one page;
//! [`png`] turns any of them into a bitmap. Colour never carries a meaning alone: lines differ by dashes, heights are
//! printed on contour lines, and marks differ by shape.

mod bands;
mod card;
pub(crate) mod class_style;
mod field_view;
#[cfg(test)]
pub(crate) mod fixture;
mod gap;
mod layer_map;
mod layers;
mod legend;
mod map;
pub(crate) mod palette;
mod panels;
mod plan_chart;
mod section;
mod squeeze;
pub(crate) mod words;

pub use card::{card_svg, phone_card_svg};
pub use gap::gap_svg;
pub use gapkeeper_host_tools::picture::{PictureError, png};
pub use layers::layers_svg;
pub use map::map_svg;
pub use plan_chart::plan_svg;
pub use section::section_svg;
pub use squeeze::squeeze_svg;
pub use words::title;

/// What the pictures show, in words.
pub(crate) mod shows {
    pub(crate) use super::gap::SHOWS as GAP_SHOWS;
    pub(crate) use super::layers::SHOWS as LAYERS_SHOWS;
    pub(crate) use super::map::SHOWS as MAP_SHOWS;
    pub(crate) use super::plan_chart::SHOWS as PLAN_SHOWS;
    pub(crate) use super::section::SHOWS as SECTION_SHOWS;
    pub(crate) use super::squeeze::SHOWS as SQUEEZE_SHOWS;
}

use gapkeeper_host_tools::picture::{contours, heading, levels, line_labels};
pub(crate) use gapkeeper_host_tools::picture::{frame, svg};
pub(crate) use layer_map::layer_map_svg;
pub(crate) use map::{explorer_svg, opened};

#[cfg(test)]
mod tests {
    use resvg::usvg::{self, roxmltree};

    use super::*;
    use crate::outcome::{BedPoint, Field, Outcome, Surfaces};

    type Draw = fn(&Outcome) -> String;
    const TITLE: &str = "All of it will stick: refine & print";
    const ALL: [(&str, Draw); 7] = [
        ("map", |outcome| map_svg(outcome, TITLE)),
        ("gap", |outcome| gap_svg(outcome, TITLE)),
        ("layers", |outcome| layers_svg(outcome, TITLE)),
        ("section", |outcome| section_svg(outcome, TITLE)),
        ("card", |outcome| card_svg(outcome, TITLE)),
        ("phone_card", |outcome| phone_card_svg(outcome, TITLE)),
        ("explorer", |outcome| explorer_svg(outcome).0),
    ];

    fn assert_well_formed(name: &str, svg: &str) {
        assert!(!svg.contains("NaN") && !svg.contains("inf\""), "{name}");
        if let Err(error) = usvg::Tree::from_str(svg, &usvg::Options::default()) {
            panic!("{name}: {error}");
        }
    }

    #[test]
    fn every_picture_is_well_formed() {
        for outcome in [
            fixture::outcome(),
            fixture::fine_outcome(),
            fixture::rough_outcome(),
            fixture::empty_outcome(),
            fixture::hostile_outcome(),
        ] {
            for (name, draw) in ALL {
                assert_well_formed(name, &draw(&outcome));
            }
        }
    }

    #[test]
    fn names_from_files_stay_text() {
        for (name, draw) in ALL {
            assert!(!draw(&fixture::hostile_outcome()).contains("<script"), "{name}");
        }
    }

    #[test]
    fn no_picture_has_an_id_or_loads_anything() {
        for (name, draw) in ALL {
            let svg = draw(&fixture::outcome());
            assert!(!svg.contains(" id="), "{name}");
            assert_eq!(svg.matches("://").count(), 1, "{name}: only the name space");
            assert!(!svg.contains("href") && !svg.contains("url("), "{name}");
        }
    }

    #[test]
    fn units_are_said() {
        let outcome = fixture::outcome();
        for text in ["gap error, µm", "X, mm", "Y, mm", "of the first layer good", "worst "] {
            assert!(map_svg(&outcome, TITLE).contains(text), "{text}");
        }
        for text in ["height above machine zero, µm", "gap error, µm", "printed length, m<", "good within ±40 µm"] {
            assert!(gap_svg(&outcome, TITLE).contains(text), "{text}");
        }
        for text in ["layer height z, mm", "above the layer’s plane, µm", "full below 1 mm", "zero above 8 mm"] {
            assert!(layers_svg(&outcome, TITLE).contains(text), "{text}");
        }
    }

    /// (x, y) of the middle of each station's cross, from its level stroke, in the order drawn.
    fn station_px(svg: &str) -> Vec<(f64, f64)> {
        let document = roxmltree::Document::parse(svg).unwrap();
        let number = |node: &roxmltree::Node<'_, '_>, name| {
            node.attribute(name).and_then(|text| text.parse::<f64>().ok()).unwrap()
        };
        document
            .descendants()
            .filter(|node| node.attribute("class") == Some("station"))
            .filter(|node| {
                node.attribute("y1") == node.attribute("y2") && node.attribute("stroke") == Some(palette::INK)
            })
            .map(|node| ((number(&node, "x1") + number(&node, "x2")) / 2.0, number(&node, "y1")))
            .collect()
    }

    #[test]
    fn every_station_is_marked_and_y_points_up() {
        let mut outcome = fixture::outcome();
        outcome.stations = vec![
            BedPoint { x_mm: 20.0, y_mm: 30.0 },
            BedPoint { x_mm: 200.0, y_mm: 30.0 },
            BedPoint { x_mm: 20.0, y_mm: 160.0 },
        ];
        let marks = station_px(&map_svg(&outcome, TITLE));
        assert_eq!(marks.len(), 3 * 3 + 1, "three panels and the legend");
        let (origin, right, above) = (marks[0], marks[1], marks[2]);
        assert!(right.0 > origin.0 && right.1 == origin.1);
        assert!(above.1 < origin.1 && above.0 == origin.0);
        let (px_per_mm_x, px_per_mm_y) = ((right.0 - origin.0) / 180.0, (origin.1 - above.1) / 130.0);
        assert!((px_per_mm_x - px_per_mm_y).abs() < 0.01, "one scale: {px_per_mm_x} {px_per_mm_y}");
    }

    #[test]
    fn odd_data_does_not_stop_a_picture() {
        let tiny = |value: f64| Field {
            x0_mm: 0.0,
            y0_mm: 0.0,
            step_x_mm: 10.0,
            step_y_mm: 10.0,
            columns: 2,
            rows: 2,
            values_um: vec![value; 4],
        };
        let nozzle = || [tiny(f64::NAN), tiny(f64::INFINITY), tiny(-1e12)];
        let mut outcome = fixture::outcome();
        outcome.surfaces = Surfaces {
            first_layer_um: 200.0,
            bed: tiny(0.0),
            nozzle: nozzle(),
            printed: vec![true; 4],
            refused: [(); 3].map(|()| vec![false; 4]),
        };
        outcome.profile.truncate(1);
        outcome.layers.truncate(1);
        outcome.runs.clear();
        for (name, draw) in ALL {
            assert_well_formed(name, &draw(&outcome));
        }
    }

    #[test]
    fn a_png_has_the_size_that_was_asked_for() {
        let svg = layers_svg(&fixture::empty_outcome(), TITLE);
        let bytes = png(&svg, 0.5).unwrap();
        assert_eq!(&bytes[1..4], b"PNG");
        assert_eq!(u32::from_be_bytes(bytes[16..20].try_into().unwrap()), 620);
        assert!(matches!(png(&svg, 0.0), Err(PictureError::Size { .. })));
        assert!(matches!(png(&svg, f32::NAN), Err(PictureError::Size { .. })));
        assert!(matches!(png("<svg", 1.0), Err(PictureError::Malformed(_))));
    }

    /// Writes all pictures for a person to look at: `GAPKEEPER_LOOK=folder cargo test -p gapkeeper-sim look -- --ignored`.
    #[test]
    #[ignore = "writes files for eyes"]
    fn look() {
        let folder =
            std::path::PathBuf::from(std::env::var_os("GAPKEEPER_LOOK").expect("GAPKEEPER_LOOK names a folder"));
        let outcomes = [
            ("", fixture::outcome()),
            ("fine-", fixture::fine_outcome()),
            ("rough-", fixture::rough_outcome()),
            ("empty-", fixture::empty_outcome()),
            ("hostile-", fixture::hostile_outcome()),
        ];
        for (prefix, outcome) in outcomes {
            for (name, draw) in ALL {
                let svg = draw(&outcome);
                std::fs::write(folder.join(format!("{prefix}{name}.png")), png(&svg, 1.5).unwrap()).unwrap();
                std::fs::write(folder.join(format!("{prefix}{name}.svg")), svg).unwrap();
            }
            std::fs::write(folder.join(format!("{prefix}report.html")), crate::report::html(&outcome, None, None))
                .unwrap();
        }
    }
}
