//! A measurement: captures until enough bits or errors were seen, their figures together, and the
//! expectations held against them.

use super::combine::combine;
use super::engine::Engine;
use super::error::RunError;
use super::progress::ProgressEvent;
use super::recorder::axis_values;
use super::translate::{figures_of, fill_curves};
use crate::bench::{Captured, Span};
use crate::phy::analyse::{Analysis, Expected, analyse_with};
use crate::record::{
    self, Analysis as AnalysisFile, CaptureNo, CaptureRecord, Event,
    Expectation as ExpectationRecord, Figure, MeasurementDone, RecordedValue, Value,
};
use crate::sequence::{Expectation, Measure, Verdict};
use crate::threads::{Cores, beside};

/// Version of the analysis as the record names it.
const ANALYSIS_VERSION: &str = env!("CARGO_PKG_VERSION");

/// What a measurement found.
#[derive(Clone, Debug)]
pub struct Measurement {
    /// Its label.
    pub label: Option<String>,
    /// The point it belongs to.
    pub point: Option<u64>,
    /// The frame that was on the air.
    pub frame: String,
    /// Its captures.
    pub captures: Vec<CaptureNo>,
    /// Their figures together.
    pub figures: Vec<Figure>,
    /// The expectations and how they came out.
    pub expectations: Vec<Expectation>,
    /// One verdict an expectation.
    pub verdicts: Vec<Verdict>,
}

impl Engine<'_> {
    /// Captures until enough was seen.
    pub(super) async fn measure(
        &mut self,
        measure: &Measure,
        place: &str,
    ) -> Result<Measurement, RunError> {
        let point = self.point;
        let mut captures = Vec::new();
        let mut figures: Vec<Vec<Figure>> = Vec::new();
        let (mut bits, mut bit_errors) = (0, 0);
        while !measure.until.reached(bits, bit_errors, captures.len() as u64) {
            if self.stopping() {
                return Err(RunError::Stopped);
            }
            let (capture, found) = self.capture(measure, place).await?;
            bits += count_of(&found, "bits");
            bit_errors += count_of(&found, "bit_errors");
            captures.push(capture);
            figures.push(found);
            self.progress.take(ProgressEvent::Measuring {
                label: measure.label.as_deref(),
                captures: captures.len() as u64,
                bits,
            });
        }
        let figures = combine(&figures);
        let frame = self.bench.frame_name().unwrap_or_default().to_string();
        self.recorder.write(Event::Measurement(MeasurementDone {
            label: measure.label.clone(),
            point,
            frame: Some(frame.clone()),
            captures: captures.clone(),
            figures: figures.clone(),
        }))?;
        let verdicts = self.judge(measure, &figures, captures.last().copied(), point)?;
        self.progress.take(ProgressEvent::Measured {
            label: measure.label.as_deref(),
            frame: &frame,
            figures: &figures,
            passed: (!verdicts.is_empty()).then(|| verdicts.iter().all(|v| v.passed)),
        });
        let expectations = measure.expect.clone();
        let label = measure.label.clone();
        Ok(Measurement { label, point, frame, captures, figures, expectations, verdicts })
    }

    /// One capture: snapshot, acquisition, analysis, record.
    async fn capture(
        &mut self,
        measure: &Measure,
        place: &str,
    ) -> Result<(CaptureNo, Vec<Figure>), RunError> {
        let bench = |error| RunError::bench(place, error);
        self.bench.set_span(Span::Frame).await.map_err(bench)?;
        let mut snapshot = self.bench.snapshot().await.map_err(bench)?;
        let readings = self.bench.readings().await.map_err(bench)?;
        let captured = self.bench.capture(Span::Frame).await.map_err(bench)?;
        let moved = self.bench.confirm(&mut snapshot, &readings).await.map_err(bench)?;
        let number = self.recorder.next_capture();
        let doubts: Vec<String> = captured.doubts.iter().cloned().chain(moved).collect();
        for doubt in &doubts {
            self.warn(format!("capture {number} is doubtful: {doubt}"))?;
        }
        let record = measure.keep_captures.then(|| CaptureRecord {
            capture: number,
            label: measure.label.clone(),
            taken_at: self.recorder.time(captured.taken),
            sample_rate_hz: captured.sample_rate_hz,
            centre_hz: captured.centre_hz,
            channels: captured.channel_scales(),
            point: self.point,
            step: Some(place.to_string()),
            position: axis_values(&self.position),
            settings: self.recorder.settings(&snapshot, captured.taken),
            readings: self.recorder.readings(&readings),
            frame: self.bench.frame_record(),
            beams: self.bench.beam_records(&snapshot),
            provenance: self.recorder.provenance().clone(),
            doubts,
        });
        // The disk takes its time; the analysis goes on meanwhile.
        let recorder = &*self.recorder;
        let keep = || record.map(|it| recorder.keep(&it, captured.to_keep()));
        let (kept, analysis) = beside(keep, || self.analyse(&captured, place));
        if let Some(taken) = kept.transpose()? {
            self.recorder.capture(taken)?;
        } else {
            self.recorder.unkept(captured.to_keep())?;
        }
        let analysis = analysis?;
        let figures = figures_of(&analysis);
        let mut file = AnalysisFile::new(number, ANALYSIS_VERSION, figures.clone());
        file.label = measure.label.clone();
        file.point = self.point;
        fill_curves(&mut file, &analysis);
        self.recorder.analysis(&file)?;
        Ok((number, figures))
    }

    fn analyse(&self, captured: &Captured, place: &str) -> Result<Analysis, RunError> {
        let samples = captured.samples();
        let recording = captured.recording(&samples);
        let config = self.bench.analysis_config();
        let sent = self.bench.sent();
        let expected = sent.map_or_else(Expected::dmg, Expected::frame);
        analyse_with(&Cores, &recording, &expected, &config)
            .map_err(|source| RunError::Analysis { place: place.to_string(), source })
    }

    fn judge(
        &mut self,
        measure: &Measure,
        figures: &[Figure],
        capture: Option<CaptureNo>,
        point: Option<u64>,
    ) -> Result<Vec<Verdict>, RunError> {
        // A frame that was lost took its errors with it: what is left proves no bound.
        let lost =
            figures.iter().any(|f| f.name == "detected" && f.value == Some(Value::Switch(false)));
        let lookup = |key: &str| record::figure(figures, key).filter(|_| !lost);
        let mut verdicts = Vec::new();
        for expectation in &measure.expect {
            let verdict = expectation.judge(lookup);
            let unit = expectation.figure.dimension.base_unit();
            let measured = verdict.measured.map(|value| match unit {
                "" => RecordedValue::plain(value),
                unit => RecordedValue::number(value, unit),
            });
            self.recorder.write(Event::Expectation(ExpectationRecord {
                capture,
                point,
                figure: expectation.figure.key.to_string(),
                wanted: expectation.to_string(),
                measured,
                passed: verdict.passed,
            }))?;
            verdicts.push(verdict);
        }
        Ok(verdicts)
    }
}

fn count_of(figures: &[Figure], name: &str) -> u64 {
    match figures.iter().find(|figure| figure.name == name).and_then(|f| f.value.as_ref()) {
        Some(Value::Count(count)) => *count,
        _ => 0,
    }
}
