//! What names in expressions mean.

use beamwarden_drivers::fault::nearest;

use super::super::expression::{Meaning, Meaningless, Name, Operand, Sort};
use super::super::figure_names::FIGURE_NAMES;
use super::super::step::ParameterValue;
use super::{Reader, Scope};

impl ParameterValue {
    /// The value in expressions, and what it is.
    pub(super) fn operand(&self) -> (Operand, Sort) {
        match self {
            ParameterValue::Number(quantity) => {
                (Operand::Number(quantity.value), Sort::Number(quantity.dimension))
            }
            ParameterValue::Switch(on) => (Operand::Truth(*on), Sort::Truth),
            ParameterValue::Word(word) => (Operand::Word(word.clone()), Sort::Word),
        }
    }
}

impl Reader<'_> {
    /// The value of a parameter.
    pub(super) fn parameter(&self, name: &str) -> Option<Meaning> {
        let parameter = self.parameters.iter().find(|parameter| parameter.name == name)?;
        let (value, sort) = parameter.value.operand();
        Some(Meaning::Constant(value, sort))
    }

    /// What a name means in an expression that is evaluated during the run.
    pub(super) fn meaning(&self, name: &str, scope: &Scope) -> Result<Meaning, Meaningless> {
        if let Some(parameter) = self.parameter(name) {
            return Ok(parameter);
        }
        if name == "turn" {
            if scope.turns {
                return Ok(Meaning::Now(Name::Turn, Some(Sort::Number(COUNT))));
            }
            let help = "it counts the turns of 'repeat'";
            return Err(("'turn' means nothing outside a repetition".into(), Some(help.into())));
        }
        if name == "found" {
            return Ok(Meaning::Now(Name::Found, Some(Sort::Truth)));
        }
        if let Some(answer) = name.strip_prefix("answer.") {
            if self.answers.contains(answer) {
                return Ok(Meaning::Now(Name::Answer(answer.to_string()), Some(Sort::Word)));
            }
            let help = match nearest(answer, self.answers.iter().map(String::as_str)) {
                Some(near) => format!("did you mean 'answer.{near}'?"),
                None => format!("name it in a step before: ask: {{…, as: {answer}}}"),
            };
            return Err((format!("nothing was asked as '{answer}' before"), Some(help)));
        }
        let figure = FIGURE_NAMES.iter().find(|figure| figure.word.replace(' ', "_") == name);
        if let Some(figure) = figure {
            let sort = Sort::Number(figure.dimension);
            return Ok(Meaning::Now(Name::Figure(figure.key), Some(sort)));
        }
        let Some(knobs) = self.with.knobs else {
            return Ok(Meaning::Now(Name::Door(name.to_string()), None));
        };
        match knobs.readable(name) {
            Ok(kind) => Ok(Meaning::Now(Name::Door(name.to_string()), Some(Sort::of_kind(kind)))),
            Err(error) if name.contains('.') => Err((error.to_string(), error.help())),
            Err(_) => Err(self.unknown(name)),
        }
    }

    /// What a name means in a rule that picks combinations: sweep axes and parameters only.
    pub(super) fn meaning_of_axis(
        &self,
        name: &str,
        scope: &Scope,
    ) -> Result<Meaning, Meaningless> {
        if let Some(parameter) = self.parameter(name) {
            return Ok(parameter);
        }
        // The innermost axis of a name counts.
        if let Some((_, sort)) = scope.axes.iter().rev().find(|(axis, _)| axis == name) {
            return Ok(Meaning::Now(Name::Door(name.to_string()), *sort));
        }
        let axes = scope.axes.iter().map(|(axis, _)| axis.as_str());
        let parameters = self.parameters.iter().map(|parameter| parameter.name.as_str());
        let help = match nearest(name, axes.clone().chain(parameters)) {
            Some(near) => format!("did you mean '{near}'?"),
            None => format!("axes here: {}", axes.collect::<Vec<_>>().join(", ")),
        };
        Err((format!("'{name}' is neither a sweep axis here nor a parameter"), Some(help)))
    }

    fn unknown(&self, name: &str) -> Meaningless {
        let figures: Vec<String> =
            FIGURE_NAMES.iter().map(|figure| figure.word.replace(' ', "_")).collect();
        let parameters = self.parameters.iter().map(|parameter| parameter.name.as_str());
        let known = parameters.chain(figures.iter().map(String::as_str)).chain(["turn", "found"]);
        let help = match nearest(name, known) {
            Some(near) => format!("did you mean '{near}'?"),
            None => {
                "settings and readings are written in full: supply.voltage; words in quotes".into()
            }
        };
        (format!("there is no parameter or figure '{name}'"), Some(help))
    }
}

/// What turns are counted in.
const COUNT: beamwarden_drivers::quantity::Dimension =
    beamwarden_drivers::quantity::Dimension::Count;
