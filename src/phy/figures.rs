//! The figures of an analysis, each with its unit, and the error vector magnitude behind some.
//!
//! A figure that cannot be had is absent, never a guess.

use num_complex::Complex32;
use serde::Serialize;

use super::interval::Ber;

/// What the analysis yields. Names are those of the JSON output.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Figures {
    /// Whether at least one whole frame was found.
    pub detected: bool,
    /// Whole frames found.
    pub frames_found: u64,
    /// Frames cut by an edge of the recording; they are left out.
    pub frames_cut: u64,
    /// Number of the modulation and coding scheme, as the header says (12.1 is an extended one).
    pub mcs: Option<f64>,
    /// Octets of the PSDU, as the header says, of an extended MCS the most that it can mean: up to 3
    /// more than were sent. Of an uncoded frame, the octets it carries.
    pub psdu_octets: Option<u64>,
    /// Whether the header's check sequence was right in every frame. Absent without header.
    pub header_ok: Option<bool>,
    /// Error vector magnitude in dB by the formula of IEEE 802.11ad-2012 clause 21.6.4.1.1 (from
    /// memory): rms error over rms of the ideal constellation. The reference is what was sent where
    /// that is known, or decoded with every codeword valid; else the decisions.
    pub evm_db: Option<f64>,
    /// The same with the sent symbols as reference, told or decoded without a failed codeword (of an
    /// extended MCS only told: its header leaves the length open).
    pub evm_data_aided_db: Option<f64>,
    /// The same with the decisions as reference. Too low when many decisions are wrong.
    pub evm_by_decision_db: Option<f64>,
    /// The same by decision after the best complex gain of each frame, so that the symbols' own rms is
    /// the reference ("rms normalised"); the rest after the gain is summed by itself. From up to 128 blocks at even distances over all frames.
    pub evm_gain_fitted_db: Option<f64>,
    /// How far below the true EVM the one by decision is expected to lie over white noise, in dB:
    /// wrong decisions pull the reference towards the symbol (H. A. Mahmoud, H. Arslan, IEEE Trans.
    /// Wireless Commun. 8(5), 2009). 0 where it is below 1e-6. Absent where it tells nothing of the true one any more, and where
    /// frames differ in their constellation.
    pub evm_by_decision_bias_db: Option<f64>,
    /// Es/N0 in dB from the preamble: energy of a received chip in all its paths over the noise
    /// density, without the bias of the channel estimate.
    pub snr_db: Option<f64>,
    /// Signal-to-noise ratio in dB after the equaliser, from the error vectors of `evm_db`; of those by
    /// decision with their bias taken off, absent where that is unknown.
    pub snr_from_evm_db: Option<f64>,
    /// Signal-to-noise ratio in dB after the equaliser by the symbols' second and fourth moments,
    /// without any reference (D. R. Pauluzzi, N. C. Beaulieu, IEEE Trans. Commun. 48(10), 2000).
    /// From up to 128 blocks at even distances over all frames; of frames with different noise that of
    /// the mean noise. Absent where three times its standard uncertainty reach 2 dB, as they do with
    /// 16-QAM and 64-QAM at high SNR: there it shows how evenly the payload uses the levels, not the noise.
    pub snr_from_moments_db: Option<f64>,
    /// Power of the received frame relative to a tone at full scale, in dB.
    pub power_dbfs: Option<f64>,
    /// Power of the received frame in dB over the square of the recording's unit.
    pub power_db: Option<f64>,
    /// Carrier offset in Hz; positive when the received carrier is high.
    pub cfo_hz: Option<f64>,
    /// Offset of the sender's chip clock in ppm; positive when it is fast.
    pub clock_offset_ppm: Option<f64>,
    /// Gain of the receiver's Q channel over I in dB: `20 log10 g` where `i + jq` is received as
    /// `I = i`, `Q = g (q cos p - i sin p)`.
    pub iq_gain_db: Option<f64>,
    /// Phase error `p` between the receiver's channels in degrees, sign as in `iq_gain_db`.
    pub iq_phase_deg: Option<f64>,
    /// Delay of the receiver's Q channel against the I channel in seconds.
    pub iq_skew_s: Option<f64>,
    /// Image rejection ratio in dB that follows from both. Absent where the image does not stand out
    /// of its own noise, which lies about Es/N0 plus ten times the logarithm of the symbols used
    /// below the signal.
    pub image_rejection_db: Option<f64>,
    /// Offset of I in the recording's unit.
    pub dc_i: Option<f64>,
    /// Offset of Q in the recording's unit.
    pub dc_q: Option<f64>,
    /// Integrated phase noise in degrees rms, from about the inverse of the frame's duration to half
    /// of the symbol rate, without straight line and thermal noise. Over several frames the rms of
    /// theirs, weighted by their symbols; of many frames some are taken, so that up to 128 blocks are
    /// looked at, and frames of fewer than three blocks tell nothing. Absent where it does not stand
    /// out of the thermal noise.
    pub phase_noise_deg: Option<f64>,
    /// Least distance in dB of the received spectrum from the transmit mask (IEEE 802.11ad-2012
    /// clause 21.3.2, from memory); negative when it is exceeded. Noise of the receiver counts, too.
    pub mask_margin_db: Option<f64>,
    /// Offset in Hz up to which the recording shows the spectrum on both sides.
    pub mask_covered_hz: Option<f64>,
    /// Share of samples at full scale.
    pub clipped_fraction: Option<f64>,
    /// Rms delay spread of the channel's paths in seconds, without the width of the pulses: 0 of a single
    /// path, and of several within one symbol.
    pub delay_spread_s: Option<f64>,
    /// Payload bits compared, after decoding where there is a code.
    pub bits: Option<u64>,
    /// Wrong ones among them.
    pub bit_errors: Option<u64>,
    /// Their ratio.
    pub ber: Option<f64>,
    /// Lower end of the 95 % Clopper-Pearson interval of `ber`.
    pub ber_low_95: Option<f64>,
    /// Upper end of the interval.
    pub ber_high_95: Option<f64>,
    /// Bits compared before decoding.
    pub raw_bits: Option<u64>,
    /// Wrong ones among them.
    pub raw_bit_errors: Option<u64>,
    /// Codewords received.
    pub codewords: Option<u64>,
    /// Codewords that the decoder could not make valid.
    pub codewords_failed: Option<u64>,
    /// Frames of which something was lost: the header, a codeword or a bit.
    pub frames_failed: Option<u64>,
    /// Payload bits delivered over the duration of the frames, preambles included, in bit/s. Coded: the
    /// bits of valid codewords, whether or not it is known what was sent; no more than are right where
    /// it is. Uncoded: all bits times `1 - 2 BER`, not less than 0, since of bits of mere chance half are
    /// right and none was delivered; absent where it is not known what was sent.
    pub throughput_bps: Option<f64>,
}

