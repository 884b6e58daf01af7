//! The page of the heaviest job and bed that are known stays below a megabyte.

use std::fmt::Write as _;
use std::io::Cursor;
use std::path::PathBuf;

use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::Scenario;
use gapkeeper_sim::{demo, report};

use crate::kept;

/// A bed that is as rough as a file and as large as two common ones, a first layer of 20,000 short lines all over it, and
/// 400 layers above.
#[test]
fn a_heavy_page_stays_below_a_megabyte() {
    let text = demo::SCENARIO_TEXT
        .replace("rms_um = 6\nshortest_mm = 60", "rms_um = 120\nshortest_mm = 10")
        .replace("x_mm = [0, 230]\ny_mm = [0, 200]", "x_mm = [0, 300]\ny_mm = [0, 300]")
        .replace("travel_x_mm = [0, 230]\ntravel_y_mm = [0, 200]", "travel_x_mm = [0, 300]\ntravel_y_mm = [0, 300]")
        .replace("trips_at_mm = -0.45", "trips_at_mm = -2");
    let scenario = Scenario::parse(&text, "heavy", PathBuf::new()).unwrap();
    let mut job = "M83\nG0 X5 Y5 Z5\nG0 Z0.3\n".to_owned();
    let count = 20_000;
    for line in 0..count {
        let (x_mm, y_mm) = (f64::from(line % 200) * 1.4 + 8.0, f64::from(line / 200) * 2.8 + 8.0);
        let _ = writeln!(job, "G0 X{x_mm:.2} Y{y_mm:.2}\nG1 X{:.2} Y{:.2} E0.1 F2400", x_mm + 1.3, y_mm + 0.7);
    }
    for layer in 2..=400 {
        let _ = writeln!(job, "G0 Z{:.2}", 0.3 * f64::from(layer));
        for side in 0..4 {
            let at_mm = 20 + (layer * 31 + side * 67) % 250;
            let _ = writeln!(job, "G0 X20 Y{at_mm}\nG1 X280 E10");
        }
    }
    let settings = Settings { sample_step_mm: Some(1.0), ..Settings::new(&scenario) };
    let outcome = replay("heavy.gcode", Cursor::new(job), &settings).unwrap();
    let html = report::html(&outcome, None, None);
    std::fs::write(kept("heavy.html"), &html).unwrap();
    assert_eq!((outcome.layers.len(), outcome.lines.lines.len()), (400, 20_000));
    assert!(html.contains("drawn from one in "), "a bed this rough is drawn coarsely");
    assert!(html.len() < 1_000_000, "{} bytes", html.len());
}
