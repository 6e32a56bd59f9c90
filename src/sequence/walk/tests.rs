//! Orders of walks, counts, rules.

use super::super::expression::{Expression, Meaning, Sort};
use super::super::step::{AxisValues, Piece, Text};
use super::*;
use beamwarden_drivers::quantity::Dimension;

fn note(text: &str) -> Step {
    Step { place: "test:1".into(), action: Action::Note(Text::plain(text)) }
}

fn axis(setting: &str, values: &[i64]) -> Axis {
    let values = AxisValues::List(values.iter().map(|v| KnobValue::Whole(*v)).collect());
    Axis { setting: setting.into(), values }
}

fn sweep(axes: Vec<Axis>, body: Vec<Step>) -> Step {
    let (together, shuffled, skip) = (false, None, Vec::new());
    let sweep = Sweep { axes, together, shuffled, skip, body };
    Step { place: "test:1".into(), action: Action::Sweep(sweep) }
}

fn story(steps: &[Step]) -> Vec<String> {
    let pairs = |position: Position| {
        let shown: Vec<_> = position.iter().map(|(k, v)| format!("{k}={v}")).collect();
        shown.join(" ")
    };
    Walk::over(steps)
        .map(|item| match item {
            WalkItem::Enter { point, position, changes } => {
                let number = point.map_or("-".to_string(), |point| point.to_string());
                format!("{number}: {} set {}", pairs(position), pairs(changes))
            }
            WalkItem::Do(step) => match &step.action {
                Action::Note(text) => match text.pieces.as_slice() {
                    [Piece::Plain(text)] => text.clone(),
                    other => format!("{other:?}"),
                },
                other => format!("{other:?}"),
            },
            WalkItem::Leave { point: Some(point), .. } => format!("end {point}"),
            WalkItem::Leave { position, .. } => format!("out to [{}]", pairs(position)),
        })
        .collect()
}

#[test]
fn sweeps_nest_and_the_last_axis_is_fastest() {
    let steps = [
        note("a"),
        sweep(
            vec![axis("x", &[1, 2]), axis("y", &[7, 8])],
            vec![note("b"), sweep(vec![axis("z", &[5])], vec![note("c")])],
        ),
        sweep(vec![axis("x", &[])], vec![note("never")]),
        note("d"),
    ];
    assert_eq!(
        story(&steps),
        [
            "a",
            "-: x=1 y=7 set x=1 y=7",
            "b",
            "1: x=1 y=7 z=5 set z=5",
            "c",
            "end 1",
            "out to []",
            "-: x=1 y=8 set y=8",
            "b",
            "2: x=1 y=8 z=5 set z=5",
            "c",
            "end 2",
            "out to []",
            "-: x=2 y=7 set x=2 y=7",
            "b",
            "3: x=2 y=7 z=5 set z=5",
            "c",
            "end 3",
            "out to []",
            "-: x=2 y=8 set y=8",
            "b",
            "4: x=2 y=8 z=5 set z=5",
            "c",
            "end 4",
            "out to []",
            "d",
        ]
    );
    assert_eq!(count(&steps).points, 4);
}

#[test]
fn counting_does_not_overflow() {
    let range = || Axis {
        setting: "x".into(),
        values: AxisValues::Range { from: 0.0, to: 1.0, count: 10_000_000, dimension: None },
    };
    let steps = [sweep(vec![range(), range(), range()], vec![note("a")])];
    assert_eq!(count(&steps).points, u64::MAX);
    assert_eq!(Walk::over(&steps).take(3).count(), 3);
}

fn rule(text: &str) -> Expression {
    let meaning = |name: &str| {
        let sort = Some(Sort::Number(Dimension::Count));
        Ok(Meaning::Now(Name::Door(name.to_string()), sort))
    };
    Expression::read(text, &meaning).unwrap()
}

fn with(step: Step, change: impl Fn(&mut Sweep)) -> Step {
    let Action::Sweep(mut sweep) = step.action else { panic!("no sweep") };
    change(&mut sweep);
    Step { action: Action::Sweep(sweep), ..step }
}

/// Every point's position.
fn points(steps: &[Step]) -> Vec<Position> {
    let mut all = Vec::new();
    for item in Walk::over(steps) {
        if let WalkItem::Enter { point: Some(point), position, .. } = item {
            all.push(position);
            assert_eq!(point, all.len() as u64, "points are numbered in their order");
        }
    }
    all
}

#[test]
fn axes_together_advance_together() {
    let zipped =
        with(sweep(vec![axis("x", &[1, 2]), axis("y", &[7, 7])], vec![note("a")]), |sweep| {
            sweep.together = true;
        });
    assert_eq!(
        story(std::slice::from_ref(&zipped)),
        ["1: x=1 y=7 set x=1 y=7", "a", "end 1", "2: x=2 y=7 set x=2 y=7", "a", "end 2"]
    );
    assert_eq!(count(&[zipped]).points, 2);
}

