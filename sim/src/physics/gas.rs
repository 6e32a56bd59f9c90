//! Attenuation by oxygen and water vapour, line by line: Recommendation ITU-R P.676-12, annex 1,
//! equations (1) to (9).
//!
//! Knows nothing of paths. Holds from 1 GHz to 1,000 GHz. The Recommendation's p is the pressure of
//! dry air; here the total pressure is given, and the vapour's share taken off.

use super::gas_lines::{OXYGEN, WATER_VAPOUR};

/// The air between the arrays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Total pressure, hPa.
    pub pressure_hpa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
    /// Density of water vapour, g/m^3.
    pub vapour_g_m3: f64,
}

/// Specific attenuation, dB/km: oxygen (with nitrogen's pressure-induced part), water vapour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Specific {
    /// Dry air.
    pub oxygen_db_km: f64,
    /// Water vapour.
    pub water_db_km: f64,
}

impl Specific {
    /// Both together, dB/km.
    pub fn total_db_km(&self) -> f64 {
        self.oxygen_db_km + self.water_db_km
    }
}

/// Pressures of dry air and vapour (hPa), and 300 K over the temperature.
struct State {
    dry: f64,
    vapour: f64,
    theta: f64,
}

/// Specific attenuation at `carrier_hz`.
pub fn specific_attenuation(air: &Air, carrier_hz: f64) -> Specific {
    // Equation (4): e = rho T / 216.7.
    let vapour = air.vapour_g_m3 * air.temperature_k / 216.7;
    let state = State { dry: air.pressure_hpa - vapour, vapour, theta: 300.0 / air.temperature_k };
    let f = carrier_hz / 1e9;
    let oxygen: f64 = OXYGEN.iter().map(|line| oxygen_line(line, f, &state)).sum();
    let water: f64 = WATER_VAPOUR.iter().map(|line| water_line(line, f, &state)).sum();
    // Equation (1): gamma = 0.1820 f N''.
    Specific {
        oxygen_db_km: 0.1820 * f * (oxygen + dry_continuum(f, &state)),
        water_db_km: 0.1820 * f * water,
    }
}

/// Strength times shape of one oxygen line: equations (3), (5), (6a), (6b), (7).
fn oxygen_line(&[f0, a1, a2, a3, a4, a5, a6]: &[f64; 7], f: f64, air: &State) -> f64 {
    let State { dry, vapour, theta } = *air;
    let strength = a1 * 1e-7 * dry * theta.powi(3) * libm::exp(a2 * (1.0 - theta));
    let width = a3 * 1e-4 * (dry * libm::pow(theta, 0.8 - a4) + 1.1 * vapour * theta);
    // Zeeman splitting.
    let width = (width * width + 2.25e-6).sqrt();
    let interference = (a5 + a6 * theta) * 1e-4 * (dry + vapour) * libm::pow(theta, 0.8);
    strength * shape(f, f0, width, interference)
}

/// Strength times shape of one line of water vapour.
fn water_line(&[f0, b1, b2, b3, b4, b5, b6]: &[f64; 7], f: f64, air: &State) -> f64 {
    let State { dry, vapour, theta } = *air;
    let strength = b1 * 0.1 * vapour * libm::pow(theta, 3.5) * libm::exp(b2 * (1.0 - theta));
    let width = b3 * 1e-4 * (dry * libm::pow(theta, b4) + b5 * vapour * libm::pow(theta, b6));
    // Doppler broadening.
    let width = 0.535 * width + (0.217 * width * width + 2.1316e-12 * f0 * f0 / theta).sqrt();
    strength * shape(f, f0, width, 0.0)
}

/// Equation (5).
fn shape(f: f64, f0: f64, width: f64, interference: f64) -> f64 {
    let side =
        |distance: f64| (width - interference * distance) / (distance * distance + width * width);
    f / f0 * (side(f0 - f) + side(f0 + f))
}

/// The dry continuum: equations (8) and (9).
fn dry_continuum(f: f64, air: &State) -> f64 {
    let State { dry, vapour, theta } = *air;
    let width = 5.6e-4 * (dry + vapour) * libm::pow(theta, 0.8);
    let debye = 6.14e-5 / (width * (1.0 + (f / width).powi(2)));
    let nitrogen = 1.4e-12 * dry * libm::pow(theta, 1.5) / (1.0 + 1.9e-5 * libm::pow(f, 1.5));
    f * dry * theta * theta * (debye + nitrogen)
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Deserialize)]
    struct Reference {
        gas_attenuation: Vec<Row>,
    }

    #[derive(Deserialize)]
    struct Row {
        f_ghz: f64,
        oxygen_db_km: f64,
        water_db_km: f64,
        dry_air_db_km: f64,
        dry_pressure_total_db_km: f64,
    }

    #[test]
    fn specific_attenuation_of_recommendation_p676() {
        // Twelve digits from an independent library; sources in the file.
        let text = include_str!("../../tests/reference/link.yaml");
        let reference: Reference = serde_yaml::from_str(text).expect("it is well formed");
        let normal = Air { pressure_hpa: 1013.25, temperature_k: 288.15, vapour_g_m3: 7.5 };
        let vapour_hpa = 7.5 * 288.15 / 216.7;
        let mut worst = 0f64;
        for row in &reference.gas_attenuation {
            let at = |air: Air| specific_attenuation(&air, 1e9 * row.f_ghz);
            let dry = at(Air { vapour_g_m3: 0.0, ..normal });
            let over_dry = at(Air { pressure_hpa: 1013.25 + vapour_hpa, ..normal });
            for (got, expected) in [
                (at(normal).oxygen_db_km, row.oxygen_db_km),
                (at(normal).water_db_km, row.water_db_km),
                (dry.total_db_km(), row.dry_air_db_km),
                (over_dry.total_db_km(), row.dry_pressure_total_db_km),
            ] {
                worst = worst.max((got / expected - 1.0).abs());
                assert!(worst < 1e-9, "{} GHz: {got} {expected}", row.f_ghz);
            }
        }
        println!("specific attenuation, relative: worst {worst:.1e}");
        assert_eq!(reference.gas_attenuation.len(), 21);
    }
}
