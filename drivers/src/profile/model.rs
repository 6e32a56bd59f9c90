//! What differs from model to model, told apart by the identity.
//!
//! Knows identities and profiles; nothing of how the identity is asked.

use std::sync::Arc;

use super::{Form, Profile, Setting};
use crate::message::Identity;
use crate::value::Kind;

/// The models that a profile tells apart.
#[derive(Clone, Debug)]
pub struct Models {
    /// The models; the first that fits counts.
    pub list: Vec<Model>,
    /// The profile of an instrument that is none of them.
    pub general: Arc<Profile>,
}

/// One model.
#[derive(Clone, Debug)]
pub struct Model {
    /// Its name in records and messages.
    pub called: String,
    /// Forms of the identity's maker, model, serial number and firmware; `*` stands for any text.
    pub forms: [Option<String>; 4],
    /// What it is driven by.
    pub profile: Arc<Profile>,
}

impl Model {
    /// Whether an identity is this model's. Case makes no difference.
    #[must_use]
    pub fn fits(&self, identity: &Identity) -> bool {
        let Identity { maker, model, serial, firmware } = identity;
        let fields = [maker, model, serial, firmware];
        let mut pairs = self.forms.iter().zip(fields);
        pairs.all(|(form, field)| form.as_ref().is_none_or(|form| has_form(form, field)))
    }
}

impl Models {
    /// What an instrument of this identity is driven by.
    #[must_use]
    pub fn of(&self, identity: &Identity) -> &Arc<Profile> {
        let fitting = self.list.iter().find(|model| model.fits(identity));
        fitting.map_or(&self.general, |model| &model.profile)
    }
}

/// Whether a text has a form in which `*` stands for any text, also none.
fn has_form(form: &str, text: &str) -> bool {
    let (form, text) = (form.to_lowercase(), text.to_lowercase());
    let mut pieces = form.split('*');
    let first = pieces.next().unwrap_or_default();
    let Some(mut rest) = text.strip_prefix(first) else { return false };
    let pieces: Vec<&str> = pieces.collect();
    let Some((last, middle)) = pieces.split_last() else { return rest.is_empty() };
    for piece in middle {
        // The first place at which a piece stands leaves the most for what follows.
        match rest.find(piece) {
            Some(at) => rest = &rest[at + piece.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

impl Profile {
    /// The profile for every model: the settings, readings and actions of all, each as wide as with
    /// the widest, for whoever plans before the instrument has said which model it is.
    pub(super) fn of_all_models(general: Profile, list: Vec<Model>) -> Profile {
        let mut all = general.clone();
        for model in &list {
            let profile = &model.profile;
            for setting in &profile.settings {
                match all.settings.iter_mut().find(|known| known.name == setting.name) {
                    Some(known) => known.widen(setting),
                    None => all.settings.push(setting.clone()),
                }
            }
            for reading in &profile.readings {
                if all.reading(&reading.name).is_none() {
                    all.readings.push(reading.clone());
                }
            }
            for action in &profile.actions {
                if all.action(&action.name).is_none() {
                    all.actions.push(action.clone());
                }
            }
        }
        all.models = Some(Models { list, general: Arc::new(general) });
        all
    }
}

impl Setting {
    /// Takes in the range of another model's setting of the same name. Steps stay only where both
    /// have the same ones.
    fn widen(&mut self, other: &Setting) {
        if self.steps != other.steps {
            self.steps = None;
        }
        self.form.widen(&other.form);
    }
}

impl Form {
    fn widen(&mut self, other: &Form) {
        match (&mut self.kind, &other.kind) {
            (
                Kind::Number { at_least, at_most, .. },
                Kind::Number { at_least: low, at_most: high, .. },
            ) => (*at_least, *at_most) = (at_least.min(*low), at_most.max(*high)),
            (Kind::Whole { at_least, at_most }, Kind::Whole { at_least: low, at_most: high }) => {
                (*at_least, *at_most) = (*(&*at_least).min(low), *(&*at_most).max(high))
            }
            (Kind::Word(words), Kind::Word(others)) => {
                for (word, mnemonic) in others.iter().zip(&other.mnemonics) {
                    if !words.contains(word) {
                        words.push(word.clone());
                        self.mnemonics.push(mnemonic.clone());
                    }
                }
            }
            _ => {}
        }
    }

    /// Whether values of one can be values of the other: numbers of one dimension, words, and so on.
    pub(super) fn is_like(&self, other: &Form) -> bool {
        match (&self.kind, &other.kind) {
            (Kind::Number { dimension, .. }, Kind::Number { dimension: its, .. }) => {
                dimension == its
            }
            (a, b) => std::mem::discriminant(a) == std::mem::discriminant(b),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stars_stand_for_any_text() {
        for (form, text, fits) in [
            ("WS-7", "WS-7", true),
            ("ws-7", "WS-7", true),
            ("WS-7", "WS-70", false),
            ("WS-7*", "WS-7", true),
            ("WS-7*", "WS-70/B", true),
            ("*-7*", "WS-7B", true),
            ("*B", "WS-B7B", true),
            ("*", "", true),
            ("", "", true),
            ("", "x", false),
            ("a*b*c", "a-b-b-c", true),
            ("a*b*c", "a-c-b", false),
            ("ab*ba", "aba", false),
            ("2.*", "12.1", false),
        ] {
            assert_eq!(has_form(form, text), fits, "{form} {text}");
        }
    }
}
