//! What expressions yield, what units go together, and that no text does harm.

use proptest::prelude::*;

use super::*;

/// Names of a small bench: a figure, readings, a parameter.
fn meaning(name: &str) -> Result<Meaning, Meaningless> {
    let door =
        |dimension| Ok(Meaning::Now(Name::Door(name.to_string()), Some(Sort::Number(dimension))));
    match name {
        "volts" => Ok(Meaning::Constant(Operand::Number(1.2), Sort::Number(Dimension::Voltage))),
        "evm" => Ok(Meaning::Now(Name::Figure("evm_db"), Some(Sort::Number(Dimension::Decibel)))),
        "supply.current" => door(Dimension::Current),
        "supply.voltage" => door(Dimension::Voltage),
        "source.level" => door(Dimension::PowerLevel),
        "dut.temperature" => door(Dimension::Temperature),
        "dut.rx.gain" => door(Dimension::Count),
        "turntable.speed" => door(Dimension::AngularSpeed),
        "dut.lock" => Ok(Meaning::Now(Name::Door(name.to_string()), Some(Sort::Truth))),
        "frame" => Ok(Meaning::Now(Name::Door(name.to_string()), Some(Sort::Word))),
        "turn" => Ok(Meaning::Now(Name::Turn, Some(Sort::Number(Dimension::Count)))),
        _ => Err((format!("there is no '{name}'"), None)),
    }
}

fn value_of(name: &Name) -> Option<Operand> {
    Some(match name {
        Name::Figure("evm_db") => Operand::Number(-17.5),
        Name::Turn => Operand::Number(3.0),
        Name::Door(name) => match name.as_str() {
            "supply.current" => Operand::Number(0.4),
            "supply.voltage" => Operand::Number(1.2),
            "source.level" => Operand::Number(-20.0),
            "dut.temperature" => Operand::Number(41.0),
            "dut.rx.gain" => Operand::Number(7.0),
            "turntable.speed" => Operand::Number(20.0),
            "dut.lock" => Operand::Truth(true),
            "frame" => Operand::Word("mcs 9".into()),
            _ => return None,
        },
        _ => return None,
    })
}

#[track_caller]
fn check_value(text: &str, sort: Sort, wanted: Operand) {
    let expression = Expression::read(text, &meaning).unwrap_or_else(|f| panic!("{text}: {f:?}"));
    assert_eq!(expression.sort(), sort, "{text}");
    match (expression.evaluate(value_of).unwrap(), wanted) {
        (Operand::Number(is), Operand::Number(wanted)) => {
            // A few roundings of doubles.
            assert!((is - wanted).abs() <= 1e-12 * wanted.abs().max(1e-12), "{text}: {is}");
        }
        (is, wanted) => assert_eq!(is, wanted, "{text}"),
    }
}

#[test]
fn numbers_have_units() {
    use Dimension as D;
    let number = |dimension, value| (Sort::Number(dimension), Operand::Number(value));
    for (text, (sort, value)) in [
        ("volts + 0.05 V", number(D::Voltage, 1.25)),
        ("volts + 50 mV", number(D::Voltage, 1.25)),
        ("2 * volts - 400 mV", number(D::Voltage, 2.0)),
        ("1 / 2", number(D::Ratio, 0.5)),
        ("7 / 2 * 2", number(D::Ratio, 7.0)),
        ("2 ^ 10", number(D::Ratio, 1024.0)),
        ("-2 ^ 2", number(D::Ratio, -4.0)),
        ("-(3 dB)", number(D::Decibel, -3.0)),
        ("source.level + 3 dB", number(D::PowerLevel, -17.0)),
        ("3 dB + source.level", number(D::PowerLevel, -17.0)),
        ("source.level - -23 dBm", number(D::Decibel, 3.0)),
        ("source.level - 3 dB", number(D::PowerLevel, -23.0)),
        ("supply.current * supply.voltage", number(D::Power, 0.48)),
        ("0.48 W / supply.current", number(D::Voltage, 1.2)),
        ("0.48 W / supply.voltage", number(D::Current, 0.4)),
        ("supply.current / 200 mA", number(D::Ratio, 2.0)),
        ("turntable.speed * 3 s", number(D::Angle, 60.0)),
        ("30 deg / turntable.speed", number(D::Time, 1.5)),
        ("30 deg / 1.5 s + 2 deg/s", number(D::AngularSpeed, 22.0)),
        ("1 / 2 ns", number(D::Frequency, 5e8)),
        ("2 min + 1 h", number(D::Time, 3720.0)),
        ("dut.rx.gain + 1", number(D::Ratio, 8.0)),
        ("turn * 2", number(D::Ratio, 6.0)),
        ("3 % + 10 ppm", number(D::Ratio, 0.030_01)),
        ("10 M", number(D::Count, 1e7)),
        ("(dut.temperature + 45 degC) / 2", number(D::Temperature, 43.0)),
        ("max(volts, 1.3 V, supply.voltage)", number(D::Voltage, 1.3)),
        ("min(3, turn)", number(D::Ratio, 3.0)),
        ("abs(evm)", number(D::Decibel, 17.5)),
        ("round(2.6) + floor(2.6) + ceil(2.4)", number(D::Ratio, 8.0)),
        ("sqrt(16) + log10(1000)", number(D::Ratio, 7.0)),
        ("1.5e3", number(D::Ratio, 1500.0)),
    ] {
        check_value(text, sort, value);
    }
}

