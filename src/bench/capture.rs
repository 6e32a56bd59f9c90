//! Frames onto the air, and what the scope made of them.

use std::ops::RangeInclusive;

use beamwarden_drivers::instrument::{Inputs, Trace};
use beamwarden_drivers::profile::Role;
use num_complex::Complex32;
use tokio::time::Instant;

use super::door::{Bench, Settled};
use super::error::BenchError;
use super::frame_file::NamedFrame;
use super::knob::{FRAME, KnobValue};
use crate::phy::analyse::AnalysisConfig;
use crate::phy::frame::{Frame, PREAMBLE_CHIPS};
use crate::phy::probe::ProbeConfig;
use crate::phy::recording::Recording;
use crate::record::{CaptureSamples, ChannelScale, FrameRecord};

/// Name of the trace in the source's memory.
const TRACE_NAME: &str = "FRAME";
/// How much longer than the frame a triggered record is: pulse tails, trigger delay, path.
const MARGIN: f64 = 0.02;
/// The shortest such margin in seconds.
const MARGIN_S: f64 = 0.4e-6;
/// Volts of one code that any converter might have, with a very wide margin.
const SCALES_V: RangeInclusive<f64> = 1e-15..=1e15;

/// The frame on the air, without its samples.
#[derive(Clone, Debug)]
pub(super) struct LoadedFrame {
    frame: Frame,
    record: FrameRecord,
    warnings: Vec<String>,
    /// Time of one pass of the waveform.
    duration_s: f64,
}

/// How long a record shall be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Span {
    /// At least one whole frame.
    Frame,
    /// At least one preamble.
    Preamble,
}

/// One acquisition.
#[derive(Clone, Debug, PartialEq)]
pub struct Captured {
    /// The samples, as they came.
    pub traces: Traces,
    /// Samples a second.
    pub sample_rate_hz: f64,
    /// Carrier that stands at 0 Hz, where the bench knows it.
    pub centre_hz: Option<f64>,
    /// When the acquisition began.
    pub taken: Instant,
    /// What speaks against trusting it.
    pub doubts: Vec<String>,
}

/// The samples of both channels, I first.
#[derive(Clone, Debug, PartialEq)]
pub enum Traces {
    /// Codes and what they mean.
    Codes([Vec<i16>; 2], [Scale; 2]),
    /// Volts, of a scope that scales its samples itself.
    Volts([Vec<f32>; 2]),
}

/// What a code means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Volts for one code.
    pub volts_per_code: f64,
    /// Volts at code 0.
    pub offset_v: f64,
    /// Resolution of the converter.
    pub bits: u32,
}

impl Captured {
    /// The samples in volts.
    #[must_use]
    pub fn samples(&self) -> Vec<Complex32> {
        let volts = |code: i16, scale: &Scale| {
            (f64::from(code) * scale.volts_per_code + scale.offset_v) as f32
        };
        match &self.traces {
            Traces::Codes([i, q], [i_scale, q_scale]) => {
                let pairs = i.iter().zip(q);
                pairs.map(|(i, q)| Complex32::new(volts(*i, i_scale), volts(*q, q_scale))).collect()
            }
            Traces::Volts([i, q]) => i.iter().zip(q).map(|(i, q)| Complex32::new(*i, *q)).collect(),
        }
    }

