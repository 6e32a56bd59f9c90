//! The Golay sequences of the DMG PHY: Ga and Gb of 128, 64 and 32 chips.
//!
//! They are generated at compile time by the recursion of IEEE 802.11ad-2012 clause 21.11 (clause
//! 20.11 of IEEE 802.11-2016). Knows nothing of rotation, fields or frames.

/// Delays and weights of the recursion for one length.
struct Generator {
    delays: &'static [usize],
    weights: &'static [i8],
}

const GENERATOR_128: Generator =
    Generator { delays: &[1, 8, 2, 4, 16, 32, 64], weights: &[-1, -1, -1, -1, 1, -1, -1] };
const GENERATOR_64: Generator =
    Generator { delays: &[2, 1, 4, 8, 16, 32], weights: &[1, 1, -1, -1, 1, -1] };
const GENERATOR_32: Generator =
    Generator { delays: &[1, 4, 8, 2, 16], weights: &[-1, 1, -1, 1, -1] };

static PAIR_128: ([i8; 128], [i8; 128]) = pair(&GENERATOR_128);
static PAIR_64: ([i8; 64], [i8; 64]) = pair(&GENERATOR_64);
static PAIR_32: ([i8; 32], [i8; 32]) = pair(&GENERATOR_32);

/// Ga128 in sending order, +1 and -1 (IEEE 802.11ad-2012, Table 21-24).
pub fn ga128() -> &'static [i8; 128] {
    &PAIR_128.0
}

/// Gb128 in sending order, +1 and -1 (IEEE 802.11ad-2012, Table 21-25).
pub fn gb128() -> &'static [i8; 128] {
    &PAIR_128.1
}

/// Ga64 in sending order, +1 and -1 (IEEE 802.11ad-2012, Table 21-26): the guard interval.
pub fn ga64() -> &'static [i8; 64] {
    &PAIR_64.0
}

/// Gb64 in sending order, +1 and -1 (IEEE 802.11ad-2012, clause 21.11).
pub fn gb64() -> &'static [i8; 64] {
    &PAIR_64.1
}

/// Ga32 in sending order, +1 and -1 (IEEE 802.11ad-2012, clause 21.11).
pub fn ga32() -> &'static [i8; 32] {
    &PAIR_32.0
}

/// Gb32 in sending order, +1 and -1 (IEEE 802.11ad-2012, clause 21.11).
pub fn gb32() -> &'static [i8; 32] {
    &PAIR_32.1
}

/// The pair (Ga, Gb) in sending order: the recursion's output reversed in time.
///
/// `A_k(n) = W_k A_{k-1}(n) + B_{k-1}(n - D_k)`, `B_k(n) = W_k A_{k-1}(n) - B_{k-1}(n - D_k)`,
/// from `A_0 = B_0 = delta`.
const fn pair<const N: usize>(generator: &Generator) -> ([i8; N], [i8; N]) {
    let mut a = [0; N];
    let mut b = [0; N];
    a[0] = 1;
    b[0] = 1;
    let mut step = 0;
    while step < generator.delays.len() {
        (a, b) = next(&a, &b, generator.delays[step], generator.weights[step]);
        step += 1;
    }
    (reversed(&a), reversed(&b))
}

const fn next<const N: usize>(
    a: &[i8; N],
    b: &[i8; N],
    delay: usize,
    weight: i8,
) -> ([i8; N], [i8; N]) {
    let mut sum = [0; N];
    let mut difference = [0; N];
    let mut n = 0;
    while n < N {
        let delayed = if n < delay { 0 } else { b[n - delay] };
        sum[n] = weight * a[n] + delayed;
        difference[n] = weight * a[n] - delayed;
        n += 1;
    }
    (sum, difference)
}

const fn reversed<const N: usize>(sequence: &[i8; N]) -> [i8; N] {
    let mut out = [0; N];
    let mut n = 0;
    while n < N {
        out[n] = sequence[N - 1 - n];
        n += 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signs(text: &str) -> Vec<i8> {
        text.chars().map(|c| if c == '+' { 1 } else { -1 }).collect()
    }

    /// The explicit sequences of IEEE 802.11ad-2012, clause 21.11 (Tables 21-24 to 21-26 for
    /// Ga128, Gb128, Ga64).
    #[test]
    fn recursion_gives_the_explicit_sequences() {
        let cases: [(&[i8], &str); 6] = [
            (
                ga128(),
                "++-------+-++--+++--++++-+-+-++---+++++++-+--++-++--++++-+-+-++-\
                 ++-------+-++--+++--++++-+-+-++-++-------+-++--+--++----+-+-+--+",
            ),
            (
                gb128(),
                "--+++++++-+--++---++----+-+-+--+++-------+-++--+--++----+-+-+--+\
                 ++-------+-++--+++--++++-+-+-++-++-------+-++--+--++----+-+-+--+",
            ),
            (ga64(), "--+-+---++-++-----+-+-----+--+++--+-+---++-++---++-+-+++++-++---"),
            (gb64(), "++-+-+++--+--+++++-+-+++++-++-----+-+---++-++---++-+-+++++-++---"),
            (ga32(), "+++++-+---+++--+++--+--+----+-+-"),
            (gb32(), "-----+-+++---++-++--+--+----+-+-"),
        ];
        for (sequence, text) in cases {
            assert_eq!(sequence, signs(text), "{} chips", sequence.len());
        }
    }

    /// Defining property of a Golay pair (M. J. E. Golay, Complementary series, IRE Trans. Inf.
    /// Theory 7, 1961, from memory): the aperiodic autocorrelations add up to a delta.
    #[test]
    fn pairs_are_complementary() {
        check_complementary(ga128(), gb128());
        check_complementary(ga64(), gb64());
        check_complementary(ga32(), gb32());
    }

    fn check_complementary(a: &[i8], b: &[i8]) {
        let n = a.len();
        for lag in 0..n {
            let sum: i32 = (0..n - lag)
                .map(|i| i32::from(a[i]) * i32::from(a[i + lag]))
                .chain((0..n - lag).map(|i| i32::from(b[i]) * i32::from(b[i + lag])))
                .sum();
            let expected = if lag == 0 { 2 * n as i32 } else { 0 };
            assert_eq!(sum, expected, "length {n}, lag {lag}");
        }
    }
}
