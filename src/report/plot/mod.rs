//! Plots as inline SVG: axes, marks, maps. Numbers in, text out.
//!
//! Colours are classes of the page's style sheet, so that a plot is readable on dark and light.
//! Knows nothing of runs.

mod axis;
mod constellation;
mod map;
mod marks;

pub(super) use axis::Axis;
pub(super) use constellation::{constellation, extent};
pub(super) use map::{HATCHING, MapCell, MapMark, heat_map};
pub(super) use marks::{Draw, Guide, Mark, Series, legend, line_chart};

use super::html::escape;

/// Width of a chart in its own units, which are pixels at full size.
const WIDTH: f64 = 580.0;
/// Height of a chart.
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 48.0;

/// A pair of axes to draw in.
struct Chart {
    x: Axis,
    y: Axis,
    top: f64,
    height: f64,
    body: String,
}

impl Chart {
    /// Axes in a drawing of this height, with `above` kept free for words above the plot.
    fn new(x: Axis, y: Axis, height: f64, above: f64) -> Self {
        let (top, height) = (TOP + above, height + above);
        let mut chart = Self { x, y, top, height, body: String::new() };
        chart.draw_axes();
        chart
    }

    /// Horizontal place of `value`.
    fn px(&self, value: f64) -> f64 {
        LEFT + self.x.share(value) * (WIDTH - LEFT - RIGHT)
    }

    /// Vertical place of `value`.
    fn py(&self, value: f64) -> f64 {
        let (top, bottom) = (self.top, self.height - BOTTOM);
        bottom - self.y.share(value) * (bottom - top)
    }

    fn push(&mut self, svg: &str) {
        self.body.push_str(svg);
        self.body.push('\n');
    }

    fn draw_axes(&mut self) {
        let (right, bottom) = (WIDTH - RIGHT, self.height - BOTTOM);
        for (value, name) in self.y.ticks.clone() {
            let y = self.py(value);
            self.push(&format!(
                "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{right}\"/>\
                 <text class=\"tick\" x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                LEFT - 8.0,
                y + 4.0,
                escape(name)
            ));
        }
        for (value, name) in self.x.ticks.clone() {
            let x = self.px(value);
            self.push(&format!(
                "<path class=\"axis\" d=\"M{x:.1} {bottom}v5\"/>\
                 <text class=\"tick\" x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                bottom + 18.0,
                escape(name)
            ));
        }
        let (top, middle) = (self.top, f64::midpoint(self.top, bottom));
        self.push(&format!(
            "<path class=\"axis\" d=\"M{LEFT} {top}V{bottom}H{right}\"/>\
             <text class=\"label\" x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>\
             <text class=\"label\" transform=\"translate(14 {middle}) rotate(-90)\" \
             text-anchor=\"middle\">{}</text>",
            f64::midpoint(LEFT, right),
            self.height - 8.0,
            escape(&self.x.label),
            escape(&self.y.label)
        ));
    }

    /// The chart with `about` for those who cannot see it.
    fn svg(self, about: &str) -> String {
        format!(
            "<div class=\"scroll\"><svg class=\"chart\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" \
             aria-label=\"{}\">\n{}</svg></div>\n",
            self.height,
            escape(about),
            self.body
        )
    }
}
