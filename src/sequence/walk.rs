//! Walking a sequence lazily, point by point.
//!
//! A point is one combination of the values of all axes: each turn of a sweep that holds no further
//! sweep. Steps of an outer sweep have a position and no number; steps outside every sweep have
//! neither. The walk holds one counter a nested sweep and nothing else.

use super::step::{Action, Axis, Sequence, Step, Sweep};
use crate::bench::knob::KnobValue;

/// Which part of the sequence a step belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// `prepare`.
    Prepare,
    /// `steps`.
    Steps,
    /// `finally`.
    Finally,
}

/// The values of the sweep axes around a step, outermost first.
pub type Position = Vec<(String, KnobValue)>;

/// What comes next.
#[derive(Clone, Debug, PartialEq)]
pub enum WalkItem<'a> {
    /// A new combination begins; these axes change (all of the innermost sweep at its first).
    Enter {
        /// Number of the point, from 1; `None` at a turn of an outer sweep.
        point: Option<u64>,
        /// All axes and values.
        position: Position,
        /// Settings to make, in order.
        changes: Position,
    },
    /// A step that is no sweep.
    Do(&'a Step),
    /// The combination's steps are done.
    Leave {
        /// Number of the point.
        point: Option<u64>,
        /// All axes and values that still hold outside it.
        position: Position,
    },
}

/// One open level: a list of steps, and the sweep that repeats it.
struct Level<'a> {
    steps: &'a [Step],
    next: usize,
    sweep: Option<Turn<'a>>,
}

/// A sweep's counter.
struct Turn<'a> {
    axes: &'a [Axis],
    index: Vec<usize>,
    /// Whether no further sweep is inside, so that each turn is a point.
    innermost: bool,
    /// The turn that is under way, and its number.
    under_way: Option<Option<u64>>,
}

/// The walk over one phase.
pub struct Walk<'a> {
    levels: Vec<Level<'a>>,
    points: u64,
    /// A sweep that was just opened and has not entered its first combination.
    entering: bool,
}

impl<'a> Walk<'a> {
    /// Walks one phase of a sequence.
    #[must_use]
    pub fn of(sequence: &'a Sequence, phase: Phase) -> Self {
        Self::over(match phase {
            Phase::Prepare => &sequence.prepare,
            Phase::Steps => &sequence.steps,
            Phase::Finally => &sequence.finally,
        })
    }

    fn over(steps: &'a [Step]) -> Self {
        let levels = vec![Level { steps, next: 0, sweep: None }];
        Walk { levels, points: 0, entering: false }
    }

    fn place(&self) -> Position {
        self.place_within(self.levels.len())
    }

    /// The axes of so many levels from the outside.
    fn place_within(&self, levels: usize) -> Position {
        self.levels[..levels]
            .iter()
            .filter_map(|level| level.sweep.as_ref())
            .flat_map(|turn| values(turn, 0))
            .collect()
    }

    /// Begins a combination of the innermost sweep of which axes from `first` on changed.
    fn enter(&mut self, first: usize) -> Option<WalkItem<'a>> {
        let level = self.levels.last_mut()?;
        level.next = 0;
        let turn = level.sweep.as_mut()?;
        self.points += u64::from(turn.innermost);
        let point = turn.innermost.then_some(self.points);
        turn.under_way = Some(point);
        let changes = values(turn, first).collect();
        Some(WalkItem::Enter { point, position: self.place(), changes })
    }
}

/// Names and present values of a sweep's axes from one on.
fn values<'t>(turn: &'t Turn<'_>, first: usize) -> impl Iterator<Item = (String, KnobValue)> + 't {
    turn.axes
        .iter()
        .zip(&turn.index)
        .skip(first)
        .filter_map(|(axis, index)| Some((axis.setting.clone(), axis.values.get(*index)?)))
}

/// Advances a sweep's counter; the first axis that changed, or `None` at the end.
fn advance(turn: &mut Turn<'_>) -> Option<usize> {
    for axis in (0..turn.axes.len()).rev() {
        turn.index[axis] += 1;
        if turn.index[axis] < turn.axes[axis].values.len() {
            return Some(axis);
        }
        turn.index[axis] = 0;
    }
    None
}

impl<'a> Iterator for Walk<'a> {
    type Item = WalkItem<'a>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if std::mem::take(&mut self.entering) {
                return self.enter(0);
            }
            let level = self.levels.last_mut()?;
            if let Some(step) = level.steps.get(level.next) {
                level.next += 1;
                let Sweep { axes, body, .. } = match &step.action {
                    Action::Sweep(sweep) => sweep,
                    Action::Call(call) => {
                        self.levels.push(Level { steps: &call.steps, next: 0, sweep: None });
                        continue;
                    }
                    _ => return Some(WalkItem::Do(step)),
                };
                if axes.iter().any(|axis| axis.values.is_empty()) {
                    continue;
                }
                let innermost = !holds_sweep(body);
                let turn = Turn { axes, index: vec![0; axes.len()], innermost, under_way: None };
                self.levels.push(Level { steps: body, next: 0, sweep: Some(turn) });
                self.entering = true;
                continue;
            }
            // The level's steps are done: next combination, or one level up.
            let Some(turn) = level.sweep.as_mut() else {
                self.levels.pop();
                continue;
            };
            if let Some(point) = turn.under_way.take() {
                let outer = self.levels.len() - 1;
                return Some(WalkItem::Leave { point, position: self.place_within(outer) });
            }
            match advance(turn) {
                Some(first) => return self.enter(first),
                None => {
                    self.levels.pop();
                }
            }
        }
    }
}

