//! The reference of the language of sequences, from the very tables that the reader checks with.
//!
//! Knows the grammar, the figures and the units; what holds across keys stands in [`examples`].

use std::fmt::Write;

use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape::{Field, MapShape, Shape, TaggedShape};

use super::figure_names::FIGURE_NAMES;
use super::grammar::{SEQUENCE_FIELDS, STEP};

mod examples;

use examples::{BEGINNING, CALLS, EXAMPLES, EXPRESSIONS, SWEEPS};

/// The whole reference, in Markdown.
#[must_use]
pub fn language_reference() -> String {
    let mut page = Page { text: String::new(), told: Vec::new() };
    page.text += BEGINNING;
    page.text += "\n## The file\n\n";
    page.table(&[&SEQUENCE_FIELDS]);
    for field in &SEQUENCE_FIELDS {
        page.nested(field);
    }
    page.steps();
    page.text += CALLS;
    page.text += EXPRESSIONS;
    page.figures();
    page.units();
    page.text
}

/// Writes the page; each mapping is told where it first comes up.
struct Page {
    text: String,
    told: Vec<&'static str>,
}

impl Page {
    fn table(&mut self, groups: &[&'static [Field]]) {
        self.text += "| key | what stands there | meaning |\n|---|---|---|\n";
        for field in groups.iter().copied().flatten() {
            let must = if field.required { " (must be there)" } else { "" };
            let what = in_words(field.shape).replace('|', "\\|");
            let about = field.about.replace('|', "\\|");
            // Writing into a text does not fail.
            let _ = writeln!(self.text, "| `{}` | {what} | {about}{must} |", field.name);
        }
    }

    /// The example of a key or step, where there is one.
    fn example(&mut self, name: &str) {
        for (_, example) in EXAMPLES.iter().filter(|(of, _)| *of == name) {
            let _ = write!(self.text, "\n```yaml\n{}\n```\n", example.trim());
        }
    }

    /// The mappings behind a key of the file, and its example.
    fn nested(&mut self, field: &'static Field) {
        let mut maps = Vec::new();
        maps_of(field.shape, &mut maps);
        maps.retain(|map| !self.told.contains(&map.name));
        let shown = EXAMPLES.iter().any(|(of, _)| *of == field.name);
        if maps.is_empty() && !shown {
            return;
        }
        let _ = write!(self.text, "\n### `{}`\n\n{}\n", field.name, field.about);
        self.maps(&maps);
        self.example(field.name);
    }

    fn maps(&mut self, maps: &[&'static MapShape]) {
        for map in maps {
            self.told.push(map.name);
            let _ = write!(self.text, "\nKeys of *{}*: {}\n\n", map.name, map.about);
            self.table(&[map.fields]);
        }
    }

    fn steps(&mut self) {
        self.text += "\n## Steps\n\nA step is a mapping with one of these keys; what may stand beside \
                      it is told with it.\n";
        let Shape::Tagged(TaggedShape { variants, .. }) = &STEP else { return };
        for variant in *variants {
            let field = &variant.field;
            let _ = write!(self.text, "\n### `{}`\n\n{}\n\n", field.name, field.about);
            let own: &'static [Field] = std::slice::from_ref(field);
            self.table(&[own, variant.companions]);
            let mut maps = Vec::new();
            for field in own.iter().chain(variant.companions) {
                maps_of(field.shape, &mut maps);
            }
            maps.retain(|map| !self.told.contains(&map.name));
            self.maps(&maps);
            if field.name == "sweep" {
                self.text += SWEEPS;
            }
            self.example(field.name);
        }
    }

    fn figures(&mut self) {
        self.text += "\n### Figures\n\n| in `expect` and `within` | in expressions | unit | meaning \
                      |\n|---|---|---|---|\n";
        for figure in FIGURE_NAMES {
            let unit = figure.dimension.base_unit();
            let word = figure.word;
            let name = word.replace(' ', "_");
            let _ = writeln!(self.text, "| `{word}` | `{name}` | {unit} | {} |", figure.about);
        }
    }

    fn units(&mut self) {
        self.text += "\n## Units\n\nA number and its unit, with or without a blank between them.\n\n| \
                      what | units |\n|---|---|\n";
        for dimension in Dimension::ALL {
            let example = dimension.example();
            let what = example.split_once(" such as ").map_or(example, |(kind, _)| kind);
            let units = dimension.units();
            let units = units.iter().filter(|unit| !unit.is_empty());
            let units = units.map(|unit| format!("`{unit}`")).collect::<Vec<_>>().join(", ");
            let _ = writeln!(self.text, "| {what} | {units} |");
        }
    }
}

/// The mappings with known keys within a shape, but not those of steps.
fn maps_of(shape: &'static Shape, found: &mut Vec<&'static MapShape>) {
    match shape {
        Shape::Map(map) if found.iter().all(|known| known.name != map.name) => {
            found.push(map);
            map.fields.iter().for_each(|field| maps_of(field.shape, found));
        }
        Shape::List(inner) | Shape::Table { value: inner, .. } | Shape::Change(inner) => {
            maps_of(inner, found);
        }
        Shape::Either(options) => options.iter().for_each(|option| maps_of(option, found)),
        _ => {}
    }
}

/// What a shape wants.
fn in_words(shape: &Shape) -> String {
    match shape {
        Shape::Text => "a text".into(),
        Shape::Scalar => "a value".into(),
        Shape::Word(words) => {
            words.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", ")
        }
        Shape::Switch => "`on` or `off`".into(),
        Shape::Whole { at_least, at_most } => match *at_most {
            i64::MAX => format!("a whole number from {at_least}"),
            _ => format!("a whole number, {at_least} to {at_most}"),
        },
        Shape::Number => "a number".into(),
        Shape::Quantity(dimension) => dimension.example().into(),
        Shape::List(inner) => format!("a list: {}", in_words(inner)),
        Shape::Map(map) => format!("*{}*", map.name),
        Shape::Tagged(tagged) => format!("a {}", tagged.name),
        Shape::Table { key, value } => format!("a mapping from {key}: {}", in_words(value)),
        Shape::Either(options) => {
            options.iter().map(|option| in_words(option)).collect::<Vec<_>>().join(" or ")
        }
        Shape::Change(inner) => format!("{}, or `absent`", in_words(inner)),
    }
}
