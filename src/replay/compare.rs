//! Old figures against new ones: which differ, by how much, and by more than is tolerated.
//!
//! Decibels, hertz and the like by their difference; error rates by their exact 95 % intervals
//! (C. Clopper, E. Pearson, Biometrika 26, 1934), which must not lie apart; whatever is counted
//! otherwise and yes or no by equality. Knows figures by name; nothing of files.

use std::collections::BTreeMap;

use beamwarden_drivers::fault::nearest;

use crate::phy::figures::Figures;
use crate::phy::interval::Ber;
use crate::record::{Figure, Value};

/// Largest differences between a measurement and its simulation that are passed over by default, by
/// figure. What a figure varies by from one capture to the next is below them (common practice, no
/// source); figures that are not named here are shown and not judged.
pub const TOLERANCES: &[(&str, f64)] = &[
    ("evm_db", 1.0),
    ("evm_data_aided_db", 1.0),
    ("evm_by_decision_db", 1.0),
    ("evm_gain_fitted_db", 1.0),
    ("snr_db", 1.0),
    ("snr_from_evm_db", 1.0),
    ("power_dbfs", 1.0),
    ("power_db", 1.0),
    ("cfo_hz", 5e3),
    ("clock_offset_ppm", 1.0),
    ("iq_gain_db", 0.3),
    ("iq_phase_deg", 2.0),
    ("phase_noise_deg", 1.0),
    ("clipped_fraction", 0.001),
];
/// Figures that are yes or no, or a property of the frame: equal or different.
const EQUAL: &[&str] = &["detected", "header_ok", "mcs", "psdu_octets"];
/// Rates: name of the row, what is counted, of how many.
const RATES: &[(&str, &str, &str)] = &[
    ("ber", "bit_errors", "bits"),
    ("raw_ber", "raw_bit_errors", "raw_bits"),
    ("codeword_error_rate", "codewords_failed", "codewords"),
];

/// How figures are compared.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tolerances {
    /// Whether every figure must be the same, but for those in `own`.
    exact: bool,
    own: BTreeMap<String, f64>,
}

impl Tolerances {
    /// [`TOLERANCES`], intervals of rates, equality of the rest that is judged.
    #[must_use]
    pub fn of_a_model() -> Self {
        Tolerances::default()
    }

    /// Every figure must be what it was, to the last digit.
    #[must_use]
    pub fn exact() -> Self {
        Tolerances { exact: true, own: BTreeMap::new() }
    }

    /// The same with a tolerance of one's own for a figure.
    #[must_use]
    pub fn with(mut self, figure: &str, tolerance: f64) -> Self {
        self.own.insert(figure.to_owned(), tolerance);
        self
    }

    /// Whether a figure of this name can come up.
    #[must_use]
    pub fn knows(figure: &str) -> bool {
        RATES.iter().any(|(name, ..)| *name == figure)
            || Figures::default().list().iter().any(|known| known.name == figure)
    }

    /// The figure that somebody may have meant who wrote this name: one that it begins, else one that is
    /// spelt nearly so.
    #[must_use]
    pub fn nearest(figure: &str) -> Option<String> {
        let figures = Figures::default().list();
        let rates = RATES.iter().map(|(name, ..)| *name);
        let names: Vec<&str> = rates.chain(figures.iter().map(|known| known.name)).collect();
        let begun = names.iter().find(|name| {
            name.strip_prefix(figure).is_some_and(|rest| rest.starts_with('_'))
                && !figure.is_empty()
        });
        begun.copied().or_else(|| nearest(figure, names.iter().copied())).map(str::to_owned)
    }

    fn of(&self, figure: &str) -> Option<f64> {
        let standard = || TOLERANCES.iter().find(|(name, _)| *name == figure).map(|(_, t)| *t);
        self.own.get(figure).copied().or_else(|| standard().filter(|_| !self.exact))
    }
}

/// How a pair of figures came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judged {
    /// The same.
    Same,
    /// Within the tolerance, or intervals that overlap.
    Within,
    /// Beyond it.
    Exceeds,
    /// Different, and nothing says how much is too much.
    NotJudged,
}

/// One figure, old and new.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What it belongs to: a measurement, a capture.
    pub place: String,
    /// Name of the figure.
    pub figure: String,
    /// Its unit.
    pub unit: Option<String>,
    /// As it was recorded.
    pub recorded: Option<Value>,
    /// As it is now.
    pub now: Option<Value>,
    /// The difference, where both are numbers.
    pub difference: Option<f64>,
    /// What is tolerated.
    pub tolerance: Option<f64>,
    /// How it came out.
    pub judged: Judged,
}

/// Compares the figures of one place.
#[must_use]
pub fn compare(place: &str, recorded: &[Figure], now: &[Figure], by: &Tolerances) -> Vec<Row> {
    let mut rows: Vec<Row> = RATES
        .iter()
        .filter(|_| !by.exact)
        .filter_map(|rate| rate_row(place, rate, recorded, now, by))
        .collect();
    let counted: Vec<&str> =
        RATES.iter().flat_map(|(_, count, of)| [*count, *of]).chain(["ber"]).collect();
    let with_rates =
        |name: &str| !by.exact && (counted.contains(&name) || name.starts_with("ber_"));
    let names =
        recorded.iter().chain(now.iter().filter(|figure| find(recorded, &figure.name).is_none()));
    for figure in names.filter(|figure| !with_rates(&figure.name)) {
        let (old, new) = (find(recorded, &figure.name), find(now, &figure.name));
        let (old_value, new_value) =
            (old.and_then(|f| f.value.clone()), new.and_then(|f| f.value.clone()));
        if old_value.is_none() && new_value.is_none() {
            continue;
        }
        rows.push(row(place, figure, old_value, new_value, by));
    }
    rows
}