    /// The samples with what the analysis needs to know of them.
    #[must_use]
    pub fn recording<'a>(&self, samples: &'a [Complex32]) -> Recording<'a> {
        let (full_scale, step) = match &self.traces {
            Traces::Codes(_, [scale, _]) => {
                (Some(scale.full_scale_v()), Some(scale.volts_per_code as f32))
            }
            Traces::Volts(_) => (None, None),
        };
        Recording { samples, sample_rate_hz: self.sample_rate_hz, full_scale, step }
    }

    /// Share of the samples of which I or Q is at an end of the converter's range, 0 to 1; `None` where
    /// volts do not tell it.
    #[must_use]
    pub fn clipped_fraction(&self) -> Option<f64> {
        let Traces::Codes([i, q], [i_scale, q_scale]) = &self.traces else { return None };
        let at_end = |code: i16, scale: &Scale| {
            let most = 1i32 << (scale.bits.clamp(1, 31) - 1);
            i32::from(code) <= -most || i32::from(code) >= most - 1
        };
        let clipped = |(i, q): &(&i16, &i16)| at_end(**i, i_scale) || at_end(**q, q_scale);
        let count = i.iter().zip(q).filter(clipped).count();
        Some(count as f64 / i.len().max(1) as f64)
    }

    /// What a probe's powers are relative to, in volts: the largest magnitude of the channel that
    /// carries I, or 1 V where volts do not tell it.
    fn reference_v(&self) -> f32 {
        match &self.traces {
            Traces::Codes(_, [scale, _]) => scale.full_scale_v(),
            Traces::Volts(_) => 1.0,
        }
    }

    /// The samples for the record.
    #[must_use]
    pub fn to_keep(&self) -> CaptureSamples<'_> {
        match &self.traces {
            Traces::Codes([i, q], _) => CaptureSamples::Codes { i, q },
            Traces::Volts([i, q]) => CaptureSamples::Volts { i, q },
        }
    }

    /// The scale of both channels in the record's words; volts stand for themselves.
    #[must_use]
    pub fn channel_scales(&self) -> [ChannelScale; 2] {
        let bits = f32::MANTISSA_DIGITS;
        let volts = Scale { volts_per_code: 1.0, offset_v: 0.0, bits };
        let scales = match &self.traces {
            Traces::Codes(_, scales) => scales,
            Traces::Volts(_) => &[volts; 2],
        };
        let scale = |name: &str, scale: &Scale| ChannelScale {
            name: name.to_string(),
            volts_per_code: scale.volts_per_code,
            offset_v: scale.offset_v,
            bits: scale.bits,
        };
        [scale("CH1", &scales[0]), scale("CH2", &scales[1])]
    }
}

impl Scale {
    /// The largest magnitude, in volts.
    fn full_scale_v(&self) -> f32 {
        // 2 to the power of at most 63: exact in double precision.
        let codes = 2f64.powi(self.bits.clamp(1, 64) as i32 - 1);
        (codes * self.volts_per_code) as f32
    }
}

impl Bench {
    /// Builds, shapes and loads a frame; the source plays it from now on.
    pub(super) async fn load_frame(&mut self, named: &NamedFrame) -> Result<Settled, BenchError> {
        let (source, _) = self.of_role(Role::WaveformSource)?;
        let sample_rate_hz = self.number_of(&format!("{source}.sample_rate")).await?;
        let on_air = self.plan.on_air(named, sample_rate_hz, None)?;
        let codes = on_air.waveform.to_codes();
        self.frame = None;
        self.standing.remove(FRAME);
        let (_, instrument) = self.of_role(Role::WaveformSource)?;
        let inputs = Inputs::none().word("name", TRACE_NAME).iq_samples("waveform", &codes);
        instrument.perform("load waveform", &inputs).await?;
        let value = KnobValue::Frame(Box::new(named.clone()));
        let settled = Settled {
            setting: FRAME.to_string(),
            asked: value.clone(),
            read_back: value,
            matched: true,
            skipped: false,
            at: Instant::now(),
        };
        self.remember(&settled);
        self.frame = Some(LoadedFrame {
            record: on_air.record(),
            warnings: on_air.warnings(),
            duration_s: on_air.waveform.duration_s(),
            frame: on_air.frame,
        });
        Ok(settled)
    }

    /// Symbol rate and roll-off of the frame on the air; the bench's without one.
    fn symbol_rate_and_roll_off(&self) -> (f64, f64) {
        let signal = &self.plan.signal;
        self.frame.as_ref().map_or((signal.symbol_rate_hz, signal.roll_off), |loaded| {
            (loaded.record.symbol_rate_hz, loaded.record.roll_off.unwrap_or(signal.roll_off))
        })
    }

    /// What the analysis of this bench's captures assumes.
    #[must_use]
    pub fn analysis_config(&self) -> AnalysisConfig {
        let (chip_rate_hz, rolloff) = self.symbol_rate_and_roll_off();
        AnalysisConfig { chip_rate_hz, rolloff, ..AnalysisConfig::default() }
    }

