//! The link budget from source volts to scope volts: path loss, array gains, chip gains, noise.
//!
//! Knows nothing of registers or of the waveform. Volts at the scope are those of the complex
//! envelope `v = I + jQ` on 50 ohm, so a power P appears as `|v|^2 = 2 * 50 ohm * P`.

use num_complex::Complex64;

use super::oscillator::cis;

/// Speed of light in vacuum, m/s (exact, SI).
pub const SPEED_OF_LIGHT_M_S: f64 = 299_792_458.0;
/// Boltzmann constant, J/K (exact, SI).
pub const BOLTZMANN_J_K: f64 = 1.380_649e-23;
/// Standard noise temperature, K (ITU-R P.372; IEEE noise-figure definition).
pub const STANDARD_TEMPERATURE_K: f64 = 290.0;
/// Load of the baseband lines, ohm.
pub const LOAD_OHM: f64 = 50.0;

/// Free-space basic transmission loss in dB, ITU-R P.525: `20 log10(4 pi d f/c)`.
pub fn free_space_loss_db(carrier_hz: f64, distance_m: f64) -> f64 {
    let ratio = 4.0 * std::f64::consts::PI * distance_m * carrier_hz / SPEED_OF_LIGHT_M_S;
    20.0 * libm::log10(ratio)
}

/// Power density in W/m^2 at a distance in the far field: `S = EIRP/(4 pi R^2)` (Balanis, Antenna
/// Theory, 4th ed., sec. 2.2).
pub fn power_density_w_m2(eirp_dbm: f64, distance_m: f64) -> f64 {
    1e-3 * libm::exp10(eirp_dbm / 10.0) / (4.0 * std::f64::consts::PI * distance_m * distance_m)
}

/// Thermal noise power kTB in watts (ITU-R P.372).
pub fn thermal_noise_w(temperature_k: f64, bandwidth_hz: f64) -> f64 {
    BOLTZMANN_J_K * temperature_k * bandwidth_hz
}

/// Centre frequency of a channel, Hz: `56.16 GHz + 2.16 GHz n` (IEEE Std 802.11-2020, DMG).
pub fn channel_centre_hz(channel: u16) -> f64 {
    (56.16 + 2.16 * f64::from(channel)) * 1e9
}

/// A power ratio in dB as an amplitude factor.
pub fn amplitude_of_db(db: f64) -> f64 {
    libm::exp10(db / 20.0)
}

/// One way of the signal through the air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// Its length, m.
    pub length_m: f64,
    /// Losses beyond free space, less the gain of one element at either end, dB.
    pub loss_db: f64,
    /// Turn relative to the direct way, rad.
    pub phase_rad: f64,
    /// Sum over the transmit elements of weight times wave factor.
    pub tx_response: Complex64,
    /// Sum over the receive elements of weight times wave factor.
    pub rx_response: Complex64,
}

/// Everything the budget of one instant needs.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkInputs {
    /// Carrier of the transmitter, Hz.
    pub carrier_hz: f64,
    /// The direct way, then the reflections.
    pub ways: Vec<Way>,
    /// Power of one transmit element for a source envelope of 1 V, at the gain in force, dBm.
    pub element_output_dbm: f64,
    /// Sum over the receive elements of the squared weights: how much noise they let in.
    pub rx_weight_power: f64,
    /// Receive elements that feed the combiner, on or off.
    pub rx_elements: usize,
    /// Receiver gain from the combiner's output to the baseband line, dB.
    pub rx_gain_db: f64,
    /// Noise figure of each receive element, dB.
    pub noise_figure_db: f64,
}

/// What the link makes of the source's volts.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Complex factor from source envelope volts to scope envelope volts of each way.
    pub gains: Vec<Complex64>,
    /// Receiver noise at the scope, V^2/Hz of complex envelope, flat in the receiver's passband.
    pub noise_v2_per_hz: f64,
}

