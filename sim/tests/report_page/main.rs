//! The report in headless Chromium, as a person uses it: pointer, sliders, keys, screen reader, dark, on paper.
//!
//! Without Chromium the tests are said to be skipped; with `GAPKEEPER_ALL_READERS` set, as the gate has it, that is an
//! error. `GAPKEEPER_CHROMIUM` names the program. Screenshots stay in `report-page` of the target folder's `tmp`.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]
#![cfg(target_os = "linux")]

mod browser;

use std::path::{Path, PathBuf};

use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::{demo, outcome::Outcome, report};
use serde_json::json;

use browser::Browser;

/// The demo's page, open; none where there is no browser.
fn demo_page() -> Option<(Browser, Outcome)> {
    let program = PathBuf::from(std::env::var_os("GAPKEEPER_CHROMIUM").unwrap_or_else(|| "chromium".into()));
    if !std::process::Command::new(&program).arg("--version").output().is_ok_and(|output| output.status.success()) {
        let why = format!("{} does not start", program.display());
        assert!(std::env::var_os("GAPKEEPER_ALL_READERS").is_none(), "{why}");
        println!("skipped: {why}");
        return None;
    }
    let scenario = demo::scenario().unwrap();
    let settings = Settings {
        scenario: &scenario,
        grid: None,
        tolerance_um: 50.0,
        sample_step_mm: None,
        keep_going: false,
        cores: None,
    };
    let outcome = replay(demo::JOB_NAME, demo::job(), &settings).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("report.html");
    std::fs::write(&page, report::html(&outcome)).unwrap();
    let mut browser = Browser::start(&program);
    browser.call(
        "Emulation.setDeviceMetricsOverride",
        json!({ "width": 1280, "height": 900, "deviceScaleFactor": 1, "mobile": false }),
    );
    browser.open(&page);
    Some((browser, outcome))
}

fn kept(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-page");
    std::fs::create_dir_all(&folder).unwrap();
    println!("{}", folder.join(name).display());
    folder.join(name)
}

/// Nothing was asked for but the page itself, and nothing went wrong in it.
fn assert_quiet(browser: &Browser) {
    let requests = browser.events_of("Network.requestWillBeSent");
    assert!(!requests.is_empty(), "the page itself is a request");
    for request in requests {
        let address = request["request"]["url"].as_str().unwrap();
        assert!(address.starts_with("file://") && address.ends_with("/report.html"), "{address}");
    }
    for kind in ["Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled"] {
        assert!(browser.events_of(kind).is_empty(), "{:?}", browser.events_of(kind));
    }
}

/// Where a place of the bed is seen, in px of the view; the map is scrolled into it.
fn seen_at(browser: &mut Browser, x_mm: f64, y_mm: f64) -> (f64, f64) {
    let found = browser.value(&format!(
        "(() => {{
          const data = JSON.parse(document.getElementById('data').textContent);
          const svg = document.querySelector('#probe-map svg');
          svg.scrollIntoView({{ block: 'center', behavior: 'instant' }});
          const share = [({x_mm} - data.x0) / ((data.columns - 1) * data.stepX), ({y_mm} - data.y0) / ((data.rows - 1) * data.stepY)];
          const point = new DOMPoint(data.map.left + share[0] * data.map.width, data.map.top + (1 - share[1]) * data.map.height);
          const seen = point.matrixTransform(svg.getScreenCTM());
          return [seen.x, seen.y];
        }})()"
    ));
    (found[0].as_f64().unwrap(), found[1].as_f64().unwrap())
}

/// The place that the readout names, and that its heights are the modelled bed's there.
fn assert_readout(browser: &mut Browser, outcome: &Outcome) -> (f64, f64) {
    let scenario = demo::scenario().unwrap();
    let bed = ModelledBed::new(&scenario.bed, &scenario.folder).unwrap();
    let place: Vec<f64> = browser.text("read-place").split(", ").map(|text| text.parse().unwrap()).collect();
    let bed_um = browser.number("read-bed");
    // The page interpolates between points of a lattice, and names places to 0.1 mm.
    let expected_um = bed.height_um(place[0], place[1]);
    assert!((bed_um - expected_um).abs() < 1.0, "{bed_um} {expected_um} at {place:?}");
    let error_um = browser.number("read-nozzle") - bed_um - outcome.surfaces.first_layer_um;
    assert!((browser.number("read-error") - error_um).abs() < 0.21, "{error_um}");
    (place[0], place[1])
}

#[test]
fn it_loads_nothing_and_pointer_and_sliders_read_the_bed() {
    let Some((mut browser, outcome)) = demo_page() else { return };
    assert_quiet(&browser);
    for (x_mm, y_mm, click) in [(40.0, 150.0, false), (150.0, 60.0, false), (90.0, 35.0, true)] {
        let (x, y) = seen_at(&mut browser, x_mm, y_mm);
        browser.pointer(x, y, click);
        let place = assert_readout(&mut browser, &outcome);
        assert!((place.0 - x_mm).abs() < 0.6 && (place.1 - y_mm).abs() < 0.6, "{place:?} is not {x_mm}, {y_mm}");
    }
    // The click moved the sections; the sliders follow and lead.
    assert!((browser.value("Number(document.getElementById('slide-x').value)").as_f64().unwrap() - 90.0).abs() < 0.6);
    browser.screenshot(&kept("light.png"));
    browser.value("document.getElementById('slide-x').focus()");
    let before = browser.text("title-along-y");
    let at = assert_readout(&mut browser, &outcome);
    for _ in 0..5 {
        browser.key("ArrowRight", 39);
    }
    let after = assert_readout(&mut browser, &outcome);
    assert!((after.0 - at.0 - 0.5).abs() < 1e-6 && after.1 == at.1, "five steps of 0.1 mm: {at:?} {after:?}");
    assert_ne!(browser.text("title-along-y"), before);
    browser.print(&kept("paper.pdf"));
    assert_quiet(&browser);
}
