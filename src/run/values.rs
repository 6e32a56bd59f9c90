//! What names in expressions stand for at the moment, and what follows from it.

use std::collections::HashMap;

use super::engine::Engine;
use super::error::RunError;
use crate::bench::knob::KnobValue;
use crate::record;
use crate::sequence::expression::{Expression, ExpressionError, Name, Operand, knob_value};
use crate::sequence::{Piece, Text};

impl Engine<'_> {
    /// The value of an expression now. What instruments know is asked of them.
    pub(super) async fn evaluate(
        &mut self,
        expression: &Expression,
        place: &str,
    ) -> Result<Result<Operand, ExpressionError>, RunError> {
        let mut known: HashMap<Name, Operand> = HashMap::new();
        for name in expression.names() {
            if let Some(value) = self.value_of(name, place).await? {
                known.insert(name.clone(), value);
            }
        }
        Ok(expression.evaluate(|name| known.get(name).cloned()))
    }

    async fn value_of(&mut self, name: &Name, place: &str) -> Result<Option<Operand>, RunError> {
        Ok(match name {
            Name::Figure(key) => {
                let found = self.last.figures.iter().find(|figure| figure.name == **key);
                found.and_then(|figure| figure.value.as_ref()).and_then(of_record)
            }
            Name::Found => Some(Operand::Truth(self.last.has_found())),
            Name::Answer(name) => self.answers.get(name).cloned().map(Operand::Word),
            Name::Turn => self.turns.last().map(|turn| Operand::Number(*turn as f64)),
            Name::Door(name) => {
                let value = self
                    .persist(place, async |engine| {
                        let value = engine.bench.value_now(name).await;
                        value.map_err(|error| RunError::bench(place, error))
                    })
                    .await?;
                Some(Operand::from(&value))
            }
        })
    }

    /// The value of a setting that follows from an expression.
    pub(super) async fn computed(
        &mut self,
        setting: &str,
        expression: &Expression,
        place: &str,
    ) -> Result<KnobValue, RunError> {
        let no_value = |what: String| RunError::NoValue {
            place: place.to_string(),
            what: format!("{setting}: {what}"),
        };
        let value = self.evaluate(expression, place).await?;
        let value = value.map_err(|error| no_value(error.to_string()))?;
        let knob = self.bench.plan().knobs().get(setting);
        let knob = knob.map_err(|error| no_value(error.to_string()))?;
        knob_value(knob, &value).map_err(|error| no_value(error.to_string()))
    }

    /// A text with its values filled in.
    pub(super) async fn text(&mut self, text: &Text, place: &str) -> Result<String, RunError> {
        let mut whole = String::new();
        for piece in &text.pieces {
            match piece {
                Piece::Plain(plain) => whole.push_str(plain),
                Piece::Value(expression) => {
                    let value = self.evaluate(expression, place).await?;
                    whole.push_str(&match value {
                        Ok(value) => value.shown(expression.sort()),
                        Err(error) => format!("({error})"),
                    });
                }
            }
        }
        Ok(whole)
    }
}

fn of_record(value: &record::Value) -> Option<Operand> {
    match value {
        record::Value::Switch(on) => Some(Operand::Truth(*on)),
        record::Value::Word(word) => Some(Operand::Word(word.clone())),
        number => number.as_f64().map(Operand::Number),
    }
}
