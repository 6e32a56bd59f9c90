//! Where the beams point: the weights that differ from what stands there, written together.
//!
//! Knows which settings hold weights; nothing of registers and messages.

use beamwarden_drivers::quantity::{Dimension, Quantity};
use tokio::time::Instant;

use super::door::{Bench, Settled, Standing};
use super::error::BenchError;
use super::knob::{BEAM_RX, BEAM_TX, KnobValue};
use super::plan::weight_setting;
use crate::beam::Codebook;
use crate::record::BeamRecord;

/// Where the beams point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Steering {
    tx_deg: f64,
    rx_deg: f64,
}

impl Bench {
    /// Points one array's beam: writes the phase codes that differ from what stands there, all of them
    /// together. Searches come here without [`Bench::set`], so the limits of the beam are checked here
    /// too.
    ///
    /// # Errors
    /// As [`Bench::set`].
    pub async fn steer(&mut self, beam: &str, angle_deg: f64) -> Result<Vec<Settled>, BenchError> {
        let angle = KnobValue::Number(Quantity { value: angle_deg, dimension: Dimension::Angle });
        self.plan.knobs().get(beam)?.check(&angle)?;
        let (tx, rx) = self.plan.arrays.as_ref().ok_or(BenchError::NoArrays)?;
        let array = if beam == BEAM_TX { tx } else { rx };
        let weights = array.weights.text.clone();
        let codes = array.geometry.steer(angle_deg).into_iter().enumerate();
        let wanted: Vec<(String, KnobValue)> = codes
            .map(|(n, code)| (weight_setting(&weights, n), KnobValue::Whole(i64::from(code))))
            .collect();
        self.standing.remove(beam);
        let mut settled = self.set_what_differs(&wanted).await?;
        if self.forget_what_was_lost() {
            // Meanwhile the chip may have restarted: what was left out stands no more.
            settled = self.set_what_differs(&wanted).await?;
        }
        let beam = Settled {
            setting: beam.to_string(),
            asked: angle.clone(),
            read_back: angle,
            matched: settled.iter().all(|one| one.matched),
            skipped: settled.is_empty(),
            at: Instant::now(),
        };
        match beam.setting.as_str() {
            BEAM_TX => self.steering.tx_deg = angle_deg,
            _ => self.steering.rx_deg = angle_deg,
        }
        self.remember(&beam);
        settled.insert(0, beam);
        Ok(settled)
    }

    async fn set_what_differs(
        &mut self,
        wanted: &[(String, KnobValue)],
    ) -> Result<Vec<Settled>, BenchError> {
        self.forget_what_was_lost();
        let stands = |(setting, value): &&(String, KnobValue)| {
            let known = self.standing.get(setting).filter(|_| !self.unsure.contains(setting));
            known.is_some_and(|standing| standing.read_back == *value)
        };
        let differing: Vec<_> = wanted.iter().filter(|one| !stands(one)).cloned().collect();
        self.set_together(&differing).await
    }

    /// A beam whose weights were set otherwise is where nobody knows.
    pub(super) fn forget_beam_of(&mut self, setting: &str) {
        let Some((tx, rx)) = &self.plan.arrays else { return };
        for (beam, array) in [(BEAM_TX, tx), (BEAM_RX, rx)] {
            if setting.strip_prefix(&array.weights.text).is_some_and(|rest| rest.starts_with('.')) {
                self.standing.remove(beam);
            }
        }
    }

    /// Both codebooks, transmitter first.
    ///
    /// # Errors
    /// When the bench has no arrays.
    pub fn codebooks(&self) -> Result<(Codebook, Codebook), BenchError> {
        let (tx, rx) = self.plan.arrays.as_ref().ok_or(BenchError::NoArrays)?;
        Ok((tx.codebook.clone(), rx.codebook.clone()))
    }

    /// Where the beams were last pointed, transmitter first, in degrees; broadside at first.
    #[must_use]
    pub fn steering(&self) -> (f64, f64) {
        (self.steering.tx_deg, self.steering.rx_deg)
    }

    /// The weights of both arrays as a snapshot shows them, for the record.
    #[must_use]
    pub fn beam_records(&self, snapshot: &[Standing]) -> Vec<BeamRecord> {
        let Some((tx, rx)) = &self.plan.arrays else { return Vec::new() };
        [("tx", tx, BEAM_TX), ("rx", rx, BEAM_RX)]
            .into_iter()
            .map(|(array, entry, beam)| {
                let codes = |part: &str| {
                    let elements = 0..entry.geometry.elements();
                    let names = elements.map(|n| format!("{}.{part}.{n}", entry.weights.text));
                    names.map_while(|name| code_of(snapshot, &name)).collect()
                };
                let steer_deg =
                    self.standing.get(beam).and_then(|standing| standing.read_back.as_number());
                BeamRecord {
                    array: array.to_string(),
                    beam: None,
                    steer_deg,
                    phase_codes: codes("phase"),
                    attenuation_codes: codes("attenuation"),
                }
            })
            .collect()
    }
}

fn code_of(snapshot: &[Standing], setting: &str) -> Option<u32> {
    let standing = snapshot.iter().find(|standing| standing.setting == setting)?;
    match standing.read_back {
        KnobValue::Whole(code) => u32::try_from(code).ok(),
        _ => None,
    }
}
