//! The codes against their own parity checks over GF(2), the decoder against a plain sum-product
//! decoder in double precision.

use super::tables::BlockRow;
use super::*;
use crate::phy::testing::{Noise, noise_variance};

/// Positions of the ones in each row of the expanded parity check matrix, straight from the
/// definition of the shifts.
fn expanded(rate: CodeRate) -> Vec<Vec<usize>> {
    let row = |shifts: &BlockRow, r: usize| -> Vec<usize> {
        let entries = shifts.iter().enumerate().filter(|(_, shift)| **shift >= 0);
        entries.map(|(j, shift)| 42 * j + (r + usize::from(shift.unsigned_abs())) % 42).collect()
    };
    rate.shifts().iter().flat_map(|shifts| (0..42).map(move |r| row(shifts, r))).collect()
}

/// Naive reference of the parity check: a dense product over GF(2).
fn is_codeword(matrix: &[Vec<usize>], word: &[u8]) -> bool {
    matrix.iter().all(|row| row.iter().map(|n| word[*n]).fold(0, |sum, bit| sum ^ bit) == 0)
}

/// The code that encodes before anything is left out.
fn mother(rate: CodeRate) -> CodeRate {
    if rate == CodeRate::SevenEighths { CodeRate::ThirteenSixteenths } else { rate }
}

#[test]
fn sizes_are_those_of_the_standard() {
    let sizes = CodeRate::ALL.map(|rate| (rate.information_bits(), rate.codeword_bits()));
    assert_eq!(sizes, [(336, 672), (420, 672), (504, 672), (546, 672), (546, 624)]);
    let ratios = [1.0 / 2.0, 5.0 / 8.0, 3.0 / 4.0, 13.0 / 16.0, 7.0 / 8.0];
    for ((information, codeword), ratio) in sizes.into_iter().zip(ratios) {
        assert_eq!(information as f64 / codeword as f64, ratio);
    }
}

/// Clause 21.3.8: H c = 0 and the information bits come first.
#[test]
fn encoded_words_fulfil_all_checks() {
    let mut noise = Noise::new(20_120_120);
    for rate in CodeRate::ALL {
        let matrix = expanded(rate);
        assert_eq!(matrix.len(), 672 - rate.information_bits());
        for _ in 0..100 {
            let information = noise.bits(rate.information_bits());
            let mut word = Vec::new();
            encode(mother(rate), &information, &mut word);
            assert!(is_codeword(&matrix, &word), "{rate}");
            assert_eq!(word[..information.len()], information, "{rate}");
        }
    }
}

#[test]
fn rate_7_8_leaves_out_the_first_48_parity_bits() {
    let information = Noise::new(78).bits(546);
    let (mut whole, mut punctured) = (Vec::new(), Vec::new());
    encode(CodeRate::ThirteenSixteenths, &information, &mut whole);
    encode(CodeRate::SevenEighths, &information, &mut punctured);
    whole.drain(546..594);
    assert_eq!(punctured, whole);
}

#[test]
fn missing_information_bits_are_zero_and_surplus_ones_are_ignored() {
    let (mut short, mut padded, mut long) = (Vec::new(), Vec::new(), Vec::new());
    let information = Noise::new(1).bits(100);
    encode(CodeRate::Half, &information, &mut short);
    let zeros = vec![0; 236];
    encode(CodeRate::Half, &[&information[..], &zeros].concat(), &mut padded);
    encode(CodeRate::Half, &[&information[..], &zeros, &[1, 1]].concat(), &mut long);
    assert_eq!(short, padded);
    assert_eq!(long, padded);
}

