//! What a sequence will cost, before it runs: captures, disk, time.
//!
//! Rough on purpose and said to be so; what a bench takes for each action is told by the caller, who
//! may have learned it from runs of the same bench.

use std::collections::HashMap;

use super::step::{Action, Assignment, Given, Measure, Reference, Sequence, Step, Wait};
use super::walk::{Phase, Walk, WalkItem, count};
use crate::bench::knob::{FRAME, KnobValue};
use crate::phy::frame::build;

/// What one action of a bench takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Costs {
    /// Seconds for one setting with its read-back.
    pub setting_s: f64,
    /// Seconds for one capture: snapshot of all settings, acquisition, transfer, analysis.
    pub capture_s: f64,
    /// Seconds for one beam search.
    pub search_s: f64,
    /// Speed of a turntable in degrees a second.
    pub turn_deg_per_s: f64,
    /// Bytes of one capture on disk, where that is known; by the length of the frame otherwise.
    pub capture_bytes: Option<f64>,
}

impl Default for Costs {
    /// Assumed of a bench that nobody has seen: 100 probes of 0.1 s a search.
    fn default() -> Self {
        Costs {
            setting_s: 0.02,
            capture_s: 1.0,
            search_s: 10.0,
            turn_deg_per_s: 20.0,
            capture_bytes: None,
        }
    }
}

/// Samples that a capture takes for each symbol, and bytes for each sample.
const SAMPLES_PER_SYMBOL: f64 = 5.0;
const BYTES_PER_SAMPLE: f64 = 4.0;
/// Captures that a measurement is assumed to take whose end nobody can tell.
const CAPTURES_OF_UNKNOWN_END: f64 = 10.0;

/// What a sequence will cost.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Combinations of sweep values.
    pub points: u64,
    /// Whether that is exact.
    pub points_exact: bool,
    /// Measurements.
    pub measurements: u64,
    /// Beam searches.
    pub searches: u64,
    /// Captures kept on disk.
    pub captures: u64,
    /// Bytes on disk.
    pub disk_bytes: f64,
    /// Seconds.
    pub time_s: f64,
}

/// What the frame on the air amounts to.
#[derive(Clone, Copy)]
struct OnAir {
    chips: f64,
    bits: f64,
}

/// Points that are walked one by one; of a longer plan the rest costs what these did on average.
const WALKED_POINTS_MAX: u64 = 50_000;
/// Rules of combinations left out at which the walk ends.
const LEFT_OUT_MAX: u64 = 500_000;

/// Adds up what steps cost.
struct Adding<'a> {
    costs: &'a Costs,
    sum: Estimate,
    frames: HashMap<String, OnAir>,
    on_air: OnAir,
    angle: Option<f64>,
}

/// Walks the plan in constant memory and bounded time.
#[must_use]
pub fn estimate(sequence: &Sequence, costs: &Costs) -> Estimate {
    let all = count(&sequence.steps);
    let mut adding = Adding {
        costs,
        sum: Estimate::default(),
        frames: HashMap::new(),
        on_air: OnAir { chips: 70_000.0, bits: 100_000.0 },
        angle: None,
    };
    for phase in [Phase::Prepare, Phase::Steps, Phase::Finally] {
        let before = adding.sum;
        for item in Walk::of(sequence, phase).with_patience(LEFT_OUT_MAX) {
            match item {
                WalkItem::Enter { .. } if adding.sum.points >= WALKED_POINTS_MAX => break,
                WalkItem::Enter { point, changes, .. } => {
                    adding.sum.points += u64::from(point.is_some());
                    changes.iter().for_each(|(name, value)| adding.set(name, value));
                }
                WalkItem::Do(step) => adding.step(step, 1.0),
                WalkItem::Leave { .. } => {}
            }
        }
        let walked = adding.sum.points;
        if phase == Phase::Steps && walked > 0 && walked < all.points {
            adding.sum = extrapolated(before, adding.sum, all.points as f64 / walked as f64);
        }
    }
    if let Some(reference) = &sequence.reference {
        adding.reference(reference, all.points);
    }
    // The counts of the walk are those of its part; these are of the whole.
    Estimate { points: all.points, points_exact: all.exact, ..adding.sum }
}

/// From the points walked to all of them; what was done before them stays.
fn extrapolated(before: Estimate, after: Estimate, factor: f64) -> Estimate {
    // Beyond what fits a count saturates.
    let whole =
        |before: u64, after: u64| before.saturating_add(((after - before) as f64 * factor) as u64);
    let real = |before: f64, after: f64| before + (after - before) * factor;
    Estimate {
        points: after.points,
        points_exact: after.points_exact,
        measurements: whole(before.measurements, after.measurements),
        searches: whole(before.searches, after.searches),
        captures: whole(before.captures, after.captures),
        disk_bytes: real(before.disk_bytes, after.disk_bytes),
        time_s: real(before.time_s, after.time_s),
    }
}

