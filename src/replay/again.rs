//! A recorded sequence once more, into a run folder of its own that says of which run it is a
//! replay: on the simulated bench, or with the recorded messages in place of instruments.

use std::path::Path;
use std::sync::Arc;

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::transport::{Difference, LongAnswers};

use super::answers::KeptAnswers;
use super::error::ReplayError;
use super::hush::AtTheDesk;
use super::inputs::Use;
use super::recorded::Recorded;
use crate::bench::{Bench, BenchError, BenchPlan, RecordedLinks, TraceKeeper};
use crate::clock::Clock;
use crate::record::{Against, RecordError, RunFolder, TRACE_FOLDER};
use crate::run::{Control, Engine, Progress, Recorder, Replayed, RunInputs, RunSummary};
use crate::sequence::Sequence;

/// What stands in place of the recorded bench, checked and ready; nothing was sent yet.
pub struct Desk {
    /// The bench.
    pub plan: BenchPlan,
    /// The recorded sequence.
    pub sequence: Sequence,
    /// What a person should know of the bench.
    pub remarks: Vec<String>,
    links: Option<RecordedLinks>,
    replayed: Replayed,
    looks_first: bool,
}

impl Desk {
    /// The simulated bench: the recorded one with all instruments replaced, with its own model or
    /// another, and with the seed of the record.
    ///
    /// # Errors
    /// When the frozen files cannot be used or the model cannot be simulated.
    pub fn simulated(recorded: &Recorded, model: Option<Source>) -> Result<Self, ReplayError> {
        recorded.check_inputs(Use::Model { own: model.is_none() })?;
        let replay = recorded.start.replay.as_ref();
        let own = replay.and_then(|replay| replay.model.as_deref());
        let loaded = BenchPlan::load_simulated(recorded.folder.path(), own, model);
        let (mut plan, remarks) = loaded.map_err(ReplayError::Faults)?;
        if let Some(seed) = recorded.start.seed {
            plan.simulated.seed = seed;
        }
        Self::with(recorded, plan, None, Against::Model, true, remarks)
    }

    /// The recorded messages.
    ///
    /// # Errors
    /// When the frozen files or the traces cannot be used.
    pub fn recorded(recorded: &Recorded) -> Result<Self, ReplayError> {
        recorded.check_inputs(Use::Trace)?;
        let traces = recorded.folder.path().join(TRACE_FOLDER);
        let has_one = |name: &str| traces.join(format!("{name}.jsonl")).is_file();
        let name = || recorded.folder.name().to_owned();
        let mut plan = recorded.bench()?;
        if !plan.instruments.iter().any(|instrument| has_one(&instrument.name)) {
            return Err(ReplayError::NoTraces(name()));
        }
        let lost = recorded.lost_captures();
        if !lost.is_empty() {
            return Err(ReplayError::Lost { run: name(), lost });
        }
        plan.simulated.seed = recorded.start.seed.unwrap_or(plan.simulated.seed);
        let answers: Arc<dyn LongAnswers> = Arc::new(KeptAnswers::of(recorded));
        let links = RecordedLinks::read(&traces, &plan, &answers)?;
        let simulated = recorded.start.simulated;
        Self::with(recorded, plan, Some(links), Against::Trace, simulated, Vec::new())
    }

    fn with(
        recorded: &Recorded,
        plan: BenchPlan,
        links: Option<RecordedLinks>,
        against: Against,
        simulated: bool,
        remarks: Vec<String>,
    ) -> Result<Self, ReplayError> {
        let sequence = recorded.sequence(&plan)?;
        let run = recorded.folder.name().to_owned();
        let plan = plan.at_the_desk();
        let replayed = Replayed { run, against, simulated };
        let looks_first = recorded.looked_first;
        Ok(Desk { plan, sequence, remarks, links, replayed, looks_first })
    }

    /// Another sequence in place of the recorded one, to see where it would have parted from it.
    ///
    /// # Errors
    /// When it does not fit the bench.
    pub fn with_sequence(self, source: &Source) -> Result<Self, ReplayError> {
        let sequence = crate::sequence::read_sequence(source, self.plan.knobs())
            .map_err(|faults| ReplayError::Faults(vec![faults]))?;
        Ok(Desk { sequence, ..self })
    }
}

/// What came of a replay.
#[derive(Debug)]
pub struct Again {
    /// The new run.
    pub folder: RunFolder,
    /// How it ended, or why the bench could not be set up.
    pub ran: Result<RunSummary, BenchError>,
    /// Where it parted from the recorded messages, when it did.
    pub difference: Option<Difference>,
    /// Recorded messages that did not come up again: instrument and lines of its trace.
    pub left: Vec<(String, usize)>,
}

/// Runs the sequence once more. Waits pass at once where the runtime's clock is paused.
///
/// # Errors
/// When the new record cannot be written.
pub async fn run_again(
    desk: Desk,
    runs: &Path,
    progress: &mut dyn Progress,
    stop: Control,
) -> Result<Again, ReplayError> {
    let Desk { plan, sequence, links, replayed, looks_first, .. } = desk;
    let seed = replayed.simulated.then_some(plan.simulated.seed);
    let inputs = RunInputs { sequence: &sequence, plan: &plan, seed, replay: Some(&replayed) };
    let mut recorder = Recorder::begin(runs, inputs, Clock::start())?;
    recorder.keep_for_replay();
    let folder = recorder.folder().clone();
    let traces = folder.path().join(TRACE_FOLDER);
    let trace =
        TraceKeeper::in_folder(traces.clone()).map_err(RecordError::io(&traces, "create"))?;
    let mut progress = AtTheDesk { told: progress, links: links.clone() };
    let opened = match &links {
        Some(links) => Bench::open_recorded(plan, links.clone(), Some(&trace)).await,
        None => Bench::open_what_answers(plan, Some(&trace)).await,
    };
    let ran = match opened {
        Ok((mut bench, failures)) => {
            let mut engine = Engine::new(&sequence, &mut bench, &mut recorder, &mut progress, stop);
            if looks_first {
                engine.look_first();
            }
            Ok(if failures.is_empty() {
                engine.execute().await
            } else {
                engine.give_up(failures).await
            })
        }
        Err(error) => {
            recorder.end_unopened(&error.to_string())?;
            Err(error)
        }
    };
    let difference = links.as_ref().and_then(RecordedLinks::difference);
    let left = match &links {
        Some(links) if difference.is_none() => links.left().await,
        _ => Vec::new(),
    };
    Ok(Again { folder, ran, difference, left })
}
