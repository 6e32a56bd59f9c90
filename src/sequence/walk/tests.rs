//! Orders of walks, counts, rules.

use super::super::step::{AxisValues, Piece, Text};
use super::*;

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
