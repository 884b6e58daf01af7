//! The report in headless Chromium, as a person uses it: pointer, sliders, keys, screen reader, dark, on paper.
//!
//! Without Chromium the tests are said to be skipped; with `GAPKEEPER_ALL_READERS` set, as the gate has it, that is an
//! error. `GAPKEEPER_CHROMIUM` names the program. Screenshots stay in `report-page` of the target folder's `tmp`.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]
#![cfg(target_os = "linux")]

mod browser;
mod figures;
mod heavy;
mod scenes;
mod screens;

use std::path::{Path, PathBuf};

use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::plan::{PlanSettings, plan};
use gapkeeper_sim::replay::Settings;
use gapkeeper_sim::{
    demo,
    outcome::{Class, LineGap, Outcome},
    report,
};
use serde_json::json;

use browser::Browser;

/// The browser's program; none, and a message, where it does not start.
fn chromium() -> Option<PathBuf> {
    let program = PathBuf::from(std::env::var_os("GAPKEEPER_CHROMIUM").unwrap_or_else(|| "chromium".into()));
    if !std::process::Command::new(&program).arg("--version").output().is_ok_and(|output| output.status.success()) {
        let why = format!("{} does not start", program.display());
        assert!(std::env::var_os("GAPKEEPER_ALL_READERS").is_none(), "{why}");
        println!("skipped: {why}");
        return None;
    }
    Some(program)
}

/// The demo's page, open; none where there is no browser.
fn demo_page() -> Option<(Browser, Outcome)> {
    let program = chromium()?;
    let scenario = demo::scenario().unwrap();
    let settings = Settings::new(&scenario);
    let (outcome, squeeze) = replay_with_deposit(demo::JOB_NAME, demo::job(), &settings).unwrap();
    let settings = PlanSettings { draws: 3, ..PlanSettings::default() };
    let plan = plan(&scenario, demo::JOB_NAME, demo::job(), &settings).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("report.html");
    std::fs::write(&page, report::html(&outcome, Some(&squeeze), Some(&plan))).unwrap();
    let mut browser = Browser::start(&program);
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
    let bed = ModelledBed::new(&scenario, scenario.warmth_printing()).unwrap();
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
    browser.value("document.getElementById('slide-x').focus()");
    let before = browser.text("title-along-y");
    let at = assert_readout(&mut browser, &outcome);
    for _ in 0..5 {
        browser.key("ArrowRight", 39);
    }
    let after = assert_readout(&mut browser, &outcome);
    assert!((after.0 - at.0 - 0.5).abs() < 1e-6 && after.1 == at.1, "five steps of 0.1 mm: {at:?} {after:?}");
    assert_ne!(browser.text("title-along-y"), before);
    browser.screenshot(&kept("sections.png"));
    assert_quiet(&browser);
}

#[test]
fn the_layer_slider_shows_every_layer() {
    let Some((mut browser, outcome)) = demo_page() else { return };
    let layers = &outcome.layers;
    assert!(layers.len() > 20);
    // The maps are unpacked a moment after the page is there.
    while browser.text("layer-said").is_empty() {}
    browser.value("document.getElementById('slide-layer').focus()");
    // Home, some steps, End: the keys that a slider knows.
    for (key, code, presses, index) in [
        ("Home", 36, 1, 0),
        ("ArrowRight", 39, 9, 9),
        ("End", 35, 1, layers.len() - 1),
        ("ArrowLeft", 37, 1, layers.len() - 2),
    ] {
        for _ in 0..presses {
            browser.key(key, code);
        }
        let said = browser.text("slid-layer");
        assert_eq!(said, format!("{} of {}, Z {:.2} mm", index + 1, layers.len(), layers[index].z_mm));
        assert_eq!(browser.value("document.getElementById('slide-layer').getAttribute('aria-valuetext')"), said);
        // The cells of each class, as they are drawn: an area and a pattern for each class, in the order of the classes.
        let drawn = browser.value(
            "[...document.querySelectorAll('#layer-map [data-cells] path[stroke-width=\"0.8\"]')].map((path) => path.getAttribute('d').split('M').length - 1)",
        );
        let cells = &outcome.layer_maps.layers[index];
        let counts = Class::ALL.map(|class| cells.iter().filter(|cell| **cell == Some(class)).count());
        assert_eq!(drawn, json!(counts.into_iter().filter(|count| *count > 0).collect::<Vec<_>>()), "layer {index}");
        assert!(browser.text("layer-said").starts_with(&format!("Map of the layer at Z {:.2} mm", layers[index].z_mm)));
        for (run, figures) in layers[index].runs.iter().map(|run| run.unwrap()).enumerate() {
            for (figure, expected_um) in [figures.min_um, figures.mean_um, figures.max_um].into_iter().enumerate() {
                let shown_um = browser.number(&format!("layer-{run}-{figure}"));
                assert!((shown_um - expected_um).abs() <= 0.1, "layer {index}, run {run}: {shown_um} {expected_um}");
            }
        }
    }
    browser.screenshot(&kept("layer.png"));
    assert_quiet(&browser);
}