    /// What a probe of this bench assumes.
    #[must_use]
    pub fn probe_config(&self, captured: &Captured) -> ProbeConfig {
        let (chip_rate_hz, rolloff) = self.symbol_rate_and_roll_off();
        ProbeConfig { chip_rate_hz, rolloff, full_scale: captured.reference_v() }
    }

    /// The frame on the air, for counting errors against.
    #[must_use]
    pub fn sent(&self) -> Option<&Frame> {
        self.frame.as_ref().map(|loaded| &loaded.frame)
    }

    /// The name of the frame on the air.
    #[must_use]
    pub fn frame_name(&self) -> Option<&str> {
        self.frame.as_ref().map(|loaded| loaded.record.name.as_str())
    }

    /// The frame on the air in the record's words.
    #[must_use]
    pub fn frame_record(&self) -> Option<FrameRecord> {
        self.frame.as_ref().map(|loaded| loaded.record.clone())
    }

    /// What a person should know of the frame on the air: clipping, a level that was not reached.
    #[must_use]
    pub fn frame_warnings(&self) -> &[String] {
        self.frame.as_ref().map_or(&[], |loaded| &loaded.warnings)
    }

    async fn number_of(&mut self, setting: &str) -> Result<f64, BenchError> {
        let value = self.value_of(setting).await?;
        let number = value.as_number().filter(|number| number.is_finite());
        number.ok_or_else(|| BenchError::Nonsense {
            instrument: setting.to_string(),
            message: format!("a number is wanted, it stands at {value}"),
        })
    }

    /// Takes one record of the wanted span on both channels.
    ///
    /// # Errors
    /// When no frame is loaded, or what the scope or its link failed at.
    pub async fn capture(&mut self, span: Span) -> Result<Captured, BenchError> {
        let interval_s = self.set_span(span).await?;
        let (scope, _) = self.of_role(Role::Scope)?;
        let centre_hz = self.centre_hz().await?;
        let (_, instrument) = self.of_role(Role::Scope)?;
        let taken = Instant::now();
        instrument.perform("acquire", &Inputs::none()).await?;
        let mut traces = Vec::with_capacity(2);
        for channel in ["CH1", "CH2"] {
            let inputs = Inputs::none().word("channel", channel);
            let mut performed = instrument.perform("fetch trace", &inputs).await?;
            let fetched = match performed.volts.take() {
                Some(volts) => Some(Fetched::Volts(volts)),
                None => performed.into_trace().map(Fetched::Codes),
            };
            traces.push(fetched.ok_or_else(|| BenchError::Nonsense {
                instrument: scope.clone(),
                message:
                    "its profile's 'fetch trace' yields neither volts nor codes with scale".into(),
            })?);
        }
        let mut captured = assemble(&scope, traces, rate_hz(interval_s), centre_hz, taken)?;
        captured.doubts = self.doubts_of_record(&scope, &captured).await?;
        Ok(captured)
    }

    /// Sets how many points the scope takes, so that its record holds the wanted span; yields the
    /// sample interval in seconds. Whoever notes the settings of a capture does this first: else
    /// the number of points noted is that of the capture before.
    ///
    /// # Errors
    /// When no frame is loaded, or what the scope or its link failed at.
    pub async fn set_span(&mut self, span: Span) -> Result<f64, BenchError> {
        let (scope, _) = self.of_role(Role::Scope)?;
        let interval_s = self.number_of(&format!("{scope}.sample_interval")).await?;
        if interval_s <= 0.0 {
            let message = format!("its sample interval stands at {interval_s} s");
            return Err(BenchError::Nonsense { instrument: scope, message });
        }
        let length_s = self.span_s(&scope, span).await?;
        let points = (length_s / interval_s).ceil().clamp(16.0, 1e15) as i64;
        let points_setting = format!("{scope}.points");
        if self.value_of(&points_setting).await? != KnobValue::Whole(points) {
            self.set_one(&points_setting, &KnobValue::Whole(points)).await?;
        }
        Ok(interval_s)
    }

