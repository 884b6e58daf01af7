//! The page on narrow and wide screens, and on paper.

use serde_json::json;

use crate::browser::Browser;
use crate::{assert_quiet, demo_page, kept};

/// From a small phone, which is also a wide screen at 400 %, to a large screen.
pub const WIDTHS: [u32; 5] = [320, 390, 768, 1280, 1920];

pub fn set_width(browser: &mut Browser, width: u32) {
    let size = json!({ "width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false });
    browser.call("Emulation.setDeviceMetricsOverride", size);
}

/// Width of the narrowest slider, size of the smallest letters in a picture, and what scrolls but takes no focus.
pub const MEASURES: &str = "(() => {
  const sliders = [...document.querySelectorAll('input[type=range]')].map((slider) => slider.getBoundingClientRect().width);
  const letters = [...document.querySelectorAll('svg text')].filter((text) => text.getClientRects().length > 0).map((text) => {
    return parseFloat(getComputedStyle(text).fontSize) * text.ownerSVGElement.getScreenCTM().a;
  });
  const mute = [...document.querySelectorAll('body *')].filter((element) =>
    element.scrollWidth > element.clientWidth + 1 && getComputedStyle(element).overflowX === 'auto' && element.tabIndex < 0);
  return { slider: Math.min(...sliders), letter: Math.min(...letters), mute: mute.map((element) => element.outerHTML.slice(0, 80)),
    page: document.documentElement.scrollWidth };
})()";

#[test]
fn narrow_and_wide_screens_can_be_read_and_used() {
    let Some((mut browser, _)) = demo_page() else { return };
    for width in WIDTHS {
        set_width(&mut browser, width);
        let found = browser.value(MEASURES);
        assert!(found["page"].as_u64().unwrap() <= width.into(), "{width}: {found}");
        assert!(found["slider"].as_f64().unwrap() >= 150.0, "{width}: {found}");
        assert!(found["letter"].as_f64().unwrap() >= 8.5, "{width}: {found}");
        assert_eq!(found["mute"], json!([]), "{width}");
        let picture = browser.call("Page.captureScreenshot", json!({ "captureBeyondViewport": true }));
        crate::browser::keep(&kept(&format!("width-{width}.png")), &picture);
    }
    assert_quiet(&browser);
}

#[test]
fn it_prints_on_five_pages_at_most() {
    let Some((mut browser, _)) = demo_page() else { return };
    let path = kept("pages.pdf");
    browser.print(&path);
    let document = std::fs::read(&path).unwrap();
    let text = String::from_utf8_lossy(&document);
    let pages = text.matches("/Type /Page\n").count();
    assert!((2..=5).contains(&pages), "{pages} pages");
}

/// What axe-core finds in the page, which must be nothing: it checks what can be checked by a program of the Web Content
/// Accessibility Guidelines. `GAPKEEPER_AXE` names the file `axe.min.js` of the npm package; without it nothing is checked.
pub fn assert_accessible(browser: &mut Browser, page: &str) {
    let Some(axe) = std::env::var_os("GAPKEEPER_AXE") else {
        println!("skipped: GAPKEEPER_AXE names no file");
        return;
    };
    if browser.value("typeof axe") == "undefined" {
        browser.call("Runtime.evaluate", json!({ "expression": std::fs::read_to_string(axe).unwrap() }));
    }
    let found = browser.value(
        "axe.run({ resultTypes: ['violations'] }).then((result) => result.violations.map((found) => [found.id, found.nodes[0].html]))",
    );
    assert_eq!(found, json!([]), "{page}");
}

#[test]
fn axe_finds_nothing() {
    let Some((mut browser, _)) = demo_page() else { return };
    for width in WIDTHS {
        set_width(&mut browser, width);
        assert_accessible(&mut browser, &format!("demo at {width}"));
    }
}
