//! Walking a sequence lazily, point by point.
//!
//! A point is one combination of the values of all axes: each turn of a sweep that holds no further
//! sweep. Steps of an outer sweep have a position and no number; steps outside every sweep have
//! neither. The walk holds one counter a nested sweep and nothing else, in whatever order. Points are
//! numbered in the order of their execution; combinations that are left out have no number.

use super::expression::{Name, Operand};
use super::step::{Action, Axis, Sequence, Step, Sweep};
use crate::bench::knob::KnobValue;

mod count;
mod shuffle;

pub use count::{Counts, count};
use shuffle::Shuffle;

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
        /// Settings to make, in order: the axes whose values differ from the turn before.
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
    sweep: &'a Sweep,
    counter: Counter,
    /// The combination of the turn before, once there was one.
    before: Option<Vec<usize>>,
    /// Whether no further sweep is inside, so that each turn is a point.
    innermost: bool,
    /// The turn that is under way, and its number.
    under_way: Option<Option<u64>>,
}

/// Goes through the combinations of a sweep in its order.
struct Counter {
    lengths: Vec<usize>,
    together: bool,
    /// For a random order.
    shuffle: Option<Shuffle>,
    /// How many combinations came; saturates.
    came: u64,
    /// How many there are; saturates.
    count: u64,
    /// The present one: an index into the values of each axis.
    index: Vec<usize>,
}

impl Counter {
    fn new(sweep: &Sweep) -> Self {
        let lengths: Vec<usize> = sweep.axes.iter().map(|axis| axis.values.len()).collect();
        let count = if sweep.together {
            lengths.iter().min().map_or(0, |shortest| *shortest as u64)
        } else {
            lengths.iter().fold(1u64, |all, length| all.saturating_mul(*length as u64))
        };
        // The reader refuses a random order of more.
        let seed = sweep.shuffled.filter(|_| count <= 1 << 62);
        Counter {
            index: vec![0; lengths.len()],
            lengths,
            together: sweep.together,
            shuffle: seed.map(|seed| Shuffle::new(count, seed)),
            came: 0,
            count,
        }
    }

    /// Goes to the next combination; false at the end.
    fn advance(&mut self) -> bool {
        let first = self.came == 0;
        let place = self.came;
        self.came = self.came.saturating_add(1);
        if self.together || self.shuffle.is_some() {
            if place >= self.count {
                return false;
            }
            let number = self.shuffle.map_or(place, |shuffle| shuffle.at(place));
            self.put(number);
            return true;
        }
        if first {
            return self.count > 0;
        }
        // As an odometer, which needs no number that holds all combinations.
        for axis in (0..self.index.len()).rev() {
            self.index[axis] += 1;
            if self.index[axis] < self.lengths[axis] {
                return true;
            }
            self.index[axis] = 0;
        }
        false
    }

    /// The combination of a number; as written the last axis changes fastest.
    fn put(&mut self, mut number: u64) {
        if self.together {
            self.index.fill(number as usize);
            return;
        }
        for (index, length) in self.index.iter_mut().zip(&self.lengths).rev() {
            *index = (number % *length as u64) as usize;
            number /= *length as u64;
        }
    }
}

/// The value of an axis at open levels, the innermost of its name.
fn value_of<'v>(
    open: impl DoubleEndedIterator<Item = (&'v [Axis], &'v [usize])>,
    name: &Name,
) -> Option<Operand> {
    let Name::Door(name) = name else { return None };
    open.rev().find_map(|(axes, index)| {
        let at = axes.iter().rposition(|axis| axis.setting == *name)?;
        Some(Operand::from(&axes[at].values.get(*index.get(at)?)?))
    })
}

