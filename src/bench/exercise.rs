//! Writes every setting within its limits and reads it back, to learn whether the bench does what it
//! is told. Each setting is left as it was found. Knows nothing of commands and tables.

use beamwarden_drivers::instrument::RawAnswer;
use beamwarden_drivers::profile::Role;

use super::door::Bench;
use super::error::BenchError;
use super::knob::{Knob, KnobKind, KnobValue};

/// The instruments in the order in which they are exercised: what forgets its settings when another
/// one's change comes before that one.
const ORDER: [Role; 5] =
    [Role::DutControlPort, Role::WaveformSource, Role::Scope, Role::Turntable, Role::Supply];

/// What became of one setting.
#[derive(Debug)]
pub struct Exercised {
    /// Its full name.
    pub setting: String,
    /// The values that were written, in order; the last one is that which was found.
    pub written: Vec<KnobValue>,
    /// What happened.
    pub outcome: Outcome,
}

/// Why a setting is left alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhyLeftOut {
    /// It moves the turntable.
    Moves,
    /// Nobody knows where it stands, so that it could not be put back there.
    WriteOnly,
}

/// How a setting took its values.
#[derive(Debug)]
pub enum Outcome {
    /// Each was read back as asked for.
    Well,
    /// One was read back as another.
    Differs {
        /// What was asked for.
        asked: KnobValue,
        /// What was read back.
        read_back: KnobValue,
    },
    /// It was left alone.
    LeftOut(WhyLeftOut),
    /// The instrument or its link failed.
    Failed(BenchError),
}

/// The values to write: both ends of what the limits allow, every word, both states; then the one that
/// stands there, each the nearest step where not all values are taken. Where nothing bounds a number,
/// what stands alone.
fn trials(knob: &Knob, present: &KnobValue) -> Vec<KnobValue> {
    let low = knob.at_least.iter().map(|bound| bound.value).max_by(f64::total_cmp);
    let high = knob.at_most.iter().map(|bound| bound.value).min_by(f64::total_cmp);
    let ends = low.into_iter().chain(high);
    let mut values: Vec<KnobValue> = match (&knob.kind, present) {
        (KnobKind::Number(_), KnobValue::Number(quantity)) => ends
            .map(|value| {
                let mut quantity = *quantity;
                quantity.value = value;
                KnobValue::Number(quantity)
            })
            .collect(),
        // Bounds of whole numbers are whole numbers of 32 bits at most.
        (KnobKind::Whole, _) => ends.map(|value| KnobValue::Whole(value as i64)).collect(),
        (KnobKind::Switch, KnobValue::Switch(on)) => vec![KnobValue::Switch(!on)],
        (KnobKind::Word(words), _) => words.iter().cloned().map(KnobValue::Word).collect(),
        _ => Vec::new(),
    };
    let present = knob.nearest_step(present).unwrap_or_else(|| present.clone());
    values = values.iter().filter_map(|value| knob.nearest_step(value)).collect();
    values.retain(|value| *value != present);
    values.push(present);
    values
}

impl Bench {
    /// Exercises every setting of every open instrument, those that move the turntable only when
    /// `moving`. Switches are turned on and off. `each` is given one after the other, and says whether
    /// to go on.
    pub async fn exercise(&mut self, moving: bool, mut each: impl FnMut(Exercised) -> bool) {
        for role in ORDER {
            let of_role = self.plan().instruments.iter().filter(|planned| planned.role == role);
            let names: Vec<String> = of_role.map(|planned| planned.name.clone()).collect();
            for name in names {
                for setting in self.writable(&name) {
                    if !each(self.exercise_one(setting, moving).await) {
                        return;
                    }
                }
            }
        }
    }

    /// The full names of an instrument's settings, switches last: they may cut others off.
    #[must_use]
    pub fn writable(&self, instrument: &str) -> Vec<String> {
        let Some(open) = self.instruments.get(instrument) else { return Vec::new() };
        let all = open.driver().knobs().filter(|knob| !knob.read_only);
        let names: Vec<String> = all.map(|knob| format!("{instrument}.{}", knob.name)).collect();
        let is_switch = |name: &String| {
            self.plan().knobs().get(name).is_ok_and(|knob| knob.kind == KnobKind::Switch)
        };
        let (switches, others): (Vec<_>, Vec<_>) = names.into_iter().partition(is_switch);
        others.into_iter().chain(switches).collect()
    }

    async fn exercise_one(&mut self, setting: String, moving: bool) -> Exercised {
        if self.moves(&setting) && !moving {
            return Exercised {
                setting,
                written: Vec::new(),
                outcome: Outcome::LeftOut(WhyLeftOut::Moves),
            };
        }
        let mut written = Vec::new();
        let outcome = match self.exercise_values(&setting, &mut written).await {
            Ok(outcome) => outcome,
            Err(error) if error.is_never_written() => Outcome::LeftOut(WhyLeftOut::WriteOnly),
            Err(error) => Outcome::Failed(error),
        };
        Exercised { setting, written, outcome }
    }

