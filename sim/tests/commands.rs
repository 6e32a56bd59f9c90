//! Every command of every instrument over an in-process pipe.

mod common;

use beamwarden_sim::{Model, Post, SimBench};
use common::{Client, Lab};

fn bench() -> SimBench {
    SimBench::new(Model::default()).expect("the default model holds")
}

/// Sets a value and reads it back; then its limits, and what is just beyond them.
async fn check_number(
    client: &mut Client,
    header: &str,
    value: &str,
    read: f64,
    limits: (f64, f64),
) {
    client.set(&format!("{header} {value}")).await;
    let got = client.number(&format!("{header}?")).await;
    assert!((got - read).abs() <= 1e-11 * read.abs(), "{header} {value}: {got}");
    assert_eq!(client.number(&format!("{header}? MIN")).await, limits.0, "{header}? MIN");
    assert_eq!(client.number(&format!("{header}? MAX")).await, limits.1, "{header}? MAX");
    client.refused(&format!("{header} {:E}", limits.1 * 1.01), -222).await;
    client.set(&format!("{header} {value}")).await;
}

async fn check_word(client: &mut Client, header: &str, word: &str, answer: &str) {
    client.set(&format!("{header} {word}")).await;
    assert_eq!(client.ask(&format!("{header}?")).await, answer, "{header} {word}");
}

#[tokio::test(start_paused = true)]
async fn every_scpi_instrument_has_the_required_commands() {
    // SCPI-99 vol. 1 ch. 4.2.1 and IEEE 488.2 ch. 10: the commands every instrument must have.
    let bench = bench();
    for (post, model) in [
        (Post::Source, "SIM-SOURCE"),
        (Post::Scope, "SIM-SCOPE"),
        (Post::Turntable, "SIM-TURNTABLE"),
        (Post::Supply, "SIM-SUPPLY"),
    ] {
        let mut client = Client::pipe(&bench, post);
        let identity = client.ask("*IDN?").await;
        assert_eq!(identity.split(',').nth(1), Some(model));
        assert_eq!(identity.split(',').count(), 4);
        // PON, then nothing.
        assert_eq!(client.ask("*ESR?").await, "128");
        assert_eq!(client.ask("*ESR?").await, "0");
        client.set("*RST;*CLS;*ESE 60;*SRE 255;*OPC;*WAI").await;
        assert_eq!(client.ask("*ESE?;*SRE?;*TST?;*OPC?").await, "60;191;0;1");
        assert_eq!(client.ask("*ESR?").await, "1");
        assert_eq!(client.ask("SYST:VERS?;ERR:COUN?").await, "1999.0;0");
        client.set("STAT:OPER:ENAB 65535;PTR 6;NTR 8;:STAT:QUES:ENAB 3").await;
        assert_eq!(client.ask("STAT:OPER:ENAB?;PTR?;NTR?;COND?;EVEN?").await.split(';').count(), 5);
        assert_eq!(client.ask("STAT:OPER:ENAB?;:STAT:QUES:ENAB?").await, "32767;3");
        client.set("STATUS:PRESET").await;
        assert_eq!(client.ask("STAT:OPER:ENAB?;PTR?;NTR?;:STAT:QUES:ENAB?").await, "0;32767;0;0");
        assert_eq!(client.ask("STAT:QUES?;QUES:COND?").await, "0;0");
        client.refused("FOO:BAR 1", -113).await;
        client.send("FOO").await;
        assert_eq!(client.ask("*STB?").await, "100");
        client.send("*CLS").await;
        assert_eq!(client.ask("SYST:ERR:COUN?;:SYSTEM:ERROR:NEXT?").await, "0;0,\"No error\"");
    }
}