    /// How long a record must be to hold what is wanted.
    async fn span_s(&mut self, scope: &str, span: Span) -> Result<f64, BenchError> {
        let pass_s = self.frame.as_ref().ok_or(BenchError::NoFrame)?.duration_s;
        let before_s = self.number_of(&format!("{scope}.trigger_offset")).await?.abs();
        let trigger = self.value_of(&format!("{scope}.trigger_source")).await?;
        let wanted_s = match span {
            Span::Frame => pass_s,
            Span::Preamble => PREAMBLE_CHIPS as f64 / self.symbol_rate_and_roll_off().0,
        };
        let wanted_s = wanted_s + (wanted_s * MARGIN).max(MARGIN_S) + before_s;
        // Without the source's marker the frame may begin anywhere within a pass.
        let triggered = trigger == KnobValue::Word("external".into());
        Ok(if triggered { wanted_s } else { wanted_s + pass_s })
    }

    async fn centre_hz(&mut self) -> Result<Option<f64>, BenchError> {
        let Some(setting) = self.plan.signal.channel.as_ref().map(|place| place.text.clone())
        else {
            return Ok(None);
        };
        // IEEE 802.11ad-2012: 56.16 GHz + 2.16 GHz times the channel number.
        Ok(Some(56.16e9 + 2.16e9 * self.number_of(&setting).await?))
    }
}

/// Samples a second for an interval in seconds. What a scope tells in decimals, such as 1.25e-10, is
/// not exact in binary: its inverse misses the whole number of hertz by rounding errors alone.
fn rate_hz(interval_s: f64) -> f64 {
    let rate = 1.0 / interval_s;
    let whole = rate.round();
    if (whole - rate).abs() <= 4.0 * f64::EPSILON * rate { whole } else { rate }
}

/// What the scope sent of one channel.
enum Fetched {
    Codes(Trace),
    Volts(Vec<f32>),
}

fn assemble(
    scope: &str,
    traces: Vec<Fetched>,
    sample_rate_hz: f64,
    centre_hz: Option<f64>,
    taken: Instant,
) -> Result<Captured, BenchError> {
    let nonsense = |message: String| BenchError::Nonsense { instrument: scope.into(), message };
    let two =
        <[Fetched; 2]>::try_from(traces).map_err(|_| nonsense("two channels are wanted".into()));
    let traces = match two? {
        [Fetched::Codes(i), Fetched::Codes(q)] => of_codes(i, q),
        [Fetched::Volts(i), Fetched::Volts(q)] => of_volts(i, q),
        _ => Err("one of its channels sends codes, the other one volts".into()),
    };
    let traces = traces.map_err(nonsense)?;
    Ok(Captured { traces, sample_rate_hz, centre_hz, taken, doubts: Vec::new() })
}

fn check_counts(i: usize, q: usize) -> Result<(), String> {
    if i == q && i > 0 { Ok(()) } else { Err(format!("CH1 has {i} samples and CH2 {q}")) }
}

fn of_codes(i: Trace, q: Trace) -> Result<Traces, String> {
    check_counts(i.codes.len(), q.codes.len())?;
    let scale = |trace: &Trace| Scale {
        volts_per_code: trace.volts_per_code,
        offset_v: trace.offset_volts,
        bits: trace.bits,
    };
    let scales = [scale(&i), scale(&q)];
    // Samples are of single precision; a scale beyond it would make them infinite or all nought.
    let usable = |scale: &Scale| {
        SCALES_V.contains(&scale.volts_per_code.abs()) && scale.offset_v.abs() <= *SCALES_V.end()
    };
    if !scales.iter().all(usable) {
        return Err(format!("the scale of its channels is not usable: {scales:?}"));
    }
    Ok(Traces::Codes([i.codes, q.codes], scales))
}

