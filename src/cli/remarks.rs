//! What the user should know of an analysis beyond its figures: why no frame was received, and signs that
//! what it was compared with was not what was sent.
//!
//! Knows the options of `analyse`, and no recording.

use beamwarden_drivers::quantity::{Dimension, Quantity};

use crate::phy::analyse::{Analysis, Expected, Outcome};
use crate::phy::frame::Frame;

/// Bit error rates that only bits have which have nothing to do with each other.
const CHANCE: std::ops::Range<f64> = 0.4..0.6;
/// EVM by decision, in dB, below which such a rate is no matter of noise.
const EVM_DB_CLEAR: f64 = -10.0;
/// EVM in dB below which decisions tell it whatever the constellation.
const EVM_DB_SURE: f64 = -35.0;

/// Why nothing was received, as far as it is known. `high_side` is what was said of a real channel's
/// sideband; none where the recording is complex.
pub(super) fn of_missed(
    analysis: &Analysis,
    expected: &Expected<'_>,
    high_side: Option<bool>,
) -> Option<String> {
    let missed = analysis.missed;
    if missed.mirrored {
        let cure = match high_side {
            None => "swap I and Q",
            Some(true) => "leave out --high-side",
            Some(false) => "give --high-side",
        };
        return Some(format!("the spectrum is mirrored: {cure}"));
    }
    if analysis.outcome != Outcome::OnlyCutFrames {
        return None;
    }
    let time = |value: f64| Quantity { value, dimension: Dimension::Time };
    let recorded = time(missed.recorded_s);
    let Some(duration_s) = missed.cut_frame_s else {
        return Some(format!(
            "an edge of the recording, which lasts {recorded}, cuts the preamble: record longer; where \
             that does not help, check symbol rate and roll-off"
        ));
    };
    let (frame, check) = if expected.has_header() {
        ("the frame, as its header says,", "")
    } else {
        ("the frame named", ", and check that it is the one that was sent")
    };
    // A whole one lies within twice the distance of two frames that follow one another.
    let (lasts, twice) = (time(duration_s), time(2.0 * duration_s));
    Some(if duration_s > missed.recorded_s {
        format!(
            "{frame} lasts {lasts}, the recording only {recorded}: record longer, {twice} of a frame \
             that repeats without a pause{check}"
        )
    } else {
        format!(
            "{frame} lasts {lasts} and does not lie whole within the recording of {recorded}: record \
             longer, {twice} of a frame that repeats without a pause{check}"
        )
    })
}

/// Signs that what the frames were compared with is not what was sent.
pub(super) fn of_reference(
    analysis: &Analysis,
    expected: &Expected<'_>,
    frame: Option<&Frame>,
) -> Vec<String> {
    let mut remarks = Vec::new();
    if let Some(header) = &analysis.header {
        let named = frame.and_then(|frame| frame.mcs);
        if let (Some(named), Some(found)) = (named, header.mcs())
            && named != found
        {
            remarks.push(format!(
                "mcs {} was named, but the header says mcs {}: figures are of the latter",
                named.name(),
                found.name()
            ));
        }
        if let (Some(psdu), Some(octets)) = (expected.psdu, header.psdu_octets())
            && !expected.fits_header(header)
        {
            remarks.push(format!(
                "what was named to compare with has {} octets, but the header says {octets}: what is \
                 missing or too much counts as wrong; is it the right one?",
                psdu.len()
            ));
        }
    }
    if matches_nothing(analysis) {
        remarks.push(
            "the bits do not match the frame or file named at all; is it the right one?".to_owned(),
        );
    }
    remarks
}

/// Whether the bits are right by chance only, though the symbols are clear.
fn matches_nothing(analysis: &Analysis) -> bool {
    let figures = &analysis.figures;
    let counts = figures.raw_bits.zip(figures.raw_bit_errors);
    let Some((bits, errors)) = counts.or(figures.bits.zip(figures.bit_errors)) else {
        return false;
    };
    let is_clear = figures.evm_by_decision_db.is_some_and(|evm| {
        // Where decisions hide the noise, a small EVM means nothing.
        let is_told = figures.evm_by_decision_bias_db.is_some() || evm < EVM_DB_SURE;
        is_told && evm < EVM_DB_CLEAR
    });
    is_clear && bits > 0 && CHANCE.contains(&(errors as f64 / bits as f64))
}
