//! How much there is to do, without doing it: combinations, measurements, searches.
//!
//! What follows from the axes' lengths is multiplied; only where rules leave combinations out are
//! these looked at one by one.

use super::super::expression::Name;
use super::super::step::{Action, Axis, Step, Sweep};
use super::shuffle::Shuffle;
use super::{Counter, holds_sweep, value_of};

/// Most rules that are looked at, one by one for each combination; of more combinations a random choice
/// is looked at, and all are taken to be like these.
const LOOKED_AT_MAX: u64 = 2_000_000;
/// Seed of that choice: the same file is counted alike every time.
const CHOICE_SEED: u64 = 1;
/// Most that can be chosen from, as [`Shuffle`] has it.
const CHOICE_MAX: u64 = 1 << 62;

/// How many combinations and measurements a list of steps has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counts {
    /// Combinations of sweep values.
    pub points: u64,
    /// Measurements; a repetition without a number counts once.
    pub measurements: u64,
    /// Beam searches.
    pub searches: u64,
    /// Whether these are exact: conditions of the run may leave out some or repeat others, but of the
    /// points all were counted.
    pub exact: bool,
}

impl Default for Counts {
    fn default() -> Self {
        Counts { points: 0, measurements: 0, searches: 0, exact: true }
    }
}

impl Counts {
    fn add(&mut self, other: Counts) {
        self.points = self.points.saturating_add(other.points);
        self.measurements = self.measurements.saturating_add(other.measurements);
        self.searches = self.searches.saturating_add(other.searches);
        self.exact &= other.exact;
    }

    fn times(self, times: u64) -> Counts {
        Counts {
            points: self.points.saturating_mul(times),
            measurements: self.measurements.saturating_mul(times),
            searches: self.searches.saturating_mul(times),
            exact: self.exact,
        }
    }

    /// As many more as all are to those looked at.
    fn scaled(self, looked: u64, all: u64) -> Counts {
        let scale = |count: u64| (count as f64 / looked as f64 * all as f64) as u64;
        Counts {
            points: scale(self.points),
            measurements: scale(self.measurements),
            searches: scale(self.searches),
            exact: false,
        }
    }
}

/// Counts a list of steps; saturates instead of overflowing.
#[must_use]
pub fn count(steps: &[Step]) -> Counts {
    let mut budget = LOOKED_AT_MAX;
    count_within(steps, &mut Vec::new(), &mut budget)
}

/// The sweeps around, with their present combinations.
type Around<'a> = Vec<(&'a [Axis], Vec<usize>)>;

fn count_within<'a>(steps: &'a [Step], around: &mut Around<'a>, budget: &mut u64) -> Counts {
    let mut counts = Counts::default();
    for step in steps {
        match &step.action {
            Action::Measure(_) => counts.add(Counts { measurements: 1, ..Counts::default() }),
            Action::Search(_) => counts.add(Counts { searches: 1, ..Counts::default() }),
            Action::Call(call) => counts.add(count_within(&call.steps, around, budget)),
            Action::Sweep(sweep) => counts.add(count_sweep(sweep, around, budget)),
            Action::Repeat(repeat) => {
                let inner = count_within(&repeat.body, around, budget);
                counts.add(inner.times(repeat.times.unwrap_or(1)));
            }
            Action::When(when) => {
                let holds = count_within(&when.then, around, budget);
                let other = count_within(&when.otherwise, around, budget);
                counts.add(Counts {
                    points: 0,
                    measurements: holds.measurements.max(other.measurements),
                    searches: holds.searches.max(other.searches),
                    exact: true,
                });
            }
            _ => {}
        }
    }
    counts
}

fn count_sweep<'a>(sweep: &'a Sweep, around: &mut Around<'a>, budget: &mut u64) -> Counts {
    let mut counter = Counter::new(sweep);
    // The order does not matter here.
    counter.shuffle = None;
    let innermost = !holds_sweep(&sweep.body);
    let once = |inner: Counts| if innermost { Counts { points: 1, ..inner } } else { inner };
    let inner_depends = depends_on(&sweep.body, &sweep.axes);
    if sweep.skip.is_empty() && !inner_depends {
        return once(count_within(&sweep.body, around, budget)).times(counter.count);
    }
    let all = counter.count;
    let cost = (sweep.skip.len() as u64).max(1);
    if all > *budget / cost && all <= CHOICE_MAX {
        // The first ones all have the same values of the outer axes.
        counter.shuffle = Some(Shuffle::new(all, CHOICE_SEED));
    }
    let mut counts = Counts::default();
    let mut looked = 0;
    // What is inside is the same every time unless its rules name these axes.
    let mut each = None;
    around.push((&sweep.axes, counter.index.clone()));
    while counter.advance() {
        if *budget == 0 && looked > 0 {
            counts = counts.scaled(looked, all);
            break;
        }
        *budget = budget.saturating_sub(cost);
        looked += 1;
        if let Some((_, index)) = around.last_mut() {
            index.copy_from_slice(&counter.index);
        }
        let open = around.iter().map(|(axes, index)| (*axes, index.as_slice()));
        let left_out = sweep
            .skip
            .iter()
            .any(|rule| rule.holds(|name| value_of(open.clone(), name)).unwrap_or(false));
        if left_out {
            continue;
        }
        let inner = match each {
            Some(inner) => inner,
            None => count_within(&sweep.body, around, budget),
        };
        if !inner_depends {
            each = Some(inner);
        }
        counts.add(once(inner));
    }
    around.pop();
    counts
}

/// Whether a rule among steps names one of these axes.
fn depends_on(steps: &[Step], axes: &[Axis]) -> bool {
    let names = |name: &Name| matches!(name, Name::Door(name) if axes.iter().any(|axis| axis.setting == *name));
    steps.iter().any(|step| match &step.action {
        Action::Sweep(sweep) => {
            sweep.skip.iter().any(|rule| rule.names().any(names)) || depends_on(&sweep.body, axes)
        }
        Action::Call(call) => depends_on(&call.steps, axes),
        _ => false,
    })
}
