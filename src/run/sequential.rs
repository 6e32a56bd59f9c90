//! When bits enough were compared: rules that may be asked after every capture.
//!
//! A 95 % interval holds for a number of bits that was fixed before. Asked again and again until its
//! upper end lies below a target, it ends a measurement wrongly much more often than it says, because
//! every look is a new chance to be lucky: `repeated_looks_at_an_interval_are_wrong_too_often` has the
//! figures. So the rule here is a sequential one: the mean of likelihood ratios of some rates against
//! the target itself. At the target that mean is a martingale that begins at 1, so that it ever
//! reaches 40 with probability 1/40 at most, however often it is looked at (Wald's sequential
//! probability ratio test, 1945; the bound is Ville's inequality, 1939; both from memory). By
//! Markov's inequality the upper end of the 95 % interval is below the target then, too.
//!
//! How wide an interval is relative to its rate follows from the number of errors almost alone. To stop
//! at a width is to stop at a number of errors (inverse binomial sampling), where the interval keeps
//! its 95 %; `an_interval_of_a_wanted_width_holds` measures that.
//!
//! All of it takes bits as independent. Behind a decoder errors come in bursts: count code words then.

use crate::phy::interval::Ber;

/// Rates, as shares of the target, whose likelihoods are held against the target's when it is to lie above
/// the true rate.
const BELOW: [f64; 4] = [0.0, 0.1, 0.5, 0.8];
/// The same when the target is to lie below the true rate.
const ABOVE: [f64; 3] = [1.25, 2.0, 10.0];
/// One in so many of all measurements at the target itself may end wrongly: 2.5 %, as of a 95 % interval's
/// upper end.
const ODDS: f64 = 40.0;

/// Whether a rate lies below a target, as far as so many bits tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Decided {
    /// It lies below.
    Below,
    /// It lies above: more bits would not change that.
    Above,
    /// Not yet.
    Open,
}

/// Whether the rate of errors lies below a target between 0 and 1; may be asked after every capture.
#[must_use]
pub(super) fn decide(errors: u64, bits: u64, target: f64) -> Decided {
    if bits == 0 || !(target > 0.0 && target < 1.0) {
        return Decided::Open;
    }
    if mean_ratio(errors, bits, target, &BELOW) >= ODDS {
        Decided::Below
    } else if mean_ratio(errors, bits, target, &ABOVE) >= ODDS {
        Decided::Above
    } else {
        Decided::Open
    }
}

/// The mean of the likelihood ratios of some shares of the target against the target.
fn mean_ratio(errors: u64, bits: u64, target: f64, shares: &[f64]) -> f64 {
    let (errors, sound) = (errors as f64, bits.saturating_sub(errors) as f64);
    let ratio = |share: f64| {
        let rate = share * target;
        if rate >= 1.0 {
            return if sound > 0.0 { 0.0 } else { share.powf(errors) };
        }
        let of_errors = if errors > 0.0 { errors * share.ln() } else { 0.0 };
        (of_errors + sound * ((-rate).ln_1p() - (-target).ln_1p())).exp()
    };
    shares.iter().map(|share| ratio(*share)).sum::<f64>() / shares.len() as f64
}

