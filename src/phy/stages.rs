//! The receiver's stages one by one, for benchmarks: each is run on its own, on what the stages before
//! it have found. Nothing else uses this.

use std::hint::black_box;

use num_complex::Complex32;

use super::analyse::{AnalysisConfig, AnalysisError};
use super::equaliser::Transforms;
use super::frame::{Frame, FrameLayout};
use super::frontend::{FrontEnd, Impairments, Timing};
use super::mcs::BLOCK_CHIPS;
use super::pulse::RootRaisedCosine;
use super::receiver::{Corrections, Exploration, FrameState, Receiver, Tuned, explored};
use super::reception;
use super::recording::Recording;
use super::survey::{Survey, survey};
use super::sync;
use super::workers::Workers;

/// Names of the stages, in their order.
pub const NAMES: [&str; 7] =
    ["survey", "find and align", "set up", "look at blocks", "resample", "equalise", "decide"];

/// A capture of one frame that begins near its first sample, and the stages over it.
pub struct Stages<'a> {
    recording: Recording<'a>,
    samples_per_chip: f64,
    pulse: RootRaisedCosine,
    layout: FrameLayout,
    config: AnalysisConfig,
    survey: Survey,
}

impl<'a> Stages<'a> {
    /// Prepares the stages for a capture of `frame`.
    ///
    /// # Errors
    /// As [`super::analyse::analyse`].
    pub fn new(
        recording: Recording<'a>,
        frame: &Frame,
        workers: &dyn Workers,
    ) -> Result<Self, AnalysisError> {
        let config = AnalysisConfig::default();
        let pulse = RootRaisedCosine::new(config.rolloff)?;
        let samples_per_chip = recording.samples_per_chip(config.chip_rate_hz)?;
        let survey = survey(&recording, samples_per_chip, workers)?;
        Ok(Self { recording, samples_per_chip, pulse, layout: frame.layout, config, survey })
    }

    /// Runs every stage once; `measure` is given each one's name and its work, and runs it. `None`
    /// when there is no frame in the capture.
    pub fn each(
        &self,
        workers: &dyn Workers,
        mut measure: impl FnMut(&'static str, &mut dyn FnMut()),
    ) -> Option<()> {
        let Survey { levels, stretches } = &self.survey;
        let [first, second, third, fourth, fifth, sixth, seventh] = NAMES;
        measure(first, &mut || drop(survey(&self.recording, self.samples_per_chip, workers)));
        let wrong = Impairments { dc: levels.mean, ..Impairments::default() };
        let front_end = self.front_end(self.pulse.half_span_symbols());
        let mut aligned = None;
        measure(second, &mut || {
            let coarse = self.front_end(6);
            let found = stretches.iter().flat_map(|s| sync::find(&coarse, &wrong, s.clone()));
            aligned = found.map(|found| sync::align(&front_end, &wrong, &found)).next();
        });
        let aligned = aligned?;
        let state = FrameState {
            wrong: Impairments { cfo: aligned.cfo, ..wrong },
            timing: Timing { start: aligned.start, drift: 0.0 },
        };
        let receiver = self.receiver(&front_end);
        let mut tuned = None;
        measure(third, &mut || {
            drop(self.front_end(self.pulse.half_span_symbols()));
            tuned = Tuned::new(&receiver, state);
        });
        let tuned = tuned?;
        measure(fourth, &mut || {
            black_box(self.look(&receiver, state).map(|look| look.improved(workers)));
        });
        measure(fifth, &mut || {
            let mut block = tuned.workspace();
            for n in 0..self.layout.data_blocks {
                tuned.sample(self.layout.data_start() + n * BLOCK_CHIPS, 0.0, &mut block);
            }
        });
        let mut received = (Vec::new(), Vec::new());
        measure(sixth, &mut || received = reception::equalise(&tuned, &self.layout, workers));
        let (symbols, phases): (Vec<Complex32>, Vec<f64>) = received;
        measure(seventh, &mut || {
            let (symbols, phases) = (symbols.clone(), phases.clone());
            drop(reception::decide(symbols, phases, true, self.layout.constellation, workers));
        });
        Some(())
    }

    fn look<'r>(&self, receiver: &'r Receiver<'r>, state: FrameState) -> Option<Exploration<'r>> {
        let mut look = Exploration::begin(receiver, state)?;
        for n in explored(self.layout.data_blocks) {
            look.block(self.layout.data_start() + n * BLOCK_CHIPS, self.layout.constellation);
        }
        Some(look)
    }

    fn front_end(&self, half_span: usize) -> FrontEnd<'_> {
        let levels = &self.survey.levels;
        let interpolator = FrontEnd::interpolator_for(self.samples_per_chip, self.pulse);
        let (samples, rate) = (self.recording.samples, self.samples_per_chip);
        FrontEnd::new(samples, rate, levels, self.pulse, half_span, interpolator)
    }

    fn receiver<'r>(&self, front_end: &'r FrontEnd<'r>) -> Receiver<'r> {
        Receiver {
            front_end,
            pulse: self.pulse,
            transforms: Transforms::new(),
            corrections: Corrections::of(&self.config),
        }
    }
}