#[test]
fn conditions_hold_or_do_not() {
    for (text, holds) in [
        ("evm < -16 dB", true),
        ("evm < -16 dB and supply.current > 0.5 A", false),
        ("evm > -16 dB or supply.current <= 0.4 A", true),
        ("evm < -16 dB && !(supply.current > 0.5 A)", true),
        ("not dut.lock", false),
        ("dut.lock == on and not (turn >= 4)", true),
        ("frame == 'mcs 9'", true),
        ("frame != \"mcs 9\"", false),
        ("1 / 2 == 0.5", true),
        ("dut.rx.gain == 7", true),
        ("off", false),
    ] {
        check_value(text, Sort::Truth, Operand::Truth(holds));
    }
    check_value("frame", Sort::Word, Operand::Word("mcs 9".into()));
}

#[track_caller]
fn check_fault(text: &str, at: &str, message: &str) {
    let fault = Expression::read(text, &meaning).unwrap_err();
    assert_eq!(&text[fault.span.clone()], at, "{text}: {}", fault.message);
    assert!(fault.message.contains(message), "{text}: {}", fault.message);
}

#[test]
fn what_does_not_go_together_is_pointed_at() {
    check_fault(
        "1 + volts + 0.1 A",
        "1 + volts",
        "'+' does not go with a bare number and a voltage",
    );
    check_fault("2 * (volts + 0.1 A)", "volts + 0.1 A", "a voltage and a current");
    check_fault(
        "source.level + -20 dBm",
        "source.level + -20 dBm",
        "a power level and a power level",
    );
    check_fault("3 dB - source.level", "3 dB - source.level", "'-' does not go");
    check_fault("2 * source.level", "2 * source.level", "'*' does not go");
    check_fault(
        "evm < -16",
        "evm < -16",
        "a ratio in decibels cannot be compared with a bare number",
    );
    check_fault("evm < -16 dBm", "evm < -16 dBm", "cannot be compared");
    check_fault("frame < 'mcs 9'", "frame < 'mcs 9'", "there is no order between a word");
    check_fault("frame == 9", "frame == 9", "a word cannot be compared with a bare number");
    check_fault("not evm < -16 dB", "evm", "put what it turns round in brackets");
    check_fault("dut.lock + 1", "dut.lock + 1", "numbers are wanted here, not yes or no");
    check_fault("evm < 1 dB < 2 dB", "evm < 1 dB < 2 dB", "yes or no cannot be compared");
    check_fault("volts and dut.lock", "volts and dut.lock", "'and' and 'or' want yes or no");
    check_fault("volts ^ 2", "volts ^ 2", "'^' does not go");
    check_fault("sqrt(volts)", "volts", "sqrt does not go with a voltage");
    check_fault("min(volts)", "volts", "min takes 2 to 8 values");
    check_fault("abs(1, 2)", "1, 2", "abs takes 1 values");
    check_fault("min(volts, 1 A)", "volts, 1 A", "min does not go with");
}

#[test]
fn what_cannot_be_read_is_pointed_at() {
    check_fault("volts + 0.05 v", "v", "'v' is not a known unit");
    check_fault("voltz + 1 V", "voltz", "there is no 'voltz'");
    check_fault("evm = 3 dB", "=", "'=' has no meaning");
    check_fault("1,2 V", ",", "a comma stands only between values of a function");
    check_fault("(1, 2)", "1, 2", "a comma stands only between values");
    check_fault("(1 + 2", "(", "this bracket is not closed");
    check_fault("1 + 2)", ")", "was not opened");
    check_fault("1 2", "2", "a sign such as + or 'and' is missing");
    check_fault("* 2", "*", "a value is missing before this");
    check_fault("2 *", "*", "a value is missing at the end");
    check_fault("'mcs 9", "'mcs 9", "quote is not closed");
    check_fault("7 % 2", "2", "a sign such as + or 'and' is missing");
    check_fault("volts; 3", ";", "';' has no meaning");
    check_fault("1e999 V", "1e999 V", "too large");
    check_fault("µ", "µ", "'µ' has no meaning");
    assert!(Expression::read("", &meaning).is_err());
    let fault = Expression::read("0.5 a", &meaning).unwrap_err();
    assert_eq!(fault.help.as_deref(), Some("did you mean 'A'?"));
}

