//! The figures that a sequence may put bounds on, by the words used in files.

use beamwarden_drivers::quantity::Dimension;

/// One figure.
#[derive(Debug, PartialEq)]
pub struct FigureName {
    /// The word in files: `bit errors`.
    pub word: &'static str,
    /// The name in records and in `analyse --json`: `bit_errors`.
    pub key: &'static str,
    /// Its dimension.
    pub dimension: Dimension,
    /// Names of the lower and upper end of its 95 % interval, where it has one.
    pub interval: Option<(&'static str, &'static str)>,
    /// What it is.
    pub about: &'static str,
}

const fn plain(
    word: &'static str,
    key: &'static str,
    dimension: Dimension,
    about: &'static str,
) -> FigureName {
    FigureName { word, key, dimension, interval: None, about }
}

/// All of them.
pub const FIGURE_NAMES: &[FigureName] = &[
    plain("evm", "evm_db", Dimension::Decibel, "Error vector magnitude, rms."),
    plain("snr", "snr_db", Dimension::Decibel, "Signal-to-noise ratio, Es/N0."),
    FigureName {
        word: "ber",
        key: "ber",
        dimension: Dimension::Ratio,
        interval: Some(("ber_low_95", "ber_high_95")),
        about: "Bit error rate of the payload; bounds are held against its 95 % interval.",
    },
    plain("ber low", "ber_low_95", Dimension::Ratio, "Lower end of the 95 % interval of ber."),
    plain("ber high", "ber_high_95", Dimension::Ratio, "Upper end of the 95 % interval of ber."),
    plain("bit errors", "bit_errors", Dimension::Count, "Payload bits in error."),
    plain("bits", "bits", Dimension::Count, "Payload bits compared."),
    plain("raw bit errors", "raw_bit_errors", Dimension::Count, "Bits in error before decoding."),
    plain("raw bits", "raw_bits", Dimension::Count, "Bits compared before decoding."),
    plain("codewords", "codewords", Dimension::Count, "Codewords received."),
    plain("codewords failed", "codewords_failed", Dimension::Count, "Codewords left with errors."),
    plain(
        "frames failed",
        "frames_failed",
        Dimension::Count,
        "Frames of which something was lost.",
    ),
    plain("power", "power_dbfs", Dimension::Decibel, "Received power relative to full scale."),
    plain("phase noise", "phase_noise_deg", Dimension::Angle, "Integrated phase noise, rms."),
    plain("carrier offset", "cfo_hz", Dimension::Frequency, "Carrier frequency offset."),
    plain("clipped", "clipped_fraction", Dimension::Ratio, "Samples at the converter's ends."),
];

/// Finds a figure by its word.
pub(super) fn find(word: &str) -> Option<&'static FigureName> {
    FIGURE_NAMES.iter().find(|figure| figure.word == word)
}
