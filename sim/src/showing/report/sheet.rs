//! Sheets of the page: what is wider than the screen scrolls by itself, with a name and by keys.

use crate::outcome::Run;
use crate::picture::svg::escaped;

/// A table or anything else that may be too wide.
pub(super) fn sheet(label: &str, content: &str) -> String {
    format!("<div class=\"sheet\" tabindex=\"0\" role=\"region\" aria-label=\"{}\">{content}</div>\n", escaped(label))
}

/// A figure of a file beside the page: `from` is its JSON pointer (RFC 6901), after the file's name and a colon if that is
/// not the summary; `how` tells what was made of it, nothing if it is shown as it is.
pub(super) fn shown(from: &str, how: &str, text: &str) -> String {
    let how = if how.is_empty() { String::new() } else { format!(" data-how=\"{how}\"") };
    format!("<span data-from=\"{from}\"{how}>{}</span>", escaped(text))
}

/// A line of the job in a run, which a click looks up; with a place, that place of it.
pub(super) fn line(from: &str, run: Run, job_line: u64, place: Option<[f64; 2]>) -> String {
    let place = place.map_or_else(String::new, |[x, y]| format!(" data-x=\"{x:.2}\" data-y=\"{y:.2}\""));
    let run = run as usize;
    format!(
        "<button type=\"button\" class=\"to-line\" data-run=\"{run}\"{place} data-from=\"{from}\" aria-label=\"line {job_line}\">{job_line}</button>"
    )
}

/// A picture.
pub(super) fn figure(label: &str, picture: &str) -> String {
    let label = escaped(label);
    format!("<figure class=\"sheet\" tabindex=\"0\" role=\"group\" aria-label=\"{label}\">\n{picture}</figure>\n")
}
