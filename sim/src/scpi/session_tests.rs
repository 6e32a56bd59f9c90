//! Tests of a whole session against a small instrument: path rule, errors, synchronisation.

use std::time::Duration;

use super::command::{Act, Command};
use super::front::Front;
use super::quantity::Unit;
use super::session::{Busy, Host, Session, Step};

/// An instrument with a voltage, a switch, a block and an operation that takes time.
struct Toy {
    front: Front,
    volts: f64,
    on: bool,
    bytes: Vec<u8>,
    now: u64,
    end: Option<u64>,
}

impl Default for Toy {
    fn default() -> Self {
        let mut front = Front::default();
        front.clear();
        Self { front, volts: 0.0, on: false, bytes: Vec::new(), now: 0, end: None }
    }
}

impl Host for Toy {
    fn front(&mut self) -> &mut Front {
        &mut self.front
    }
    fn busy(&self) -> Busy {
        match self.end {
            None => Busy::No,
            Some(u64::MAX) => Busy::Open,
            Some(end) => Busy::Until(Duration::from_secs(end)),
        }
    }
    fn settle(&mut self) {
        if self.end.is_some_and(|end| end <= self.now) {
            self.end = None;
        }
        if self.end.is_none() {
            self.front.note_idle();
        }
    }
    fn reset(&mut self) {
        (self.volts, self.on, self.end) = (0.0, false, None);
    }
    fn identity(&self) -> String {
        "OURS,TOY,0,1".to_owned()
    }
}

const COMMANDS: &[Command<Toy>] = &[
    Command {
        header: "[SOURce#:]VOLTage[:LEVel]",
        act: Act::Number {
            unit: Unit::Volt,
            limits: |_| (0.0, 3.0),
            get: |toy| toy.volts,
            set: |toy, v| {
                toy.volts = v;
                Ok(())
            },
        },
    },
    Command {
        header: "OUTPut#[:STATe]",
        act: Act::Switch {
            get: |toy| toy.on,
            set: |toy, on| {
                toy.on = on;
                Ok(())
            },
        },
    },
    Command {
        header: "TRACe[:DATA]",
        act: Act::Event(|toy, args| {
            toy.bytes = args.block()?.to_vec();
            args.end()
        }),
    },
    Command {
        header: "INITiate",
        act: Act::Event(|toy, _| {
            toy.end = Some(toy.now + 5);
            Ok(())
        }),
    },
];

fn drain(session: &mut Session<Toy>, toy: &mut Toy) -> String {
    let mut out = Vec::new();
    while let Step::Reply(bytes) = session.poll(toy) {
        out.extend(bytes);
    }
    String::from_utf8(out).expect("answers are text")
}

/// What comes back for `input`, fed in chunks of every size.
fn check(input: &str, expected: &str) {
    for chunk in [1, 3, input.len().max(1)] {
        let mut toy = Toy::default();
        let mut session = Session::new(COMMANDS);
        let mut got = String::new();
        for piece in input.as_bytes().chunks(chunk) {
            session.feed(piece);
            got.push_str(&drain(&mut session, &mut toy));
        }
        assert_eq!(got, expected, "{input:?} in chunks of {chunk}");
    }
}

/// The error number that `message` leaves, and that it leaves just one.
fn check_error(message: &str, code: i16) {
    let mut toy = Toy::default();
    let mut session = Session::new(COMMANDS);
    session.feed(message.as_bytes());
    session.feed(b"\n");
    drain(&mut session, &mut toy);
    assert_eq!(toy.front.fault_count(), usize::from(code != 0), "{message}");
    assert_eq!(toy.front.next_fault().code, code, "{message}");
}

#[test]
fn path_rule_of_scpi_99() {
    // SCPI-99 vol. 1 ch. 6.2.4, the vectors of its discussion: headers go on in the node above the
    // last one named, common commands do not move the path, a colon goes back to the root.
    check("SYST:VERS?;ERR:NEXT?;COUN?\n", "1999.0;0,\"No error\";0\n");
    check("SYST:VERS?;:SYST:ERR:NEXT?;COUN?\n", "1999.0;0,\"No error\";0\n");
    check("SYST:VERS?;*OPC?;ERR?\n", "1999.0;1;0,\"No error\"\n");
    check("SYST:VERS?;ERR?;VERS?\n", "1999.0;0,\"No error\";1999.0\n");
    check("SYST:ERR:NEXT?;:SYST:VERS?\n", "0,\"No error\";1999.0\n");
    check("SYST:ERR:NEXT?;VERS?\nSYST:ERR?\n", "0,\"No error\"\n-113,\"Undefined header;VERS?\"\n");
    // Omitted default nodes do not alter the path: it follows the header as sent.
    check("VOLT 1;OUTP ON\nOUTP?;VOLT?\n", "1;1.00000000000E+00\n");
    check("SOUR:VOLT 2;VOLT?\n", "2.00000000000E+00\n");
    check_error("SOUR:VOLT 2;OUTP ON", -113);
    // The terminator goes back to the root.
    check("SYST:ERR:COUN?\nSYST:ERR:COUN?\n", "0\n0\n");
}

