//! The model of a bench: every number that the simulation rests on, as one YAML document.
//!
//! Every key may be left out. The defaults are the scenario `packing-arm`: a fixed camera link to a
//! slewing arm on a packaging line. Values of the trade or of a standard say so; all others are
//! invented for the demonstration.

mod array;
mod chips;
mod instruments;
mod path;
mod shown;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::number::engineering;

pub use array::{ArrayModel, CodeErrorModel, DriftModel, ElementModel, Place, PowerUpModel};
pub use chips::{
    AmPmModel, ChipModel, CompressionModel, ImbalanceModel, PhaseNoiseModel, ReceiverModel,
    SaturationModel, TransmitterModel,
};
pub use instruments::{ScopeModel, SourceModel, SupplyModel, TurntableModel};
pub use path::{BlockageModel, GasModel, PathModel, RandomBlockageModel, ReflectionModel};

/// A model that cannot be simulated.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ModelError {
    /// The text is not a model.
    #[error("the model cannot be read: {0}")]
    Syntax(String),
    /// Values that contradict physics or each other; all of them, each beginning with its key, such as
    /// `path.blockages[0].ramp_s`.
    #[error("the model cannot be simulated: {}", .0.join("; "))]
    Values(Vec<String>),
}

/// The whole bench.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Model {
    /// Decides every random number of the bench.
    pub seed: u64,
    /// Between the arrays.
    pub path: PathModel,
    /// The transmitter.
    pub tx: TransmitterModel,
    /// The receiver.
    pub rx: ReceiverModel,
    /// What both chips have in common.
    pub chips: ChipModel,
    /// The waveform source.
    pub source: SourceModel,
    /// The scope.
    pub scope: ScopeModel,
    /// The supply.
    pub supply: SupplyModel,
    /// The turntable.
    pub turntable: TurntableModel,
}

/// Collects what is wrong with the values of a model.
#[derive(Debug, Default)]
struct Wrong(Vec<String>);

impl Wrong {
    /// A value outside the range in which the simulation holds, or none at all (NaN).
    fn unless_within(&mut self, key: &str, value: f64, (least, most): (f64, f64)) {
        if !(value >= least && value <= most) {
            let [value, least, most] = [value, least, most].map(engineering);
            self.say(format!("{key} is {value}, must be {least} to {most}"));
        }
    }

    fn say(&mut self, what: String) {
        self.0.push(what);
    }
}

impl Model {
    /// Reads and checks a model; an unknown key is an error with its place.
    pub fn from_yaml(text: &str) -> Result<Self, ModelError> {
        let model: Self =
            serde_yaml::from_str(text).map_err(|error| ModelError::Syntax(error.to_string()))?;
        model.check()?;
        Ok(model)
    }

    /// The model as a document that [`Model::from_yaml`] reads, with every key; only when it can be
    /// simulated.
    pub fn to_yaml(&self) -> Result<String, ModelError> {
        self.check()?;
        serde_yaml::to_string(self).map_err(|error| ModelError::Syntax(error.to_string()))
    }

    /// Whether the values can be simulated; all that cannot are named.
    pub fn check(&self) -> Result<(), ModelError> {
        let mut wrong = Wrong::default();
        self.path.check(&mut wrong);
        self.tx.check(&mut wrong);
        self.rx.check(&mut wrong);
        self.chips.check(&mut wrong);
        self.source.check(&mut wrong);
        self.scope.check(&mut wrong);
        self.supply.check(&mut wrong);
        self.turntable.check(&mut wrong);
        if wrong.0.is_empty() { Ok(()) } else { Err(ModelError::Values(wrong.0)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_document_is_the_scenario() {
        assert_eq!(Model::from_yaml("{}"), Ok(Model::default()));
        assert_eq!(Model::default().check(), Ok(()));
    }

    #[test]
    fn a_model_survives_its_own_yaml() {
        let text = Model::default().to_yaml().expect("a model is plain data");
        assert_eq!(Model::from_yaml(&text), Ok(Model::default()));
    }

    #[test]
    fn unknown_keys_are_refused() {
        let fault = Model::from_yaml("rx: {noise_figure: 3}").expect_err("not a key");
        assert!(fault.to_string().contains("noise_figure"), "{fault}");
    }

    #[test]
    fn all_wrong_values_are_named_at_once() {
        let text = "{path: {distance_m: -1}, scope: {bits: 40}, tx: {array: {elements: 0}}}";
        let ModelError::Values(wrong) = Model::from_yaml(text).expect_err("three wrong values")
        else {
            panic!("read, but not checked");
        };
        assert_eq!(wrong.len(), 3, "{wrong:?}");
        let nan = Model::from_yaml("path: {distance_m: .nan}");
        assert!(matches!(nan, Err(ModelError::Values(_))));
    }

    #[test]
    fn what_is_said_of_a_value_is_readable_and_right() {
        for (text, said) in [
            (
                "path: {blockages: [{begin_s: 0, duration_s: -1, loss_db: [3]}]}",
                "path.blockages[0].duration_s is -1, must be 0 to 100e6",
            ),
            ("path: {distance_m: 1.0e+300}", "path.distance_m is 1e300, must be 0.01 to 100000"),
            (
                "scope: {interval_limits_s: [1, 1]}",
                "scope.interval_limits_s[0] is 1, must be 1e-12 to 125e-12",
            ),
            (
                "path: {reflections: [{departure_deg: 1, arrival_deg: 1, extra_m: 1, loss_db: -8}]}",
                "path.reflections[0].loss_db is -8, must be 0 to 400",
            ),
            (
                "tx: {array: {elements: 2, dead_elements: [1, 0]}}",
                "tx.array.dead_elements names every element; one at least must live",
            ),
            (
                "rx: {array: {dead_elements: [8]}}",
                "rx.array.dead_elements names element 8, which does not exist; they are 0 to 7",
            ),
        ] {
            let told = Model::from_yaml(text).expect_err(text);
            assert_eq!(told, ModelError::Values(vec![said.to_owned()]), "{text}");
        }
    }
}