/// The budget of one instant. The combiner is lossless and matched for N elements: it divides the
/// sum of the amplitudes by sqrt(N), so that equal elements with independent noise gain 10 log10 N
/// in signal-to-noise ratio (Van Trees, Optimum Array Processing, sec. 2.6). The elements' gain, which
/// lies before the combiner, is taken as so high that what the combiner itself adds and the loads of
/// elements that are off give shows nowhere; a few elements of many are then as sensitive alone.
pub fn budget(link: &LinkInputs) -> Budget {
    let element_w = 1e-3 * libm::exp10(link.element_output_dbm / 10.0);
    let combiner = 1.0 / (link.rx_elements.max(1) as f64);
    let to_volts = (2.0 * LOAD_OHM).sqrt() * amplitude_of_db(link.rx_gain_db);
    let gain = |way: &Way| {
        let loss_db = free_space_loss_db(link.carrier_hz, way.length_m) + way.loss_db;
        let at_combiner = way.tx_response
            * way.rx_response
            * (element_w.sqrt() * amplitude_of_db(-loss_db) * combiner.sqrt());
        at_combiner * to_volts * cis(way.phase_rad)
    };
    let noise_figure = libm::exp10(link.noise_figure_db / 10.0);
    let noise_w_per_hz = thermal_noise_w(STANDARD_TEMPERATURE_K, 1.0)
        * noise_figure
        * link.rx_weight_power
        * combiner;
    Budget {
        gains: link.ways.iter().map(gain).collect(),
        noise_v2_per_hz: noise_w_per_hz * to_volts * to_volts,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_relative(got: f64, expected: f64) {
        // Twelve significant digits are printed in the reference.
        assert!((got / expected - 1.0).abs() < 1e-11, "{got} {expected}");
    }

    #[test]
    fn free_space_loss_of_recommendation_p525() {
        // ITU-R P.525-4: L = 20 log10(4 pi d / lambda), evaluated for the DMG channels.
        check_relative(free_space_loss_db(58.32e9, 1.0), 67.7641335281);
        check_relative(free_space_loss_db(60.48e9, 3.0), 77.6224439661);
        check_relative(free_space_loss_db(62.64e9, 3.0), 77.9272432973);
        check_relative(free_space_loss_db(62.64e9, 100.0), 108.384818203);
    }

    #[test]
    fn thermal_noise_of_recommendation_p372() {
        check_relative(thermal_noise_w(290.0, 1.0), 4.0038821e-21);
        check_relative(thermal_noise_w(290.0, 1.76e9), 7.046832496e-12);
        check_relative(thermal_noise_w(293.15, 2.16e9), 8.74232469396e-12);
    }

    #[test]
    fn channels_of_the_dmg_phy() {
        // IEEE Std 802.11-2020: channels 2 and 3 at 60.48 and 62.64 GHz.
        check_relative(channel_centre_hz(2), 60.48e9);
        check_relative(channel_centre_hz(3), 62.64e9);
    }

    fn way(length_m: f64, tx_response: Complex64, rx_response: Complex64) -> Way {
        Way { length_m, loss_db: 0.0, phase_rad: 0.0, tx_response, rx_response }
    }

    /// Budget rows by hand: EIRP - loss + receive gain against kTB + NF (own arithmetic on the two
    /// recommendations above).
    fn check_snr(elements: usize, distance_m: f64, noise_figure_db: f64) {
        let n = elements as f64;
        let link = LinkInputs {
            carrier_hz: 60.48e9,
            ways: vec![way(distance_m, Complex64::new(n, 0.0), Complex64::new(n, 0.0))],
            element_output_dbm: -3.0,
            rx_weight_power: n,
            rx_elements: elements,
            rx_gain_db: 37.0,
            noise_figure_db,
        };
        let got = budget(&link);
        let snr_db = 10.0 * (got.gains[0].norm_sqr() / (got.noise_v2_per_hz * 1.76e9)).log10();
        let eirp_dbm = -3.0 + 20.0 * n.log10();
        let received_dbm = eirp_dbm - free_space_loss_db(60.48e9, distance_m) + 10.0 * n.log10();
        // kTB in 1.76 GHz at 290 K is -81.5200605161 dBm (ITU-R P.372).
        let expected_db = received_dbm - (-81.5200605161 + noise_figure_db);
        assert!((snr_db - expected_db).abs() < 1e-9, "{snr_db} {expected_db}");
    }

    #[test]
    fn signal_to_noise_ratio_is_the_textbook_budget() {
        check_snr(1, 1.0, 0.0);
        check_snr(8, 3.0, 8.0);
        check_snr(16, 3.0, 10.0);
    }

    #[test]
    fn a_switched_off_receive_array_passes_neither_signal_nor_noise() {
        let link = LinkInputs {
            carrier_hz: 60.48e9,
            ways: vec![way(1.0, Complex64::ONE, Complex64::ZERO)],
            element_output_dbm: 0.0,
            rx_weight_power: 0.0,
            rx_elements: 8,
            rx_gain_db: 40.0,
            noise_figure_db: 8.0,
        };
        assert_eq!(budget(&link).gains, [Complex64::ZERO]);
        assert_eq!(budget(&link).noise_v2_per_hz, 0.0);
    }
}