#[tokio::test(start_paused = true)]
async fn source_settings() {
    let mut source = Client::pipe(&bench(), Post::Source);
    assert_eq!(source.ask("FUNC?;:OUTP?").await, "DC;0");
    check_number(&mut source, "SOUR:CLOC:FREQ", "7.04 GHZ", 7.04e9, (10e6, 12e9)).await;
    check_number(&mut source, "CLOC", "7040 MHZ", 7.04e9, (10e6, 12e9)).await;
    check_number(&mut source, "SOURce1:VOLTage:LEVel", "400MV", 0.4, (0.01, 1.0)).await;
    source.refused("VOLT 0.001", -222).await;
    check_word(&mut source, "FORM:BORD", "SWAPped", "SWAP").await;
    check_word(&mut source, "FORM:BORD", "NORM", "NORM").await;
    check_word(&mut source, "FORM", "INT,16", "INT,16").await;
    source.refused("FORM REAL,32", -224).await;
    source.refused("FORM INT,8", -224).await;
    source.refused("FUNC SIN", -224).await;
    source.refused("FUNC USER", -221).await;
    source.refused("FUNC:USER NOPE", -292).await;
    assert_eq!(source.ask("FUNC:USER?").await, "NONE");
    check_word(&mut source, "OUTP", "ON", "1").await;
    source.refused("OUTP2 ON", -114).await;
    source.set("*RST").await;
    assert_eq!(source.ask("OUTP?").await, "0");
}

#[tokio::test(start_paused = true)]
async fn source_memory() {
    let mut source = Client::pipe(&bench(), Post::Source);
    assert_eq!(source.ask("TRAC:CAT?").await, "\"\"");
    source.set("TRAC:DEF FRAME,4").await;
    source.set("TRAC:DEF 'b',2").await;
    assert_eq!(source.ask("TRAC:CAT?").await, "\"B\",\"FRAME\"");
    assert_eq!(source.ask("TRAC:POIN? frame").await, "4");
    assert_eq!(source.ask("TRAC:FREE?").await, "15999994,6");
    source.refused("TRAC:DEF FRAME,4", -293).await;
    source.refused("TRAC:DEF BIG,15999995", -225).await;
    source.refused("TRAC:DEF HUGE,16000001", -222).await;
    source.refused("TRAC:DEF NONE,1", -224).await;
    source.refused("TRAC:DEF X", -109).await;
    source.refused("TRAC NOPE,#18abcdefgh", -292).await;
    source.refused("TRAC FRAME,1,2,3", -128).await;
    source.refused("TRAC FRAME,#15abcde", -161).await;
    source.refused("TRAC FRAME,#18abcdefgh", -226).await;
    source.refused("TRAC FRAME,#220abcdefghijklmnopqrst", -223).await;
    // Sixteen bytes, some of which are NL, `;` and `#`: NORMal is most significant byte first.
    source.write(b"TRAC FRAME,#216\x00\x01\n\n;;##\xff\xff\x80\x00\x7f\xff\r\n\n").await;
    assert_eq!(source.ask("SYST:ERR?").await, "0,\"No error\"");
    assert_eq!(source.block("TRAC? FRAME").await, b"\x00\x01\n\n;;##\xff\xff\x80\x00\x7f\xff\r\n");
    source.set("FORM:BORD SWAP").await;
    assert_eq!(
        source.block("TRAC:DATA? FRAME").await,
        b"\x01\x00\n\n;;##\xff\xff\x00\x80\xff\x7f\n\r"
    );
    source.set("FUNC:USER FRAME;:FUNC USER;:OUTP ON").await;
    assert_eq!(source.ask("FUNC?;FUNC:USER?").await, "USER;FRAME");
    source.set("TRAC:DEL B").await;
    source.refused("TRAC:DEL:NAME B", -292).await;
    // What is deleted cannot go on playing.
    source.set("TRAC:DEL:ALL").await;
    assert_eq!(source.ask("FUNC?;FUNC:USER?;:TRAC:CAT?").await, "DC;NONE;\"\"");
}

#[tokio::test(start_paused = true)]
async fn scope_settings() {
    let mut scope = Client::pipe(&bench(), Post::Scope);
    check_number(&mut scope, "SENS:VOLT:DC:RANG:UPP", "250 mV", 0.25, (0.005, 2.0)).await;
    check_number(&mut scope, "SWE:TINT", "125 PS", 125e-12, (25e-12, 1e-6)).await;
    check_number(&mut scope, "SWE:POIN", "15000", 15e3, (16.0, 8e6)).await;
    assert_eq!(scope.number("SWE:TIME?").await, 15e3 * 125e-12);
    scope.set("SWE:TIME 1US").await;
    assert_eq!(scope.ask("SWE:POIN?").await, "8000");
    check_number(&mut scope, "SENS:SWE:OFFS:TIME", "-0.5 US", -0.5e-6, (-10.0, 10.0)).await;
    check_word(&mut scope, "TRIG:SOUR", "EXTernal", "EXT").await;
    check_word(&mut scope, "TRIGger:SOURce", "IMM", "IMM").await;
    check_word(&mut scope, "FORM:DATA", "INTEGER,16", "INT,16").await;
    check_word(&mut scope, "FORM:BORD", "SWAP", "SWAP").await;
    // 10 bits over plus and minus 0.25 V.
    assert_eq!(scope.ask("TRAC:SCAL? CH2").await, "4.88281250000E-04,0.00000000000E+00,10");
    scope.refused("TRAC:SCAL? CH3", -224).await;
    scope.refused("TRAC? CH1", -230).await;
    scope.refused("TRAC?", -109).await;
}

