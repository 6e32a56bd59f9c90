//! Syntax tests of program message units (IEEE 488.2 ch. 7; error numbers of SCPI-99 ch. 21.8).

use super::*;

fn number(value: f64, suffix: &str) -> Datum<'static> {
    let suffix = (!suffix.is_empty()).then(|| suffix.to_owned());
    Datum::Number { value, suffix }
}

fn check_data(unit: &[u8], expected: &[Datum<'_>]) {
    let (unit, _) = parse_unit(unit).expect("the unit is well formed");
    assert_eq!(unit.data, expected);
}

fn check_fault(unit: &[u8], code: i16) {
    let shown = String::from_utf8_lossy(unit).into_owned();
    assert_eq!(parse_unit(unit).expect_err(&shown).code, code, "{shown}");
}

#[test]
fn headers() {
    let (unit, rest) = parse_unit(b" :syst:Err:NEXT? ; *OPC").expect("well formed");
    assert!(unit.header.absolute && unit.header.query && !unit.header.common);
    assert_eq!(unit.header.nodes, ["SYST", "ERR", "NEXT"]);
    let (unit, rest) = parse_unit(rest.expect("a second unit")).expect("well formed");
    assert!(unit.header.common && rest.is_none());
    assert_eq!(unit.header.nodes, ["OPC"]);
}

#[test]
fn numbers_in_every_form() {
    // IEEE 488.2 ch. 7.7.2: point at either end, white space around E.
    check_data(
        b"V 1,-2.5,5.,.5",
        &[number(1.0, ""), number(-2.5, ""), number(5.0, ""), number(0.5, "")],
    );
    check_data(
        b"V 1.5E3,1.5 e -3,+2E+1",
        &[number(1500.0, ""), number(0.0015, ""), number(20.0, "")],
    );
    check_data(
        b"V 10 KHZ,1.5E3HZ,3.3V",
        &[number(10.0, "KHZ"), number(1500.0, "HZ"), number(3.3, "V")],
    );
    check_data(b"V 2EXHZ,3 DEG/S", &[number(2.0, "EXHZ"), number(3.0, "DEG/S")]);
    check_data(b"V #H1F,#q17,#B101", &[number(31.0, ""), number(15.0, ""), number(5.0, "")]);
}

#[test]
fn words_texts_blocks_expressions() {
    check_data(
        b"V MAX , 'it''s',\"a\"\"b;\"",
        &[Datum::Word("MAX".into()), Datum::Text("it's".into()), Datum::Text("a\"b;".into())],
    );
    check_data(b"V A,#15\n;,#\"", &[Datum::Word("A".into()), Datum::Block(b"\n;,#\"")]);
    check_data(b"V #800000002ab", &[Datum::Block(b"ab")]);
    check_data(b"V #10", &[Datum::Block(b"")]);
    check_data(b"V (@1,3:5)", &[Datum::Expression]);
}

#[test]
fn white_space_of_the_standard_separates() {
    // IEEE 488.2 ch. 7.4.1.2: every control character but NL.
    check_data(b"V\t\r\x011\r", &[number(1.0, "")]);
}

#[test]
fn what_is_wrong_gets_its_number() {
    check_fault(b"FR&Q 5", -101);
    check_fault(b"1FREQ", -101);
    check_fault(b"", -102);
    check_fault(b";", -102);
    check_fault(b"SYST:;ERR?", -102);
    check_fault(b"V 1 2", -103);
    check_fault(b"V #15abcdefgh", -103);
    check_fault(b"V 1,", -109);
    check_fault(b"V ,1", -109);
    check_fault(b"FREQ\"5\"", -111);
    check_fault(b"FREQ?5", -111);
    check_fault(b"ABCDEFGHIJKLM 5", -112);
    check_fault(b"V 1.2.3", -121);
    check_fault(b"V --1", -121);
    check_fault(b"V #Q9", -121);
    check_fault(b"V 1E40000", -123);
    check_fault(format!("V {}", "1".repeat(256)).as_bytes(), -124);
    check_fault(b"V 1ABCDEFGHIJKLM", -134);
    check_fault(b"V ABCDEFGHIJKLM", -144);
    check_fault(b"V 'abc", -151);
    check_fault(b"V #15abc", -161);
    check_fault(b"V #1", -161);
    check_fault(b"V #3x12", -161);
    check_fault(b"V #0abc", -161);
    check_fault(b"V (@1", -171);
}

#[test]
fn leading_zeros_do_not_count_as_digits() {
    check_data(format!("V {}1", "0".repeat(300)).as_bytes(), &[number(1.0, "")]);
}
