//! What an interrupted run has done already, from its journal.
//!
//! The walk of a sequence is the same at every execution. So the number of the last item that is
//! done says where to go on, and the settings asked for before the first that is not say how the bench
//! stood there.

use std::collections::BTreeMap;

use super::error::RunError;
use super::ledger::Ledger;
use super::measure::LastMeasured;
use super::reference::Followed;
use super::tally::Tally;
use crate::bench::BenchPlan;
use crate::bench::knob::KnobValue;
use crate::record::{
    Abandoned, Entry, Event, InstrumentFound, InstrumentRecord, Outcome, RecordError, Remedy,
    SettingDone,
};
use crate::sequence::{Phase, Sequence, Walk, WalkItem};

/// What a run has done already.
#[derive(Clone, Debug, Default)]
pub struct DoneBefore {
    /// Whether there was anything before.
    pub resumed: bool,
    /// Items of the walk that are done, `prepare` and `steps` counted through.
    pub(super) items: u64,
    /// What was asked of the bench before the first item that is not done.
    pub(super) ledger: Ledger,
    /// The counts.
    pub(super) tally: Tally,
    /// The last measurement that counts.
    pub(super) last_measured: LastMeasured,
    /// The reference point.
    pub(super) followed: Followed,
    /// Answers to questions, by name.
    pub(super) answers: BTreeMap<String, String>,
    /// Number of the last step outside the points that is done.
    pub(super) last_step: u64,
    /// Whether settings or steps of a turn failed, so that its points were given up.
    pub(super) lost_turn: bool,
    /// The point or step that had begun and was not done.
    open: Vec<(Option<u64>, Option<u64>)>,
    /// Who answered.
    instruments: Vec<InstrumentFound>,
    /// Captures that are kept.
    pub captures: u64,
    /// The time of the last line.
    pub last: Option<jiff::Timestamp>,
    /// How the run had ended, if it had.
    pub ended: Option<Outcome>,
}

/// What is gathered while a journal is read.
#[derive(Default)]
struct Reader {
    done: DoneBefore,
    last_point: u64,
    last_step: u64,
    open: Option<Open>,
    /// `finally`, once it has begun.
    finally: Option<Open>,
    /// Whether the measurement before is of a reference and doubtful.
    doubtful_reference: bool,
}

/// A point or step that has begun and is not done.
struct Open {
    point: Option<u64>,
    step: Option<u64>,
    /// What stood before it first began.
    before: Ledger,
    tally: Tally,
    last_measured: LastMeasured,
    answers: BTreeMap<String, String>,
}

impl Open {
    /// What was counted in it counts no more.
    fn undo(&self, done: &mut DoneBefore) {
        done.last_measured = self.last_measured.clone();
        done.answers = self.answers.clone();
        done.tally.measurements = self.tally.measurements;
        done.tally.expectations_failed = self.tally.expectations_failed;
    }
}

impl DoneBefore {
    /// Reads what a run has done from the sound entries of its journal, in order.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn read(
        entries: impl Iterator<Item = Result<Entry, RecordError>>,
        sequence: &Sequence,
        plan: &BenchPlan,
    ) -> Result<Self, RecordError> {
        let mut reader = Reader::default();
        for entry in entries {
            let entry = entry?;
            reader.done.last = Some(entry.at);
            reader.take(&entry.event, plan);
        }
        let mut done = reader.done;
        if let Some(finally) = reader.finally {
            done.open.push((None, Some(FINALLY)));
            finally.undo(&mut done);
        }
        if let Some(open) = reader.open {
            done.open.push((open.point, open.step));
            open.undo(&mut done);
            done.ledger = open.before;
        }
        done.resumed = true;
        done.last_step = reader.last_step;
        done.items = items_done(sequence, reader.last_point, reader.last_step);
        Ok(done)
    }

    /// The counts of what was done.
    #[must_use]
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// The point or step that was cut off, and `finally` of an end that was none: what was recorded of
    /// them counts no more.
    pub(super) fn abandoned(&self) -> impl Iterator<Item = Abandoned> {
        let why = |step| match step {
            Some(FINALLY) => "the run goes on, and 'finally' is done at its end".to_string(),
            _ => "the run was cut off in it".to_string(),
        };
        self.open.iter().map(move |&(point, step)| Abandoned { point, step, why: why(step) })
    }

    /// Refuses to go on with other instruments than those that the run began with.
    ///
    /// # Errors
    /// Which differ, and how.
    pub(super) fn check_identities(&self, found: &[InstrumentRecord]) -> Result<(), RunError> {
        let mut differing = Vec::new();
        for then in &self.instruments {
            let now = found.iter().find(|now| now.name == then.name);
            let now = now.map_or("nothing", |now| now.identity.as_str());
            if now != then.identity {
                differing.push(format!("{} was {}, now {now} answers", then.name, then.identity));
            }
        }
        differing.dedup();
        match differing.as_slice() {
            [] => Ok(()),
            all => Err(RunError::OtherInstruments(all.join("; "))),
        }
    }
}

/// The number under which `finally` stands in the journal.
pub(super) const FINALLY: u64 = u64::MAX;

