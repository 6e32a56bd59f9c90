//! What several ways of one signal add up to in power.
//!
//! Knows nothing of arrays or angles: rays are a complex gain and a delay.

use num_complex::Complex64;

use super::capture::Ray;

/// Mean `|v|^2` over a pass of the sum of rays: `sum over k, l of g_k conj(g_l) R(tau_l - tau_k)`,
/// `correlation` being R over seconds. A single ray gives the square of its gain times `R(0)`.
pub fn mean_square(rays: &[Ray], mut correlation: impl FnMut(f64) -> Complex64) -> f64 {
    let own: f64 = rays.iter().map(|ray| ray.gain.norm_sqr()).sum();
    let mut crossed = 0.0;
    for (k, first) in rays.iter().enumerate() {
        for second in &rays[k + 1..] {
            let product = first.gain * second.gain.conj();
            if product.norm_sqr() > 0.0 {
                let later = correlation(second.delay_s - first.delay_s);
                crossed += 2.0 * (product * later).re;
            }
        }
    }
    own * correlation(0.0).re + crossed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_equal_rays_of_one_tone_add_as_phasors() {
        // |1 + exp(j phi)|^2 = 2 + 2 cos(phi); delay and carrier phase both turn.
        let ray = |phase: f64, delay_s| Ray { gain: Complex64::cis(phase), delay_s };
        let rays = [ray(0.0, 0.0), ray(1.0, 3.3e-9)];
        let got = mean_square(&rays, |s| Complex64::cis(std::f64::consts::TAU * 1e8 * s));
        let phi = 1.0 - std::f64::consts::TAU * 0.33;
        assert!((got / (2.0 + 2.0 * phi.cos()) - 1.0).abs() < 1e-12, "{got}");
    }
}