/// Whether a sweep is among the steps, or in a sequence that they call.
pub(super) fn holds_sweep(steps: &[Step]) -> bool {
    steps.iter().any(|step| match &step.action {
        Action::Sweep(_) => true,
        Action::Call(call) => holds_sweep(&call.steps),
        _ => false,
    })
}

/// How many combinations and measurements a list of steps has, without walking them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Combinations of sweep values.
    pub points: u64,
    /// Measurements.
    pub measurements: u64,
    /// Beam searches.
    pub searches: u64,
}

/// Counts a list of steps; saturates instead of overflowing.
#[must_use]
pub fn count(steps: &[Step]) -> Counts {
    let mut counts = Counts::default();
    for step in steps {
        match &step.action {
            Action::Measure(_) => counts.measurements = counts.measurements.saturating_add(1),
            Action::Search(_) => counts.searches = counts.searches.saturating_add(1),
            Action::Call(call) => {
                let inner = count(&call.steps);
                counts.points = counts.points.saturating_add(inner.points);
                counts.measurements = counts.measurements.saturating_add(inner.measurements);
                counts.searches = counts.searches.saturating_add(inner.searches);
            }
            Action::Sweep(Sweep { axes, body, .. }) => {
                let times = axes
                    .iter()
                    .fold(1u64, |times, axis| times.saturating_mul(axis.values.len() as u64));
                let inner = count(body);
                let add = |sum: u64, each: u64| sum.saturating_add(each.saturating_mul(times));
                let innermost = !holds_sweep(body);
                counts.points = add(counts.points, if innermost { 1 } else { inner.points });
                counts.measurements = add(counts.measurements, inner.measurements);
                counts.searches = add(counts.searches, inner.searches);
            }
            _ => {}
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::super::step::{AxisValues, Piece, Text};
    use super::*;

    fn note(text: &str) -> Step {
        Step { place: "test:1".into(), action: Action::Note(Text::plain(text)) }
    }

    fn axis(setting: &str, values: &[i64]) -> Axis {
        let values = AxisValues::List(values.iter().map(|v| KnobValue::Whole(*v)).collect());
        Axis { setting: setting.into(), values }
    }

    fn sweep(axes: Vec<Axis>, body: Vec<Step>) -> Step {
        let (together, shuffled, skip) = (false, None, Vec::new());
        let sweep = Sweep { axes, together, shuffled, skip, body };
        Step { place: "test:1".into(), action: Action::Sweep(sweep) }
    }

    fn story(steps: &[Step]) -> Vec<String> {
        let pairs = |position: Position| {
            let shown: Vec<_> = position.iter().map(|(k, v)| format!("{k}={v}")).collect();
            shown.join(" ")
        };
        Walk::over(steps)
            .map(|item| match item {
                WalkItem::Enter { point, position, changes } => {
                    let number = point.map_or("-".to_string(), |point| point.to_string());
                    format!("{number}: {} set {}", pairs(position), pairs(changes))
                }
                WalkItem::Do(step) => match &step.action {
                    Action::Note(text) => match text.pieces.as_slice() {
                        [Piece::Plain(text)] => text.clone(),
                        other => format!("{other:?}"),
                    },
                    other => format!("{other:?}"),
                },
                WalkItem::Leave { point: Some(point), .. } => format!("end {point}"),
                WalkItem::Leave { position, .. } => format!("out to [{}]", pairs(position)),
            })
            .collect()
    }

    #[test]
    fn sweeps_nest_and_the_last_axis_is_fastest() {
        let steps = [
            note("a"),
            sweep(
                vec![axis("x", &[1, 2]), axis("y", &[7, 8])],
                vec![note("b"), sweep(vec![axis("z", &[5])], vec![note("c")])],
            ),
            sweep(vec![axis("x", &[])], vec![note("never")]),
            note("d"),
        ];
        assert_eq!(
            story(&steps),
            [
                "a",
                "-: x=1 y=7 set x=1 y=7",
                "b",
                "1: x=1 y=7 z=5 set z=5",
                "c",
                "end 1",
                "out to []",
                "-: x=1 y=8 set y=8",
                "b",
                "2: x=1 y=8 z=5 set z=5",
                "c",
                "end 2",
                "out to []",
                "-: x=2 y=7 set x=2 y=7",
                "b",
                "3: x=2 y=7 z=5 set z=5",
                "c",
                "end 3",
                "out to []",
                "-: x=2 y=8 set y=8",
                "b",
                "4: x=2 y=8 z=5 set z=5",
                "c",
                "end 4",
                "out to []",
                "d",
            ]
        );
        assert_eq!(count(&steps).points, 4);
    }

    #[test]
    fn counting_does_not_overflow() {
        let range = || Axis {
            setting: "x".into(),
            values: AxisValues::Range { from: 0.0, to: 1.0, count: 10_000_000, dimension: None },
        };
        let steps = [sweep(vec![range(), range(), range()], vec![note("a")])];
        assert_eq!(count(&steps).points, u64::MAX);
        assert_eq!(Walk::over(&steps).take(3).count(), 3);
    }
}