#[tokio::test(start_paused = true)]
async fn scope_sequence() {
    let bench = bench();
    let mut scope = Client::pipe(&bench, Post::Scope);
    scope.set("SWE:POIN 64").await;
    assert_eq!(scope.ask("INIT;*OPC?").await, "1");
    assert_eq!(scope.codes("CH1").await.len(), 64);
    // Byte order and format are no part of the record; range is.
    scope.set("FORM:BORD SWAP;:VOLT:RANG 1").await;
    assert_eq!(scope.block("TRAC? CH2").await.len(), 128);
    scope.set("VOLT:RANG 0.5").await;
    scope.refused("TRAC? CH1", -230).await;
    // The marker does not come: the scope waits until it is told otherwise.
    scope.set("TRIG:SOUR EXT;:INIT").await;
    assert_eq!(scope.ask("STAT:OPER:COND?").await, "32");
    scope.refused("INIT", -213).await;
    scope.refused("VOLT:RANG 0.1", -221).await;
    scope.refused("TRAC? CH1", -230).await;
    scope.set("ABOR").await;
    assert_eq!(scope.ask("*OPC?;STAT:OPER:COND?").await, "1;0");
    scope.refused("TRAC? CH1", -230).await;
    scope.set("INIT;*RST").await;
    assert_eq!(scope.ask("*OPC?;SWE:POIN?;:TRIG:SOUR?").await, "1;1000;IMM");
}

#[tokio::test(start_paused = true)]
async fn supply_settings_and_readings() {
    let mut lab = Lab::new(Model::default());
    let supply = &mut lab.supply;
    check_number(supply, "SOUR:VOLT:LEV:IMM:AMPL", "1.2 V", 1.2, (0.0, 3.0)).await;
    check_number(supply, "CURR", "1500 MA", 1.5, (0.0, 2.0)).await;
    check_number(supply, "VOLT:PROT", "1.4", 1.4, (0.1, 3.3)).await;
    assert!(supply.number("MEAS:VOLT?").await.abs() < 2e-3);
    supply.set("OUTP ON;*WAI").await;
    // Five sigma of the meter's noise.
    assert!((supply.number("MEASURE:SCALAR:VOLTAGE:DC?").await - 1.2).abs() < 1e-3);
    let idle = supply.number("MEAS:CURR?").await;
    assert!((idle - 0.02).abs() < 1e-3, "{idle}");
    assert_eq!(lab.dut.ask("w 0001 0001").await, "ok");
    let truth = lab.bench.truth().supply.current_a;
    let got = lab.supply.number("MEAS:CURR:DC?").await;
    assert!(got > idle + 0.1 && (got - truth).abs() < 1e-3, "{got} {truth}");
}

#[tokio::test(start_paused = true)]
async fn supply_protection_trips_latches_and_clears() {
    let mut lab = Lab::new(Model::default());
    let supply = &mut lab.supply;
    supply.set("VOLT:PROT 1.0;:VOLT 1.2;OUTP ON;*WAI").await;
    assert_eq!(supply.ask("OUTP?;VOLT:PROT:TRIP?;:STAT:QUES:COND?").await, "0;1;512");
    supply.refused("OUTP ON", -240).await;
    supply.set("VOLT:PROT:CLE;:VOLT:PROT MAX;:OUTP ON;*WAI").await;
    assert_eq!(supply.ask("OUTP?;VOLT:PROT:TRIP?;:STAT:QUES:COND?").await, "1;0;0");
    assert_eq!(lab.dut.ask("r 0000").await, "= 7A11");
}