/// The published worked example pins every entry of the tables but the block columns 4 to 7 of
/// rate 1/2. There, rate 1/2 repeats rows of the pinned rate 5/8, and no two rows of any code share
/// two ones (no cycle of length 4).
#[test]
fn tables_nest_and_have_no_short_cycles() {
    for (row, pinned) in tables::HALF[4..].iter().zip(&tables::FIVE_EIGHTHS[2..]) {
        assert_eq!(row[4..8], pinned[4..8]);
    }
    for (row, pinned) in tables::HALF[2..4].iter().zip(&tables::FIVE_EIGHTHS) {
        assert!((4..8).all(|j| row[j] < 0 || row[j] == pinned[j]));
    }
    for rate in CodeRate::ALL {
        let matrix = expanded(rate);
        for (i, row) in matrix.iter().enumerate() {
            for other in &matrix[..i] {
                assert!(row.iter().filter(|n| other.contains(n)).count() <= 1, "{rate}");
            }
        }
    }
}

/// Naive reference: sum-product decoding with a flooding schedule in double precision
/// (R. G. Gallager, Low-Density Parity-Check Codes, 1963; from memory).
struct SumProduct {
    matrix: Vec<Vec<usize>>,
    messages: Vec<Vec<f64>>,
}

impl SumProduct {
    fn new(rate: CodeRate) -> Self {
        let matrix = expanded(rate);
        let messages = matrix.iter().map(|row| vec![0.0; row.len()]).collect();
        Self { matrix, messages }
    }

    /// The decided word if it is a codeword after at most `iterations_max`.
    fn decode(&mut self, channel: &[f64], iterations_max: usize) -> Option<Vec<u8>> {
        self.messages.iter_mut().for_each(|row| row.fill(0.0));
        for _ in 0..=iterations_max {
            let mut sums = channel.to_vec();
            for (row, messages) in self.matrix.iter().zip(&self.messages) {
                row.iter().zip(messages).for_each(|(n, message)| sums[*n] += message);
            }
            let word: Vec<u8> = sums.iter().map(|sum| u8::from(*sum < 0.0)).collect();
            if is_codeword(&self.matrix, &word) {
                return Some(word);
            }
            for (row, messages) in self.matrix.iter().zip(&mut self.messages) {
                update_check(row, &sums, messages);
            }
        }
        None
    }
}

/// tanh(message / 2) is the product of tanh(input / 2) over the other inputs.
fn update_check(row: &[usize], sums: &[f64], messages: &mut [f64]) {
    let factors: Vec<f64> = row
        .iter()
        .zip(&*messages)
        .map(|(n, message)| ((sums[*n] - message) / 2.0).tanh())
        .collect();
    let mut before = 1.0;
    let mut products = vec![1.0; row.len()];
    for (product, factor) in products.iter_mut().zip(&factors) {
        *product = before;
        before *= factor;
    }
    let mut after = 1.0;
    for (k, factor) in factors.iter().enumerate().rev() {
        // The bound keeps the inverse finite: 0.5 ln((1 + t) / (1 - t)) of the largest t below 1.
        let product = (products[k] * after).clamp(-1.0 + 1e-15, 1.0 - 1e-15);
        messages[k] = 2.0 * product.atanh();
        after *= factor;
    }
}

/// LLRs of an encoded random word as sent with BPSK over noise, with the word.
fn noisy_word(rate: CodeRate, es_n0_db: f64, noise: &mut Noise) -> (Vec<u8>, Vec<f32>) {
    let mut word = Vec::new();
    encode(rate, &noise.bits(rate.information_bits()), &mut word);
    let variance = noise_variance(es_n0_db);
    let llr = |bit: &u8, noise: &mut Noise| {
        let received = f32::from(*bit) * 2.0 - 1.0 + noise.complex().re * variance.sqrt();
        -4.0 * received / variance
    };
    let llrs = word.iter().map(|bit| llr(bit, noise)).collect();
    (word, llrs)
}

