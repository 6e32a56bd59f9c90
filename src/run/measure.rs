//! A measurement: captures until enough bits or errors were seen, their figures together, and the
//! expectations held against them.

use super::combine::{combine, spread};
use super::engine::Engine;
use super::error::RunError;
use super::preflight::CLIPPED_MAX;
use super::progress::ProgressEvent;
use super::recorder::axis_values;
use super::sequential::{Decided, decide, is_within};
use super::translate::{figures_of, fill_curves};
use tokio::time::Instant;

use crate::bench::policy::Then;
use crate::bench::{Captured, Span};
use crate::phy::analyse::{Analysis, Expected, analyse_with};
use crate::record::{
    self, Analysis as AnalysisFile, CaptureNo, CaptureRecord, Event,
    Expectation as ExpectationRecord, Figure, MeasurementDone, RecordedValue, Value,
};
use crate::sequence::{Expectation, FRUITLESS_CAPTURES_MAX, Measure, Until, Verdict};
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
    /// One verdict an expectation; none passes when there are doubts.
    pub verdicts: Vec<Verdict>,
    /// What speaks against trusting it.
    pub doubts: Vec<String>,
}

/// What is known of the last measurement, for expressions and expectations.
#[derive(Clone, Debug, Default)]
pub(super) struct LastMeasured {
    /// Its figures.
    pub figures: Vec<Figure>,
    /// Its last capture.
    pub capture: Option<CaptureNo>,
    /// Whether something speaks against trusting it.
    pub is_doubtful: bool,
}

impl LastMeasured {
    /// Whether there was a measurement, and a frame in each of its captures.
    pub(super) fn has_found(&self) -> bool {
        let detected = self.figures.iter().find(|figure| figure.name == "detected");
        detected.is_some_and(|figure| figure.value == Some(Value::Switch(true)))
    }
}

/// What one capture brought.
struct Taken {
    number: CaptureNo,
    figures: Vec<Figure>,
    doubts: Vec<String>,
    /// Whether the record itself is not the one that was asked for.
    is_another_record: bool,
}

/// What the captures of a measurement brought so far.
#[derive(Default)]
struct Gathered {
    captures: Vec<CaptureNo>,
    /// Of the captures that count.
    figures: Vec<Vec<Figure>>,
    /// Of those that do not, for want of better ones.
    left_out: Vec<Vec<Figure>>,
    doubts: Vec<String>,
    bits: u64,
    bit_errors: u64,
    /// Captures in a row that brought nothing.
    fruitless: u64,
}

impl Gathered {
    /// Adds a capture. A record that is not the one that was asked for tells nothing of the settings
    /// beside it: it is kept, and does not count.
    fn add(&mut self, taken: Taken) {
        let Taken { number, figures, doubts, is_another_record } = taken;
        let bits = if is_another_record { 0 } else { count_of(&figures, "bits") };
        self.captures.push(number);
        self.doubts.extend(doubts.into_iter().map(|doubt| format!("capture {number}: {doubt}")));
        self.bits += bits;
        self.fruitless = if bits == 0 { self.fruitless + 1 } else { 0 };
        if is_another_record {
            self.left_out.push(figures);
        } else {
            self.bit_errors += count_of(&figures, "bit_errors");
            self.figures.push(figures);
        }
    }

    /// Whether enough was seen. Rates are judged by rules that may be asked after every capture.
    fn is_enough(&self, until: &Until, began: Instant) -> bool {
        let decided = |target| decide(self.bit_errors, self.bits, target) != Decided::Open;
        until.reached(self.bits, self.bit_errors, self.captures.len() as u64)
            || until.ber_below.is_some_and(decided)
            || until.ber_within.is_some_and(|ratio| is_within(self.bit_errors, self.bits, ratio))
            || until.time.is_some_and(|time| began.elapsed() >= time && !self.captures.is_empty())
    }