#[test]
fn a_job_line_is_found_on_the_map() {
    let Some((mut browser, outcome)) = demo_page() else { return };
    // It opens on the surface that would be used, at its worst place.
    let worst = outcome.runs[2].first_layer.errors.unwrap().worst;
    assert_eq!(outcome.runs[2].in_use, browser.value("document.querySelector('input[name=run][value=\"2\"]').checked"));
    assert_eq!(browser.text("read-place"), format!("{:.1}, {:.1}", worst.x_mm, worst.y_mm));
    let mut find = |text: &str| {
        browser.value("(() => { const line = document.getElementById('line'); line.value = ''; line.focus(); })()");
        browser.type_text(text);
        browser.value("document.getElementById('found-line').textContent = ''");
        browser.key("Enter", 13);
        // The lines are unpacked by then, or a moment later.
        browser.value("new Promise((done) => setTimeout(done, 50))");
        (browser.text("found-line"), browser.text("read-place"))
    };
    // To the digit, whichever line.
    let lines = &outcome.lines.lines;
    assert!(lines.len() > 500 && outcome.lines.left_out == 0);
    for line in lines.iter().step_by(lines.len() / 12).chain(lines.last()) {
        let (found, place) = find(&line.job_line.to_string());
        assert!(found.starts_with(&format!("Line {}: from X ", line.job_line)), "{found}");
        assert_eq!(place, format!("{:.1}, {:.1}", line.worst_at.x_mm, line.worst_at.y_mm), "{found}");
        for (run, range) in outcome.runs.iter().zip(line.gap_error) {
            let shown = found.split(&format!("{} ", run.run.label())).nth(1).unwrap().split([';', '.']).next();
            assert!(shown.is_some(), "{found}");
            let numbers: Vec<f64> = found
                .split("Gap error, µm: ")
                .nth(1)
                .unwrap()
                .split("; ")
                .nth(run.run as usize)
                .unwrap()
                .trim_start_matches(run.run.label())
                .replace('\u{2212}', "-")
                .split([' ', ';'])
                .filter_map(|text| text.trim_end_matches('.').parse().ok())
                .take(2)
                .collect();
            assert!(
                (numbers[0] - range.min_um).abs() <= 0.0501 && (numbers[1] - range.max_um).abs() <= 0.0501,
                "{found}"
            );
        }
    }
    // Every worst place of the tables is found, and its line reaches it.
    for place in outcome.runs.iter().flat_map(|run| &run.worst_places) {
        assert!(lines.iter().any(|line| line.job_line == place.job_line), "{place:?}");
    }
    let count = outcome.counts.lines;
    assert!(find("1").0.contains("lays nothing on the bed; the next one that does is"));
    assert_eq!(find("99999999").0, format!("There is no line 99999999: the job has {count} lines."));
    for wrong in ["-3", "0", "1.5", "x", " "] {
        let (found, _) = find(wrong);
        assert!(
            found.starts_with("Give a whole number") || found.starts_with("There is no line 0"),
            "{wrong}: {found}"
        );
    }
    browser.screenshot(&kept("search.png"));
    assert_quiet(&browser);
}

