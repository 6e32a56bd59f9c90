//! Which lines of a journal do not count: what was recorded of a point or step that began anew.

use std::collections::BTreeMap;

use super::{Entry, JournalLine, JournalLines};
use crate::record::error::RecordError;
use crate::record::event::Event;

/// The stretches of a journal that do not count.
///
/// A stretch goes from the start of a point or step to the line that says it was abandoned. A point
/// that starts again before it is finished, as in journals of before there was such a line, abandons
/// its earlier start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Uncounted {
    /// First and last sequence number of each, in order, none within another.
    stretches: Vec<(u64, u64)>,
    points: Begun,
    steps: Begun,
}

/// Starts of points, or of steps, by number.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Begun {
    /// Those that have not ended.
    open: BTreeMap<u64, u64>,
    /// The one that ended last: it may still be abandoned.
    ended: Option<(u64, u64)>,
}

impl Begun {
    /// Begins `number` at `seq`; returns its earlier start when that was left open.
    fn begin(&mut self, number: u64, seq: u64) -> Option<u64> {
        self.open.insert(number, seq)
    }

    fn end(&mut self, number: u64) {
        if let Some(seq) = self.open.remove(&number) {
            self.ended = Some((number, seq));
        }
    }

    /// Takes out the last start of `number`.
    fn abandon(&mut self, number: u64) -> Option<u64> {
        let ended = self.ended.take_if(|(last, _)| *last == number);
        self.open.remove(&number).or(ended.map(|(_, seq)| seq))
    }
}

impl Uncounted {
    /// Those of the entries given, which are a whole journal in order.
    pub fn of<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Self {
        let mut uncounted = Self::default();
        entries.into_iter().for_each(|entry| uncounted.take(entry));
        uncounted
    }

    /// Takes the next entry of a journal into account.
    pub fn take(&mut self, entry: &Entry) {
        let seq = entry.seq;
        match &entry.event {
            Event::PointStarted(point) => {
                let earlier = self.points.begin(point.point, seq);
                self.leave_out(earlier, seq.saturating_sub(1));
            }
            Event::StepStarted(step) => {
                let earlier = self.steps.begin(step.step, seq);
                self.leave_out(earlier, seq.saturating_sub(1));
            }
            Event::PointFinished(point) => self.points.end(point.point),
            Event::PointSkipped(point) => self.points.end(point.point),
            Event::StepFinished(step) => self.steps.end(step.step),
            Event::Abandoned(abandoned) => {
                let point = abandoned.point.and_then(|point| self.points.abandon(point));
                let step = abandoned.step.and_then(|step| self.steps.abandon(step));
                self.leave_out(point, seq);
                self.leave_out(step, seq);
            }
            _ => {}
        }
    }

    fn leave_out(&mut self, first: Option<u64>, last: u64) {
        let Some(mut first) = first else { return };
        // A later stretch ends later: those it meets are the last ones.
        while let Some((before, _)) = self.stretches.pop_if(|(_, end)| *end >= first) {
            first = first.min(before);
        }
        self.stretches.push((first, last));
    }

    /// Whether the entry with this sequence number counts.
    pub fn counts(&self, seq: u64) -> bool {
        let at = self.stretches.partition_point(|(_, last)| *last < seq);
        self.stretches.get(at).is_none_or(|(first, _)| *first > seq)
    }

    /// How many stretches there are.
    pub fn stretches(&self) -> usize {
        self.stretches.len()
    }
}

/// The sound entries of a journal, each with whether it counts, and its faults; in constant memory.
#[derive(Debug)]
pub struct Counted {
    lines: JournalLines,
    uncounted: Uncounted,
}

impl Counted {
    /// Reads the journal once for what does not count, and begins it anew.
    ///
    /// # Errors
    /// When it cannot be read or has a format this version does not know.
    pub(in crate::record) fn open(path: &std::path::Path) -> Result<Self, RecordError> {
        // Opened first: both passes then end at the same line, or the second one earlier.
        let lines = JournalLines::open(path)?;
        let mut uncounted = Uncounted::default();
        for line in JournalLines::open(path)? {
            if let JournalLine::Entry(entry) = line? {
                uncounted.take(&entry);
            }
        }
        Ok(Self { lines, uncounted })
    }

    /// What does not count.
    pub fn uncounted(&self) -> &Uncounted {
        &self.uncounted
    }

    /// The reader of the lines, for what it knows of the last one.
    pub fn lines(&self) -> &JournalLines {
        &self.lines
    }
}

impl Iterator for Counted {
    type Item = Result<(JournalLine, bool), RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        Some(self.lines.next()?.map(|line| {
            let counts = match &line {
                JournalLine::Entry(entry) => self.uncounted.counts(entry.seq),
                JournalLine::Fault(_) => true,
            };
            (line, counts)
        }))
    }
}
