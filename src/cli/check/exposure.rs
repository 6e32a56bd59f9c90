//! What a bench may radiate at most, beside published reference levels. A prediction from what the
//! bench file says, for planning; no exposure assessment.
//!
//! Pure: numbers in, numbers out.

use std::f64::consts::PI;

use crate::bench::BenchPlan;
use crate::sequence::{Action, Axis, Given, Sequence, Step};

/// Speed of light in m/s, exact by the SI.
const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// Highest frequency of the band in Hz: reference levels fall with frequency, so that this is on the
/// safe side where the channel is not known.
const BAND_END_HZ: f64 = 71e9;

/// One published level of incident power density in W/m^2.
pub(super) struct Level {
    /// What it is for.
    pub(super) what: &'static str,
    /// The level at a frequency in GHz.
    pub(super) at: fn(f64) -> f64,
    /// Where it is published, and how sure it is.
    pub(super) source: &'static str,
}

/// The levels that are shown. Copied from the project's collection of facts; the current text of the
/// rule in force prevails. `tests/reference/rf/exposure.yaml` holds values to check them against.
pub(super) const LEVELS: &[Level] = &[
    Level {
        what: "general public, local, 6 min over 4 cm^2",
        at: |ghz| 55.0 * ghz.powf(-0.177),
        source: "ICNIRP 2020 reference level, Health Physics 118(5), 483-524",
    },
    Level {
        what: "workers, local, 6 min over 4 cm^2",
        at: |ghz| 275.0 * ghz.powf(-0.177),
        source: "ICNIRP 2020 reference level, Health Physics 118(5), 483-524",
    },
    Level {
        what: "general public, whole body, 30 min",
        at: |_| 10.0,
        source: "ICNIRP 2020, from memory; 47 CFR 1.1310 has the same, from memory",
    },
    Level {
        what: "workers, over 20 cm^2",
        at: |_| 50.0,
        source: "Directive 2013/35/EU annex III; 47 CFR 1.1310 has the same, from memory",
    },
];

/// What is predicted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Exposure {
    /// Largest equivalent isotropically radiated power, dBm.
    pub(super) eirp_dbm: f64,
    /// Largest power density at the distance, W/m^2.
    pub(super) density_w_m2: f64,
    /// The frequency that the levels are taken at, Hz.
    pub(super) frequency_hz: f64,
    /// From this distance on the formula holds, m.
    pub(super) far_field_m: f64,
}

/// EIRP of elements that add up in phase: `P + 20 log10 N + G`, as N powers and N-fold directivity.
pub(super) fn eirp_dbm(element_power_dbm: f64, element_gain_db: f64, elements: usize) -> f64 {
    element_power_dbm + element_gain_db + 20.0 * (elements as f64).log10()
}

/// Power density at a distance in the far field: `EIRP / (4 pi R^2)` (ITU-R P.525).
pub(super) fn density_w_m2(eirp_dbm: f64, distance_m: f64) -> f64 {
    10f64.powf((eirp_dbm - 30.0) / 10.0) / (4.0 * PI * distance_m * distance_m)
}

/// The largest that a sequence may radiate on a bench; `None` where the bench file does not tell the
/// power of an element.
pub(super) fn predicted(
    plan: &BenchPlan,
    sequence: &Sequence,
    distance_m: f64,
) -> Option<Exposure> {
    let (tx, _) = plan.arrays.as_ref()?;
    let elements = tx.geometry.elements();
    let eirp_dbm = eirp_dbm(tx.element_power_dbm?, tx.element_gain_db?, elements);
    let frequency_hz = highest_frequency(plan, sequence).unwrap_or(BAND_END_HZ);
    // Half-wavelength spacing is assumed for the aperture's size: `2 D^2 / lambda` (antenna handbooks).
    let aperture_m = elements as f64 * 0.5 * LIGHT_M_PER_S / frequency_hz;
    Some(Exposure {
        eirp_dbm,
        density_w_m2: density_w_m2(eirp_dbm, distance_m),
        frequency_hz,
        far_field_m: 2.0 * aperture_m * aperture_m * frequency_hz / LIGHT_M_PER_S,
    })
}

/// The highest carrier that the sequence sets, where the bench says which setting holds the channel
/// (IEEE 802.11ad-2012: 56.16 GHz + 2.16 GHz times its number).
fn highest_frequency(plan: &BenchPlan, sequence: &Sequence) -> Option<f64> {
    let channel = &plan.signal.channel.as_ref()?.text;
    let mut highest = None;
    for steps in [&sequence.prepare, &sequence.steps] {
        channels(steps, channel, &mut highest);
    }
    highest.map(|channel: f64| 56.16e9 + 2.16e9 * channel)
}

fn higher(highest: &mut Option<f64>, value: Option<f64>) {
    *highest = match (*highest, value) {
        (Some(known), Some(value)) => Some(known.max(value)),
        (known, value) => known.or(value),
    };
}

