//! Random sequences: steps of every kind, within the grammar and the limits of the bench.

use super::random::Random;
use super::values::{AXES, CONDITIONS, EXPRESSIONS, HEADS, PREPARE, READINGS, SETTINGS, TEXTS};

/// A sequence, and the one that it may call.
pub struct Written {
    pub text: String,
    /// What `called.yaml` says.
    pub called: String,
    /// Parameters given for this run.
    pub given: Vec<(String, String)>,
}

/// Writes a sequence.
struct Writer<'r> {
    random: &'r mut Random,
    text: String,
    /// Captures that may still come, all turns counted.
    captures: f64,
    /// Points that may still come.
    points: f64,
    /// A question was asked, whose answer may be looked at.
    asked: bool,
    /// Axes of the sweeps around, which no sweep within them may have again.
    open: Vec<&'static str>,
    /// Axes of all sweeps.
    swept: Vec<&'static str>,
}

/// Where a list of steps stands.
#[derive(Clone, Copy)]
struct Place {
    indent: usize,
    /// How often it is run.
    times: f64,
    /// Sweeps may come here.
    sweeps: bool,
    /// Another sequence may be called here.
    calls: bool,
    depth: u32,
}

impl Place {
    const TOP: Self = Self { indent: 2, times: 1.0, sweeps: true, calls: true, depth: 0 };

    fn within(self, times: f64) -> Self {
        Self { indent: self.indent + 4, times: self.times * times, depth: self.depth + 1, ..self }
    }

    fn without_sweeps(self) -> Self {
        Self { sweeps: false, calls: false, ..self }
    }
}

/// A random sequence.
pub fn sequence(random: &mut Random) -> Written {
    // Now and then there is room for a search.
    let captures = if random.chance(0.06) { 30.0 } else { 10.0 };
    let mut writer = Writer::new(random, captures, 30.0);
    writer.head();
    writer.text.push_str("steps:\n");
    writer.steps(Place::TOP, 4);
    if writer.random.chance(0.5) {
        writer.text.push_str("finally:\n");
        writer.steps(Place::TOP.without_sweeps(), 2);
    }
    // It may be called within any of the sweeps.
    let (text, swept) = (writer.text, writer.swept);
    // Twice called, it costs twice.
    let mut called = Writer::new(random, 1.0, 5.0);
    called.open = swept;
    called.text.push_str("sequence: called\nparameters: {gain: 20, angle: 3 deg}\nsteps:\n");
    called.steps(Place { calls: false, ..Place::TOP }, 2);
    let called = called.text;
    let mut given = Vec::new();
    if random.chance(0.3) {
        given.push(("gain".to_owned(), random.whole(0, 31).to_string()));
    }
    // A point that waits longer than it may is refused before anything runs.
    let bounded = text.contains("point: ");
    let within = |text: String| match bounded {
        true => text.replace("wait: 1 h", "wait: 3 s").replace("wait: 5 min", "wait: 3 s"),
        false => text,
    };
    Written { text: within(text), called: within(called), given }
}

impl<'r> Writer<'r> {
    fn new(random: &'r mut Random, captures: f64, points: f64) -> Self {
        Self {
            random,
            text: String::new(),
            captures,
            points,
            asked: false,
            open: Vec::new(),
            swept: Vec::new(),
        }
    }

    fn line(&mut self, place: Place, text: &str) {
        let indent = " ".repeat(place.indent);
        self.text.push_str(&format!("{indent}{text}\n"));
    }

    fn head(&mut self) {
        self.text.push_str("sequence: random\n");
        self.text.push_str("parameters: {gain: 20, angle: {default: 3 deg, at most: 90 deg}}\n");
        for (share, variants) in HEADS {
            if self.random.chance(*share) {
                let chosen = *self.random.one(variants);
                self.text.push_str(&format!("{chosen}\n"));
            }
        }
        self.text.push_str("prepare:\n");
        for line in PREPARE {
            // Now and then something is forgotten.
            if self.random.chance(0.98) {
                self.line(Place::TOP, line);
            }
        }
    }

    fn steps(&mut self, place: Place, most: i64) {
        for _ in 0..self.random.whole(1, most) {
            self.step(place);
        }
    }

    fn step(&mut self, place: Place) {
        match self.random.whole(0, 19) {
            0..=3 if place.sweeps && place.depth < 3 => self.sweep(place),
            4 if self.captures >= 18.0 * place.times => self.search(place),
            5..=7 if self.captures >= place.times => self.measure(place),
            8 => self.wait(place),
            9 if place.depth < 3 => self.repeat(place),
            10 if place.depth < 3 => self.when(place),
            11 => self.ask(place),
            12 if place.calls && self.points >= 5.0 * place.times => self.call(place),
            13 => {
                let text = *self.random.one(TEXTS);
                let kind = *self.random.one(&["note", "notify"]);
                self.line(place, &format!("- {kind}: {text}"));
            }
            14 => {
                let (figure, bounds) = *self.random.one(CONDITIONS);
                let bound = *self.random.one(bounds);
                self.line(place, &format!("- expect: {{{figure}: {bound}}}"));
            }
            _ => self.set(place),
        }
    }

    fn set(&mut self, place: Place) {
        let count = self.random.whole(1, 2) as usize;
        let first = self.random.whole(0, SETTINGS.len() as i64 - 1) as usize;
        let chosen = (0..count).map(|n| &SETTINGS[(first + n) % SETTINGS.len()]);
        let all: Vec<String> = chosen
            .map(|(setting, values)| format!("{setting}: {}", self.random.one(values)))
            .collect();
        self.line(place, &format!("- set: {{{}}}", all.join(", ")));
    }

