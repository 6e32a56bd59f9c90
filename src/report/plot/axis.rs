//! Axes: from values to places between 0 and 1, and the values worth a tick.

/// One axis of a chart.
#[derive(Clone, Debug)]
pub(in crate::report) struct Axis {
    /// What it shows, with unit.
    pub(super) label: String,
    /// Ticks: value and text.
    pub(super) ticks: Vec<(f64, String)>,
    from: f64,
    to: f64,
    log: bool,
}

/// About how many ticks a linear axis has.
const TICKS: f64 = 7.0;
/// Most named ticks side by side.
const NAMES_MAX: usize = 12;
/// Longest name of a tick; the rest of a longer one is left out.
const NAME_CHARS_MAX: usize = 24;
/// About the width of a letter of a tick, and the room between two names.
const LETTER: f64 = 7.0;
const GAP: f64 = 10.0;

impl Axis {
    /// An axis that holds all finite `values`, with some room and ticks at round numbers.
    pub(in crate::report) fn linear(
        values: impl IntoIterator<Item = f64>,
        label: impl Into<String>,
    ) -> Self {
        Self::stepped(values, label.into(), round_step)
    }

    /// As [`Self::linear`], with ticks at round angles.
    pub(in crate::report) fn degrees(
        values: impl IntoIterator<Item = f64>,
        label: impl Into<String>,
    ) -> Self {
        let step = |step: f64| {
            let round = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 45.0, 60.0, 90.0];
            let fitting = round.into_iter().find(|angle| *angle >= 0.8 * step);
            fitting.filter(|_| step >= 0.8).unwrap_or_else(|| round_step(step))
        };
        Self::stepped(values, label.into(), step)
    }

    fn stepped(
        values: impl IntoIterator<Item = f64>,
        label: String,
        step: impl Fn(f64) -> f64,
    ) -> Self {
        let (low, high) = bounds(values).unwrap_or((0.0, 1.0));
        let room = if high > low { 0.05 * (high - low) } else { 0.5 * high.abs().max(1.0) };
        let (low, high) = (low - room, high + room);
        let step = step((high - low) / TICKS);
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        let decimals = (-step.log10().floor()).clamp(0.0, 12.0) as usize;
        let ticks = (first..=last).map(|k| {
            let value = k as f64 * step;
            (value, format!("{:.decimals$}", if k == 0 { 0.0 } else { value }))
        });
        Self { label, ticks: ticks.collect(), from: low, to: high, log: false }
    }

    /// A logarithmic axis over whole decades that holds all positive `values` and ends at 1.
    pub(in crate::report) fn decades(
        values: impl IntoIterator<Item = f64>,
        label: impl Into<String>,
    ) -> Self {
        let positive = values.into_iter().filter(|x| *x > 0.0);
        let low = bounds(positive).map_or(-3.0, |(low, _)| (0.4 * low).log10().floor());
        let low = low.clamp(-18.0, -1.0);
        let decades = -low as i32;
        let every = (decades / 7 + 1).unsigned_abs() as usize;
        let ticks = (0..=decades).step_by(every).map(|k| {
            let text = if k == 0 { "1".to_owned() } else { format!("1e-{k}") };
            (10_f64.powi(-k), text)
        });
        Self { label: label.into(), ticks: ticks.collect(), from: low, to: 0.0, log: true }
    }

    /// An axis of names; the value of a name is its place in the list. So many of them are written that
    /// they do not touch one another.
    pub(in crate::report) fn names(names: &[String], label: impl Into<String>) -> Self {
        let texts: Vec<String> = names.iter().map(|name| shortened(name)).collect();
        let longest = texts.iter().map(|text| text.chars().count()).max().unwrap_or(0);
        let fitting = (super::WIDTH - super::LEFT - super::RIGHT) / (LETTER * longest as f64 + GAP);
        let fitting = (fitting as usize).clamp(1, NAMES_MAX);
        let every = names.len().div_ceil(fitting).max(1);
        let named = texts.into_iter().enumerate().step_by(every);
        let ticks = named.map(|(place, name)| (place as f64, name)).collect();
        let to = names.len().max(1) as f64 - 0.5;
        Self { label: label.into(), ticks, from: -0.5, to, log: false }
    }

    /// Place of `value` on the axis, held within 0 … 1.
    pub(super) fn share(&self, value: f64) -> f64 {
        let value = if self.log { value.max(1e-300).log10() } else { value };
        ((value - self.from) / (self.to - self.from)).clamp(0.0, 1.0)
    }
}

