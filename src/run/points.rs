//! The walk through the points: each once, tried again or given up by the policy, and what stands
//! between two of them.

use std::collections::BTreeMap;

use beamwarden_drivers::Class;
use tokio::time::timeout;

use super::engine::{Engine, fault_class};
use super::error::RunError;
use super::interlocks::Pauses;
use super::measure::LastMeasured;
use super::progress::ProgressEvent;
use crate::bench::policy::Then;
use crate::record::{Abandoned, Event, PointSkipped, Remedy};
use crate::sequence::{Phase, Position, Step, Walk, WalkItem};

/// So many combinations in a row that are left out end a run: nothing is heard while they are looked at.
const LEFT_OUT_MAX: u64 = 20_000_000;

/// A turn of an outer sweep whose own settings or steps failed: its points are given up.
#[derive(Clone, Debug)]
pub(super) struct LostTurn {
    /// How many sweeps are open around it, itself included.
    depth: usize,
    class: Class,
    why: String,
}

/// One point with what belongs to it.
struct Point<'s> {
    number: u64,
    position: Position,
    changes: Position,
    steps: Vec<&'s Step>,
}

/// What had been counted when a point or step began.
pub(super) struct Counted {
    measurements: u64,
    expectations_failed: u64,
    kept: usize,
    searches: usize,
    last: LastMeasured,
    answers: BTreeMap<String, String>,
}

/// What stands outside the points in the turns that are open, while a walk passes over what is done.
#[derive(Default)]
struct OpenTurns<'s> {
    depth: usize,
    /// Depth, number and what to do again.
    items: Vec<(usize, u64, Redo<'s>)>,
}

/// Something that is done again in a turn that was lost.
enum Redo<'s> {
    /// Its settings.
    Enter(Position),
    /// A step.
    Do(&'s Step),
}

impl<'s> OpenTurns<'s> {
    fn take(&mut self, number: u64, item: &WalkItem<'s>) {
        match item {
            WalkItem::Enter { point: None, position, .. } => {
                self.depth += 1;
                self.items.push((self.depth, number, Redo::Enter(position.clone())));
            }
            WalkItem::Do(step) if self.depth > 0 => {
                self.items.push((self.depth, number, Redo::Do(step)));
            }
            WalkItem::Leave { point: None, .. } => {
                self.items.retain(|(depth, ..)| *depth < self.depth);
                self.depth = self.depth.saturating_sub(1);
            }
            _ => {}
        }
    }
}

/// What becomes of a point that failed.
enum Verdict {
    /// It begins anew.
    Again(String),
    /// It is given up.
    GivenUp,
}

impl<'a> Engine<'a> {
    /// Goes through the points, from the first that is not done.
    pub(super) async fn go_through_points(&mut self) -> Result<(), RunError> {
        let sequence = self.sequence;
        let mut walk = Walk::of(sequence, Phase::Steps).with_patience(LEFT_OUT_MAX);
        let mut number = self.prepared;
        let mut open = OpenTurns::default();
        while let Some(item) = walk.next() {
            number += 1;
            let done = number <= self.done_before.items;
            let leaves = matches!(item, WalkItem::Leave { .. });
            if leaves || (done && self.done_before.lost_turn) {
                open.take(number, &item);
            } else {
                self.begin_turns_anew(&mut open).await?;
            }
            match item {
                WalkItem::Enter { point: Some(point), position, changes } => {
                    let mut steps = Vec::new();
                    let mut left = Position::new();
                    for item in walk.by_ref() {
                        number += 1;
                        match item {
                            WalkItem::Do(step) => steps.push(step),
                            WalkItem::Leave { position, .. } => {
                                left = position;
                                break;
                            }
                            // A point holds no further sweep.
                            WalkItem::Enter { .. } => {}
                        }
                    }
                    if number > self.done_before.items {
                        self.point(Point { number: point, position, changes, steps }).await?;
                    }
                    self.point = None;
                    self.position = left;
                }
                WalkItem::Enter { point: None, position, changes } => {
                    self.depth += 1;
                    if done {
                        self.position = position;
                    } else {
                        self.enter_turn(position, &changes).await?;
                    }
                }
                WalkItem::Do(step) if !done => self.between(number, step).await?,
                WalkItem::Do(_) => {}
                WalkItem::Leave { position, .. } => {
                    if self.lost_turn.as_ref().is_some_and(|lost| lost.depth == self.depth) {
                        self.lost_turn = None;
                    }
                    self.depth -= 1;
                    self.position = position;
                }
            }
        }
        if walk.gave_up() {
            let what = format!(
                "{LEFT_OUT_MAX} combinations in a row are left out by 'skip when'; take fewer values"
            );
            return Err(RunError::NotReady(what));
        }
        // A last wait that a stop cut short is no end of the plan.
        if self.stopping() { Err(RunError::Stopped) } else { Ok(()) }
    }

