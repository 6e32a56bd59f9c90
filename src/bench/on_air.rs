//! From a frame to what the source plays: built, shaped for the source, levelled.
//!
//! Reaches no instrument, so that a frame can be looked at without a bench.

use super::error::BenchError;
use super::frame_file::NamedFrame;
use super::plan::BenchPlan;
use crate::phy::frame::{self, Frame, FrameKind, FrameReport, Payload};
use crate::phy::waveform::{BOOST_DB_MAX, ShapeConfig, Waveform, shape};
use crate::record::{FrameRecord, sha256_hex};

/// Level of every frame in the source's memory unless the bench file says otherwise, rms relative to
/// full scale of one axis: frames are compared at equal power, and the shipped ones have peaks below
/// full scale at this level.
pub const FRAME_RMS_DBFS: f64 = -6.0;
/// Power folded back into the band above which a waveform is worth a warning: 40 dB below it.
const FOLDED_FRACTION_MAX: f64 = 1e-4;

/// A frame ready to be loaded into a source.
#[derive(Clone, Debug)]
pub struct OnAir {
    /// What was asked for.
    pub named: NamedFrame,
    /// The frame.
    pub frame: Frame,
    /// One pass of it.
    pub waveform: Waveform,
    /// Symbols a second.
    pub symbol_rate_hz: f64,
    /// Roll-off of the root-raised-cosine.
    pub roll_off: f64,
    /// Rms level that was wanted, relative to full scale of one axis.
    pub wanted_rms_dbfs: f64,
    /// Rms level in the source's memory, relative to full scale of one axis.
    pub rms_dbfs: f64,
}

impl BenchPlan {
    /// Builds, shapes and levels a frame for a source of the given sample rate. A level that is asked
    /// for, here or in the bench file, is reached even if peaks are clipped; without one the level
    /// is lowered where a peak would pass full scale.
    ///
    /// # Errors
    /// When the frame cannot be built or shaped.
    pub fn on_air(
        &self,
        named: &NamedFrame,
        sample_rate_hz: f64,
        rms_dbfs: Option<f64>,
    ) -> Result<OnAir, BenchError> {
        let (symbol_rate_hz, roll_off) = self.symbol_rate_and_roll_off(named);
        let frame = frame::build(&named.spec)?;
        let config = ShapeConfig {
            chip_rate_hz: symbol_rate_hz,
            sample_rate_hz,
            rolloff: roll_off,
            correction: self.correction.as_ref().map(|(_, response)| response.clone()),
            ..ShapeConfig::default()
        };
        let mut waveform = shape(&frame.chips, &config)?;
        let asked = rms_dbfs.or(self.signal.level_dbfs);
        let reached = match asked {
            Some(rms_dbfs) => waveform.drive_to(rms_dbfs),
            None => waveform.level_to(FRAME_RMS_DBFS),
        };
        Ok(OnAir {
            named: named.clone(),
            frame,
            waveform,
            symbol_rate_hz,
            roll_off,
            wanted_rms_dbfs: asked.unwrap_or(FRAME_RMS_DBFS),
            rms_dbfs: reached,
        })
    }

    /// The frame's own symbol rate and roll-off, or the bench's.
    #[must_use]
    pub fn symbol_rate_and_roll_off(&self, named: &NamedFrame) -> (f64, f64) {
        (
            named.symbol_rate_hz.unwrap_or(self.signal.symbol_rate_hz),
            named.roll_off.unwrap_or(self.signal.roll_off),
        )
    }
}

impl OnAir {
    /// Data rate, duration and sizes at the symbol rate of this bench.
    #[must_use]
    pub fn report(&self) -> FrameReport {
        self.frame.report_at(self.symbol_rate_hz)
    }

    /// What a person should know before trusting the waveform; nothing when all is well.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let name = &self.named.name;
        let waveform = &self.waveform;
        let mut warnings = Vec::new();
        if waveform.clipped_fraction > 0.0 {
            let share = 100.0 * waveform.clipped_fraction;
            warnings.push(format!(
                "{name}: {share:.2} % of the samples are clipped at {:.1} dB of full scale; ask for \
                 a lower level",
                self.wanted_rms_dbfs
            ));
        } else if self.rms_dbfs < self.wanted_rms_dbfs - 0.005 {
            warnings.push(format!(
                "{name}: its peaks allow {:.1} dB of full scale only, not {:.1} dB; it radiates less \
                 than the other frames",
                self.rms_dbfs, self.wanted_rms_dbfs
            ));
        }
        if waveform.folded_fraction > FOLDED_FRACTION_MAX {
            let folded_db = 10.0 * waveform.folded_fraction.log10();
            warnings.push(format!(
                "{name}: the sample rate is too low for the roll-off; {folded_db:.0} dB of the power \
                 folds back into the band"
            ));
        }
        if let Some(correction) = &waveform.correction {
            if correction.spread_db > BOOST_DB_MAX {
                warnings.push(format!(
                    "{name}: the response varies by {:.1} dB over the band, corrected by at most \
                     {BOOST_DB_MAX} dB",
                    correction.spread_db
                ));
            }
            if !correction.covers_band {
                warnings.push(format!(
                    "{name}: the response was not measured over the whole band; its ends are held"
                ));
            }
        }
        warnings
    }

    /// The frame in the record's words.
    #[must_use]
    pub fn record(&self) -> FrameRecord {
        let (generator, seed) = match &self.named.spec.payload {
            Payload::Prbs { order, seed, .. } => (Some(order.to_string()), Some(u64::from(*seed))),
            Payload::Octets(_) => (None, None),
        };
        let code = match self.named.spec.kind {
            FrameKind::Uncoded { .. } => None,
            FrameKind::Dmg { mcs } => Some(format!("LDPC 672, rate {}", mcs.code_rate())),
        };
        let report = self.report();
        FrameRecord {
            name: self.named.name.clone(),
            modulation: format!("pi/2-{}", self.frame.layout.constellation),
            code,
            symbol_rate_hz: self.symbol_rate_hz,
            roll_off: Some(self.roll_off),
            payload_bits: Some(8 * self.frame.psdu.len() as u64),
            payload_generator: generator,
            payload_seed: seed,
            payload_sha256: Some(sha256_hex(&self.frame.psdu)),
            rms_dbfs: Some(self.rms_dbfs),
            crest_factor_db: Some(self.waveform.crest_factor_db),
            clipped_fraction: Some(self.waveform.clipped_fraction),
            data_rate_bps: Some(report.data_rate_bps),
            duration_s: Some(report.duration_s),
            blocks: Some(report.blocks as u64),
            correction_db: self.waveform.correction.map(|correction| correction.boost_db),
        }
    }
}