impl Reader {
    fn take(&mut self, event: &Event, plan: &BenchPlan) {
        let done = &mut self.done;
        match event {
            Event::Instrument(found) => {
                done.instruments.retain(|known| known.name != found.name);
                done.instruments.push(found.clone());
            }
            Event::Setting(setting) => {
                if let Some((name, value)) = asked(setting, plan) {
                    done.ledger.note(&name, &value);
                }
            }
            Event::PointStarted(started) => self.begin(Some(started.point), None),
            Event::StepStarted(step) if step.step == FINALLY => {
                self.finally = Some(self.opened(None, Some(FINALLY)));
            }
            Event::StepStarted(step) => self.begin(None, Some(step.step)),
            Event::PointFinished(finished) => {
                done.lost_turn = false;
                done.tally.points += 1;
                self.last_point = self.last_point.max(finished.point);
                self.open = None;
            }
            Event::PointSkipped(skipped) => {
                done.tally.points_skipped += 1;
                self.last_point = self.last_point.max(skipped.point);
                self.open = None;
            }
            // Whatever `finally` found belongs to that end, and is done anew at the next.
            Event::StepFinished(step) if step.step == FINALLY => {}
            Event::StepFinished(step) => {
                self.last_step = self.last_step.max(step.step);
                self.open = None;
            }
            Event::Abandoned(Abandoned { step: Some(FINALLY), .. }) => {
                if let Some(finally) = self.finally.take() {
                    finally.undo(done);
                }
            }
            Event::Abandoned(_) => {
                if let Some(open) = &self.open {
                    open.undo(done);
                }
            }
            Event::Answered(answered) => {
                if let Some(name) = &answered.name {
                    done.answers.insert(name.clone(), answered.answer.clone());
                }
            }
            Event::RunEnded(end) => done.ended = Some(end.outcome),
            Event::RunResumed(_) => done.ended = None,
            found => self.take_found(found),
        }
    }

    /// What was measured, and what failed.
    fn take_found(&mut self, event: &Event) {
        let done = &mut self.done;
        match event {
            // Outside points and steps it is the reference's.
            Event::Measurement(measurement) if self.open.is_none() => {
                self.doubtful_reference = !measurement.doubts.is_empty();
            }
            // A first one that is doubtful is taken once more.
            Event::Reference(_) if self.doubtful_reference && done.followed.first.is_none() => {}
            Event::Reference(reference) => {
                done.followed.taken = reference.number;
                done.followed.first.get_or_insert_with(|| reference.figures.clone());
            }
            Event::Capture(_) => done.captures += 1,
            // Outside a point it is the turn of an outer sweep that is given up.
            Event::Failure(failure)
                if failure.remedy == Remedy::PointSkipped && failure.point.is_none() =>
            {
                done.lost_turn = true;
            }
            Event::Failure(failure) if failure.remedy == Remedy::Retried => {
                done.tally.retries += 1;
            }
            Event::Measurement(measurement) => {
                done.tally.measurements += 1;
                done.last_measured = LastMeasured {
                    figures: measurement.figures.clone(),
                    capture: measurement.captures.last().copied(),
                    is_doubtful: !measurement.doubts.is_empty(),
                };
            }
            Event::Expectation(expectation) if !expectation.passed => {
                done.tally.expectations_failed += 1;
            }
            _ => {}
        }
    }

    /// A point or step begins; a point that begins anew goes on from where it first began.
    fn begin(&mut self, point: Option<u64>, step: Option<u64>) {
        let same = |open: &Open| (open.point, open.step) == (point, step);
        if self.open.as_ref().is_some_and(same) {
            return;
        }
        self.open = Some(self.opened(point, step));
    }

    /// Something that begins now.
    fn opened(&self, point: Option<u64>, step: Option<u64>) -> Open {
        Open {
            point,
            step,
            before: self.done.ledger.clone(),
            tally: self.done.tally.clone(),
            last_measured: self.done.last_measured.clone(),
            answers: self.done.answers.clone(),
        }
    }
}

/// The setting and value that the sequence asked for by itself.
fn asked(done: &SettingDone, plan: &BenchPlan) -> Option<(String, KnobValue)> {
    if done.part_of.is_some() {
        return None;
    }
    let knob = plan.knobs().get(&done.setting.name).ok()?;
    let value = knob.of_record(done.setting.asked.as_ref()?)?;
    Some((knob.name.clone(), value))
}

/// The number of the last item of the walk that is done.
fn items_done(sequence: &Sequence, last_point: u64, last_step: u64) -> u64 {
    let prepared = Walk::of(sequence, Phase::Prepare).count() as u64;
    let mut done = last_step.min(prepared);
    if last_point == 0 && last_step <= prepared {
        return done;
    }
    for (number, item) in (prepared + 1..).zip(Walk::of(sequence, Phase::Steps)) {
        match item {
            WalkItem::Leave { point: Some(point), .. } if point <= last_point => done = number,
            WalkItem::Do(_) if number <= last_step => done = done.max(number),
            _ if number > last_step && done_with_points(&item, last_point) => break,
            _ => {}
        }
    }
    done
}

/// Whether an item belongs to a point that is not done.
fn done_with_points(item: &WalkItem<'_>, last_point: u64) -> bool {
    matches!(item, WalkItem::Enter { point: Some(point), .. } if *point > last_point)
}
