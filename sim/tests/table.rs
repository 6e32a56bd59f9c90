//! The turntable's mechanics through its commands: speed, backlash, sway, settling; what the encoder
//! believes against where the table is. Expected values are arithmetic on the model's own numbers.

mod common;

use std::time::Duration;

use beamwarden_sim::{Model, TurntableModel};
use common::figures::Worst;
use common::{Lab, half_wave};

fn lab(table: TurntableModel) -> Lab {
    let mut model = Model { turntable: table, ..half_wave(8, 5) };
    model.turntable.encoder_step_deg = 1e-6;
    Lab::new(model)
}

/// Where the table is, and where the client believes it is.
async fn angles(lab: &mut Lab) -> (f64, f64) {
    let truth = lab.bench.truth().turntable;
    let answer = lab.turntable.number("AXIS:POS?").await;
    assert!((answer - truth.encoder_deg).abs() < 1e-9, "{answer} {truth:?}");
    (truth.angle_deg, answer)
}

#[tokio::test(start_paused = true)]
async fn backlash_depends_on_the_side_it_came_from() {
    let mut lab = lab(TurntableModel { backlash_deg: 0.25, ..TurntableModel::default() });
    let mut worst = Worst::new("angle under backlash, deg", 1e-6);
    // From below it stands where the encoder says, from above by the gap above; within the gap it
    // stays where it was left.
    let moves = [
        (-30.0, -29.75),
        (-40.0, -39.75),
        (-39.9, -39.75),
        (-39.75, -39.75),
        (-20.0, -20.0),
        (-20.1, -20.0),
        (-20.3, -20.05),
        (60.0, 60.0),
        (0.0, 0.25),
    ];
    for (to_deg, expected_deg) in moves {
        lab.rotate(to_deg).await;
        let (true_deg, believed_deg) = angles(&mut lab).await;
        worst.note(believed_deg, to_deg, || format!("encoder at {to_deg}"));
        worst.note(true_deg, expected_deg, || format!("table at {to_deg}"));
        // The array turns with the table, not with the encoder.
        let bearing_deg = lab.bench.truth().link.rx_bearing_deg;
        worst.note(bearing_deg, -expected_deg, || format!("bearing at {to_deg}"));
    }
    println!("{}", worst.checked());
}

#[tokio::test(start_paused = true)]
async fn a_move_takes_its_time_and_swings_until_it_settles() {
    let mut lab = lab(TurntableModel {
        speed_deg_per_s: 10.0,
        settle_s: 0.5,
        sway_deg: 0.3,
        sway_hz: 5.0,
        sway_decay_s: 0.08,
        ..TurntableModel::default()
    });
    lab.turntable.set("AXIS:POS 20").await;
    let begun = lab.bench.truth().at;
    let mut worst = Worst::new("sway, deg", 2e-3);
    // Under way the table trails by 0.3 deg; from the end of the move, 2 s later,
    // 0.3 exp(-t/80 ms) cos(2 pi 5 Hz t) is left.
    for (after_ms, expected_deg) in [
        (1000u64, 10.0 - 0.3),
        (1900, 19.0 - 0.3),
        (2000, 20.0 - 0.3),
        (2100, 20.0 + 0.3 * (-1.25f64).exp()),
        (2200, 20.0 - 0.3 * (-2.5f64).exp()),
        (2450, 20.0 - 0.3 * (-5.625f64).exp() * (4.5 * std::f64::consts::PI).cos()),
    ] {
        tokio::time::sleep(begun + Duration::from_millis(after_ms) - lab.bench.truth().at).await;
        let truth = lab.bench.truth().turntable;
        worst.note(truth.angle_deg, expected_deg, || format!("{after_ms} ms"));
        assert_eq!(truth.moving, after_ms <= 2000, "{after_ms}");
        let settling = lab.turntable.ask("STAT:OPER:COND?").await;
        assert_eq!(settling.parse::<u16>().expect("a number") & 2, 2, "{after_ms}");
    }
    assert_eq!(lab.turntable.ask("*OPC?").await, "1");
    let took = lab.bench.truth().at - begun;
    assert!((took.as_secs_f64() - 2.5).abs() < 2e-3, "{took:?}");
    let truth = lab.bench.truth().turntable;
    assert!((truth.angle_deg - 20.0).abs() < 0.3 * (-0.5f64 / 0.08).exp() + 1e-9, "{truth:?}");
    println!("{}", worst.checked());
}

#[tokio::test(start_paused = true)]
async fn an_ideal_table_is_where_its_encoder_says() {
    let mut lab = lab(TurntableModel::default());
    for to_deg in [33.0, -12.5, 0.0] {
        lab.rotate(to_deg).await;
        assert_eq!(angles(&mut lab).await, (to_deg, to_deg));
    }
    lab.turntable.set("AXIS:POS 20;:AXIS:STOP").await;
    let (true_deg, believed_deg) = angles(&mut lab).await;
    assert!((true_deg - believed_deg).abs() < 1e-6 && true_deg < 20.0);
}
