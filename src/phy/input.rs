//! Recordings of other shapes as complex samples: integer codes, two real channels, or one real
//! channel at an intermediate frequency.
//!
//! Samples come out as fractions of full scale. Works in bounded memory beside its result. Knows
//! nothing of files, instruments or frames.

mod intermediate;

use num_complex::Complex32;

pub use intermediate::{Converter, InputError, IntermediateFrequency};

/// Real samples in one of the shapes that digitisers give.
#[derive(Clone, Copy, Debug)]
pub enum Codes<'a> {
    /// Eight bits, two's complement.
    I8(&'a [i8]),
    /// Eight bits, offset binary: 128 is zero.
    U8(&'a [u8]),
    /// Twelve bits, two's complement in the lower bits of sixteen (sign-extended or not).
    I12Right(&'a [i16]),
    /// Twelve bits, two's complement in the upper bits of sixteen.
    I12Left(&'a [i16]),
    /// Sixteen bits, two's complement.
    I16(&'a [i16]),
    /// Any numbers with the given full scale, such as volts with the range.
    Float {
        /// The samples.
        values: &'a [f32],
        /// Largest magnitude that they can have.
        full_scale: f32,
    },
}

/// Complex samples with what their codes tell.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Converted {
    /// Fractions of full scale; each axis of a code is at least -1 and below +1.
    pub samples: Vec<Complex32>,
    /// Share of samples with a code at either end of its range, in any channel.
    pub clipped_fraction: f64,
}

impl Codes<'_> {
    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            Self::I8(codes) => codes.len(),
            Self::U8(codes) => codes.len(),
            Self::I12Right(codes) | Self::I12Left(codes) | Self::I16(codes) => codes.len(),
            Self::Float { values, .. } => values.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Sample `n` as a fraction of full scale, and whether it is at an end of the range. 0 beyond the
    /// last sample. A float that is not a number stays so; a full scale of 0 or less is taken as 1.
    pub fn get(&self, n: usize) -> (f32, bool) {
        let integer = |code: Option<i32>, half: i32| {
            let code = code.unwrap_or(0);
            (code as f32 / half as f32, code == -half || code == half - 1)
        };
        match self {
            Self::I8(codes) => integer(codes.get(n).map(|c| i32::from(*c)), 1 << 7),
            Self::U8(codes) => integer(codes.get(n).map(|c| i32::from(*c) - (1 << 7)), 1 << 7),
            // Shifting up and down again extends the sign.
            Self::I12Right(codes) => {
                integer(codes.get(n).map(|c| i32::from(*c << 4) >> 4), 1 << 11)
            }
            Self::I12Left(codes) => integer(codes.get(n).map(|c| i32::from(*c) >> 4), 1 << 11),
            Self::I16(codes) => integer(codes.get(n).map(|c| i32::from(*c)), 1 << 15),
            Self::Float { values, full_scale } => {
                let full = if *full_scale > 0.0 { *full_scale } else { 1.0 };
                let value = values.get(n).copied().unwrap_or(0.0) / full;
                (value, value.abs() >= 1.0)
            }
        }
    }

    /// Index of the first sample that is infinite or not a number.
    fn not_finite(&self) -> Option<usize> {
        match self {
            Self::Float { values, .. } => values.iter().position(|v| !v.is_finite()),
            _ => None,
        }
    }

    fn check(&self) -> Result<(), InputError> {
        self.not_finite().map_or(Ok(()), |at| Err(InputError::NotFinite(at)))
    }
}

/// Complex samples from I and Q in turns, I first.
///
/// # Errors
/// When a Q is missing at the end, or a value is not finite.
pub fn interleaved(codes: &Codes<'_>) -> Result<Converted, InputError> {
    codes.check()?;
    if !codes.len().is_multiple_of(2) {
        return Err(InputError::Odd(codes.len()));
    }
    Ok(pairs(codes.len() / 2, |n| (codes.get(2 * n), codes.get(2 * n + 1))))
}

/// Complex samples from two real channels of the same instants. Their codes may differ in shape.
///
/// # Errors
/// When the channels differ in length, or a value is not finite.
pub fn two_channels(i: &Codes<'_>, q: &Codes<'_>) -> Result<Converted, InputError> {
    i.check()?;
    q.check()?;
    if i.len() != q.len() {
        return Err(InputError::Lengths { i: i.len(), q: q.len() });
    }
    Ok(pairs(i.len(), |n| (i.get(n), q.get(n))))
}

fn pairs(count: usize, pair: impl Fn(usize) -> ((f32, bool), (f32, bool))) -> Converted {
    let mut clipped = 0_usize;
    let samples = (0..count)
        .map(|n| {
            let (i, q) = pair(n);
            clipped += usize::from(i.1 || q.1);
            Complex32::new(i.0, q.0)
        })
        .collect();
    Converted { samples, clipped_fraction: clipped as f64 / count.max(1) as f64 }
}

/// Complex baseband samples from one real channel at an intermediate frequency, at the same rate and
/// instants. A signal of peak amplitude A at the intermediate frequency becomes one of magnitude A.
///
/// # Errors
/// When intermediate frequency, bandwidth and rate do not fit, or a value is not finite.
pub fn from_intermediate(
    codes: &Codes<'_>,
    shape: &IntermediateFrequency,
) -> Result<Converted, InputError> {
    /// Samples converted at a time.
    const CHUNK: usize = 1 << 14;
    codes.check()?;
    let mut converter = Converter::new(shape)?;
    let mut samples = Vec::with_capacity(codes.len());
    let mut chunk = Vec::with_capacity(CHUNK);
    let mut clipped = 0_usize;
    for first in (0..codes.len()).step_by(CHUNK) {
        chunk.clear();
        for n in first..(first + CHUNK).min(codes.len()) {
            let (value, at_end) = codes.get(n);
            clipped += usize::from(at_end);
            chunk.push(value);
        }
        converter.push(&chunk, &mut samples);
    }
    converter.finish(&mut samples);
    Ok(Converted { samples, clipped_fraction: clipped as f64 / codes.len().max(1) as f64 })
}

#[cfg(test)]
mod tests;
