//! What a sequence will cost, before it runs: captures, disk, time.
//!
//! Rough on purpose and said to be so: what a real bench takes is learned from its runs.

use std::collections::HashMap;

use super::step::{Action, Assignment, Given, Sequence, Wait};
use super::walk::{Phase, Walk, WalkItem, count};
use crate::bench::knob::{FRAME, KnobValue};
use crate::phy::frame::build;

/// Assumed seconds for one setting with its read-back.
const SETTING_S: f64 = 0.02;
/// Assumed seconds for one capture: snapshot of all settings, acquisition, transfer, analysis.
const CAPTURE_S: f64 = 1.0;
/// Assumed seconds for one probe of a search.
const PROBE_S: f64 = 0.1;
/// Assumed probes of one search.
const PROBES: f64 = 100.0;
/// Assumed speed of a turntable in degrees a second.
const TURN_DEG_PER_S: f64 = 20.0;
/// Samples that a capture takes for each symbol, and bytes for each sample.
const SAMPLES_PER_SYMBOL: f64 = 5.0;
const BYTES_PER_SAMPLE: f64 = 4.0;

/// What a sequence will cost.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Combinations of sweep values.
    pub points: u64,
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
const WALKED_POINTS_MAX: u64 = 200_000;

/// Walks the plan in constant memory and bounded time.
#[must_use]
pub fn estimate(sequence: &Sequence) -> Estimate {
    let mut sum = Estimate::default();
    let mut frames: HashMap<String, OnAir> = HashMap::new();
    let mut on_air = OnAir { chips: 70_000.0, bits: 100_000.0 };
    let mut angle: Option<f64> = None;
    for phase in [Phase::Prepare, Phase::Steps, Phase::Finally] {
        for item in Walk::of(sequence, phase) {
            if sum.points >= WALKED_POINTS_MAX {
                extrapolate(&mut sum, sequence);
                break;
            }
            let changes: Vec<(&str, &KnobValue)> = match &item {
                WalkItem::Enter { point, changes, .. } => {
                    sum.points += u64::from(point.is_some());
                    changes.iter().map(|(name, value)| (name.as_str(), value)).collect()
                }
                WalkItem::Do(step) => match &step.action {
                    Action::Set(assignments) => assignments.iter().filter_map(fixed).collect(),
                    action => {
                        add_action(&mut sum, action, on_air);
                        Vec::new()
                    }
                },
                WalkItem::Leave { .. } => Vec::new(),
            };
            for (name, value) in changes {
                sum.time_s += SETTING_S;
                if name == FRAME {
                    on_air = frame_on_air(value, &mut frames).unwrap_or(on_air);
                } else if name.ends_with(".angle")
                    && let Some(to) = value.as_number()
                {
                    sum.time_s += (to - angle.unwrap_or(to)).abs() / TURN_DEG_PER_S;
                    angle = Some(to);
                }
            }
        }
    }
    sum
}

fn fixed(assignment: &Assignment) -> Option<(&str, &KnobValue)> {
    match &assignment.value {
        Given::Fixed(value) => Some((assignment.setting.as_str(), value)),
        Given::Computed(_) => None,
    }
}

/// From the points walked to all of them.
fn extrapolate(sum: &mut Estimate, sequence: &Sequence) {
    let all = count(&sequence.steps);
    let factor = all.points as f64 / sum.points as f64;
    *sum = Estimate {
        points: all.points,
        measurements: all.measurements,
        searches: all.searches,
        // Beyond what fits the sum saturates, as the counts do.
        captures: (sum.captures as f64 * factor) as u64,
        disk_bytes: sum.disk_bytes * factor,
        time_s: sum.time_s * factor,
    };
}

fn add_action(sum: &mut Estimate, action: &Action, on_air: OnAir) {
    match action {
        Action::Wait(Wait::For(duration)) => sum.time_s += duration.as_secs_f64(),
        Action::Search(_) => {
            sum.searches += 1;
            sum.time_s += PROBES * PROBE_S;
        }
        Action::Measure(measure) => {
            let by_bits = measure.until.bits.map(|bits| (bits as f64 / on_air.bits).ceil());
            let by_count = measure.until.captures.map(|count| count as f64);
            let captures = by_bits.unwrap_or(1.0).min(by_count.unwrap_or(f64::MAX)).max(1.0);
            sum.measurements += 1;
            sum.time_s += captures * CAPTURE_S;
            if measure.keep_captures {
                sum.captures = sum.captures.saturating_add(captures as u64);
                sum.disk_bytes += captures * on_air.chips * SAMPLES_PER_SYMBOL * BYTES_PER_SAMPLE;
            }
        }
        _ => {}
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
        let estimate = estimate(&sequence);
        assert_eq!(estimate.points, 100_000_000_000_000);
        assert_eq!(estimate.measurements, estimate.points);
        // One second of waiting, one of capturing, two settings at most.
        let each_s = estimate.time_s / 1e14;
        assert!((2.0..2.05).contains(&each_s), "{each_s}");
    }
}
