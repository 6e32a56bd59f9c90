//! Settings that belong together, and what instruments have to tell besides what they were asked:
//! the order that profiles want, values that moved with others, disturbances of a link. Knows
//! nothing of sequences and records.

use std::collections::BTreeSet;

use beamwarden_drivers::instrument::{Event, Instrument, in_order};
use beamwarden_drivers::value::Value;

use super::door::{Bench, Standing};
use super::knob::from_driver;

/// Something that happened at an instrument besides what was asked of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Happening {
    /// The instrument's name.
    pub instrument: String,
    /// What happened.
    pub event: Event,
}

impl Happening {
    /// Whether what was set or measured may be wrong because of it.
    #[must_use]
    pub fn is_serious(&self) -> bool {
        match self.event {
            Event::Restarted
            | Event::OldErrors(_)
            | Event::Moved { .. }
            | Event::TakenAsReset { .. } => true,
            Event::OutOfStep { .. } | Event::Resynchronised { .. } | Event::Noted(_) => false,
        }
    }
}

impl Bench {
    /// The items in the order in which they are to be set: one whose profile says that it comes after
    /// another of them does so; apart from that the order is the one given. `name` tells the full
    /// name of an item's setting.
    pub fn in_order<'a, T>(&self, items: &'a [T], name: impl Fn(&T) -> &str) -> Vec<&'a T> {
        in_order(items.iter().collect(), |one, other| self.comes_after(name(one), name(other)))
    }

    fn comes_after(&self, later: &str, earlier: &str) -> bool {
        let (Some((one, later)), Some((other, earlier))) =
            (later.split_once('.'), earlier.split_once('.'))
        else {
            return false;
        };
        let planned = self.plan().instruments.iter().find(|planned| planned.name == one);
        one == other
            && planned.is_some_and(|planned| planned.driver.profile.comes_after(later, earlier))
    }

    /// Remembers how settings stand that were read again because one that they depend on was set.
    pub(super) fn remember_dependants(&mut self, instrument: &str, read: Vec<(String, Value)>) {
        for (inner, value) in read {
            let driver = self.instruments.get(instrument).map(Instrument::driver);
            let Some(knob) = driver.and_then(|driver| driver.knob(&inner)) else { continue };
            let read_back = from_driver(knob.kind, &value);
            let setting = format!("{instrument}.{inner}");
            let last = self.standing.get(&setting);
            let agrees = last.is_none_or(|last| self.agree(&setting, &last.read_back, &read_back));
            let standing = Standing::read_now(setting.clone(), read_back, last, agrees);
            self.standing.insert(setting, standing);
        }
    }

    /// What happened at the instruments since the last call.
    pub fn take_happenings(&mut self) -> Vec<Happening> {
        let mut all = Vec::new();
        for (name, instrument) in &mut self.instruments {
            let events = instrument.take_events().into_iter();
            all.extend(events.map(|event| Happening { instrument: name.clone(), event }));
        }
        let restarted = |happening: &&Happening| happening.event == Event::Restarted;
        let names: BTreeSet<String> =
            all.iter().filter(restarted).map(|happening| happening.instrument.clone()).collect();
        names.iter().for_each(|name| self.forget_restarted(name));
        all
    }

    /// How many settings were not sent because they stood there already.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.instruments.values().map(Instrument::skipped).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::BenchPlan;
    use crate::bench::knob::KnobValue;
    use beamwarden_drivers::fault::Source;

    const BENCH: &str = include_str!("../../sequences/packing-arm.bench.yaml");
    /// A scope whose range is set after the number of points, and that skips what stands.
    const SCOPE: &str = "
profile: ordered-scope
based on: scpi-scope
skip when equal: on
settings:
  range: {after: [points]}
  sample_interval: {after: [range]}
";

    async fn ordered() -> Bench {
        let folder = tempfile::tempdir().expect("a folder for the test");
        std::fs::write(folder.path().join("ordered-scope.yaml"), SCOPE).expect("a file in it");
        let text = BENCH.replace("profile: scpi-scope.yaml", "profile: ordered-scope.yaml");
        let plan = BenchPlan::load(&Source::new("bench", text), Some(folder.path()));
        Bench::open(plan.expect("a sound bench")).await.expect("the simulated bench opens")
    }

    #[tokio::test(start_paused = true)]
    async fn settings_are_made_in_the_order_that_the_profile_wants() {
        let bench = ordered().await;
        let check = |given: &[&str], wanted: &[&str]| {
            let ordered: Vec<&str> =
                bench.in_order(given, |name| name).into_iter().copied().collect();
            assert_eq!(ordered, wanted);
        };
        check(
            &["scope.sample_interval", "source.output", "scope.range", "scope.points"],
            &["source.output", "scope.points", "scope.range", "scope.sample_interval"],
        );
        check(&["scope.range", "beam.rx", "frame"], &["scope.range", "beam.rx", "frame"]);
        check(
            &["scope.sample_interval", "scope.points"],
            &["scope.points", "scope.sample_interval"],
        );
    }

    /// The same value again is not sent and is counted; what depends on a setting is read again.
    #[tokio::test(start_paused = true)]
    async fn what_stands_is_skipped_and_what_depends_is_read_again() {
        let mut bench = ordered().await;
        let points = |points| KnobValue::Whole(points);
        assert!(!bench.set("scope.points", &points(2000)).await.expect("in range")[0].skipped);
        assert_eq!(bench.skipped(), 0);
        let again = bench.set("scope.points", &points(2000)).await.expect("in range");
        assert!(again[0].skipped && again[0].matched);
        assert_eq!(bench.skipped(), 1);
        assert!(bench.standing.contains_key("scope.range"), "it depends on the points");
        assert!(!bench.set("scope.points", &points(3000)).await.expect("in range")[0].skipped);
        assert_eq!(bench.take_happenings(), []);
    }
}
