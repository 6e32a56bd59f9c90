//! A bench whose instruments are the traces of a recorded run: what they answered then is answered
//! now, and nothing else is reached.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use beamwarden_drivers::transport::{
    Address, Difference, FirstDifference, LongAnswers, Replay, SharedReplay, Transport,
};

use super::door::Bench;
use super::error::BenchError;
use super::plan::BenchPlan;
use super::trace::TraceKeeper;

/// The traces of one run, to be played instead of instruments.
#[derive(Clone)]
pub struct RecordedLinks {
    links: BTreeMap<String, SharedReplay>,
    first: FirstDifference,
}

impl RecordedLinks {
    /// Reads the traces of a run's instruments: `NAME.jsonl` in its folder `trace`. Instruments
    /// without one did not take part.
    ///
    /// # Errors
    /// When a trace cannot be read or is none, by instrument.
    pub fn read(
        folder: &Path,
        plan: &BenchPlan,
        answers: &Arc<dyn LongAnswers>,
    ) -> Result<Self, BenchError> {
        let first = FirstDifference::default();
        let mut links = BTreeMap::new();
        for instrument in &plan.instruments {
            let name = &instrument.name;
            let path = folder.join(format!("{name}.jsonl"));
            if !path.exists() {
                continue;
            }
            let unusable =
                |why: String| BenchError::Trace { path: path.display().to_string(), why };
            let text = fs::read_to_string(&path).map_err(|error| unusable(error.to_string()))?;
            let replay = Replay::parse(&text).map_err(|fault| unusable(fault.to_string()))?;
            let replay = replay.with_answers(answers.clone()).together(name, first.clone());
            links.insert(name.clone(), SharedReplay::new(replay));
        }
        Ok(RecordedLinks { links, first })
    }

    pub(super) fn link(&self, instrument: &str) -> Result<Box<dyn Transport>, BenchError> {
        let link = self.links.get(instrument);
        let link = link.ok_or_else(|| BenchError::NoTrace(instrument.to_owned()))?;
        Ok(Box::new(link.clone()))
    }

    /// Where the replay parted from the record first, when it did.
    #[must_use]
    pub fn difference(&self) -> Option<Difference> {
        self.first.get()
    }

    /// What of the traces was not played: instrument and lines.
    pub async fn left(&self) -> Vec<(String, usize)> {
        let mut left = Vec::new();
        for (name, link) in &self.links {
            match link.lines_left().await {
                0 => {}
                lines => left.push((name.clone(), lines)),
            }
        }
        left
    }
}

impl Bench {
    /// Opens a bench over recorded links; no instrument is reached and none is locked. As
    /// [`Bench::open_what_answers`] otherwise.
    ///
    /// # Errors
    /// As [`Bench::open_what_answers`].
    pub async fn open_recorded(
        plan: BenchPlan,
        recorded: RecordedLinks,
        trace: Option<&TraceKeeper>,
    ) -> Result<(Self, Vec<(String, BenchError)>), BenchError> {
        Self::open_over(plan.at_the_desk(), None, Some(recorded), trace).await
    }
}

impl BenchPlan {
    /// The same bench with every instrument simulated: no address of hardware is left in it.
    #[must_use]
    pub fn at_the_desk(mut self) -> Self {
        for instrument in &mut self.instruments {
            instrument.address = Address::Simulated;
        }
        self
    }
}
