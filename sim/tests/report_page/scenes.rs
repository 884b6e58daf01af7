//! Pictures and page of six scenes, each on three widths, light, dark and on paper; all of them are kept, to be looked at.

use std::fmt::Write as _;
use std::path::PathBuf;

use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::outcome::{Class, Run};
use gapkeeper_sim::replay::Settings;
use gapkeeper_sim::scenario::Scenario;
use gapkeeper_sim::{demo, picture, report};
use serde_json::json;

use crate::browser::Browser;
use crate::screens::{MEASURES, assert_accessible, set_width};
use crate::{assert_quiet, chromium, kept};

struct Scene {
    name: &'static str,
    /// What stands otherwise than in the demo's scenario.
    changes: &'static [(&'static str, &'static str)],
    /// Width and depth of the bed.
    size_mm: [u32; 2],
    layer_mm: f64,
    /// What the headline has to say.
    headline: &'static str,
}

const LONG: &[(&str, &str)] = &[
    ("x_mm = [0, 230]\ny_mm = [0, 200]", "x_mm = [0, 1100]\ny_mm = [0, 200]"),
    ("travel_x_mm = [0, 230]", "travel_x_mm = [0, 1100]"),
    ("x_mm = 215,", "x_mm = 1085,"),
    ("stations = [3, 3]\nx_mm = [20, 210]", "stations = [9, 3]\nx_mm = [30, 1070]"),
];
const TALL: &[(&str, &str)] = &[
    ("x_mm = [0, 230]\ny_mm = [0, 200]", "x_mm = [0, 200]\ny_mm = [0, 1100]"),
    ("travel_x_mm = [0, 230]\ntravel_y_mm = [0, 200]", "travel_x_mm = [0, 200]\ntravel_y_mm = [0, 1100]"),
    ("x_mm = 215,", "x_mm = 185,"),
    ("y_mm = 185,", "y_mm = 1085,"),
    ("stations = [3, 3]\nx_mm = [20, 210]\ny_mm = [20, 180]", "stations = [3, 9]\nx_mm = [20, 180]\ny_mm = [30, 1070]"),
];

const SCENES: [Scene; 6] = [
    Scene { name: "usual", changes: &[], size_mm: [230, 200], layer_mm: 0.2, headline: "will stick" },
    Scene {
        name: "contact",
        changes: &[("shift_um = 0", "shift_um = -230"), ("trips_at_mm = -0.45", "trips_at_mm = -1")],
        size_mm: [230, 200],
        layer_mm: 0.2,
        headline: "do not print",
    },
    Scene {
        name: "rough",
        changes: &[("rms_um = 6\nshortest_mm = 60", "rms_um = 150\nshortest_mm = 25")],
        size_mm: [230, 200],
        layer_mm: 0.3,
        headline: "do not print",
    },
    Scene { name: "long", changes: LONG, size_mm: [1100, 200], layer_mm: 0.2, headline: "of the first layer" },
    Scene { name: "tall", changes: TALL, size_mm: [200, 1100], layer_mm: 0.2, headline: "of the first layer" },
    Scene {
        name: "refused",
        changes: &[("trips_at_mm = -0.45", "trips_at_mm = 0.15")],
        size_mm: [230, 200],
        layer_mm: 0.2,
        headline: "refused",
    },
];

/// Two layers of lines over a bed, to 20 mm from its edges.
fn job([width_mm, depth_mm]: [u32; 2], layer_mm: f64) -> String {
    let mut job = "G28\nG90\nM83\n".to_owned();
    for layer in 1..=2 {
        let z_mm = layer_mm * f64::from(layer);
        for y_mm in (20..=depth_mm - 20).step_by(4) {
            let (from_mm, to_mm) = if y_mm % 8 == 0 { (20, width_mm - 20) } else { (width_mm - 20, 20) };
            let fed_mm = f64::from(width_mm - 40) * 0.45 * layer_mm / (std::f64::consts::PI * 1.75 * 1.75 / 4.0);
            let _ = writeln!(job, "G0 X{from_mm} Y{y_mm} Z{z_mm:.2}\nG1 X{to_mm} E{fed_mm:.4} F2400");
        }
    }
    job
}

#[test]
fn six_scenes_are_drawn_and_can_be_read() {
    let Some(program) = chromium() else { return };
    let mut browser = Browser::start(&program);
    for (number, scene) in SCENES.iter().enumerate() {
        let mut text = demo::SCENARIO_TEXT.to_owned();
        for (from, to) in scene.changes {
            assert!(text.contains(from), "{}: {from}", scene.name);
            text = text.replace(from, to);
        }
        let scenario = Scenario::parse(&text, scene.name, PathBuf::new()).unwrap();
        let job = job(scene.size_mm, scene.layer_mm);
        let (outcome, squeeze) = replay_with_deposit(
            "scene.gcode",
            std::io::Cursor::new(job),
            &Settings { advise: true, sample_step_mm: Some(1.0), ..Settings::new(&scenario) },
        )
        .unwrap();
        let headline = &outcome.verdict.headline;
        assert!(headline.contains(scene.headline), "{}: {headline}", scene.name);

        // What is refused has no colour: by area as much as by length.
        let laid = |run| outcome.surfaces.laid(run).iter().filter(|laid| **laid).count() as f64;
        let refused = outcome.runs[Run::Refined as usize].first_layer.length_mm.share(Class::Refused);
        let left = laid(Run::Refined) / laid(Run::Uncorrected);
        assert!((left + refused - 1.0).abs() < 0.05, "{}: {left} laid, {refused} refused", scene.name);

        let title = &picture::title(&outcome);
        for (kind, svg) in [
            ("map", picture::map_svg(&outcome, title)),
            ("gap", picture::gap_svg(&outcome, title)),
            ("section", picture::section_svg(&outcome, title)),
            ("squeeze", picture::squeeze_svg(&outcome, &squeeze, title)),
            ("card", picture::card_svg(&outcome, title)),
        ] {
            std::fs::write(kept(&format!("{}-{kind}.png", scene.name)), picture::png(&svg, 1.0).unwrap()).unwrap();
        }

        let folder = tempfile::tempdir().unwrap();
        let page = folder.path().join("report.html");
        let html = report::html(&outcome, Some(&squeeze), None);
        assert!(html.len() < 1_000_000, "{}: {} bytes", scene.name, html.len());
        std::fs::write(kept(&format!("{}.html", scene.name)), &html).unwrap();
        std::fs::write(&page, html).unwrap();
        browser.open(&page);
        for scheme in ["light", "dark"] {
            let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
            browser.call("Emulation.setEmulatedMedia", json!({ "features": features }));
            for width in [390, 768, 1280] {
                set_width(&mut browser, width);
                let found = browser.value(MEASURES);
                assert!(found["page"].as_u64().unwrap() <= width.into(), "{} at {width}: {found}", scene.name);
                assert_eq!(found["mute"], json!([]), "{} at {width}", scene.name);
                // Each scene on one width, half of them dark; the demo's page is checked on all widths.
                let checked = if number % 2 == 0 { (390, "light") } else { (1280, "dark") };
                if (width, scheme) == checked {
                    assert_accessible(&mut browser, &format!("{} at {width}, {scheme}", scene.name));
                }
                let picture = browser.call("Page.captureScreenshot", json!({ "captureBeyondViewport": true }));
                crate::browser::keep(&kept(&format!("{}-{width}-{scheme}.png", scene.name)), &picture);
            }
        }
        browser.print(&kept(&format!("{}.pdf", scene.name)));
        assert_quiet(&browser);
    }
}