fn channels(steps: &[Step], name: &str, highest: &mut Option<f64>) {
    for step in steps {
        match &step.action {
            Action::Set(assignments) => {
                for one in assignments.iter().filter(|one| one.setting == name) {
                    match &one.value {
                        Given::Fixed(value) => higher(highest, value.as_number()),
                        // Whatever it will be, the band ends there.
                        Given::Computed(_) => {
                            higher(highest, Some((BAND_END_HZ - 56.16e9) / 2.16e9))
                        }
                    }
                }
            }
            Action::Sweep(sweep) => {
                let ends = |axis: &Axis| {
                    let last = axis.values.len().saturating_sub(1);
                    let all = if last < 1000 { 0..=last } else { 0..=0 };
                    let ends = all.chain([last]).filter_map(|at| axis.values.get(at)?.as_number());
                    ends.fold(None, |most: Option<f64>, v| Some(most.map_or(v, |most| most.max(v))))
                };
                for axis in sweep.axes.iter().filter(|axis| axis.setting == name) {
                    higher(highest, ends(axis));
                }
                channels(&sweep.body, name, highest);
            }
            Action::Call(call) => channels(&call.steps, name, highest),
            Action::Repeat(repeat) => channels(&repeat.body, name, highest),
            Action::When(when) => {
                channels(&when.then, name, highest);
                channels(&when.otherwise, name, highest);
            }
            _ => {}
        }
    }
}

/// Lines for the person; `None` in place of a prediction says what to write.
pub(super) fn lines(exposure: Option<Exposure>, distance_m: f64) -> Vec<String> {
    let Some(exposure) = exposure else {
        return vec![
            "radiation     not predicted: say the power under arrays in the bench file, such as tx: \
             {element_power: 3 dBm, element_gain: 5 dB}"
                .to_string(),
        ];
    };
    let mut lines = vec![format!(
        "radiation     at most {:.1} dBm EIRP, {:.3} W/m^2 at {distance_m} m, predicted from the \
             bench file",
        exposure.eirp_dbm, exposure.density_w_m2
    )];
    let ghz = exposure.frequency_hz / 1e9;
    for Level { what, at, source } in LEVELS {
        let level = at(ghz);
        let share = 100.0 * exposure.density_w_m2 / level;
        lines.push(format!(
            "              {share:.2} % of {level:.1} W/m^2 at {ghz:.2} GHz ({what}; {source})"
        ));
    }
    if distance_m < exposure.far_field_m {
        lines.push(format!(
            "              this distance is within the array's near field, {:.2} m: the formula is \
             not exact there",
            exposure.far_field_m
        ));
    }
    lines.push(
        "              This is no exposure assessment. Local rules and the site's safety officer \
         prevail; keep out of the beam, whose direction a search changes."
            .to_string(),
    );
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked power densities and levels of tests/reference/rf/exposure.yaml.
    #[test]
    fn densities_and_levels_are_the_published_ones() {
        let text = include_str!("../../../tests/reference/rf/exposure.yaml");
        let reference: serde_yaml::Value = serde_yaml::from_str(text).unwrap();
        let number = |row: &serde_yaml::Value, key: &str| row[key].as_f64().unwrap();
        let rows = reference["power_density"]["rows"].as_sequence().unwrap();
        assert!(rows.len() > 10);
        for row in rows {
            let density = density_w_m2(number(row, "eirp_dbm"), number(row, "r_m"));
            // The table has twelve digits.
            assert!((density / number(row, "s_w_m2") - 1.0).abs() < 1e-11, "{row:?}");
        }
        let rows = reference["icnirp_2020_local_reference_level"]["rows"].as_sequence().unwrap();
        assert!(rows.len() > 5);
        for row in rows {
            let ghz = number(row, "f_ghz");
            let public = (LEVELS[0].at)(ghz) / number(row, "general_public_local_4cm2_w_m2");
            let workers = (LEVELS[1].at)(ghz) / number(row, "occupational_local_4cm2_w_m2");
            assert!((public - 1.0).abs() < 1e-11 && (workers - 1.0).abs() < 1e-11, "{row:?}");
        }
        assert_eq!((LEVELS[2].at)(60.0), number(&reference["whole_body"], "general_public_w_m2"));
        assert_eq!((LEVELS[3].at)(60.0), number(&reference["eu_workers"], "incident_w_m2"));
    }

    /// Twice the elements give four times the EIRP: two powers, twice the directivity.
    #[test]
    fn coherent_elements_add_up_to_the_square() {
        assert!((eirp_dbm(3.0, 5.0, 1) - 8.0).abs() < 1e-12);
        let four_times_db = 10.0 * 4f64.log10();
        assert!((eirp_dbm(3.0, 5.0, 16) - eirp_dbm(3.0, 5.0, 8) - four_times_db).abs() < 1e-12);
    }
}