fn shortened(name: &str) -> String {
    if name.chars().count() <= NAME_CHARS_MAX {
        return name.to_owned();
    }
    let kept: String = name.chars().take(NAME_CHARS_MAX - 1).collect();
    kept + "…"
}

fn bounds(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    let finite = values.into_iter().filter(|x| x.is_finite());
    finite.fold(None, |bounds, x| match bounds {
        None => Some((x, x)),
        Some((low, high)) => Some((f64::min(low, x), f64::max(high, x))),
    })
}

/// The next of 1, 2, 5, 10, … times a power of ten.
fn round_step(step: f64) -> f64 {
    let power = 10_f64.powf(step.log10().floor());
    let factor = [1.0, 2.0, 5.0].into_iter().find(|f| f * power >= 0.999 * step);
    factor.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|(_, text)| text.as_str()).collect()
    }

    #[test]
    fn ticks_stand_at_round_numbers() {
        let angle = Axis::linear([-60.0, 60.0], "");
        assert_eq!(texts(&angle), ["-60", "-40", "-20", "0", "20", "40", "60"]);
        let small = Axis::linear([0.001, 0.0035], "");
        assert_eq!(texts(&small), ["0.0010", "0.0015", "0.0020", "0.0025", "0.0030", "0.0035"]);
        let beams = Axis::degrees([-67.5, 67.5], "");
        assert_eq!(texts(&beams), ["-60", "-30", "0", "30", "60"]);
        let fine = Axis::degrees([0.0, 1.0], "");
        assert_eq!(texts(&fine), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert!(!Axis::linear([5.0], "").ticks.is_empty());
        assert!(!Axis::linear([f64::NAN], "").ticks.is_empty());
        let rate = Axis::decades([0.05, 3.2e-5], "");
        assert_eq!(texts(&rate), ["1", "1e-1", "1e-2", "1e-3", "1e-4", "1e-5"]);
        assert_eq!(texts(&Axis::decades([], "")), ["1", "1e-1", "1e-2", "1e-3"]);
    }

    #[test]
    fn names_side_by_side_do_not_touch() {
        let check = |length: usize, count: usize, wanted: usize| {
            let names: Vec<String> = (0..count).map(|_| "x".repeat(length)).collect();
            let axis = Axis::names(&names, "");
            assert_eq!(axis.ticks.len(), wanted, "{count} names of {length}");
            let width = 7.0 * axis.ticks[0].1.chars().count() as f64;
            let apart = axis.share(axis.ticks.get(1).map_or(1e9, |tick| tick.0))
                - axis.share(axis.ticks[0].0);
            assert!(apart * 494.0 > width || wanted == 1, "{count} names of {length}");
        };
        check(3, 8, 8);
        check(3, 100, 12);
        check(12, 8, 4);
        check(200, 10, 2);
    }

    #[test]
    fn places_lie_within_the_axis() {
        let rate = Axis::decades([1e-5], "");
        assert!((rate.share(1e-3) - 0.5).abs() < 1e-12);
        assert!((0.0..=1.0).contains(&rate.share(0.0)));
        let names = Axis::names(&["a".to_owned(), "b".to_owned()], "");
        assert_eq!(names.share(0.0), 0.25);
        assert_eq!(names.share(9.0), 1.0);
    }
}