fn find<'a>(figures: &'a [Figure], name: &str) -> Option<&'a Figure> {
    figures.iter().find(|figure| figure.name == name)
}

fn row(
    place: &str,
    figure: &Figure,
    recorded: Option<Value>,
    now: Option<Value>,
    by: &Tolerances,
) -> Row {
    let number = |value: &Option<Value>| value.as_ref().and_then(Value::as_f64);
    let difference = number(&recorded).zip(number(&now)).map(|(old, new)| new - old);
    let tolerance = by.of(&figure.name);
    let judged = match (recorded == now, difference, tolerance) {
        (true, _, _) => Judged::Same,
        (_, Some(difference), Some(tolerance)) if difference.abs() <= tolerance => Judged::Within,
        (_, Some(_), Some(_)) => Judged::Exceeds,
        // One of the two could not be had: not a small difference.
        (_, None, Some(_)) => Judged::Exceeds,
        _ if by.exact || EQUAL.contains(&figure.name.as_str()) => Judged::Exceeds,
        _ => Judged::NotJudged,
    };
    let (place, unit) = (place.to_owned(), figure.unit.clone());
    Row { place, figure: figure.name.clone(), unit, recorded, now, difference, tolerance, judged }
}

fn rate_row(
    place: &str,
    (name, errors, bits): &(&str, &str, &str),
    recorded: &[Figure],
    now: &[Figure],
    by: &Tolerances,
) -> Option<Row> {
    let rate = |figures: &[Figure]| {
        let count = |name: &str| {
            let value = find(figures, name)?.value.as_ref()?.as_f64()?;
            (value >= 0.0).then_some(value as u64)
        };
        Ber::new(count(errors)?, count(bits)?)
    };
    let (old, new) = (rate(recorded), rate(now));
    if old.is_none() && new.is_none() {
        return None;
    }
    let tolerance = by.own.get(*name).copied();
    let difference = old.as_ref().zip(new.as_ref()).map(|(old, new)| new.ber - old.ber);
    let judged = match (&old, &new, tolerance) {
        (Some(old), Some(new), _) if (old.errors, old.bits) == (new.errors, new.bits) => {
            Judged::Same
        }
        (Some(old), Some(new), Some(tolerance)) => {
            if (new.ber - old.ber).abs() <= tolerance {
                Judged::Within
            } else {
                Judged::Exceeds
            }
        }
        (Some(old), Some(new), None) => {
            if old.low <= new.high && new.low <= old.high {
                Judged::Within
            } else {
                Judged::Exceeds
            }
        }
        _ => Judged::Exceeds,
    };
    let value = |rate: Option<Ber>| rate.map(|rate| Value::Number(rate.ber));
    Some(Row {
        place: place.to_owned(),
        figure: (*name).to_owned(),
        unit: None,
        recorded: value(old),
        now: value(new),
        difference,
        tolerance,
        judged,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(evm_db: f64, errors: u64, bits: u64, detected: bool) -> Vec<Figure> {
        vec![
            Figure::plain("detected", detected),
            Figure::number("evm_db", Some(evm_db), Some("dB")),
            Figure::number("delay_spread_s", Some(evm_db * 1e-12), Some("s")),
            Figure::count("bits", bits),
            Figure::count("bit_errors", errors),
        ]
    }

    #[track_caller]
    fn check(now: &[Figure], by: &Tolerances, figure: &str, wanted: Judged) {
        let recorded = figures(-17.0, 100, 100_000, true);
        let rows = compare("here", &recorded, now, by);
        let row = rows.iter().find(|row| row.figure == figure).unwrap();
        assert_eq!(row.judged, wanted, "{row:?}");
    }

    #[test]
    fn figures_are_judged_by_their_tolerances() {
        let model = Tolerances::of_a_model();
        let same = figures(-17.0, 100, 100_000, true);
        check(&same, &model, "evm_db", Judged::Same);
        check(&same, &model, "ber", Judged::Same);
        let near = figures(-16.1, 110, 100_000, true);
        check(&near, &model, "evm_db", Judged::Within);
        check(&near, &model, "delay_spread_s", Judged::NotJudged);
        check(&near, &Tolerances::exact(), "delay_spread_s", Judged::Exceeds);
        check(&near, &Tolerances::exact(), "bit_errors", Judged::Exceeds);
        check(&near, &Tolerances::exact().with("evm_db", 1.0), "evm_db", Judged::Within);
        let far = figures(-15.9, 100, 100_000, false);
        check(&far, &model, "evm_db", Judged::Exceeds);
        check(&far, &model.clone().with("evm_db", 2.0), "evm_db", Judged::Within);
        check(&far, &model, "detected", Judged::Exceeds);
        check(&[], &model, "evm_db", Judged::Exceeds);
    }

    /// 100 errors in 100,000: 95 % from 8.14e-4 to 1.216e-3 (Clopper and Pearson 1934). 140 of as many
    /// begin at 1.178e-3 and overlap; 170 begin at 1.454e-3 and lie apart.
    #[test]
    fn rates_differ_when_their_intervals_lie_apart() {
        let model = Tolerances::of_a_model();
        check(&figures(-17.0, 140, 100_000, true), &model, "ber", Judged::Within);
        check(&figures(-17.0, 170, 100_000, true), &model, "ber", Judged::Exceeds);
        // Fewer bits know less.
        check(&figures(-17.0, 17, 10_000, true), &model, "ber", Judged::Within);
        check(
            &figures(-17.0, 140, 100_000, true),
            &model.with("ber", 1e-5),
            "ber",
            Judged::Exceeds,
        );
    }
}