/// A random order has the same points as the order as written, each once; only what differs from the
/// turn before is set.
#[test]
fn a_random_order_has_the_same_points() {
    let axes = || vec![axis("x", &[1, 2, 3]), axis("y", &[4, 5, 6, 7]), axis("z", &[8, 9])];
    let written = sweep(axes(), vec![note("a")]);
    let random = |seed| with(sweep(axes(), vec![note("a")]), |sweep| sweep.shuffled = Some(seed));
    let sorted = |steps: &[Step]| {
        let mut shown: Vec<String> = points(steps).iter().map(|p| format!("{p:?}")).collect();
        shown.sort();
        shown
    };
    assert_eq!(sorted(std::slice::from_ref(&written)), sorted(&[random(1)]));
    assert_ne!(points(&[written]), points(&[random(1)]));
    assert_ne!(points(&[random(1)]), points(&[random(2)]));
    let mut before = Position::new();
    for item in Walk::over(&[random(1)]) {
        let WalkItem::Enter { position, changes, .. } = item else { continue };
        let differ = |one: &&(String, KnobValue)| !before.contains(one);
        let wanted: Position = position.iter().filter(differ).cloned().collect();
        assert_eq!(changes, wanted);
        before = position;
    }
}

/// The oracle: all combinations, those left out by the same rule written in Rust taken away.
#[test]
fn rules_leave_combinations_out() {
    let values: Vec<i64> = (1..=12).collect();
    let inner = with(sweep(vec![axis("y", &values)], vec![note("a")]), |sweep| {
        sweep.skip = vec![rule("x * y > 40"), rule("y == 3")];
    });
    let outer = with(sweep(vec![axis("x", &values)], vec![inner]), |sweep| {
        sweep.skip = vec![rule("x == 5 or x / 2 == 4")];
        sweep.shuffled = Some(4);
    });
    let mut wanted = Vec::new();
    for x in values.iter().filter(|x| **x != 5 && **x != 8) {
        for y in values.iter().filter(|y| **y != 3 && x * **y <= 40) {
            wanted.push(format!("{x} {y}"));
        }
    }
    wanted.sort();
    let mut all: Vec<String> = points(std::slice::from_ref(&outer))
        .iter()
        .map(|position| format!("{} {}", position[0].1, position[1].1))
        .collect();
    all.sort();
    assert_eq!(all, wanted);
    let counted = count(&[outer]);
    assert_eq!((counted.points, counted.exact), (wanted.len() as u64, true));
}

#[test]
fn a_sweep_of_which_everything_is_left_out_has_no_point() {
    let none = with(sweep(vec![axis("x", &[1, 2])], vec![note("a")]), |sweep| {
        sweep.skip = vec![rule("x > 0")];
    });
    assert_eq!(story(&[none.clone(), note("b")]), ["b"]);
    assert_eq!(count(&[none]).points, 0);
}

/// Each value is the same multiple of the one before: `from (to / from)^(k / (n - 1))`.
#[test]
fn logarithmic_values_are_a_geometric_series() {
    let dimension = Dimension::Voltage;
    let values = AxisValues::Logarithmic { from: 1e-3, to: 1.0, count: 7, dimension };
    let numbers: Vec<f64> = (0..7).map(|at| values.get(at).unwrap().as_number().unwrap()).collect();
    assert_eq!((numbers[0], numbers[2], numbers[6]), (1e-3, 1e-2, 1.0));
    for two in numbers.windows(2) {
        // Values are rounded to twelve digits of the largest.
        assert!((two[1] / two[0] - 10f64.sqrt()).abs() < 1e-7, "{numbers:?}");
    }
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(300))]

    /// Any nesting, order and rule: the count is that of the walk, no point comes twice, and all
    /// settings that were made together are the position.
    #[test]
    fn counts_are_those_of_walks(
        lengths in proptest::collection::vec(1usize..6, 1..4),
        inner in proptest::collection::vec(1usize..5, 0..3),
        seed in proptest::option::of(0u64..100),
        modulus in 2i64..7,
    ) {
        let axes = |lengths: &[usize], name: &str| -> Vec<Axis> {
            lengths.iter().enumerate().map(|(at, length)| {
                let values: Vec<i64> = (1..=*length as i64).collect();
                axis(&format!("{name}{at}"), &values)
            }).collect()
        };
        let mut body = vec![note("a")];
        if !inner.is_empty() {
            body = vec![with(sweep(axes(&inner, "y"), body), |sweep| {
                sweep.skip = vec![rule(&format!("x0 + y0 == {modulus}"))];
                sweep.shuffled = seed;
            })];
        }
        let steps = [with(sweep(axes(&lengths, "x"), body), |sweep| sweep.shuffled = seed)];
        let all = points(&steps);
        proptest::prop_assert_eq!(count(&steps).points, all.len() as u64);
        let mut shown: Vec<String> = all.iter().map(|position| format!("{position:?}")).collect();
        shown.sort();
        shown.dedup();
        proptest::prop_assert_eq!(shown.len(), all.len());
    }
}

/// Counted by a random choice: 1.2 million combinations of 10 rules, of which x > 900 leaves out a tenth
/// whatever y is. With p = 0.9 of 200,000 looked at one standard deviation is 0.07 %; ten are allowed.
#[test]
fn many_combinations_with_many_rules_are_counted_by_a_fair_choice() {
    let (x, y): (Vec<i64>, Vec<i64>) = ((1..=1000).collect(), (1..=1200).collect());
    let all = with(sweep(vec![axis("x", &x), axis("y", &y)], vec![note("a")]), |sweep| {
        sweep.skip = (0..10).map(|_| rule("x > 900")).collect();
    });
    let counted = count(&[all]);
    assert!(!counted.exact);
    let share = counted.points as f64 / 1_200_000.0;
    assert!((share - 0.9).abs() < 0.007, "{share}");
}
