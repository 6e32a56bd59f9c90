//! Frames without guards: the whole of one, segment by segment through the time-domain equaliser, with
//! carrier and clock followed by decisions. Segments depend on those before them. Knows nothing of what
//! was sent.

use num_complex::Complex32;

use super::frame::FrameLayout;
use super::receiver::{FrameState, Tuned, take_slope};
use super::sync::PER_CHIP;
use super::time_equaliser::{SEGMENT_CHIPS, Segment, SegmentMeasure, TimeEqualiser};
use super::tracking::{DelayLoop, Line};
use super::unexplained::Unexplained;

/// Symbols that share a phase.
pub(crate) const PHASE_SYMBOLS: usize = 16;

/// The data symbols of a frame without guards.
pub(crate) struct Unguarded {
    /// Phase tracked, without pi/2 rotation, unit mean power.
    pub symbols: Vec<Complex32>,
    /// Phases in radians that were taken off, one for [`PHASE_SYMBOLS`] of them, without jumps.
    pub phases: Vec<f64>,
    /// The state as the frame shows it.
    pub better: FrameState,
    /// Whether it differs by anything that matters from the state that was received with.
    pub matters: bool,
}

/// What the segments of one frame have shown so far.
#[derive(Default)]
struct Course {
    delay_loop: DelayLoop,
    phases: Vec<(f64, f64)>,
    delays: Vec<(f64, f64)>,
    unexplained: Unexplained,
}

/// Receives the data symbols of a frame whose preamble has been received.
pub(crate) fn receive(tuned: &Tuned<'_>, layout: &FrameLayout) -> Unguarded {
    let (receiver, state) = (tuned.receiver, tuned.state);
    let corrections = tuned.corrections();
    let mut equaliser = TimeEqualiser::new(&tuned.channel, receiver.pulse, corrections.equaliser);
    let step = (1.0 + state.timing.drift) / PER_CHIP as f64;
    let before = equaliser.reach().0 as f64 / PER_CHIP as f64;
    let mut course = Course::default();
    let (mut symbols, mut decided, mut phases) = (Vec::new(), Vec::new(), Vec::new());
    let data = layout.data_start()..layout.data_start() + layout.data_symbols();
    for first in data.clone().step_by(SEGMENT_CHIPS) {
        let chips = SEGMENT_CHIPS.min(data.end - first);
        let offset = if corrections.clock { course.delay_loop.predicted() } else { 0.0 };
        let start = state.timing.at(first as f64 - before + offset);
        let mut values = vec![Complex32::default(); equaliser.values_for(chips)];
        receiver.front_end.sample(&state.wrong, start, step, &mut values);
        let segment =
            Segment { values: &values, first_chip: first, constellation: layout.constellation };
        let from = decided.len();
        let measure = equaliser.run(&segment, |_| None, &mut symbols, &mut decided);
        phases.extend_from_slice(measure.track.phases());
        if let Some((at, expected)) = equaliser.expected(&segment, &decided[from..], &measure) {
            let at = at + equaliser.reach().0;
            let values = values[at..at + expected.len()].to_vec();
            let start = start + at as f64 * step;
            let changes = changes(&expected);
            course.unexplained.add(&state, values, expected, changes, start);
        }
        course.take((first + chips / 2) as f64, offset, &measure);
    }
    let (better, matters) = course.improved(tuned, data.end);
    Unguarded { symbols, phases, better, matters }
}

/// How fast values, two a chip, change per chip: differences over one chip. They are somewhat low at
/// high frequencies, which a second look makes good.
fn changes(values: &[Complex32]) -> Vec<Complex32> {
    let at = |n: usize| values.get(n).copied().unwrap_or_default();
    (0..values.len()).map(|n| at(n + 1) - n.checked_sub(1).map_or(at(n), at)).collect()
}

impl Course {
    fn take(&mut self, centre: f64, offset: f64, measure: &SegmentMeasure) {
        let delay = offset - measure.late;
        self.delay_loop.update(delay);
        self.phases.push((centre, measure.phase));
        self.delays.push((centre, delay));
    }

    /// The state as the segments show it, and whether it differs by anything that matters.
    fn improved(&self, tuned: &Tuned<'_>, end: usize) -> (FrameState, bool) {
        let corrections = tuned.corrections();
        let mut next = tuned.state;
        let scale = tuned.receiver.front_end.scale();
        let mut matters = self.unexplained.improve(corrections, scale, &mut next.wrong);
        if let Some(line) = Line::through(&self.phases).filter(|_| corrections.carrier) {
            matters |= take_slope(line, &mut next);
        }
        if let Some(line) = Line::through(&self.delays).filter(|_| corrections.clock) {
            matters |= next.take_delay(line, end);
        }
        (next, matters)
    }
}
