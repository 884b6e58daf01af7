//! The screen as lines of text: a pure function of what is to be seen.

use gapkeeper::Point;

use super::drag::{BAR_CELLS, Drag};

/// Width of the screen.
pub(super) const WIDTH: usize = 60;
/// Lines of the screen above and below the plan: the title, an empty one, the notice, keys and caution.
const FIXED_LINES: usize = 7;
/// Lines of the part left of the plan.
const LEFT_LINES: usize = 14;
/// Lines below the plan's rows that belong to it.
const BELOW_PLAN: usize = 2;
/// Width of the part left of the plan, and of the frame.
const LEFT_WIDTH: usize = 22;
/// Lines and characters of the machine's own display.
const DISPLAY: [usize; 2] = [4, 20];
/// Up to as many columns the plan is drawn wide.
const WIDE_COLUMNS: usize = 7;

const KEYS: [&str; 2] = [
    "Up/Down: away/nearer 1 detent   PgUp/PgDn: 10 detents",
    "Enter: press  Left: back  e: enough  s: screw turned  q: end",
];
const CAUTION: [&str; 2] = [
    "A rehearsal: on the real machine bed and nozzle are hot and",
    "moving parts pinch; keep a hand at the main switch.",
];

/// How far a station is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mark {
    /// Its reading is taken.
    Read,
    /// The nozzle stands above it.
    Here,
    /// Not read yet.
    ToCome,
    /// Between the stations.
    NoStation,
}

/// What is to be seen.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct View {
    /// Name of the scenario.
    pub(super) title: String,
    /// Time on the bench.
    pub(super) clock: String,
    /// Text of the machine's own display: the prompt, and what is hot.
    pub(super) display: String,
    /// Rows of stations, the first at the smallest Y.
    pub(super) marks: Vec<Vec<Mark>>,
    /// X of the first and the last column.
    pub(super) x_mm: [f64; 2],
    /// Y of the first and the last row.
    pub(super) y_mm: [f64; 2],
    /// Where the nozzle stands.
    pub(super) nozzle: Point,
    /// What the paper does; none while it lies aside.
    pub(super) drag: Option<Drag>,
    /// How to turn the screws, one line each, where hands are asked for at them.
    pub(super) advice: Vec<String>,
    /// What else is to be said.
    pub(super) notice: &'static str,
}

/// Lines that a plan of so many rows needs.
pub(super) fn height(rows: usize) -> usize {
    FIXED_LINES + LEFT_LINES.max(rows + BELOW_PLAN)
}

/// The whole screen, one text a line, none wider than [`WIDTH`].
pub(super) fn compose(view: &View) -> Vec<String> {
    let (left, plan) = (left(view), plan(view));
    let line = |lines: &[String], index: usize| lines.get(index).cloned().unwrap_or_default();
    let mut screen = vec![title(view)];
    for index in 0..height(view.marks.len()) - FIXED_LINES {
        let both = format!("{:<LEFT_WIDTH$}  {}", line(&left, index), line(&plan, index));
        // Only a bed far from the machine's zero has longer numbers.
        screen.push(format!("{:.WIDTH$}", both.trim_end()));
    }
    screen.extend([String::new(), format!("{:.WIDTH$}", view.notice)]);
    screen.extend(KEYS.into_iter().chain(CAUTION).map(str::to_string));
    screen
}

/// What is shown where that does not fit.
pub(super) fn too_small([columns, lines]: [usize; 2], rows: usize) -> Vec<String> {
    vec![
        format!("This terminal has {columns}x{lines} characters;"),
        format!("the rehearsal needs {WIDTH}x{}.", height(rows)),
        "Make it larger, or end with q.".to_string(),
    ]
}

/// The scenario's name comes from a file: nothing in it may act on the terminal.
fn title(view: &View) -> String {
    let name: String = view.title.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let room = WIDTH - view.clock.len().min(WIDTH) - 2;
    format!("{:<room$.room$}  {}", format!("Rehearsal: {name}"), view.clock)
}

fn left(view: &View) -> Vec<String> {
    let [lines, columns] = DISPLAY;
    let edge = "─".repeat(columns);
    let mut left = vec![format!("┌{edge}┐")];
    let mut display = view.display.lines();
    left.extend((0..lines).map(|_| format!("│{:<columns$.columns$}│", display.next().unwrap_or_default())));
    left.push(format!("└{edge}┘"));
    if !view.advice.is_empty() {
        left.extend(view.advice.iter().cloned());
        return left;
    }
    left.push(String::new());
    let mm = |um: i32| f64::from(um) / 1000.0;
    left.push(format!("nozzle Z {:+} um", view.nozzle.z_um));
    left.push(format!("X {:.1}  Y {:.1} mm", mm(view.nozzle.x_um), mm(view.nozzle.y_um)));
    left.push(String::new());
    match view.drag {
        Some(drag) => left.extend([
            format!("paper: {drag}"),
            format!("[{}]", drag.bar()),
            format!("{:<8}{:^6}{:>8}", "loose", "right", "stuck"),
        ]),
        None => left.extend(["paper: laid aside".to_string(), format!("[{:BAR_CELLS$}]", ""), String::new()]),
    }
    left
}

/// The stations as the bed lies: X to the right, the largest Y on top.
fn plan(view: &View) -> Vec<String> {
    let columns = view.marks.first().map_or(0, Vec::len);
    let pitch = if columns <= WIDE_COLUMNS { 4 } else { 2 };
    let last = view.marks.len().saturating_sub(1);
    let mut plan = Vec::new();
    for (row, marks) in view.marks.iter().enumerate().rev() {
        let label = match row {
            0 => format!("Y{:.0}", view.y_mm[0]),
            row if row == last => format!("Y{:.0}", view.y_mm[1]),
            _ => String::new(),
        };
        let text = marks.iter().map(|mark| match mark {
            Mark::Read => 'x',
            Mark::Here => 'O',
            Mark::ToCome => '.',
            Mark::NoStation => ' ',
        });
        plan.push(format!("{label:>5} ") + &text.map(|mark| format!("{mark:<pitch$}")).collect::<String>());
    }
    plan.push(format!("{:5} X{:.0} to {:.0}", "", view.x_mm[0], view.x_mm[1]));
    plan.push(format!("{:5} x read  O here  . to come", ""));
    plan
}

#[cfg(test)]
mod tests;