/// One figure for tables.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// Name as in [`Figures`].
    pub name: &'static str,
    /// Its value.
    pub value: FigureValue,
    /// Its unit, empty for numbers without one.
    pub unit: &'static str,
}

/// Value of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(untagged)]
pub enum FigureValue {
    /// Yes or no.
    Flag(bool),
    /// A number of things.
    Count(u64),
    /// A quantity.
    Number(f64),
    /// Not to be had.
    Absent,
}

impl From<bool> for FigureValue {
    fn from(value: bool) -> Self {
        Self::Flag(value)
    }
}

impl From<u64> for FigureValue {
    fn from(value: u64) -> Self {
        Self::Count(value)
    }
}

impl From<f64> for FigureValue {
    fn from(value: f64) -> Self {
        Self::Number(value)
    }
}

impl<T: Into<Self>> From<Option<T>> for FigureValue {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Absent, Into::into)
    }
}

impl Figures {
    /// All figures with their units, in the order of the struct.
    pub fn list(&self) -> Vec<Figure> {
        macro_rules! figures {
            ($($name:ident $unit:literal),* $(,)?) => {
                vec![$(Figure {
                    name: stringify!($name),
                    value: self.$name.into(),
                    unit: $unit,
                }),*]
            };
        }
        figures![
            detected "",
            frames_found "",
            frames_cut "",
            mcs "",
            psdu_octets "octets",
            header_ok "",
            evm_db "dB",
            evm_data_aided_db "dB",
            evm_by_decision_db "dB",
            evm_gain_fitted_db "dB",
            evm_by_decision_bias_db "dB",
            snr_db "dB",
            snr_from_evm_db "dB",
            snr_from_moments_db "dB",
            power_dbfs "dBFS",
            power_db "dB",
            cfo_hz "Hz",
            clock_offset_ppm "ppm",
            iq_gain_db "dB",
            iq_phase_deg "deg",
            iq_skew_s "s",
            image_rejection_db "dB",
            dc_i "",
            dc_q "",
            phase_noise_deg "deg",
            mask_margin_db "dB",
            mask_covered_hz "Hz",
            clipped_fraction "",
            delay_spread_s "s",
            bits "",
            bit_errors "",
            ber "",
            ber_low_95 "",
            ber_high_95 "",
            raw_bits "",
            raw_bit_errors "",
            codewords "",
            codewords_failed "",
            frames_failed "",
            throughput_bps "bit/s",
        ]
    }

