//! Random sequences: steps of every kind, within the grammar and the bench's limits.

use super::random::Random;

/// Writes one sequence.
pub struct Writer<'r> {
    random: &'r mut Random,
    text: String,
    /// Captures that may still come, all turns counted.
    captures: f64,
    /// Points that may still come.
    points: f64,
}

/// A list of steps stands so deep.
#[derive(Clone, Copy)]
struct Place {
    indent: usize,
    /// How often it is run.
    times: f64,
    /// Sweeps may come here.
    sweeps: bool,
    depth: u32,
}

impl Place {
    fn within(self, times: f64) -> Self {
        Self { indent: self.indent + 4, times: self.times * times, depth: self.depth + 1, ..self }
    }
}

/// A sequence as text.
pub fn sequence(random: &mut Random) -> String {
    let mut writer = Writer { random, text: String::new(), captures: 9.0, points: 40.0 };
    writer.head();
    writer.text.push_str("steps:\n");
    let place = Place { indent: 2, times: 1.0, sweeps: true, depth: 0 };
    for _ in 0..writer.random.whole(1, 3) {
        writer.step(place);
    }
    if writer.random.chance(0.5) {
        writer.text.push_str("finally:\n");
        let place = Place { sweeps: false, ..place };
        for _ in 0..writer.random.whole(1, 2) {
            writer.step(place);
        }
    }
    writer.text
}

impl Writer<'_> {
    fn line(&mut self, place: Place, text: &str) {
        let indent = " ".repeat(place.indent);
        self.text.push_str(&format!("{indent}{text}\n"));
    }

    fn head(&mut self) {
        self.text.push_str("sequence: random\n");
        self.text.push_str("prepare:\n");
        let place = Place { indent: 2, times: 1.0, sweeps: false, depth: 1 };
        for line in PREPARE {
            // Now and then something is forgotten.
            if self.random.chance(0.97) {
                self.line(place, line);
            }
        }
    }

    fn step(&mut self, place: Place) {
        match self.random.whole(0, 9) {
            0 | 1 if place.sweeps && place.depth < 3 => self.sweep(place),
            2 if self.captures >= 40.0 * place.times => self.search(place),
            3..=5 if self.captures >= place.times => self.measure(place),
            6 => {
                let time = *self.random.one(&["0 s", "10 ms", "3 s", "5 min"]);
                self.line(place, &format!("- wait: {time}"));
            }
            7 => self.line(place, "- note: something was done"),
            _ => self.set(place),
        }
    }

    fn set(&mut self, place: Place) {
        let count = self.random.whole(1, 2);
        let first = self.random.whole(0, SETTINGS.len() as i64 - 1) as usize;
        let chosen = (0..count as usize).map(|n| &SETTINGS[(first + n) % SETTINGS.len()]);
        let all: Vec<String> = chosen
            .map(|(setting, values)| format!("{setting}: {}", self.random.one(values)))
            .collect();
        self.line(place, &format!("- set: {{{}}}", all.join(", ")));
    }

    fn measure(&mut self, place: Place) {
        self.captures -= place.times;
        let until = *self.random.one(&["{}", "{until: {captures: 1}}", "{keep: figures}"]);
        self.line(place, &format!("- measure: {until}"));
        if self.random.chance(0.3) {
            let bound = *self.random.one(&["at most -10 dB", "at least -60 dB", "at most -90 dB"]);
            self.line(place, &format!("  expect: {{evm: {bound}}}"));
        }
    }

    fn search(&mut self, place: Place) {
        self.captures -= 40.0 * place.times;
        let side = *self.random.one(&["tx", "rx"]);
        self.line(place, &format!("- search beams: {{side: {side}, by: coarse to fine}}"));
    }

    fn sweep(&mut self, place: Place) {
        let (axes, times) = self.axes();
        if self.points < place.times * times {
            return self.set(place);
        }
        self.points -= place.times * times;
        self.line(place, &format!("- sweep: {{{axes}}}"));
        self.line(place, "  do:");
        let inner = place.within(times);
        for _ in 0..self.random.whole(1, 3) {
            self.step(inner);
        }
    }

    /// One or two axes, and how many combinations they have.
    fn axes(&mut self) -> (String, f64) {
        let first = self.random.whole(0, AXES.len() as i64 - 1) as usize;
        let count = self.random.whole(1, 2) as usize;
        let (mut axes, mut times) = (Vec::new(), 1.0);
        for n in 0..count {
            let (setting, kinds) = AXES[(first + n) % AXES.len()];
            let (values, many) = *self.random.one(kinds);
            axes.push(format!("{setting}: {values}"));
            times *= f64::from(many);
        }
        (axes.join(", "), times)
    }
}

const PREPARE: [&str; 6] = [
    "- set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}",
    "- set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}",
    "- set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}",
    "- set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}",
    "- set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}",
    "- wait: 10 ms",
];

const SETTINGS: [(&str, &[&str]); 10] = [
    ("supply.voltage", &["1.2 V", "1.25 V", "1.1 V", "0 V"]),
    ("supply.current_limit", &["0.6 A", "0.8 A", "0.05 A"]),
    ("supply.output", &["on", "on", "on", "off"]),
    ("source.amplitude", &["0.5 V", "0.2 V", "0.01 V"]),
    ("source.output", &["on", "on", "off"]),
    ("dut.tx.gain", &["0", "31", "20"]),
    ("dut.rx.enable", &["on", "on", "off"]),
    ("turntable.angle", &["90 deg", "-90 deg", "0 deg", "3 deg"]),
    ("beam.rx", &["0 deg", "10 deg"]),
    ("frame", &["short", "short", "qpsk uncoded"]),
];

const AXES: [(&str, &[(&str, u32)]); 5] = [
    ("turntable.angle", &[("[-10 deg, 0 deg, 10 deg]", 3), ("{from: -90 deg, to: 90 deg, count: 2}", 2)]),
    ("dut.tx.gain", &[("[20, 22]", 2), ("{from: 16, to: 24, step: 4}", 3)]),
    ("source.amplitude", &[("[0.5 V]", 1), ("{from: 0.1 V, to: 0.5 V, count: 4}", 4)]),
    ("supply.voltage", &[("[1.15 V, 1.25 V]", 2), ("{from: 1.1 V, to: 1.2 V, step: 50 mV}", 3)]),
    ("beam.rx", &[("[0 deg, 5 deg]", 2)]),
];
