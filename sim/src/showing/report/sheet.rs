//! Sheets of the page: what is wider than the screen scrolls by itself, with a name and by keys.

use crate::picture::svg::escaped;

/// A table or anything else that may be too wide.
pub(super) fn sheet(label: &str, content: &str) -> String {
    format!("<div class=\"sheet\" tabindex=\"0\" role=\"region\" aria-label=\"{}\">{content}</div>\n", escaped(label))
}

/// A picture.
pub(super) fn figure(label: &str, picture: &str) -> String {
    let label = escaped(label);
    format!("<figure class=\"sheet\" tabindex=\"0\" role=\"group\" aria-label=\"{label}\">\n{picture}</figure>\n")
}
