//! Random fault plans: any kind at any instrument, at any moment.

use super::random::Random;

/// A fault plan, as text.
pub struct Faults {
    pub text: String,
    /// The longest that any of its faults lasts, s.
    pub longest_s: f64,
    /// Whether a setting may move by itself, or an instrument wake with settings of its own.
    pub moves: bool,
}

const INSTRUMENTS: [&str; 5] = ["source", "scope", "dut", "turntable", "supply"];

/// Up to six faults.
pub fn plan(random: &mut Random) -> Faults {
    let mut faults = Faults { text: String::new(), longest_s: 0.0, moves: false };
    let lines = if random.chance(0.1) { 0 } else { random.whole(1, 6) };
    if lines == 0 {
        faults.text = "faults: []\n".into();
        return faults;
    }
    faults.text = format!("seed: {}\nfaults:\n", random.whole(1, 1_000_000));
    for _ in 0..lines {
        let line = line(random, &mut faults);
        faults.text.push_str(&format!("  - {{{line}}}\n"));
    }
    faults
}

fn line(random: &mut Random, faults: &mut Faults) -> String {
    let any = *random.one(&INSTRUMENTS);
    let (instrument, what, may_last) = match random.whole(0, 13) {
        0 => (any, "fault: no answer".to_owned(), true),
        1 => (any, format!("fault: late answer, late_s: {}", random.one(&[0.5, 3.0, 30.0])), false),
        2 if random.chance(0.3) => (any, "fault: closed link, answer_share: 0.5".into(), false),
        2 => (any, "fault: closed link".into(), false),
        3 => (any, format!("fault: garbage, bytes: {}", random.whole(1, 40)), false),
        4 => (*scpi(random), "fault: error entry, code: -310, text: fan".into(), false),
        5 => (any, "fault: setting not taken".into(), false),
        6 => {
            faults.moves = true;
            let drift = *random.one(&[
                ("supply", "voltage", -0.5),
                ("source", "amplitude", 0.5),
                ("scope", "range", 0.2),
                ("turntable", "angle", 60.0),
                ("dut", "tx.gain", 600.0),
            ]);
            let (instrument, setting, rate) = drift;
            (instrument, format!("fault: drift, setting: {setting}, rate_per_hour: {rate}"), true)
        }
        7 => {
            faults.moves = true;
            (any, "fault: restart".into(), true)
        }
        8 => ("turntable", format!("fault: stuck, short_deg: {}", random.whole(1, 9)), false),
        9 => {
            let chip = random.one(&["tx", "rx"]);
            ("dut", format!("fault: lost lock, chip: {chip}"), true)
        }
        10 => ("supply", "fault: current limit, to_share: 0.9".into(), true),
        11 => ("scope", "fault: stale trace".into(), false),
        12 => ("source", "fault: dropped segment, share: 0.3".into(), true),
        _ => ("source", "fault: stopped playing".into(), true),
    };
    let when = when(random, instrument == "scope" || instrument == "source");
    let mut line = format!("instrument: {instrument}, {what}, {when}");
    if may_last && random.chance(0.6) {
        let for_s = *random.one(&[0.1, 1.0, 20.0, 300.0, 3000.0]);
        faults.longest_s = faults.longest_s.max(for_s);
        line.push_str(&format!(", for_s: {for_s}"));
    }
    line
}

fn scpi(random: &mut Random) -> &'static &'static str {
    random.one(&["source", "scope", "turntable", "supply"])
}

fn when(random: &mut Random, captures: bool) -> String {
    match random.whole(0, 5) {
        0 => format!("at_s: {}", random.one(&[0.0, 0.1, 1.0, 10.0, 100.0, 1000.0])),
        1 => format!("at_s: {}, every: {}, times: 4", random.whole(0, 20), random.whole(5, 100)),
        2 => format!("at_command: {}", random.whole(1, 120)),
        3 => format!("per_command: {}", random.one(&[0.001, 0.01, 0.03])),
        4 if captures => format!("at_capture: {}", random.whole(1, 6)),
        _ => format!("per_hour: {}", random.one(&[2.0, 20.0, 200.0])),
    }
}