/// Whether the upper end of the 95 % interval is at most so many times its lower end.
#[must_use]
pub(super) fn is_within(errors: u64, bits: u64, ratio: f64) -> bool {
    Ber::new(errors, bits).is_some_and(|rate| rate.low > 0.0 && rate.high <= ratio * rate.low)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// xorshift64* (Vigna 2016), enough for counts.
    struct Draws(u64);

    impl Draws {
        fn uniform(&mut self) -> f64 {
            self.0 ^= self.0 >> 12;
            self.0 ^= self.0 << 25;
            self.0 ^= self.0 >> 27;
            (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
        }

        /// Errors among many bits of a small rate: Poisson, by multiplying uniforms (Knuth).
        fn errors(&mut self, mean: f64) -> u64 {
            let (bound, mut product) = ((-mean).exp(), self.uniform());
            let mut count = 0;
            while product > bound {
                product *= self.uniform();
                count += 1;
            }
            count
        }
    }

    const SEED: u64 = 20_261_128;
    const CAPTURE_BITS: u64 = 100_000;

    /// How many of `runs` measurements end by a rule within `captures`, at a mean of errors a capture.
    fn ended(
        runs: u64,
        captures: u64,
        mean: f64,
        rule: impl Fn(u64, u64) -> bool,
    ) -> Vec<(u64, u64)> {
        let mut draws = Draws(SEED);
        let mut ends = Vec::new();
        for _ in 0..runs {
            let (mut errors, mut bits) = (0, 0);
            for _ in 0..captures {
                errors += draws.errors(mean);
                bits += CAPTURE_BITS;
                if rule(errors, bits) {
                    ends.push((errors, bits));
                    break;
                }
            }
        }
        ends
    }

    /// At the target itself every end is wrong.
    #[test]
    fn repeated_looks_at_an_interval_are_wrong_too_often() {
        println!("seed {SEED}");
        let (runs, captures, mean) = (4000, 200, 2.0);
        let target = mean / CAPTURE_BITS as f64;
        let share = |rule: &dyn Fn(u64, u64) -> bool| {
            ended(runs, captures, mean, rule).len() as f64 / runs as f64
        };
        let naive = share(&|errors, bits| Ber::new(errors, bits).unwrap().high < target);
        let sequential = share(&|errors, bits| decide(errors, bits, target) == Decided::Below);
        println!("wrong ends: interval {naive:.4}, sequential {sequential:.4}; 0.025 is claimed");
        assert!(naive > 0.06, "{naive}");
        // Three standard deviations of 4000 draws at 0.025.
        assert!(sequential <= 0.025 + 3.0 * (0.025f64 * 0.975 / 4000.0).sqrt(), "{sequential}");
    }

    /// Without an error the mean of the ratios is exp(n t)/4 and more: 4.6 to 5.1 over the target instead
    /// of 3.69 for an interval of a fixed number of bits.
    #[test]
    fn the_rule_costs_a_third_more_bits_than_a_fixed_number() {
        let target = 1e-6;
        let bits =
            (1..).map(|step| step * 10_000).find(|bits| decide(0, *bits, target) == Decided::Below);
        let cost = bits.unwrap() as f64 * target;
        println!("{cost:.2} over the target without an error");
        assert!((3.69..5.1).contains(&cost), "{cost}");
        // The interval agrees wherever the rule ends.
        for errors in 0..50 {
            let bits = (1..)
                .map(|step| step * 200_000)
                .find(|bits| decide(errors, *bits, target) == Decided::Below);
            assert!(Ber::new(errors, bits.unwrap()).unwrap().high < target, "{errors}");
        }
    }

    #[test]
    fn a_rate_far_from_the_target_is_decided() {
        assert_eq!(decide(200, 1_000_000, 1e-6), Decided::Above);
        assert_eq!(decide(1, 1_000_000, 1e-6), Decided::Open);
        assert_eq!(decide(0, 0, 1e-6), Decided::Open);
        assert_eq!(decide(10, 10, 0.5), Decided::Above);
        assert_eq!(decide(5, 10, 0.5), Decided::Open);
        for mean in [0.5, 8.0] {
            let target = 2.0 / CAPTURE_BITS as f64;
            let wanted = if mean < 2.0 { Decided::Below } else { Decided::Above };
            let right =
                ended(500, 200, mean, |errors, bits| decide(errors, bits, target) == wanted);
            assert!(right.len() >= 495, "{mean}: {}", right.len());
        }
    }

    /// Stopped at a width, the interval holds the true rate in 95 % of all measurements.
    #[test]
    fn an_interval_of_a_wanted_width_holds() {
        println!("seed {SEED}");
        let (runs, mean) = (4000, 0.7);
        let truly = mean / CAPTURE_BITS as f64;
        for ratio in [2.0, 4.0] {
            let ends = ended(runs, 10_000, mean, |errors, bits| is_within(errors, bits, ratio));
            assert_eq!(ends.len() as u64, runs);
            let held = ends.iter().filter(|(errors, bits)| {
                let rate = Ber::new(*errors, *bits).unwrap();
                rate.low <= truly && truly <= rate.high
            });
            let share = held.count() as f64 / runs as f64;
            println!("ratio {ratio}: {} errors, {share:.4} held", ends[0].0);
            assert!(share >= 0.95 - 3.0 * (0.95f64 * 0.05 / 4000.0).sqrt(), "{share}");
        }
    }
}