#[test]
fn values_in_all_their_forms() {
    check("VOLT 1500 mV;VOLT?\n", "1.50000000000E+00\n");
    check("volt max;volt?;volt? min\n", "3.00000000000E+00;0.00000000000E+00\n");
    check("OUTP 0.6;OUTP?;:OUTP OFF;OUTP?\n", "1;0\n");
    check("*ESR?;*STB?\n", "0;16\n");
    check("*IDN?\r\n", "OURS,TOY,0,1\n");
    check("\n  \r\n*TST?\n", "0\n");
}

#[test]
fn error_numbers() {
    // SCPI-99 vol. 2 ch. 21.8.
    check_error("VOLT 1", 0);
    check_error("VOLT&", -101);
    check_error("VOLT 1;", -102);
    check_error("VOLT 1;;OUTP ON", -102);
    check_error("VOLT 1 2", -103);
    check_error("VOLT #11A", -104);
    check_error("VOLT 1,2", -108);
    check_error("*CLS 1", -108);
    check_error("VOLT?  1", -128);
    check_error("VOLT", -109);
    check_error("VOLT'1'", -111);
    check_error("FOO", -113);
    check_error("INIT?", -113);
    check_error("*FOO", -113);
    check_error("*TST", -113);
    check_error("OUTP9 ON", -114);
    check_error("VOLT 1.2.3", -121);
    check_error("VOLT 1HZ", -131);
    check_error("OUTP 1V", -138);
    check_error("VOLT '1'", -158);
    check_error("OUTP (@1)", -178);
    check_error("OUTP #11A", -168);
    check_error("TRAC 5", -128);
    check_error("TRAC #0abc", -161);
    check_error("TRAC #13abcdef", -103);
    check_error("VOLT 3.1", -222);
    check_error("VOLT INF", -224);
    check_error("*ESE 256", -222);
    check_error("*IDN?;*OPC?", -440);
}

#[test]
fn a_command_error_ends_its_message_an_execution_error_does_not() {
    check("VOLT 9;OUTP ON\nOUTP?\n", "1\n");
    check("FOO;OUTP ON\nOUTP?\n", "0\n");
    check("VOLT 9;*OPC?\n", "1\n");
}

#[test]
fn an_overlong_text_is_an_overrun() {
    check_error(&"A".repeat((1 << 20) + 10), -363);
}

#[test]
fn blocks_arrive_whole_whatever_the_chunks() {
    let mut stream = b"TRAC #3256".to_vec();
    stream.extend(0..=255u8);
    stream.extend(b";*OPC?\n");
    for chunk in 1..stream.len() {
        let mut toy = Toy::default();
        let mut session = Session::new(COMMANDS);
        for piece in stream.chunks(chunk) {
            session.feed(piece);
        }
        assert_eq!(drain(&mut session, &mut toy), "1\n");
        assert_eq!(toy.bytes, (0..=255u8).collect::<Vec<_>>());
    }
}

#[test]
fn a_connection_that_ends_inside_a_block_leaves_an_error() {
    let mut toy = Toy::default();
    let mut session = Session::new(COMMANDS);
    session.feed(b"TRAC #15ab");
    session.hang_up(&mut toy);
    assert_eq!(toy.front.next_fault().code, -161);
}

fn is_blocked(step: &Step, until: Option<u64>) -> bool {
    matches!(step, Step::Blocked(time) if *time == until.map(Duration::from_secs))
}

#[test]
fn opc_query_and_wait_hold_until_the_operation_ends() {
    // IEEE 488.2 ch. 10.19 and 10.39.
    for (message, answer) in [("INIT;*OPC?\n", "1\n"), ("INIT;*WAI;VOLT?\n", "0.00000000000E+00\n")]
    {
        let mut toy = Toy::default();
        let mut session = Session::new(COMMANDS);
        session.feed(message.as_bytes());
        assert!(is_blocked(&session.poll(&mut toy), Some(5)));
        toy.now = 5;
        toy.settle();
        assert_eq!(drain(&mut session, &mut toy), answer);
    }
}

#[test]
fn opc_sets_its_event_once_nothing_is_pending() {
    // IEEE 488.2 ch. 10.18.
    let mut toy = Toy::default();
    let mut session = Session::new(COMMANDS);
    session.feed(b"INIT;*OPC;*ESR?\n");
    assert_eq!(drain(&mut session, &mut toy), "0\n");
    toy.now = 5;
    toy.settle();
    session.feed(b"*ESR?;*ESR?\n");
    assert_eq!(drain(&mut session, &mut toy), "1;0\n");
}

#[test]
fn clear_and_reset_from_elsewhere_cancel_a_waiting_opc_query() {
    for message in ["*CLS\n", "*RST\n"] {
        let mut toy = Toy { end: Some(u64::MAX), ..Toy::default() };
        let mut waiting = Session::new(COMMANDS);
        waiting.feed(b"*OPC?\n*TST?\n");
        assert!(is_blocked(&waiting.poll(&mut toy), None));
        let mut other = Session::new(COMMANDS);
        other.feed(message.as_bytes());
        drain(&mut other, &mut toy);
        // No 1 comes; what follows is executed.
        assert_eq!(drain(&mut waiting, &mut toy), "0\n");
    }
}