    /// The figures of all captures that count together.
    fn combined(&self) -> Vec<Figure> {
        combine(if self.figures.is_empty() { &self.left_out } else { &self.figures })
    }
}

impl Engine<'_> {
    /// Captures until enough was seen.
    pub(super) async fn measure(
        &mut self,
        measure: &Measure,
        place: &str,
    ) -> Result<Measurement, RunError> {
        let point = self.point;
        self.tell_axes_elsewhere(place)?;
        let mut seen = Gathered::default();
        let began = Instant::now();
        while !seen.is_enough(&measure.until, began) {
            if self.stopping() {
                return Err(RunError::Stopped);
            }
            if seen.fruitless >= FRUITLESS_CAPTURES_MAX {
                self.give_measurement_up(&mut seen)?;
                break;
            }
            seen.add(self.sound_capture(measure, place).await?);
            self.progress.take(ProgressEvent::Measuring {
                label: measure.label.as_deref(),
                captures: seen.captures.len() as u64,
                bits: seen.bits,
            });
        }
        let figures = seen.combined();
        let spread = spread(&seen.figures);
        let Gathered { captures, doubts, .. } = seen;
        let frame = self.bench.frame_name().unwrap_or_default().to_string();
        self.recorder.write(Event::Measurement(MeasurementDone {
            label: measure.label.clone(),
            point,
            frame: Some(frame.clone()),
            captures: captures.clone(),
            figures: figures.clone(),
            spread,
            doubts: doubts.clone(),
        }))?;
        let (capture, is_doubtful) = (captures.last().copied(), !doubts.is_empty());
        self.last = LastMeasured { figures: figures.clone(), capture, is_doubtful };
        let last = self.last.clone();
        let verdicts = self.judge(&measure.expect, &last)?;
        self.progress.take(ProgressEvent::Measured {
            label: measure.label.as_deref(),
            frame: &frame,
            figures: &figures,
            passed: (!verdicts.is_empty()).then(|| verdicts.iter().all(|v| v.passed)),
        });
        let expectations = measure.expect.clone();
        let label = measure.label.clone();
        Ok(Measurement { label, point, frame, captures, figures, expectations, verdicts, doubts })
    }

    /// Ends a measurement that brings nothing any more, so that a lost link does not fill the disk.
    fn give_measurement_up(&mut self, seen: &mut Gathered) -> Result<(), RunError> {
        let what = format!(
            "ended after {} captures, the last {} of which brought no bit",
            seen.captures.len(),
            seen.fruitless
        );
        self.warn(format!("the measurement {what}; look for a lost link or lock"))?;
        seen.doubts.push(what);
        Ok(())
    }

    /// A capture, as often as the policy has it while something speaks against trusting it. A doubtful one
    /// stays in the record and does not count, unless the run is to go on with it.
    async fn sound_capture(&mut self, measure: &Measure, place: &str) -> Result<Taken, RunError> {
        let policy = self.policy.doubt;
        if policy.retries == 0 && policy.then == Then::GoOn {
            let taken = self.persist(place, async |engine| engine.capture(measure, place).await);
            return taken.await;
        }
        let mut last = None;
        let taken = self.persist(place, async |engine| {
            let taken = engine.capture(measure, place).await?;
            if taken.doubts.is_empty() {
                return Ok(taken);
            }
            let what = format!("capture {} is doubtful: {}", taken.number, taken.doubts.join(", "));
            last = Some(taken);
            Err(RunError::Doubtful { place: place.to_string(), what })
        });
        match (taken.await, last) {
            (Err(error @ RunError::Doubtful { .. }), Some(taken)) if policy.then == Then::GoOn => {
                self.tell_failure(&error, policy.retries + 1, record::Remedy::WentOn, None)?;
                Ok(taken)
            }
            (taken, _) => taken,
        }
    }

    /// One capture: snapshot, acquisition, analysis, record.
    async fn capture(&mut self, measure: &Measure, place: &str) -> Result<Taken, RunError> {
        let bench = |error| RunError::bench(place, error);
        self.bench.set_span(Span::Frame).await.map_err(bench)?;
        let mut snapshot = self.bench.snapshot().await.map_err(bench)?;
        self.bench.refuse_beyond_limits(&snapshot).map_err(bench)?;
        let readings = self.bench.readings().await.map_err(bench)?;
        self.look_around().await?;
        let captured = self.bench.capture(Span::Frame).await.map_err(bench)?;
        self.look_around().await?;
        let moved = self.bench.confirm(&mut snapshot, &readings).await.map_err(bench)?;
        let limits_kept = self.bench.refuse_beyond_limits(&snapshot).map_err(bench);
        let number = self.recorder.next_capture();
        let is_another_record = !captured.doubts.is_empty();
        let doubts: Vec<String> =
            captured.doubts.iter().cloned().chain(clipping(&captured)).chain(moved).collect();
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
            doubts: doubts.clone(),
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
        // The capture that shows it is in the record; nothing comes after it.
        limits_kept?;
        let analysis = analysis?;
        let figures = figures_of(&analysis);
        let mut file = AnalysisFile::new(number, ANALYSIS_VERSION, figures.clone());
        file.label = measure.label.clone();
        file.point = self.point;
        fill_curves(&mut file, &analysis);
        self.recorder.analysis(&file)?;
        Ok(Taken { number, figures, doubts, is_another_record })
    }

    pub(super) fn analyse(&self, captured: &Captured, place: &str) -> Result<Analysis, RunError> {
        let samples = captured.samples();
        let recording = captured.recording(&samples);
        let config = self.bench.analysis_config();
        let sent = self.bench.sent();
        let expected = sent.map_or_else(Expected::dmg, Expected::frame);
        analyse_with(&Cores, &recording, &expected, &config)
            .map_err(|source| RunError::Analysis { place: place.to_string(), source })
    }

    /// Holds bounds against the figures of a measurement, and counts those that do not hold.
    pub(super) fn judge(
        &mut self,
        expectations: &[Expectation],
        measured: &LastMeasured,
    ) -> Result<Vec<Verdict>, RunError> {
        let LastMeasured { figures, capture, is_doubtful } = measured;
        let point = self.point;
        // A frame that was lost took its errors with it: what is left proves no bound.
        let lost =
            figures.iter().any(|f| f.name == "detected" && f.value == Some(Value::Switch(false)));
        let lookup = |key: &str| record::figure(figures, key).filter(|_| !lost);
        let mut verdicts = Vec::new();
        for expectation in expectations {
            let mut verdict = expectation.judge(lookup);
            // What nobody can vouch for proves no bound either.
            verdict.passed &= !is_doubtful;
            let unit = expectation.figure.dimension.base_unit();
            let measured = verdict.measured.map(|value| match unit {
                "" => RecordedValue::plain(value),
                unit => RecordedValue::number(value, unit),
            });
            self.tally.expectations_failed += u64::from(!verdict.passed);
            self.recorder.write(Event::Expectation(ExpectationRecord {
                capture: *capture,
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

/// What speaks against a capture of which too much is at the converter's ends. It is the record that was
/// asked for, so that it counts where the run goes on with it.
fn clipping(captured: &Captured) -> Option<String> {
    let share = captured.clipped_fraction().filter(|share| *share > CLIPPED_MAX)?;
    Some(format!(
        "{:.1} % of its samples are at the converter's ends, more than {} %; take a larger range of the \
         scope, or less gain",
        share * 100.0,
        CLIPPED_MAX * 100.0
    ))
}

fn count_of(figures: &[Figure], name: &str) -> u64 {
    match figures.iter().find(|figure| figure.name == name).and_then(|f| f.value.as_ref()) {
        Some(Value::Count(count)) => *count,
        _ => 0,
    }
}