    /// Turns that were lost when the run was cut off begin anew, as far as they are still open: their
    /// points must not be measured without what failed.
    async fn begin_turns_anew(&mut self, open: &mut OpenTurns<'_>) -> Result<(), RunError> {
        let depth = self.depth;
        for (at, number, redo) in std::mem::take(&mut open.items) {
            self.depth = at;
            match redo {
                Redo::Enter(position) => self.enter_turn(position.clone(), &position).await?,
                Redo::Do(step) if number > self.done_before.last_step => {
                    self.between(number, step).await?;
                }
                Redo::Do(_) => {}
            }
        }
        self.depth = depth;
        Ok(())
    }

    /// Makes the settings of a turn of an outer sweep.
    async fn enter_turn(&mut self, position: Position, changes: &Position) -> Result<(), RunError> {
        if self.stopping() {
            return Err(RunError::Stopped);
        }
        self.position = position.clone();
        if self.lost_turn.is_some() {
            return Ok(());
        }
        let shown = shown(&position);
        self.progress.take(ProgressEvent::Point { point: None, position: shown.clone() });
        loop {
            let all = std::mem::take(&mut self.unsettled);
            let wanted = self.to_set(&position, changes, all);
            match self.set_all(&wanted, &format!("at {shown}")).await {
                Err(RunError::Tripped(trip)) => {
                    self.unsettled = true;
                    self.ride_out(trip).await?;
                }
                done => return self.settle_turn(done),
            }
        }
    }

    /// The axes to set at a turn: those whose values change, and those that a step, a search or a point
    /// given up has left elsewhere; all of them where nobody knows how the bench stands. So every turn
    /// begins with all axes as planned.
    fn to_set(&self, position: &Position, changes: &Position, all: bool) -> Position {
        let changes_here = |name: &str| changes.iter().any(|(axis, _)| axis == name);
        let stands = |name: &str, value| self.ledger.value(name) == Some(value);
        position
            .iter()
            .filter(|(name, value)| all || changes_here(name) || !stands(name, value))
            .cloned()
            .collect()
    }

    /// Tells which axes do not stand at a measurement as the plan has the point: a step of the point
    /// has set them elsewhere, and figures belong to what stands.
    pub(super) fn tell_axes_elsewhere(&mut self, place: &str) -> Result<(), RunError> {
        let elsewhere: Vec<String> = self
            .position
            .iter()
            .filter_map(|(axis, planned)| {
                let stands = self.ledger.value(axis).filter(|stands| *stands != planned)?;
                Some(format!("{axis} was set to {stands} since, and the plan has {planned}"))
            })
            .collect();
        if elsewhere.is_empty() {
            return Ok(());
        }
        self.warn(format!("{place}: measured beside the plan: {}", elsewhere.join("; ")))
    }

    /// A step outside all points.
    async fn between(&mut self, number: u64, step: &Step) -> Result<(), RunError> {
        if self.stopping() {
            return Err(RunError::Stopped);
        }
        if self.lost_turn.is_some() {
            return Ok(());
        }
        let done = self.marked_step(number, step).await;
        self.settle_turn(done)
    }

    /// Of a failure outside the points: within a sweep its turn is lost, and the run goes on.
    fn settle_turn(&mut self, done: Result<(), RunError>) -> Result<(), RunError> {
        let Err(error) = done else { return Ok(()) };
        let then = self.remedy_for(&error).map(|remedy| remedy.then);
        if self.depth == 0 || then != Some(Then::SkipPoint) {
            return Err(error);
        }
        self.tell_failure(&error, self.tries, Remedy::PointSkipped, None)?;
        self.tries = 1;
        self.unsettled = true;
        let (class, why) = (error.class(), error.to_string());
        self.lost_turn = Some(LostTurn { depth: self.depth, class, why });
        self.too_much_failed(error)
    }