    fn wait(&mut self, place: Place) {
        if self.random.chance(0.4) {
            let time = *self.random.one(&["0 s", "10 ms", "3 s", "5 min", "1 h"]);
            return self.line(place, &format!("- wait: {time}"));
        }
        let (reading, wanted) = *self.random.one(READINGS);
        let wanted = *self.random.one(wanted);
        let stable = *self.random.one(&["", ", stable: 2 s", ", stable: 1 min"]);
        let at_most = if stable.is_empty() { "1 s" } else { "2 min" };
        let otherwise = *self.random.one(&[
            "",
            ", otherwise: skip point",
            ", otherwise: skip point",
            ", otherwise: go on",
            ", otherwise: go on",
        ]);
        let text = format!(
            "- wait: {{for: {reading}, to be: {wanted}{stable}, every: 500 ms, at most: \
             {at_most}{otherwise}}}"
        );
        self.line(place, &text);
    }

    fn measure(&mut self, place: Place) {
        let most = if self.captures >= 4.0 * place.times { 4 } else { 1 };
        self.captures -= place.times * f64::from(most);
        let until = match (most, self.random.whole(0, 3)) {
            (4, 0) => "{until: {bits: 2 k, captures: 4}}",
            (4, 1) => "{until: {ber below: 1e-3, captures: 4}, as: two}",
            (4, 2) => "{until: {bit errors: 10, time: 1 s, captures: 4}}",
            (_, 3) => "{keep: figures}",
            _ => "{}",
        };
        self.line(place, &format!("- measure: {until}"));
        if self.random.chance(0.3) {
            let bound = *self.random.one(&["at most -10 dB", "at least -60 dB", "at most -90 dB"]);
            self.line(place, &format!("  expect: {{evm: {bound}}}"));
        }
    }

    fn search(&mut self, place: Place) {
        self.captures -= 18.0 * place.times;
        let side = *self.random.one(&["tx", "rx"]);
        self.line(place, &format!("- search beams: {{side: {side}, by: exhaustive}}"));
    }

    fn repeat(&mut self, place: Place) {
        let (how, times) = *self.random.one(&[
            ("times: 3", 3.0),
            ("times: 2, until: turn >= 1", 2.0),
            ("until: supply.current > 50 mA, times: 4", 4.0),
            ("at most: 10 s, times: 3", 3.0),
        ]);
        self.line(place, &format!("- repeat: {{{how}}}"));
        self.line(place, "  do:");
        self.steps(place.within(times).without_sweeps(), 2);
    }

    fn when(&mut self, place: Place) {
        let condition = match self.asked {
            true if self.random.chance(0.3) => "answer.go == 'yes'",
            _ => *self.random.one(EXPRESSIONS),
        };
        self.line(place, &format!("- when: {condition}"));
        self.line(place, "  do:");
        let inner = place.within(1.0).without_sweeps();
        self.steps(inner, 2);
        if self.random.chance(0.4) {
            self.line(place, "  otherwise:");
            self.steps(inner, 1);
        }
    }

    fn ask(&mut self, place: Place) {
        // Only where it is surely asked before anything that looks at the answer.
        let name = if place.depth == 0 { ", as: go" } else { "" };
        self.asked |= place.depth == 0;
        let text = format!("- ask: {{question: Go on?, within: 2 min, default: \"yes\"{name}}}");
        self.line(place, &text);
    }

    fn call(&mut self, place: Place) {
        self.points -= 5.0 * place.times;
        self.line(place, "- call: called.yaml");
        if self.random.chance(0.5) {
            let with = *self.random.one(&["{gain: 3}", "{angle: -7 deg, gain: 31}"]);
            self.line(place, &format!("  with: {with}"));
        }
    }

    fn sweep(&mut self, place: Place) {
        let (axes, times, equal) = self.axes();
        let names: Vec<&'static str> = axes.iter().map(|(name, _)| *name).collect();
        let is_open = names.iter().any(|name| self.open.contains(name));
        if self.points < place.times * times || is_open {
            return self.set(place);
        }
        self.points -= place.times * times;
        let all: Vec<String> =
            axes.iter().map(|(name, values)| format!("{name}: {values}")).collect();
        self.line(place, &format!("- sweep: {{{}}}", all.join(", ")));
        if equal && self.random.chance(0.3) {
            self.line(place, "  axes: together");
        }
        if self.random.chance(0.3) {
            let seed = self.random.whole(1, 99);
            self.line(
                place,
                &format!("  order: random\n{}  seed: {seed}", " ".repeat(place.indent)),
            );
        }
        if names.contains(&"turntable.angle") && self.random.chance(0.4) {
            let skip =
                *self.random.one(&["turntable.angle > 5 deg", "abs(turntable.angle) < 1 deg"]);
            self.line(place, &format!("  skip when: {skip}"));
        }
        self.line(place, "  do:");
        self.swept.extend(&names);
        self.open.extend(&names);
        self.steps(place.within(times), 3);
        self.open.truncate(self.open.len() - names.len());
    }

    /// One or two axes, how many combinations they have, and whether they are equally long.
    fn axes(&mut self) -> (Vec<(&'static str, &'static str)>, f64, bool) {
        let first = self.random.whole(0, AXES.len() as i64 - 1) as usize;
        let count = self.random.whole(1, 2) as usize;
        let (mut axes, mut times, mut lengths) = (Vec::new(), 1.0, Vec::new());
        for n in 0..count {
            let (setting, kinds) = AXES[(first + n) % AXES.len()];
            let (values, many) = *self.random.one(kinds);
            axes.push((setting, values));
            times *= f64::from(many);
            lengths.push(many);
        }
        (axes, times, lengths.iter().all(|length| *length == lengths[0]))
    }
}