/// Texts that would take a recursive parser's stack, or its time.
#[test]
fn size_and_depth_are_bounded() {
    for text in [
        "(".repeat(50_000) + "1" + &")".repeat(50_000),
        "-".repeat(100_000),
        "1+".repeat(50_000) + "1",
        "a".repeat(100_000),
        format!("{}1{}", "(".repeat(500), ")".repeat(500)),
        format!("{}1", "-".repeat(300)),
        format!("{}1", "not ".repeat(300)),
        format!("{}1{}", "abs(".repeat(100), ")".repeat(100)),
        format!("{}2", "2 ^ ".repeat(400)),
    ] {
        assert!(Expression::read(&text, &meaning).is_err(), "{}", &text[..20]);
    }
    // The largest that is accepted, deep to the right and to the left.
    for text in [format!("{}1", "1 ^ ".repeat(127)), format!("{}1", "1 + ".repeat(127))] {
        let read = Expression::read(&text, &meaning).unwrap();
        assert!(read.evaluate(value_of).is_ok());
    }
    // Some thousand times what it takes on an idle machine.
}

#[test]
fn what_is_no_number_is_no_value() {
    for text in ["1 / 0", "0 / 0", "log10(0)", "sqrt(-1)", "10 ^ 400"] {
        let expression = Expression::read(text, &meaning).unwrap();
        let failed = expression.evaluate(value_of).unwrap_err();
        assert!(matches!(failed, ExpressionError::Calculation { .. }), "{text}: {failed}");
    }
    let expression = Expression::read("evm < 1 dB", &meaning).unwrap();
    let failed = expression.holds(|_| None).unwrap_err();
    assert_eq!(failed, ExpressionError::Missing(Name::Figure("evm_db")));
}

/// The algebra of dimensions by the definition: dBm stand for `10 log10` of a power over 1 mW, dB for
/// that of a ratio, so that sums of levels would be products of powers, which nothing here has.
#[test]
fn sums_and_differences_undo_each_other() {
    let text = |dimension: Dimension| format!("1 {}", dimension.base_unit());
    let sort = |text: &str| match Expression::read(text, &meaning) {
        Ok(read) => match read.sort() {
            Sort::Number(dimension) => Some(dimension),
            other => panic!("{text}: {other:?}"),
        },
        Err(_) => None,
    };
    for a in Dimension::ALL {
        for b in Dimension::ALL {
            let sum = sort(&format!("{} + {}", text(*a), text(*b)));
            let turned = sort(&format!("{} + {}", text(*b), text(*a)));
            assert_eq!(sum, turned, "{a:?} {b:?}");
            if let Some(sum) = sum {
                // What was added can be taken away again.
                let back = sort(&format!("{} - {}", text(sum), text(*b)));
                assert!(back.is_some(), "{a:?} {b:?}: {sum:?}");
            }
            let product = sort(&format!("{} * {}", text(*a), text(*b)));
            assert_eq!(product, sort(&format!("{} * {}", text(*b), text(*a))), "{a:?} {b:?}");
            if let Some(product) = product {
                let back = sort(&format!("{} / {}", text(product), text(*b)));
                let fits = back.is_some_and(|back| Sort::Number(back).fits(Sort::Number(*a)));
                assert!(fits, "{a:?} * {b:?} = {product:?}, over {b:?} it is {back:?}");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_text_panics(text in "\\PC{0,60}") {
        if let Ok(read) = Expression::read(&text, &meaning) {
            let _ = read.evaluate(value_of);
        }
    }

    #[test]
    fn no_text_of_its_own_signs_panics(
        text in "(volts|evm|dut.lock|frame|turn|min|abs|[0-9.]{1,3}| V| dB|e|[-+*/^()<>=!&|,'% ]|and|not| ){0,40}"
    ) {
        match Expression::read(&text, &meaning) {
            Ok(read) => {
                let _ = read.evaluate(value_of);
            }
            Err(fault) => prop_assert!(fault.span.end <= text.len().max(1), "{fault:?}"),
        }
    }

    /// Sums and products of bare numbers against the same calculation here.
    #[test]
    fn arithmetic_is_that_of_doubles(a in -1e6f64..1e6, b in 0.1f64..1e6, c in -1e3f64..1e3) {
        let text = format!("({a} + {b}) * {c} - {a} / {b}");
        let read = Expression::read(&text, &meaning).unwrap();
        let wanted = (a + b) * c - a / b;
        prop_assert_eq!(read.evaluate(value_of).unwrap(), Operand::Number(wanted));
    }
}