#[tokio::test(start_paused = true)]
async fn supply_in_current_limit_says_so_and_sags() {
    let mut lab = Lab::new(Model::default());
    lab.supply.set("VOLT 1.2;CURR 0.1;OUTP ON;*WAI").await;
    assert_eq!(lab.dut.ask("w 0001 0001").await, "ok");
    lab.supply.set("*WAI").await;
    // 0.1 A does not carry an enabled chip: it browns out, resets, and draws little again.
    assert_eq!(lab.dut.ask("r 0001").await, "= 0000");
    assert!((lab.bench.truth().supply.terminal_v - 1.2).abs() < 1e-9);
    lab.supply.set("CURR 0.25").await;
    assert_eq!(lab.dut.ask("w 0001 0001").await, "ok");
    lab.supply.set("*WAI").await;
    assert_eq!(lab.supply.ask("STAT:QUES:COND?").await, "1");
    let truth = lab.bench.truth();
    assert!(truth.supply.terminal_v < 1.2 && truth.powered && truth.tx.enabled);
    assert!((truth.supply.current_a - 0.25).abs() < 1e-9);
}

#[tokio::test(start_paused = true)]
async fn turntable_settings() {
    let mut table = Client::pipe(&bench(), Post::Turntable);
    assert_eq!(table.ask("AXIS:REF?;STAT?").await, "1;1");
    check_number(&mut table, "AXIS:SPE", "30 DEG/S", 30.0, (0.01, 60.0)).await;
    check_number(&mut table, "AXIS1:POS:TOL", "0.1", 0.1, (0.001, 10.0)).await;
    check_number(&mut table, "AXIS:LIM:UPP", "45DEG", 45.0, (-90.0, 180.0)).await;
    table.set("AXIS:LIM:LOW -45").await;
    assert_eq!(table.number("AXIS:POS? MIN").await, -45.0);
    assert_eq!(table.number("AXIS:POS? MAX").await, 45.0);
    table.refused("AXIS:POS 45.1", -222).await;
    table.refused("AXIS:POS 1 HZ", -131).await;
    table.refused("AXIS2:POS 1", -114).await;
    table.set("AXIS:POS 0.5 RAD;*WAI").await;
    let angle = table.number("AXIS:POS?").await;
    assert!((angle - 0.5f64.to_degrees()).abs() < 1e-3, "{angle}");
    assert!((table.number("AXIS:POS:TARG?").await - 0.5f64.to_degrees()).abs() < 1e-9);
    table.set("AXIS OFF").await;
    table.refused("AXIS:POS 0", -221).await;
    table.refused("AXIS:HOME", -221).await;
    table.set("AXIS ON;AXIS:HOME").await;
    table.refused("AXIS:POS 10", -221).await;
    assert_eq!(table.ask("*OPC?;AXIS:REF?;POS?").await, "1;1;0.00000000000E+00");
}

#[tokio::test(start_paused = true)]
async fn dut_port() {
    let mut lab = Lab::new(Model::default());
    // `id` works without supply, nothing else does.
    let identity = lab.dut.ask("id").await;
    assert!(identity.starts_with("id BEAMWARDEN,SIM-TRANSCEIVER,0,"), "{identity}");
    assert_eq!(lab.dut.ask("*IDN?").await, identity[3..]);
    assert_eq!(lab.dut.ask("r 0000").await, "no 5 chip has no power");
    assert_eq!(lab.dut.ask("w 0001 0001").await, "no 5 chip has no power");
    lab.supply.set("VOLT 1.2;OUTP ON;*WAI").await;
    for (line, answer) in [
        ("r 0000", "= 7A11"),
        ("r 1000", "= 7A12"),
        ("r 0001", "= 0000"),
        ("r 0002", "= 0002"),
        ("r 1003", "= 0010"),
        ("r 1107", "= 8000"),
        ("r 0010", "= 0002"),
        ("w 0002 0003\r", "ok"),
        ("w 0002 0007", "no 4 value out of range"),
        ("w 0010 0001", "no 3 read-only register"),
        ("r 0108", "no 2 no such register"),
        ("x", "no 1 unknown command"),
        ("r 12", "no 1 unknown command"),
        ("\n\nr 0002", "= 0003"),
    ] {
        assert_eq!(lab.dut.ask(line).await, answer, "{line}");
    }
    assert_eq!(lab.dut.ask(&"r".repeat(5000)).await, "no 1 unknown command");
    let answer = lab.dut.ask("r 0011").await;
    let sixteenths = u16::from_str_radix(answer.trim_start_matches("= "), 16).expect("hex");
    // Ambient 24 degC and a little stand-by power.
    assert!((24 * 16..26 * 16).contains(&sixteenths), "{answer}");
}
