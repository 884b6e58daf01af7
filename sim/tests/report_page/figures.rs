//! Every figure of the page and of the pictures in it is that of the files beside it.
//!
//! A figure of a table names the place in the file that it comes from; the numbers of sentences and pictures must be found
//! in the files, at the digits shown. Scales are left out: numbers that stand alone at ticks and contour lines.

use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::plan::{PlanSettings, plan};
use gapkeeper_sim::replay::Settings;
use gapkeeper_sim::{demo, report, summary};
use serde_json::Value;

/// A page and the files beside it.
struct Files {
    page: String,
    summary: Value,
    squeeze: Value,
    plan: Value,
}

fn files() -> Files {
    let scenario = demo::scenario().unwrap();
    let settings = Settings { advise: true, ..Settings::new(&scenario) };
    let (outcome, squeeze) = replay_with_deposit(demo::JOB_NAME, demo::job(), &settings).unwrap();
    let settings = PlanSettings { draws: 3, ..PlanSettings::default() };
    let plan = plan(&scenario, demo::JOB_NAME, demo::job(), &settings).unwrap();
    let json = |text: String| serde_json::from_str(&text).unwrap();
    Files {
        page: report::html(&outcome, Some(&squeeze), Some(&plan)),
        summary: json(summary::json(&outcome)),
        squeeze: json(summary::squeeze_json(&squeeze)),
        plan: json(plan.json()),
    }
}

/// A number as it is written, its unit taken into account, and half of its last digit.
fn read(text: &str) -> Option<(f64, f64)> {
    let plain = text.replace('\u{2212}', "-").replace('\u{202f}', "");
    let digits = plain.trim_start_matches(['+', '±', '>', '<']);
    let value: f64 = digits.parse().ok()?;
    let decimals = digits.split_once('.').map_or(0, |(_, decimals)| decimals.len() as i32);
    Some((value, 0.5 * 10_f64.powi(-decimals) + 1e-9))
}

fn sum(classes: &Value, keys: &[&str]) -> f64 {
    keys.iter().map(|key| classes[key].as_f64().unwrap()).sum()
}

const JUDGED: [&str; 5] = ["contact", "too_close", "good", "too_far", "loose"];

impl Files {
    /// What stands at a place of a file, and what is made of it.
    fn wanted(&self, from: &str, how: &str) -> f64 {
        let (file, pointer) = match from.split_once(':') {
            Some(("squeeze", pointer)) => (&self.squeeze, pointer),
            Some(("plan", pointer)) => (&self.plan, pointer),
            _ => (&self.summary, from),
        };
        let at = |pointer: &str| file.pointer(pointer).unwrap_or_else(|| panic!("{from} is not in the file"));
        let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{from}: {value}"));
        let place = |key: &str| number(&at(pointer)[key]);
        match how {
            "" => number(at(pointer)),
            "percent" => 100.0 * number(at(pointer)),
            "share" => {
                let classes = at(pointer.rsplit_once('/').unwrap().0).as_object().unwrap();
                let total: f64 = classes.values().map(number).sum();
                if total > 0.0 { 100.0 * number(at(pointer)) / total } else { 0.0 }
            }
            "judged" => sum(at(pointer), &JUDGED),
            "on_bed" => sum(at(pointer), &JUDGED) + place("refused"),
            "gap" => place("gap_error_um") + 1000.0 * place("z_mm"),
            "lacks" => {
                let (error_um, asked_um) = (place("gap_error_um"), 1000.0 * place("z_mm"));
                let limit = |key: &str| number(&self.summary[key]);
                let tolerance_um = limit("tolerance_um");
                let low_um = (-tolerance_um).max((limit("too_close_below") - 1.0) * asked_um);
                let high_um = tolerance_um.min((limit("too_far_above") - 1.0) * asked_um);
                (low_um - error_um).max(error_um - high_um)
            }
            _ => panic!("{how}"),
        }
    }
}

/// Text between two marks, for all places of them.
fn between<'a>(text: &'a str, from: &str, to: &str) -> Vec<&'a str> {
    text.split(from).skip(1).map(|rest| rest.split(to).next().unwrap()).collect()
}