/// Frame errors of `words` words over the same noise: the sum-product decoder at `es_n0_db` and
/// the production decoder 0.2 dB above.
fn frame_errors(rate: CodeRate, es_n0_db: f64, words: usize) -> (usize, usize) {
    let information = rate.information_bits();
    let (mut reference, mut decoder) = (SumProduct::new(rate), Decoder::new(rate));
    let (mut reference_noise, mut noise) = (Noise::new(672), Noise::new(672));
    let (mut reference_errors, mut errors) = (0, 0);
    for _ in 0..words {
        let (word, llrs) = noisy_word(rate, es_n0_db, &mut reference_noise);
        let mut channel = vec![0.0; CODEWORD_BITS];
        rate.sent_positions().zip(llrs).for_each(|(n, llr)| channel[n] = f64::from(llr));
        let found = reference.decode(&channel, 50);
        let same = found.is_some_and(|found| found[..information] == word[..information]);
        reference_errors += usize::from(!same);

        let (word, llrs) = noisy_word(rate, es_n0_db + 0.2, &mut noise);
        decoder.decode(&llrs);
        let same = decoder.bits(information).eq(word[..information].iter().copied());
        errors += usize::from(!same);
    }
    (reference_errors, errors)
}

/// Each rate where the reference fails in some per cent of the words.
#[test]
fn decoder_is_within_a_fifth_of_a_decibel_of_sum_product() {
    let working_points = [-1.25, 0.2, 1.5, 2.4, 3.3];
    for (rate, es_n0_db) in CodeRate::ALL.into_iter().zip(working_points) {
        let (reference_errors, errors) = frame_errors(rate, es_n0_db, 800);
        assert!(reference_errors >= 20, "rate {rate}: {reference_errors} are too few to compare");
        assert!(errors <= reference_errors, "rate {rate}: {errors}, reference {reference_errors}");
    }
}

#[test]
fn a_codeword_needs_no_iteration() {
    for rate in CodeRate::ALL {
        let mut word = Vec::new();
        encode(mother(rate), &Noise::new(3).bits(rate.information_bits()), &mut word);
        let llrs: Vec<f32> =
            rate.sent_positions().map(|n| 1.0 - 2.0 * f32::from(word[n])).collect();
        let mut decoder = Decoder::new(rate);
        let outcome = decoder.decode(&llrs);
        assert!(outcome.converged, "{rate}");
        assert!(decoder.bits(CODEWORD_BITS).eq(word.iter().copied()), "{rate}");
        // The bits that rate 7/8 leaves out must be found first.
        assert_eq!(outcome.iterations > 0, rate == CodeRate::SevenEighths, "{rate}");
    }
}

/// Min-sum knows no scale, so a wrong noise estimate cannot hurt.
#[test]
fn the_scale_of_the_input_does_not_matter() {
    let mut noise = Noise::new(11);
    let mut decoder = Decoder::new(CodeRate::Half);
    for _ in 0..50 {
        let (_, llrs) = noisy_word(CodeRate::Half, -0.9, &mut noise);
        let mut decode = |scale: f32| {
            let scaled: Vec<f32> = llrs.iter().map(|llr| llr * scale).collect();
            (decoder.decode(&scaled), decoder.bits(CODEWORD_BITS).collect::<Vec<_>>())
        };
        // Powers of two scale without rounding.
        let plain = decode(1.0);
        assert_eq!(decode(1.0 / 1024.0), plain);
        assert_eq!(decode(256.0), plain);
    }
}

#[test]
fn an_undecided_word_has_not_converged() {
    let mut decoder = Decoder::new(CodeRate::ThreeQuarters);
    let failed = Outcome { converged: false, iterations: ITERATIONS_MAX };
    for llrs in [vec![], vec![0.0; 672], vec![f32::NAN; 672], vec![1.0; 100]] {
        assert_eq!(decoder.decode(&llrs), failed);
    }
}

/// Every check of rate 1/2 that touches the block columns 0 and 2 touches both, so these bits cannot
/// be found when both are missing, while all others go on gaining certainty. At most 8 layers double
/// the input's bound of 1e8 once each, and a sum has at most 4 messages: 1e8 * 2^8 * 4 = 1e11.
#[test]
fn growing_certainty_stays_finite() {
    let mut decoder = Decoder::with_iterations(CodeRate::Half, 1000);
    let is_missing = |n: usize| matches!(n / BLOCK_BITS, 0 | 2);
    let llrs: Vec<f32> = (0..672).map(|n| if is_missing(n) { 0.0 } else { f32::MAX }).collect();
    assert!(!decoder.decode(&llrs).converged);
    assert!(decoder.sums_are_below(1e11));
}