/// A place of a table, of the map, and of the maps side by side: each leads to its line and to its place, by keys as well.
#[test]
fn places_lead_to_their_lines() {
    let Some((mut browser, outcome)) = demo_page() else { return };
    let wait = "new Promise((done) => setTimeout(done, 50))";
    let buttons = browser.value("document.querySelectorAll('.to-line[data-x]').length").as_u64().unwrap();
    assert_eq!(buttons as usize, 3 * 2 + outcome.runs.iter().map(|run| run.worst_places.len()).sum::<usize>());
    let places: Vec<_> =
        outcome.runs.iter().flat_map(|run| run.worst_places.iter().map(move |place| (run.run, place))).collect();
    for (run, place) in places.iter().step_by(7) {
        let pick = format!(
            "[...document.querySelectorAll('.to-line[data-run=\"{}\"]')].find((button) => button.textContent === '{}' && Math.abs(button.dataset.x - {}) < 0.01).focus()",
            *run as usize, place.job_line, place.x_mm
        );
        browser.value(&pick);
        browser.key("Enter", 13);
        browser.value(wait);
        let found = browser.text("found-line");
        assert!(found.starts_with(&format!("Line {}: from X ", place.job_line)), "{found}");
        assert_eq!(browser.text("read-place"), format!("{:.1}, {:.1}", place.x_mm, place.y_mm));
        assert_eq!(
            browser.value("document.querySelector('input[name=run]:checked').value"),
            (*run as usize).to_string()
        );
        assert_eq!(browser.value("document.activeElement.id"), "probe-map");
    }
    // The numbered places of the run that is chosen now, by the pointer.
    let (run, _) = places[places.len() - 1];
    let place = outcome.runs[run as usize].worst_places[1];
    let at = browser.value(
        "(() => { const box = document.querySelectorAll('.place')[1].getBoundingClientRect(); return [box.x + box.width / 2, box.y + box.height / 2]; })()",
    );
    browser.pointer(at[0].as_f64().unwrap(), at[1].as_f64().unwrap(), true);
    browser.value(wait);
    assert!(browser.text("found-line").starts_with(&format!("Line {}: from X ", place.job_line)));
    assert_eq!(browser.text("read-place"), format!("{:.1}, {:.1}", place.x_mm, place.y_mm));
    // A click anywhere names the line that passes there.
    let (x_mm, y_mm) = (90.0, 60.0);
    let (x, y) = seen_at(&mut browser, x_mm, y_mm);
    browser.pointer(x, y, true);
    browser.value(wait);
    let found = browser.text("found-line");
    let line: u64 = found.strip_prefix("Nearest: Line ").unwrap().split(':').next().unwrap().parse().unwrap();
    let away = |line: &LineGap| {
        let [[x1, y1], [x2, y2]] = [line.starts_at, line.ends_at].map(|point| [point.x_mm, point.y_mm]);
        let steps = 1000;
        (0..=steps)
            .map(|step| f64::from(step) / f64::from(steps))
            .map(|share| (x1 + (x2 - x1) * share - x_mm).hypot(y1 + (y2 - y1) * share - y_mm))
            .fold(f64::INFINITY, f64::min)
    };
    let least = outcome.lines.lines.iter().map(away).fold(f64::INFINITY, f64::min);
    let named = outcome.lines.lines.iter().find(|found| found.job_line == line).unwrap();
    assert!(away(named) < least + 0.8, "line {line} is {} mm away, another {least}", away(named));
    // The first of the maps side by side.
    let at = browser.value(
        "(() => { const panel = document.querySelector('[data-panel]'); panel.ownerSVGElement.scrollIntoView({ block: 'center', behavior: 'instant' });
          const [left, top, width, height] = panel.dataset.frame.split(' ').map(Number);
          const seen = new DOMPoint(left + width / 2, top + height / 4).matrixTransform(panel.ownerSVGElement.getScreenCTM()); return [seen.x, seen.y]; })()",
    );
    browser.pointer(at[0].as_f64().unwrap(), at[1].as_f64().unwrap(), true);
    browser.value(wait);
    assert!(browser.text("found-line").starts_with("Nearest: Line "));
    assert_eq!(browser.value("document.querySelector('input[name=run]:checked').value"), "0");
    let shown: Vec<f64> = browser.text("read-place").split(", ").map(|text| text.parse().unwrap()).collect();
    assert!((shown[0] - 115.0).abs() < 0.6 && (shown[1] - 150.0).abs() < 0.6, "{shown:?}");
    browser.screenshot(&kept("places.png"));
    assert_quiet(&browser);
}

/// Every text that is seen, with its contrast to what is behind it, by WCAG 2.2 ("relative luminance", "contrast
/// ratio"). Text in pictures is left out: they are turned over as a whole.
const CONTRASTS: &str = "(() => {
  const numbers = (colour) => colour.match(/[0-9.]+/g).map(Number);
  const luminance = (colour) => {
    const [r, g, b] = numbers(colour).slice(0, 3).map((part) => part / 255).map((part) => part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (element) => {
    const colour = element ? getComputedStyle(element).backgroundColor : getComputedStyle(document.body).backgroundColor;
    return element && numbers(colour)[3] === 0 ? behind(element.parentElement) : colour;
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || element.closest('svg, script, noscript') || element.getClientRects().length === 0) continue;
    const [a, b] = [luminance(getComputedStyle(element).color), luminance(behind(element))].sort((a, b) => b - a);
    found.push([(a + 0.05) / (b + 0.05), walker.currentNode.data.trim()]);
  }
  return found.sort((a, b) => a[0] - b[0]);
})()";

