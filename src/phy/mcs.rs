//! The modulation and coding schemes of the DMG single-carrier PHY.
//!
//! Table 21-18 of IEEE 802.11ad-2012 (20-19 of IEEE 802.11-2016, with the extended schemes).
//! Knows nothing of how bits are encoded or sent.

use std::fmt;
use std::str::FromStr;

use super::constellation::Constellation::{self, Bpsk, Qam16, Qam64, Qpsk};
use super::ldpc::CodeRate::{
    self, FiveEighths, Half, SevenEighths, ThirteenSixteenths, ThreeQuarters,
};

/// Chips, and single-carrier symbols, per second (IEEE 802.11ad-2012, clause 21).
pub const CHIP_RATE_HZ: f64 = 1.76e9;
/// Symbols of a block that carry data.
pub const DATA_SYMBOLS_PER_BLOCK: usize = 448;
/// Chips of a block: guard and data symbols.
pub const BLOCK_CHIPS: usize = 512;

/// One modulation and coding scheme, `mcs 1` to `mcs 12.6`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mcs(u8);

/// A text that names no scheme.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no MCS '{0}'; there are 1 to 12, 9.1 and 12.1 to 12.6")]
pub struct UnknownMcs(pub String);

struct Row {
    name: &'static str,
    base_field: u8,
    extended: bool,
    constellation: Constellation,
    repetition: usize,
    rate: CodeRate,
    evm_limit_db: Option<f64>,
}

const fn row(
    name: &'static str,
    base_field: u8,
    constellation: Constellation,
    rate: CodeRate,
    evm_limit_db: f64,
) -> Row {
    let repetition = if base_field == 1 { 2 } else { 1 };
    let evm_limit_db = Some(evm_limit_db);
    Row { name, base_field, extended: false, constellation, repetition, rate, evm_limit_db }
}

const fn extended(
    name: &'static str,
    base_field: u8,
    constellation: Constellation,
    rate: CodeRate,
) -> Row {
    Row { name, base_field, extended: true, constellation, repetition: 1, rate, evm_limit_db: None }
}

/// In rising order of the data rate within each modulation.
static TABLE: [Row; 19] = [
    row("1", 1, Bpsk, Half, -6.0),
    row("2", 2, Bpsk, Half, -7.0),
    row("3", 3, Bpsk, FiveEighths, -9.0),
    row("4", 4, Bpsk, ThreeQuarters, -10.0),
    row("5", 5, Bpsk, ThirteenSixteenths, -12.0),
    row("6", 6, Qpsk, Half, -11.0),
    row("7", 7, Qpsk, FiveEighths, -12.0),
    row("8", 8, Qpsk, ThreeQuarters, -13.0),
    row("9", 9, Qpsk, ThirteenSixteenths, -15.0),
    extended("9.1", 6, Qpsk, SevenEighths),
    row("10", 10, Qam16, Half, -19.0),
    row("11", 11, Qam16, FiveEighths, -20.0),
    row("12", 12, Qam16, ThreeQuarters, -21.0),
    extended("12.1", 7, Qam16, ThirteenSixteenths),
    extended("12.2", 8, Qam16, SevenEighths),
    extended("12.3", 9, Qam64, FiveEighths),
    extended("12.4", 10, Qam64, ThreeQuarters),
    extended("12.5", 11, Qam64, ThirteenSixteenths),
    extended("12.6", 12, Qam64, SevenEighths),
];

impl Mcs {
    /// All schemes, ordered by modulation and code rate.
    pub fn all() -> impl ExactSizeIterator<Item = Self> + Clone {
        (0..TABLE.len() as u8).map(Self)
    }

    /// The scheme that a header names by its MCS field and its Extended SC MCS Indication, or
    /// `None` for a combination that is not defined.
    pub fn from_header(base_field: u8, extended: bool) -> Option<Self> {
        Self::all().find(|mcs| mcs.base_field() == base_field && mcs.is_extended() == extended)
    }