#[test]
fn every_figure_of_a_table_is_that_of_its_file() {
    let files = files();
    let mut count = 0;
    for figure in between(&files.page, " data-from=\"", "</") {
        let (from, rest) = figure.split_once('"').unwrap();
        let (attributes, text) = rest.split_once('>').unwrap();
        let how = attributes.split("data-how=\"").nth(1).map_or("", |how| how.trim_end_matches('"'));
        let wanted = files.wanted(from, how);
        let text = text.replace("raise by ", "").replace("lower by ", "");
        let (text, unit) = text.split_once(' ').unwrap_or((&text, ""));
        let wanted = if unit == "m" { wanted / 1000.0 } else { wanted };
        // A share close to 0 or 100 % is written with < or >.
        let text = text.replace("&lt;", "<").replace("&gt;", ">");
        let (value, half) = read(&text).unwrap_or_else(|| panic!("{from}: {text}"));
        match text.chars().next() {
            Some('<') => assert!(wanted > 0.0 && wanted < value, "{from}: {text} for {wanted}"),
            Some('>') => assert!(wanted < 100.0 && wanted > value, "{from}: {text} for {wanted}"),
            _ => assert!((value - wanted).abs() <= half, "{from} {how}: {text} for {wanted}"),
        }
        count += 1;
    }
    assert!(count > 300, "{count} figures");
    // No cell has a figure that does not say where it comes from; the script fills in what has an id.
    for cell in between(&files.page, "<td", "</td>").into_iter().filter(|cell| !cell.starts_with(" id=")) {
        let mut rest = String::new();
        for (index, part) in cell.split('<').enumerate() {
            let (tag, text) = if index == 0 { ("", part) } else { part.split_once('>').unwrap() };
            let is_named = tag.contains("data-from");
            rest += if is_named { "" } else { text };
        }
        let words = rest.split_once('>').map_or(rest.as_str(), |(_, rest)| rest);
        assert!(!words.contains(|digit: char| digit.is_ascii_digit()), "{cell}");
    }
}

/// All numbers of a file, with the shares, gaps and lengths that can be made of them.
fn numbers(value: &Value, found: &mut Vec<f64>) {
    match value {
        Value::Number(number) => found.push(number.as_f64().unwrap()),
        // Names may hold numbers, and so may notes about a grid.
        Value::String(text) => {
            found.extend(tokens(text).iter().filter_map(|token| read(token)).map(|(value, _)| value));
        }
        Value::Array(entries) => entries.iter().for_each(|entry| numbers(entry, found)),
        Value::Object(entries) => {
            if entries.contains_key("too_close") {
                let total: f64 = entries.values().filter_map(Value::as_f64).sum();
                found.extend(entries.values().filter_map(Value::as_f64).map(|part| 100.0 * part / total));
                let [judged, refused] = [sum(value, &JUDGED), sum(value, &["refused"])];
                found.extend([judged, judged + refused].map(|mm| mm / 1000.0));
            }
            if let (Some(error), Some(z)) = (value["gap_error_um"].as_f64(), value["z_mm"].as_f64()) {
                found.extend([error + 1000.0 * z, 1000.0 * z]);
            }
            entries.values().for_each(|entry| numbers(entry, found));
        }
        _ => {}
    }
}

/// The numbers of a text.
fn tokens(text: &str) -> Vec<String> {
    let text = text.replace("&lt;", "<").replace("&gt;", ">");
    text.split(|letter: char| !(letter.is_ascii_digit() || "+-\u{2212}.\u{202f}".contains(letter)))
        .map(|token| token.trim_matches('.').to_owned())
        .filter(|token| read(token).is_some())
        .collect()
}

#[test]
fn every_number_of_sentences_and_pictures_is_in_the_files() {
    let files = files();
    let mut known = Vec::new();
    for file in [&files.summary, &files.squeeze, &files.plan] {
        numbers(file, &mut known);
    }
    // Shares of a plan, per cent, and shares that are limits; the thickness of paper and the reach of a draw.
    let shares: Vec<f64> =
        known.iter().filter(|share| (0.0..=2.0).contains(*share)).map(|share| 100.0 * share).collect();
    known.extend(shares);
    known.extend([19.0, 20.0, 90.0, 95.0, 100.0]);
    let page = files.page.split("<script").next().unwrap();
    let mut texts: Vec<&str> = Vec::new();
    for (from, to) in [
        ("<text", "</text>"),
        ("<title>", "</title>"),
        ("<desc>", "</desc>"),
        ("<p>", "</p>"),
        ("<p ", "</p>"),
        ("<li>", "</li>"),
    ] {
        texts.extend(between(page, from, to));
    }
    let (mut count, mut unknown) = (0, Vec::new());
    for text in texts {
        let words: String = text
            .split('<')
            .enumerate()
            .map(|(index, part)| if index == 0 { part } else { part.split_once('>').map_or(part, |(_, text)| text) })
            .collect();
        let words = words.split_once('>').map_or(words.as_str(), |(_, words)| words);
        // No file holds figures about the page itself.
        if words.contains("are in this page") {
            continue;
        }
        // Ticks, contour lines, readings: numbers of a scale stand alone.
        if read(words.trim_end_matches(" m").trim_end_matches(" µm")).is_some() {
            continue;
        }
        for token in tokens(words) {
            let (value, half) = read(&token).unwrap();
            let is_known = known.iter().any(|known| (known - value).abs() <= half || (known + value).abs() <= half);
            if !is_known {
                unknown.push(format!("{token} in {words:?}"));
            }
            count += 1;
        }
    }
    assert!(unknown.is_empty(), "{unknown:#?}");
    assert!(count > 100, "{count} numbers");
}
