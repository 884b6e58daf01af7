//! One chart's frame: from values to px, with ticks at round values.

use super::heading::text_width;
use super::palette::{INK, INK_SOFT, RULE};
use super::svg::{Attributes, Px, Svg};

/// The smallest of 1, 2 or 5 times a power of ten that is not below `rough`; 1 if `rough` is no positive number.
pub fn nice_step(rough: f64) -> f64 {
    if !(rough.is_finite() && rough > 0.0) {
        return 1.0;
    }
    let power = 10_f64.powf(rough.log10().floor());
    // The margin keeps 50 from becoming 100 because of rounding.
    [1.0, 2.0, 5.0, 10.0].into_iter().find(|factor| factor * power >= rough * (1.0 - 1e-9)).unwrap_or(10.0) * power
}

/// A value with as many decimals as its step needs, and a real minus sign.
pub fn number(value: f64, step: f64) -> String {
    let decimals = if step > 0.0 { (-(step * 1.0001).log10().floor()).clamp(0.0, 6.0) as usize } else { 0 };
    // Half of the last decimal: below it the sign would be that of a zero.
    let value = if value.abs() < 0.5 * 10_f64.powi(-(decimals as i32)) { 0.0 } else { value };
    format!("{value:.decimals$}").replace('-', "−")
}

/// Like [`number`], with a plus sign above zero.
pub fn signed(value: f64, step: f64) -> String {
    let text = number(value, step);
    if value > 0.0 && text.contains(|digit: char| ('1'..='9').contains(&digit)) { format!("+{text}") } else { text }
}

/// Lowest and highest of what will be drawn; never empty, never infinite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Lowest.
    pub low: f64,
    /// Highest, above the lowest.
    pub high: f64,
}

impl Span {
    /// The span of finite values, a unit wide around them if they are all alike.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Self {
        let (low, high) = values
            .into_iter()
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        if low > high {
            Self { low: 0.0, high: 1.0 }
        } else if high - low < 1e-9 {
            Self { low: low - 0.5, high: high + 0.5 }
        } else {
            Self { low, high }
        }
    }

    /// The span with a share of its width added on both sides.
    pub fn padded(self, share: f64) -> Self {
        let margin = (self.high - self.low) * share;
        Self { low: self.low - margin, high: self.high + margin }
    }

    /// A round distance between ticks, so that there are about `count` of them.
    pub fn step(self, count: f64) -> f64 {
        nice_step((self.high - self.low) / count)
    }

    /// The multiples of `step` inside the span.
    pub fn ticks(self, step: f64) -> Vec<f64> {
        let first = (self.low / step - 1e-9).ceil();
        let last = (self.high / step + 1e-9).floor();
        // At most some dozens: the step is a share of the span.
        (0..=(last - first).max(-1.0) as i64)
            .map(|index| (first + index as f64) * step)
            .take_while(|tick| *tick <= last * step + step * 0.5)
            .collect()
    }
}

/// Size of the numbers at ticks.
const TICK_SIZE: f64 = 11.0;
/// Least px between two numbers.
const TICK_GAP: f64 = 8.0;

/// The first round step from this one on that is at least as large as it has to be.
fn clear_step(step: f64, least: impl Fn(f64) -> f64) -> f64 {
    let mut step = step;
    // Each is at least 1.6 times the one before.
    for _ in 0..12 {
        if step >= least(step) {
            break;
        }
        step = nice_step(step * 1.6);
    }
    step
}

/// A rectangle in the picture with the values at its borders; Y values grow upwards.
#[derive(Clone, Copy, Debug)]
pub struct Frame {
    /// Left border in px.
    pub left: f64,
    /// Upper border in px.
    pub top: f64,
    /// Width in px.
    pub width: f64,
    /// Height in px.
    pub height: f64,
    /// Values at the left and the right border.
    pub x: Span,
    /// Values at the lower and the upper border.
    pub y: Span,
}

impl Frame {
    /// The px of a value along X.
    pub fn px(&self, x: f64) -> f64 {
        self.left + (x - self.x.low) / (self.x.high - self.x.low) * self.width
    }

    /// The px of a value along Y.
    pub fn py(&self, y: f64) -> f64 {
        self.top + (self.y.high - y) / (self.y.high - self.y.low) * self.height
    }

    /// The px of a point.
    pub fn point(&self, x: f64, y: f64) -> (f64, f64) {
        (self.px(x), self.py(y))
    }

    /// The right border in px.
    pub fn right(&self) -> f64 {
        self.left + self.width
    }

    /// The lower border in px.
    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// Draws the rule lines behind the data, at the multiples of the steps.
    pub fn rules(&self, svg: &mut Svg, step_x: f64, step_y: f64) {
        svg.open("g", &[("stroke", &RULE), ("stroke-width", &"1")]);
        for tick in self.x.ticks(step_x) {
            svg.line((self.px(tick), self.top), (self.px(tick), self.bottom()), &[]);
        }
        for tick in self.y.ticks(step_y) {
            svg.line((self.left, self.py(tick)), (self.right(), self.py(tick)), &[]);
        }
        svg.close("g");
    }

    /// Draws the border of the frame.
    pub fn border(&self, svg: &mut Svg) {
        svg.rect(
            self.left,
            self.top,
            self.width,
            self.height,
            &[("fill", &"none"), ("stroke", &INK), ("stroke-width", &"1")],
        );
    }

    /// The step, or the next round one at which the numbers of the X axis stand clear of each other.
    pub fn clear_step_x(&self, step: f64) -> f64 {
        let room = |step: f64| {
            let widths = self.x.ticks(step).into_iter().map(|tick| text_width(&number(tick, step), TICK_SIZE));
            (widths.fold(0.0, f64::max) + TICK_GAP) * (self.x.high - self.x.low) / self.width.max(1.0)
        };
        clear_step(step, room)
    }