    /// Number as printed in the standard: `1` to `12.6`.
    pub fn name(self) -> &'static str {
        self.row().name
    }

    /// Value of the header's MCS field.
    pub fn base_field(self) -> u8 {
        self.row().base_field
    }

    /// Whether the header's Extended SC MCS Indication is set.
    pub fn is_extended(self) -> bool {
        self.row().extended
    }

    /// Constellation of the data symbols.
    pub fn constellation(self) -> Constellation {
        self.row().constellation
    }

    /// Rate of the LDPC code.
    pub fn code_rate(self) -> CodeRate {
        self.row().rate
    }

    /// How often every information bit is sent: 2 for MCS 1, else 1.
    pub fn repetition(self) -> usize {
        self.row().repetition
    }

    /// Coded bits of one data block.
    pub fn coded_bits_per_block(self) -> usize {
        DATA_SYMBOLS_PER_BLOCK * self.constellation().bits_per_symbol()
    }

    /// PSDU bits that one codeword carries.
    pub fn payload_bits_per_codeword(self) -> usize {
        self.code_rate().information_bits() / self.repetition()
    }

    /// Data rate in bit/s within the data field: chip rate, share of data symbols, bits per symbol,
    /// code rate and repetition.
    pub fn data_rate_bps(self) -> f64 {
        let share = DATA_SYMBOLS_PER_BLOCK as f64 / BLOCK_CHIPS as f64;
        let rate =
            self.payload_bits_per_codeword() as f64 / self.code_rate().codeword_bits() as f64;
        CHIP_RATE_HZ * share * self.constellation().bits_per_symbol() as f64 * rate
    }

    /// Largest transmit EVM in dB that the standard allows, `None` where it is not known here.
    ///
    /// The values are from memory of Table 21-21 of IEEE 802.11ad-2012; confirm them before a
    /// verdict rests on them.
    pub fn evm_limit_db(self) -> Option<f64> {
        self.row().evm_limit_db
    }

    fn row(self) -> &'static Row {
        &TABLE[usize::from(self.0)]
    }
}

impl fmt::Display for Mcs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl fmt::Debug for Mcs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Mcs({})", self.name())
    }
}

impl FromStr for Mcs {
    type Err = UnknownMcs;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::all().find(|mcs| mcs.name() == text).ok_or_else(|| UnknownMcs(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Data rates in Mb/s, IEEE 802.11ad-2012 Table 21-18 and IEEE 802.11-2016 Table 20-19. For
    /// 12.4 the reprints say 6390, a misprint: the IEEE submission "Clause 21 SC 64QAM" of 2015
    /// and the arithmetic say 6930.
    #[test]
    fn data_rates_are_those_of_the_standard() {
        let expected = [
            ("1", 385.0),
            ("2", 770.0),
            ("3", 962.5),
            ("4", 1155.0),
            ("5", 1251.25),
            ("6", 1540.0),
            ("7", 1925.0),
            ("8", 2310.0),
            ("9", 2502.5),
            ("9.1", 2695.0),
            ("10", 3080.0),
            ("11", 3850.0),
            ("12", 4620.0),
            ("12.1", 5005.0),
            ("12.2", 5390.0),
            ("12.3", 5775.0),
            ("12.4", 6930.0),
            ("12.5", 7507.5),
            ("12.6", 8085.0),
        ];
        assert_eq!(Mcs::all().len(), expected.len());
        for (name, megabits) in expected {
            let mcs: Mcs = name.parse().expect("listed above");
            // Only rounding separates the product from the table.
            assert!((mcs.data_rate_bps() / (megabits * 1e6) - 1.0).abs() < 1e-12, "MCS {name}");
        }
    }

    #[test]
    fn header_fields_name_each_scheme_once() {
        for mcs in Mcs::all() {
            assert_eq!(Mcs::from_header(mcs.base_field(), mcs.is_extended()), Some(mcs));
        }
        for (field, extended) in [(0, false), (13, false), (31, false), (5, true), (13, true)] {
            assert_eq!(Mcs::from_header(field, extended), None);
        }
    }

    #[test]
    fn names_are_read_back() {
        for mcs in Mcs::all() {
            assert_eq!(mcs.to_string().parse(), Ok(mcs));
        }
        let error = "13".parse::<Mcs>().expect_err("there is no MCS 13");
        assert_eq!(
            error.to_string(),
            "there is no MCS '13'; there are 1 to 12, 9.1 and 12.1 to 12.6"
        );
    }
}