#[test]
fn light_dark_and_paper_can_be_read() {
    let Some((mut browser, _)) = demo_page() else { return };
    let mut papers = Vec::new();
    for scheme in ["light", "dark"] {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        browser.call("Emulation.setEmulatedMedia", json!({ "media": "screen", "features": features }));
        let contrasts = browser.value(CONTRASTS);
        assert!(contrasts.as_array().unwrap().len() > 100);
        println!("{scheme}: least contrast {}", contrasts[0]);
        assert!(contrasts[0][0].as_f64().unwrap() >= 4.5, "{scheme}: {}", contrasts[0]);
        papers.push(browser.value("getComputedStyle(document.body).backgroundColor"));
        browser.screenshot(&kept(&format!("{scheme}.png")));
    }
    assert_ne!(papers[0], papers[1]);
    // Paper is white whatever the screen prefers, and nothing on it waits for a pointer.
    browser.call(
        "Emulation.setEmulatedMedia",
        json!({ "media": "print", "features": [{ "name": "prefers-color-scheme", "value": "dark" }] }),
    );
    assert_eq!(browser.value("getComputedStyle(document.querySelector('.sheet > svg')).filter"), "none");
    assert_eq!(browser.value("document.getElementById('slide-x').getClientRects().length"), 0);
    assert!(browser.value(CONTRASTS)[0][0].as_f64().unwrap() >= 4.5);
    browser.print(&kept("paper.pdf"));
    assert_quiet(&browser);
}

#[test]
fn keys_reach_everything_and_a_screen_reader_hears_names() {
    let Some((mut browser, outcome)) = demo_page() else { return };
    let mut order = Vec::new();
    for _ in 0..80 {
        browser.key("Tab", 9);
        let at =
            browser.value("document.activeElement.id || document.activeElement.name || document.activeElement.tagName");
        order.push(at.as_str().unwrap().to_owned());
    }
    let at = |name: &str| order.iter().position(|id| id == name).unwrap_or_else(|| panic!("{name} in {order:?}"));
    let wanted = ["run", "line", "find", "probe-map", "slide-x", "slide-y", "slide-layer"];
    assert!(wanted.map(at).is_sorted(), "{order:?}");

    // The map by its keys: the probe moves by 1 mm, and what it reads is spoken.
    browser.value("document.getElementById('probe-map').focus()");
    let before = assert_readout(&mut browser, &outcome);
    browser.key("ArrowUp", 38);
    let after = assert_readout(&mut browser, &outcome);
    assert!((after.1 - before.1 - 1.0).abs() < 0.11 && after.0 == before.0, "{before:?} {after:?}");
    assert_eq!(browser.value("document.getElementById('readout').getAttribute('aria-live')"), "polite");

    let lines = browser.value("document.querySelectorAll('.to-line').length").as_u64().unwrap();
    browser.call("Accessibility.enable", json!({}));
    let tree = browser.call("Accessibility.getFullAXTree", json!({}));
    let named = ["image", "slider", "table", "radio", "button", "textbox", "application", "RootWebArea"];
    let mut seen = std::collections::BTreeMap::new();
    for node in tree["nodes"].as_array().unwrap().iter().filter(|node| node["ignored"] == false) {
        let role = node["role"]["value"].as_str().unwrap_or_default();
        if let Some(role) = named.into_iter().find(|name| *name == role || (*name == "image" && role == "img")) {
            assert!(node["name"]["value"].as_str().is_some_and(|name| name.len() > 2), "{node}");
            *seen.entry(role).or_insert(0) += 1;
        }
    }
    assert_eq!(
        seen.into_iter().collect::<Vec<_>>(),
        [
            ("RootWebArea", 1),
            ("application", 1),
            // The search's own, the numbered places of the run, and the lines in tables.
            ("button", 1 + outcome.runs[2].worst_places.len() + lines as usize),
            ("image", 11),
            ("radio", 3),
            ("slider", 3),
            ("table", 8),
            ("textbox", 1),
        ]
    );
    assert_quiet(&browser);
}