/// The walk over one phase.
pub struct Walk<'a> {
    levels: Vec<Level<'a>>,
    points: u64,
    /// A sweep that was just opened and has not entered its first combination.
    entering: bool,
    /// Rules of combinations left out that are looked at before the walk ends; for estimates.
    patience: u64,
    gave_up: bool,
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
        Walk { levels, points: 0, entering: false, patience: u64::MAX, gave_up: false }
    }

    /// The same walk, which ends when so many rules of combinations left out were looked at.
    pub(crate) fn with_patience(self, patience: u64) -> Self {
        Walk { patience, ..self }
    }

    /// Whether it ended because too many combinations in a row are left out.
    #[must_use]
    pub fn gave_up(&self) -> bool {
        self.gave_up
    }

    /// The axes of so many levels from the outside.
    fn place_within(&self, levels: usize) -> Position {
        self.levels[..levels]
            .iter()
            .filter_map(|level| level.sweep.as_ref())
            .flat_map(|turn| values(turn, &[]))
            .collect()
    }

    /// Goes to the next combination of the innermost sweep that is not left out; false at its end.
    fn advance(&mut self) -> bool {
        loop {
            let Some(turn) = self.levels.last_mut().and_then(|level| level.sweep.as_mut()) else {
                return false;
            };
            if !turn.counter.advance() {
                return false;
            }
            let rules = &turn.sweep.skip;
            let open = self.levels.iter().filter_map(|level| {
                let turn = level.sweep.as_ref()?;
                Some((turn.sweep.axes.as_slice(), turn.counter.index.as_slice()))
            });
            let left_out = rules
                .iter()
                .any(|rule| rule.holds(|name| value_of(open.clone(), name)).unwrap_or(false));
            if !left_out {
                return true;
            }
            self.patience = self.patience.saturating_sub(rules.len() as u64);
            if self.patience == 0 {
                self.gave_up = true;
                self.levels.clear();
                return false;
            }
        }
    }

    /// Begins the present combination of the innermost sweep.
    fn enter(&mut self) -> Option<WalkItem<'a>> {
        let level = self.levels.last_mut()?;
        level.next = 0;
        let turn = level.sweep.as_mut()?;
        self.points += u64::from(turn.innermost);
        let point = turn.innermost.then_some(self.points);
        turn.under_way = Some(point);
        let before = turn.before.replace(turn.counter.index.clone()).unwrap_or_default();
        let changes = values(turn, &before).collect();
        Some(WalkItem::Enter { point, position: self.place_within(self.levels.len()), changes })
    }
}

/// Names and present values of those axes of a sweep whose values are not those of `before`.
fn values<'t>(
    turn: &'t Turn<'_>,
    before: &'t [usize],
) -> impl Iterator<Item = (String, KnobValue)> + 't {
    let index = &turn.counter.index;
    turn.sweep.axes.iter().enumerate().filter_map(move |(at, axis)| {
        let now = *index.get(at)?;
        if before.get(at) == Some(&now) {
            return None;
        }
        Some((axis.setting.clone(), axis.values.get(now)?))
    })
}

impl<'a> Iterator for Walk<'a> {
    type Item = WalkItem<'a>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if std::mem::take(&mut self.entering) {
                if self.advance() {
                    return self.enter();
                }
                self.levels.pop();
                continue;
            }
            let level = self.levels.last_mut()?;
            if let Some(step) = level.steps.get(level.next) {
                level.next += 1;
                let sweep = match &step.action {
                    Action::Sweep(sweep) => sweep,
                    Action::Call(call) => {
                        self.levels.push(Level { steps: &call.steps, next: 0, sweep: None });
                        continue;
                    }
                    _ => return Some(WalkItem::Do(step)),
                };
                let turn = Turn {
                    sweep,
                    counter: Counter::new(sweep),
                    before: None,
                    innermost: !holds_sweep(&sweep.body),
                    under_way: None,
                };
                self.levels.push(Level { steps: &sweep.body, next: 0, sweep: Some(turn) });
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
            if self.advance() {
                return self.enter();
            }
            self.levels.pop();
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

#[cfg(test)]
mod tests;