impl Adding<'_> {
    fn set(&mut self, name: &str, value: &KnobValue) {
        self.sum.time_s += self.costs.setting_s;
        if name == FRAME {
            self.on_air = frame_on_air(value, &mut self.frames).unwrap_or(self.on_air);
        } else if name.ends_with(".angle")
            && let Some(to) = value.as_number()
        {
            self.sum.time_s += (to - self.angle.unwrap_or(to)).abs() / self.costs.turn_deg_per_s;
            self.angle = Some(to);
        }
    }

    /// A step that is done so many times.
    fn step(&mut self, step: &Step, times: f64) {
        match &step.action {
            Action::Set(assignments) => self.assignments(assignments, times),
            Action::Wait(Wait::For(duration)) => self.sum.time_s += times * duration.as_secs_f64(),
            Action::Wait(Wait::Until(wait)) => {
                self.sum.time_s += times * (wait.stable + wait.every).as_secs_f64();
            }
            Action::Search(_) => {
                self.sum.searches = self.sum.searches.saturating_add(times as u64);
                self.sum.time_s += times * self.costs.search_s;
            }
            Action::Measure(measure) => self.measure(measure, times),
            Action::Call(call) => call.steps.iter().for_each(|step| self.step(step, times)),
            Action::Repeat(repeat) => {
                let turns = repeat.times.map_or(1.0, |turns| turns as f64);
                repeat.body.iter().for_each(|step| self.step(step, times * turns));
            }
            Action::When(when) => when.then.iter().for_each(|step| self.step(step, times)),
            // At night nobody answers.
            Action::Ask(ask) => self.sum.time_s += times * ask.within.as_secs_f64(),
            Action::Sweep(_) | Action::Expect(_) | Action::Notify(_) | Action::Note(_) => {}
        }
    }

    fn assignments(&mut self, assignments: &[Assignment], times: f64) {
        for assignment in assignments {
            match &assignment.value {
                Given::Fixed(value) => self.set(&assignment.setting, value),
                Given::Computed(_) => self.sum.time_s += self.costs.setting_s,
            }
            self.sum.time_s += (times - 1.0) * self.costs.setting_s;
        }
    }

    fn measure(&mut self, measure: &Measure, times: f64) {
        let captures = self.captures_of(measure);
        self.sum.measurements = self.sum.measurements.saturating_add(times as u64);
        self.sum.time_s += times * captures * self.costs.capture_s;
        if measure.keep_captures {
            let by_length = self.on_air.chips * SAMPLES_PER_SYMBOL * BYTES_PER_SAMPLE;
            let bytes = self.costs.capture_bytes.unwrap_or(by_length);
            self.sum.captures = self.sum.captures.saturating_add((times * captures) as u64);
            self.sum.disk_bytes += times * captures * bytes;
        }
    }

    /// Captures until a measurement has seen enough.
    fn captures_of(&self, measure: &Measure) -> f64 {
        let until = &measure.until;
        let of_bits = |bits: f64| (bits / self.on_air.bits).ceil();
        let ends = [
            until.bits.map(|bits| of_bits(bits as f64)),
            until.captures.map(|captures| captures as f64),
            // Without an error the upper end of the 95 % interval is 3.69 over the number of bits
            // (Clopper-Pearson: 1 - 0.025^(1/n)).
            until.ber_below.map(|below| of_bits(-(0.025f64.ln()) / below)),
            until.time.map(|time| (time.as_secs_f64() / self.costs.capture_s).ceil()),
        ];
        let first = ends.into_iter().flatten().min_by(f64::total_cmp);
        let unknown = if until.bit_errors.is_some() { 1.0 } else { CAPTURES_OF_UNKNOWN_END };
        first.unwrap_or(unknown).max(1.0)
    }

    fn reference(&mut self, reference: &Reference, points: u64) {
        let by_points = reference.every_points.map(|every| points as f64 / every as f64);
        let by_time = reference.every.map(|every| self.sum.time_s / every.as_secs_f64());
        let times = 1.0 + by_points.unwrap_or(0.0).max(by_time.unwrap_or(0.0)).floor();
        // Set for it, and back again.
        self.sum.time_s += times * 2.0 * reference.set.len() as f64 * self.costs.setting_s;
        self.measure(&reference.measure, times);
    }
}

fn frame_on_air(value: &KnobValue, known: &mut HashMap<String, OnAir>) -> Option<OnAir> {
    let KnobValue::Frame(named) = value else { return None };
    let (name, spec) = (&named.name, &named.spec);
    if let Some(on_air) = known.get(name) {
        return Some(*on_air);
    }
    let frame = build(spec).ok()?;
    let on_air =
        OnAir { chips: frame.chips.len() as f64, bits: (frame.psdu.len() * 8).max(1) as f64 };
    known.insert(name.clone(), on_air);
    Some(on_air)
}

#[cfg(test)]
mod tests {
    use beamwarden_drivers::fault::Source;
    use beamwarden_drivers::quantity::Dimension;

    use super::*;
    use crate::bench::knob::{Knob, KnobKind, KnobTable};
    use crate::sequence::read_sequence;

    #[test]
    fn a_plan_of_any_size_is_estimated_at_once() {
        let mut knobs = KnobTable::default();
        for name in ["a.v", "b.v", "c.v"] {
            let kind = KnobKind::Number(Dimension::Voltage);
            let (at_least, at_most) = (vec![], vec![]);
            knobs.add(Knob { name: name.into(), kind, at_least, at_most, steps: None });
        }
        let range = "{from: 0 V, to: 1 V, count: 10000000}";
        let text = format!(
            "sequence: long
steps:
  - sweep: {{a.v: {range}, b.v: {range}}}
    do: [{{measure: {{as: one}}}}, {{wait: 1 s}}]
"
        );
        let sequence = read_sequence(&Source::new("long.yaml", text), &knobs).unwrap();
        let estimate = estimate(&sequence, &Costs::default());
        assert_eq!(estimate.points, 100_000_000_000_000);
        assert_eq!(estimate.measurements, estimate.points);
        // One second of waiting, one of capturing, two settings at most.
        let each_s = estimate.time_s / 1e14;
        assert!((2.0..2.05).contains(&each_s), "{each_s}");
    }
}