    /// One point, until it is done or given up.
    async fn point(&mut self, point: Point<'_>) -> Result<(), RunError> {
        if let Some(lost) = self.lost_turn.clone() {
            self.recorder.point_started(point.number, &point.position)?;
            return self.skip(point.number, lost.class, &lost.why);
        }
        self.before_point().await?;
        let shown = shown(&point.position);
        self.point = Some(point.number);
        self.position = point.position.clone();
        let counted = self.counted();
        loop {
            self.recorder.point_started(point.number, &point.position)?;
            let position = shown.clone();
            self.progress.take(ProgressEvent::Point { point: Some(point.number), position });
            let error = match self.point_once(&point, &shown).await {
                Ok(()) => {
                    self.recorder.point_finished(point.number)?;
                    self.tally.finished(&self.policy);
                    self.pauses = Pauses::default();
                    self.followed.points_since += 1;
                    return Ok(());
                }
                Err(error) => error,
            };
            match self.after_failed_point(error, point.number).await? {
                Verdict::GivenUp => return Ok(()),
                Verdict::Again(why) => {
                    self.unsettled = true;
                    self.count_again_from(&counted);
                    let point = Some(point.number);
                    self.recorder.write(Event::Abandoned(Abandoned { point, step: None, why }))?;
                }
            }
        }
    }

    /// What is counted so far.
    pub(super) fn counted(&self) -> Counted {
        Counted {
            measurements: self.tally.measurements,
            expectations_failed: self.tally.expectations_failed,
            kept: self.measurements.len(),
            searches: self.searches.len(),
            last: self.last.clone(),
            answers: self.answers.clone(),
        }
    }

    /// What begins anew is not counted twice.
    pub(super) fn count_again_from(&mut self, counted: &Counted) {
        self.tally.measurements = counted.measurements;
        self.tally.expectations_failed = counted.expectations_failed;
        self.measurements.truncate(counted.kept);
        self.searches.truncate(counted.searches);
        self.last = counted.last.clone();
        self.answers = counted.answers.clone();
    }

    /// The settings and steps of a point, within its deadline.
    async fn point_once(&mut self, point: &Point<'_>, shown: &str) -> Result<(), RunError> {
        self.turns.clear();
        let most = self.sequence.deadlines.point;
        let work = async {
            let wanted = self.to_set(&point.position, &point.changes, self.unsettled);
            self.set_all(&wanted, &format!("at {shown}")).await?;
            self.unsettled = false;
            for step in &point.steps {
                if self.stopping() {
                    return Err(RunError::Stopped);
                }
                self.step(step).await?;
            }
            Ok(())
        };
        let Some(most) = most else { return work.await };
        if let Ok(done) = timeout(most, work).await {
            return done;
        }
        let place = format!("at {shown}");
        self.halt_if_moving(&place).await?;
        Err(RunError::Deadline { place, what: "the point", after: most })
    }

    /// What becomes of a point that failed, or the failure when the run must end.
    async fn after_failed_point(
        &mut self,
        error: RunError,
        point: u64,
    ) -> Result<Verdict, RunError> {
        if let RunError::Tripped(trip) = error {
            let why = Box::pin(self.ride_out(trip)).await?;
            return Ok(Verdict::Again(why));
        }
        let then = self.remedy_for(&error).map(|remedy| remedy.then);
        if then != Some(Then::SkipPoint) {
            return Err(error);
        }
        self.tell_failure(&error, self.tries, Remedy::PointSkipped, None)?;
        self.tries = 1;
        self.unsettled = true;
        self.skip(point, error.class(), &error.to_string())?;
        self.too_much_failed(error)?;
        Ok(Verdict::GivenUp)
    }

    fn skip(&mut self, point: u64, class: Class, why: &str) -> Result<(), RunError> {
        self.tally.points_skipped += 1;
        self.followed.points_since += 1;
        let (class, why) = (fault_class(class), why.to_string());
        Ok(self.recorder.write(Event::PointSkipped(PointSkipped { point, class, why }))?)
    }

    /// Counts a failure that points were given up for; the run ends when there are too many.
    fn too_much_failed(&mut self, error: RunError) -> Result<(), RunError> {
        match self.tally.given_up(&self.policy) {
            Some(what) => Err(RunError::TooMuchFailed { what, last: Box::new(error) }),
            None => Ok(()),
        }
    }
}

/// A combination in words: `turntable.angle 5 deg, frame mcs 9`.
fn shown(position: &Position) -> String {
    let axes: Vec<_> = position.iter().map(|(axis, value)| format!("{axis} {value}")).collect();
    axes.join(", ")
}
