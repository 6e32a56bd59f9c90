//! The settings of every instrument by name, for faults that concern one of them.
//!
//! Numbers in base units; a switch is 0 or 1, a word its place in the command's list.

use crate::instruments::dut::GAIN_MOST;
use crate::post::Post;
use crate::world::World;

/// One setting: its name, whether and within what limits it can drift.
struct Row {
    name: &'static str,
    drifts: Option<(f64, f64)>,
}

const fn fixed(name: &'static str) -> Row {
    Row { name, drifts: None }
}

const fn drifts(name: &'static str, least: f64, most: f64) -> Row {
    Row { name, drifts: Some((least, most)) }
}

const SOURCE: &[Row] =
    &[drifts("sample_rate", 10e6, 12e9), drifts("amplitude", 0.01, 1.0), fixed("output")];
const SCOPE: &[Row] = &[
    drifts("range", 0.005, 2.0),
    fixed("points"),
    drifts("sample_interval", 25e-12, 1e-6),
    drifts("trigger_offset", -10.0, 10.0),
    fixed("trigger_source"),
];
const TURNTABLE: &[Row] =
    &[drifts("angle", -36_000.0, 36_000.0), drifts("speed", 0.01, 1e6), fixed("drive")];
const SUPPLY: &[Row] = &[
    drifts("voltage", 0.0, 3.0),
    drifts("current_limit", 0.0, 2.0),
    drifts("protection_voltage", 0.1, 3.3),
    fixed("output"),
];
const DUT: &[Row] = &[
    fixed("tx.enable"),
    fixed("tx.channel"),
    drifts("tx.gain", 0.0, GAIN_MOST as f64),
    fixed("tx.elements"),
    fixed("rx.enable"),
    fixed("rx.channel"),
    drifts("rx.gain", 0.0, GAIN_MOST as f64),
    fixed("rx.elements"),
];

fn rows(post: Post) -> &'static [Row] {
    match post {
        Post::Source => SOURCE,
        Post::Scope => SCOPE,
        Post::DutPort => DUT,
        Post::Turntable => TURNTABLE,
        Post::Supply => SUPPLY,
    }
}

/// The settings of an instrument that a fault can name, and whether each can drift. `tx.elements` and
/// `rx.elements` stand for the words of all elements of a chip.
pub fn settings_of(post: Post) -> Vec<(&'static str, bool)> {
    rows(post).iter().map(|row| (row.name, row.drifts.is_some())).collect()
}

/// The names alone.
pub(super) fn rows_names(post: Post) -> impl Iterator<Item = &'static str> {
    rows(post).iter().map(|row| row.name)
}

pub(super) fn is_setting(post: Post, name: &str) -> bool {
    rows(post).iter().any(|row| row.name == name)
}

pub(super) fn can_drift(post: Post, name: &str) -> bool {
    rows(post).iter().any(|row| row.name == name && row.drifts.is_some())
}

/// Where every setting of an instrument stands, in the order of [`settings_of`].
pub(super) fn values(world: &World, post: Post) -> Vec<Vec<f64>> {
    let mut values = vec![Vec::new(); rows(post).len()];
    each(world, post, |row, value| values[row].push(value));
    values
}

/// Tells where every setting of an instrument stands, with its place in [`settings_of`]; of the words of
/// elements one after the other.
pub(crate) fn each(world: &World, post: Post, mut tell: impl FnMut(usize, f64)) {
    let switch = |on: bool| f64::from(u8::from(on));
    let mut all = |values: &[f64]| (0..).zip(values).for_each(|(row, value)| tell(row, *value));
    match post {
        Post::Source => {
            let source = &world.source;
            all(&[source.clock_hz, source.amplitude_v, switch(source.output)]);
        }
        Post::Scope => {
            let scope = &world.scope;
            let (points, external) = (scope.points as f64, switch(scope.external));
            all(&[scope.range_v, points, scope.interval_s, scope.offset_s, external]);
        }
        Post::Turntable => {
            let table = &world.turntable;
            all(&[table.target_deg(), table.speed_deg_per_s, switch(table.drive)]);
        }
        Post::Supply => {
            let supply = &world.supply;
            let output = switch(supply.output);
            all(&[supply.voltage_v, supply.current_limit_a, supply.protection_v, output]);
        }
        Post::DutPort => {
            for (first, chip) in [(0, &world.dut.tx), (4, &world.dut.rx)] {
                tell(first, switch(chip.enabled));
                tell(first + 1, f64::from(chip.channel));
                tell(first + 2, f64::from(chip.gain));
                chip.words().iter().for_each(|word| tell(first + 3, f64::from(*word)));
            }
        }
    }
}

/// The name of the setting in this place.
pub(crate) fn name_of(post: Post, row: usize) -> &'static str {
    rows(post).get(row).map_or("", |row| row.name)
}

/// Moves a setting by so much, within its limits; whole numbers move by what is whole of it. Yields
/// what it moved by.
pub(super) fn shift(world: &mut World, post: Post, name: &str, by: f64) -> f64 {
    let Some((least, most)) = rows(post).iter().find(|row| row.name == name).and_then(|r| r.drifts)
    else {
        return 0.0;
    };
    let now = world.now;
    let slot = match (post, name) {
        (Post::Source, "sample_rate") => &mut world.source.clock_hz,
        (Post::Source, "amplitude") => &mut world.source.amplitude_v,
        (Post::Scope, "range") => &mut world.scope.range_v,
        (Post::Scope, "sample_interval") => &mut world.scope.interval_s,
        (Post::Scope, "trigger_offset") => &mut world.scope.offset_s,
        (Post::Turntable, "speed") => &mut world.turntable.speed_deg_per_s,
        (Post::Supply, "voltage") => &mut world.supply.voltage_v,
        (Post::Supply, "current_limit") => &mut world.supply.current_limit_a,
        (Post::Supply, "protection_voltage") => &mut world.supply.protection_v,
        (Post::Turntable, _) => {
            world.turntable.creep(by, now);
            return by;
        }
        (_, name) => {
            let chip = if name == "tx.gain" { &mut world.dut.tx } else { &mut world.dut.rx };
            let before = chip.gain;
            let wanted = (f64::from(before) + by.trunc()).clamp(least, most);
            chip.gain = wanted as u16;
            // At its end it goes no further, and what it would have moved is not saved up.
            return by.trunc();
        }
    };
    *slot = (*slot + by).clamp(least, most);
    by
}