    /// The same for the Y axis.
    pub fn clear_step_y(&self, step: f64) -> f64 {
        clear_step(step, |_| (TICK_SIZE + 3.0) * (self.y.high - self.y.low) / self.height.max(1.0))
    }

    /// Draws ticks with numbers below the frame, and the axis label under them unless it is empty.
    ///
    /// Where numbers would touch, the step becomes larger.
    pub fn axis_x(&self, svg: &mut Svg, step: f64, label: &str) {
        let numbers: Attributes<'_> =
            &[("fill", &INK_SOFT), ("font-size", &TICK_SIZE), ("text-anchor", &"middle"), ("class", &"tick-x")];
        let step = self.clear_step_x(step);
        for tick in self.x.ticks(step) {
            let x = self.px(tick);
            svg.line((x, self.bottom()), (x, self.bottom() + 4.0), &[("stroke", &INK)]);
            svg.text(x, self.bottom() + 16.0, numbers, &number(tick, step));
        }
        if !label.is_empty() {
            svg.text(self.left + self.width / 2.0, self.bottom() + 33.0, &[("text-anchor", &"middle")], label);
        }
    }

    /// Draws ticks with numbers left of the frame, and the axis label beside them unless it is empty.
    pub fn axis_y(&self, svg: &mut Svg, step: f64, label: &str, write: fn(f64, f64) -> String) {
        let numbers: Attributes<'_> =
            &[("fill", &INK_SOFT), ("font-size", &TICK_SIZE), ("text-anchor", &"end"), ("class", &"tick-y")];
        let step = self.clear_step_y(step);
        self.ticks_y(svg, step);
        for tick in self.y.ticks(step) {
            svg.text(self.left - 7.0, self.py(tick) + 4.0, numbers, &write(tick, step));
        }
        if !label.is_empty() {
            let (x, y) = (self.left - 46.0, self.top + self.height / 2.0);
            svg.text(
                x,
                y,
                &[("text-anchor", &"middle"), ("transform", &format_args!("rotate(-90 {} {})", Px(x), Px(y)))],
                label,
            );
        }
    }

    /// Draws the ticks left of a frame that shares the numbers of the one before it.
    pub fn ticks_y(&self, svg: &mut Svg, step: f64) {
        for tick in self.y.ticks(step) {
            let y = self.py(tick);
            svg.line((self.left - 4.0, y), (self.left, y), &[("stroke", &INK)]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_not_below_what_was_asked() {
        for (rough, step) in [(50.0, 50.0), (51.0, 100.0), (0.03, 0.05), (1.0, 1.0), (0.0, 1.0), (f64::NAN, 1.0)] {
            assert!((nice_step(rough) - step).abs() < 1e-9 * step, "{rough}: {}", nice_step(rough));
        }
    }

    #[test]
    fn ticks_stay_inside_the_span() {
        assert_eq!(Span { low: -10.0, high: 20.0 }.ticks(10.0), [-10.0, 0.0, 10.0, 20.0]);
        assert!(Span { low: 1.0, high: 9.0 }.ticks(10.0).is_empty());
    }

    #[test]
    fn a_span_is_never_empty() {
        assert_eq!(Span::of([7.0, 7.0, f64::NAN]), Span { low: 6.5, high: 7.5 });
        assert_eq!(Span::of([]), Span { low: 0.0, high: 1.0 });
    }

    #[test]
    fn numbers_have_the_decimals_of_their_step() {
        assert_eq!(number(-0.5, 0.1), "−0.5");
        assert_eq!(number(0.05, 0.05), "0.05");
        assert_eq!(number(200.0, 50.0), "200");
        assert_eq!(number(-0.000_01, 1.0), "0");
        assert_eq!(signed(40.0, 10.0), "+40");
        assert_eq!(signed(0.2, 1.0), "0");
    }

    #[test]
    fn larger_y_is_higher_up() {
        let span = Span { low: 0.0, high: 10.0 };
        let frame = Frame { left: 5.0, top: 5.0, width: 100.0, height: 100.0, x: span, y: span };
        assert_eq!(frame.point(0.0, 10.0), (5.0, 5.0));
        assert_eq!(frame.point(10.0, 0.0), (105.0, 105.0));
    }

    /// A bed of 1,100 by 200 mm in a small panel, and the same on end.
    #[test]
    fn numbers_at_ticks_never_touch() {
        let (long, short) = (Span { low: 0.0, high: 1100.0 }, Span { low: -200.0, high: 0.0 });
        for (x, y, width, height) in
            [(long, short, 371.0, 67.5), (short, long, 78.0, 430.0), (long, short, 120.0, 21.8), (long, long, 9.0, 9.0)]
        {
            let frame = Frame { left: 50.0, top: 10.0, width, height, x, y };
            let rough = frame.y.step(6.0);
            let step = frame.clear_step_x(rough);
            let ticks = frame.x.ticks(step);
            let half = |tick: f64| text_width(&number(tick, step), TICK_SIZE) / 2.0;
            for pair in ticks.windows(2) {
                let gap = frame.px(pair[1]) - half(pair[1]) - frame.px(pair[0]) - half(pair[0]);
                assert!(gap >= 5.0, "{pair:?} in {width}: {gap}");
            }
            let step = frame.clear_step_y(rough);
            let apart = frame.py(0.0) - frame.py(step);
            assert!(apart >= TICK_SIZE, "{step} in {height}: {apart}");
        }
    }
}