    async fn exercise_values(
        &mut self,
        setting: &str,
        written: &mut Vec<KnobValue>,
    ) -> Result<Outcome, BenchError> {
        let present = self.ask_setting(setting).await?;
        let knob = self.plan().knobs().get(setting)?.clone();
        let values = trials(&knob, &present);
        let last = values.len().saturating_sub(1);
        let mut outcome = Ok(Outcome::Well);
        for (at, value) in values.into_iter().enumerate() {
            // After a fault only the value that was found is put back.
            if at != last && !matches!(outcome, Ok(Outcome::Well)) {
                continue;
            }
            written.push(value.clone());
            let settled = self.set(setting, &value).await;
            let differs = settled.as_ref().ok().and_then(|all| all.iter().find(|s| !s.matched));
            if let (Ok(Outcome::Well), Some(one)) = (&outcome, differs) {
                let (asked, read_back) = (one.asked.clone(), one.read_back.clone());
                outcome = Ok(Outcome::Differs { asked, read_back });
            }
            if let (Ok(_), Err(error)) = (&outcome, settled) {
                outcome = Err(error);
            }
        }
        outcome
    }

    /// Whether an instrument is open and speaks SCPI, as one with an error queue does.
    #[must_use]
    pub fn has_error_queue(&self, instrument: &str) -> bool {
        let open = self.instruments.get(instrument);
        open.is_some_and(|open| open.driver().profile.errors.is_some())
    }

    /// Asks one instrument one query by hand.
    ///
    /// # Errors
    /// What the instrument or its link failed at; a message that is no single query.
    pub async fn ask(&mut self, instrument: &str, query: &str) -> Result<RawAnswer, BenchError> {
        Ok(self.instrument(instrument)?.query_raw(query).await?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::knob::{Bound, KnobSteps};
    use beamwarden_drivers::profile::{BetweenSteps, Grid, Steps};
    use beamwarden_drivers::quantity::{Dimension, Quantity};
    use beamwarden_drivers::value::Kind;

    fn knob(kind: KnobKind, at_least: &[f64], at_most: &[f64]) -> Knob {
        let bound = |value: &f64| Bound { value: *value, origin: "test".into(), protects: false };
        Knob {
            name: "a.b".into(),
            kind,
            at_least: at_least.iter().map(bound).collect(),
            at_most: at_most.iter().map(bound).collect(),
            steps: None,
        }
    }

    #[test]
    fn trials_stay_within_the_tightest_bounds_and_end_where_they_began() {
        let volts = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Voltage });
        let number = KnobKind::Number(Dimension::Voltage);
        let bounded = knob(number.clone(), &[0.0, 0.5], &[3.0, 1.25]);
        assert_eq!(trials(&bounded, &volts(1.0)), [volts(0.5), volts(1.25), volts(1.0)]);
        assert_eq!(trials(&bounded, &volts(0.5)), [volts(1.25), volts(0.5)]);
        assert_eq!(trials(&knob(number, &[], &[]), &volts(1.0)), [volts(1.0)]);
        let whole = knob(KnobKind::Whole, &[1.0], &[6.0]);
        let wholes = [1, 6, 3].map(KnobValue::Whole);
        assert_eq!(trials(&whole, &KnobValue::Whole(3)), wholes);
        let switch = knob(KnobKind::Switch, &[], &[]);
        let (on, off) = (KnobValue::Switch(true), KnobValue::Switch(false));
        assert_eq!(trials(&switch, &off), [on, off]);
        let words = knob(KnobKind::Word(vec!["x".into(), "y".into()]), &[], &[]);
        let word = |word: &str| KnobValue::Word(word.into());
        assert_eq!(trials(&words, &word("x")), [word("y"), word("x")]);
    }

    /// Limits that are no steps: the ends are the steps within, also for what stands beside a step.
    #[test]
    fn trials_are_steps() {
        let volts = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Voltage });
        let mut bounded = knob(KnobKind::Number(Dimension::Voltage), &[0.0, 0.55], &[3.0, 1.25]);
        bounded.steps = Some(KnobSteps {
            steps: Steps {
                grid: Grid::Every { of: 0.1, from: 0.0 },
                between: BetweenSteps::Refuse,
            },
            kind: Kind::Number { dimension: Dimension::Voltage, at_least: 0.0, at_most: 3.0 },
            origin: "test".into(),
        });
        assert_eq!(trials(&bounded, &volts(1.0)), [volts(0.6), volts(1.2), volts(1.0)]);
        assert_eq!(trials(&bounded, &volts(0.63)), [volts(1.2), volts(0.6)]);
    }
}