/// Volts; the numbers that stand for infinity and for no value (SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5)
/// are no samples, and neither is what is no number.
fn of_volts(i: Vec<f32>, q: Vec<f32>) -> Result<Traces, String> {
    check_counts(i.len(), q.len())?;
    for (channel, volts) in [("CH1", &i), ("CH2", &q)] {
        let usable = |volts: &f32| f64::from(volts.abs()) <= *SCALES_V.end();
        if let Some(at) = volts.iter().position(|volts| !usable(volts)) {
            return Err(format!(
                "sample {at} of {channel} is {:e}: beyond its range, or without a value; set a \
                 wider range",
                volts[at]
            ));
        }
    }
    Ok(Traces::Volts([i, q]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_intervals_give_whole_rates() {
        assert_eq!(rate_hz(1.25e-10), 8e9);
        assert_eq!(rate_hz(2e-10), 5e9);
        assert_eq!(rate_hz(1.0 / 3.52e9), 3.52e9);
        assert_eq!(rate_hz(1.0 / 1234.5), 1.0 / (1.0 / 1234.5));
    }

    /// What becomes of two channels with these samples and volts a code.
    #[track_caller]
    fn check(samples: [usize; 2], volts_per_code: f64, expected: Result<(), &str>) {
        let trace =
            |count| Trace { codes: vec![1; count], volts_per_code, offset_volts: 0.0, bits: 10 };
        let traces = samples.map(|count| Fetched::Codes(trace(count))).into();
        let outcome = assemble("scope", traces, 1e9, None, Instant::now());
        let outcome = outcome.map(|_| ()).map_err(|error| error.to_string());
        match (outcome, expected) {
            (Ok(()), Ok(())) => {}
            (Err(error), Err(part)) if error.contains(part) => {}
            (outcome, _) => panic!("{outcome:?}"),
        }
    }

    #[tokio::test]
    async fn nonsense_of_a_scope_is_told_as_such() {
        check([4, 4], -1e-3, Ok(()));
        check([4, 3], 1e-3, Err("CH1 has 4 samples and CH2 3"));
        check([0, 0], 1e-3, Err("CH1 has 0 samples"));
        for volts_per_code in [0.0, 1e300, f64::NAN, f64::INFINITY] {
            check([4, 4], volts_per_code, Err("scale of its channels is not usable"));
        }
    }

    /// What becomes of two channels that send volts.
    #[track_caller]
    fn check_volts(i: &[f32], q: &[f32], expected: Result<(), &str>) {
        let traces = vec![Fetched::Volts(i.to_vec()), Fetched::Volts(q.to_vec())];
        let outcome = assemble("scope", traces, 1e9, None, Instant::now());
        match (outcome.map_err(|error| error.to_string()), expected) {
            (Ok(captured), Ok(())) => {
                let pairs = i.iter().zip(q).map(|(i, q)| Complex32::new(*i, *q));
                assert_eq!(captured.samples(), pairs.collect::<Vec<_>>());
                let scale = &captured.channel_scales()[1];
                assert_eq!((scale.volts_per_code, scale.offset_v), (1.0, 0.0));
            }
            (Err(error), Err(part)) if error.contains(part) => {}
            (outcome, _) => panic!("{outcome:?}"),
        }
    }

    /// Flags of SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5, as single-precision floats.
    #[tokio::test]
    async fn volts_are_taken_as_they_are_and_flags_are_none() {
        check_volts(&[0.125, -3.0], &[0.0, 1e-9], Ok(()));
        check_volts(&[0.1], &[0.1, 0.2], Err("CH1 has 1 samples and CH2 2"));
        check_volts(&[], &[], Err("CH1 has 0 samples"));
        for flag in [9.9e37, -9.9e37, 9.91e37, f32::NAN, f32::INFINITY] {
            check_volts(&[0.1, 0.2], &[0.1, flag], Err("sample 1 of CH2 is"));
        }
        let trace = Trace { codes: vec![1], volts_per_code: 1.0, offset_volts: 0.0, bits: 10 };
        let mixed = vec![Fetched::Codes(trace), Fetched::Volts(vec![1.0])];
        let error = assemble("scope", mixed, 1e9, None, Instant::now()).unwrap_err();
        assert!(error.to_string().contains("one of its channels sends codes"), "{error}");
    }
}