    /// Fills in the bit error rate with its interval.
    pub(crate) fn count_bits(&mut self, errors: u64, bits: u64) {
        let Some(rate) = Ber::new(errors, bits) else { return };
        self.bits = Some(bits);
        self.bit_errors = Some(errors);
        self.ber = Some(rate.ber);
        self.ber_low_95 = Some(rate.low);
        self.ber_high_95 = Some(rate.high);
    }
}

/// Sum of squared error vectors over a number of symbols of a constellation of unit mean power.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ErrorVectors {
    sum: f64,
    count: u64,
}

impl ErrorVectors {
    /// Between received symbols and their reference; the longer of the two is cut.
    pub fn between(received: &[Complex32], reference: &[Complex32]) -> Self {
        let pairs = received.iter().zip(reference);
        let sum = pairs.clone().map(|(z, ideal)| f64::from((z - ideal).norm_sqr())).sum();
        Self { sum, count: pairs.len() as u64 }
    }

    /// `count` symbols whose squared error vectors add up to `sum`.
    pub(crate) const fn of(sum: f64, count: u64) -> Self {
        Self { sum, count }
    }

    /// Adds the error vectors of more symbols.
    pub fn add(&mut self, other: Self) {
        self.sum += other.sum;
        self.count += other.count;
    }

    /// Mean squared error vector; `None` without symbols.
    pub fn mean_square(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// EVM in dB: `20 log10 sqrt(sum |error|^2 / (Ns Pavg))` with `Pavg = 1`. `None` without
    /// symbols or without any error.
    pub fn evm_db(&self) -> Option<f64> {
        let mean = self.sum / self.count as f64;
        (mean > 0.0 && mean.is_finite()).then(|| 10.0 * mean.log10())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn list_has_every_field_under_its_name() {
        let figures = Figures { evm_db: Some(-21.5), frames_found: 2, ..Figures::default() };
        let json = serde_json::to_value(&figures).expect("plain numbers");
        let fields = json.as_object().expect("a struct");
        let list = figures.list();
        assert_eq!(list.len(), fields.len());
        for figure in list {
            let listed = serde_json::to_value(figure.value).expect("plain numbers");
            assert_eq!(fields[figure.name], listed, "{}", figure.name);
        }
        assert_eq!(fields["snr_db"], serde_json::Value::Null);
    }

    /// The formula by hand: errors 0.1 and 0.3 over unit power give sqrt(0.05) = -13.0103 dB.
    #[test]
    fn evm_is_that_of_the_formula() {
        let ideal = [Complex32::new(1.0, 0.0), Complex32::new(0.0, 1.0)];
        let received = [Complex32::new(1.1, 0.0), Complex32::new(0.0, 0.7)];
        let evm = ErrorVectors::between(&received, &ideal).evm_db().expect("two symbols");
        assert!((evm + 13.0103).abs() < 1e-4, "{evm}");
        assert_eq!(ErrorVectors::default().evm_db(), None);
    }
}
