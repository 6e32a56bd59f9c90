//! Echo, ends of line and the wait after opening, on pipes that stand for serial lines.

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};

use super::super::testing::{LATE, check_late_answers, supply_answer};
use super::*;
use crate::class::Class;
use crate::instrument::{Driver, Instrument};
use crate::transport::{Address, PipeLink, link_for};

/// An open line, and the device's end of it.
async fn line(end: LineEnd, echo: bool, settle: Duration) -> (impl Transport, DuplexStream) {
    let (ours, device) = duplex(1 << 16);
    let mut only = Some(ours);
    let mut line = Line::over(PipeLink::draining("line", move || only.take()), end, echo, settle);
    line.reopen(Instant::now() + Duration::from_secs(1)).await.unwrap();
    (line, device)
}

fn ms(time: u64) -> Instant {
    Instant::now() + Duration::from_millis(time)
}

fn pace() -> Pace {
    Pace { by: ms(500), idle: Duration::from_millis(300) }
}

/// Everything that comes within a while.
async fn all(line: &mut (impl Transport + ?Sized)) -> Vec<u8> {
    let mut into = Vec::new();
    let until = ms(50);
    while line.receive(&mut into, 1 << 16, until).await.is_ok() {}
    into
}

/// Sends `sent` to a device that gets `wire`, sends back `back`, and brings its user `seen`.
async fn check(end: LineEnd, echo: bool, sent: &[u8], wire: &[u8], back: &[u8], seen: &[u8]) {
    let (mut line, mut device) = line(end, echo, Duration::ZERO).await;
    let (done, ()) = tokio::join!(line.send(sent, Part::Last, pace()), async {
        let mut got = vec![0; wire.len()];
        device.read_exact(&mut got).await.unwrap();
        assert_eq!(got.escape_ascii().to_string(), wire.escape_ascii().to_string());
        device.write_all(back).await.unwrap();
    });
    done.unwrap();
    let got = all(&mut line).await;
    assert_eq!(got.escape_ascii().to_string(), seen.escape_ascii().to_string());
    assert!(line.send(b"", Part::Middle, pace()).await.is_ok());
}

#[tokio::test(start_paused = true)]
async fn messages_end_as_the_device_wants_it() {
    check(LineEnd::Newline, false, b"*IDN?\n", b"*IDN?\n", b"me\r\n", b"me\r\n").await;
    check(LineEnd::ReturnNewline, false, b"*IDN?\n", b"*IDN?\r\n", b"me\r\n", b"me\r\n").await;
    check(LineEnd::Return, false, b"*IDN?\n", b"*IDN?\r", b"me\r", b"me\n").await;
    // A block holds any byte; what ends it is an end of line again.
    let (block, seen) = (&b"#15\r\n\r#1\r1\r"[..], &b"#15\r\n\r#1\n1\n"[..]);
    check(LineEnd::Return, false, b"D?\n", b"D?\r", block, seen).await;
    check(LineEnd::Return, false, b"A #12\r\n\n", b"A #12\r\n\r", b"", b"").await;
    // No block where an answer merely holds the sign.
    check(LineEnd::Return, false, b"D?\n", b"D?\r", b"a#3\rb\r", b"a#3\nb\n").await;
}

#[tokio::test(start_paused = true)]
async fn an_echo_is_compared_and_dropped() {
    for (end, wire) in [
        (LineEnd::Newline, &b"V?\n"[..]),
        (LineEnd::ReturnNewline, b"V?\r\n"),
        (LineEnd::Return, b"V?\r"),
    ] {
        for shown in ["\n", "\r", "\r\n", "\n\r"] {
            let back = format!("V?{shown}1.5\n");
            check(end, true, b"V?\n", wire, back.as_bytes(), b"1.5\n").await;
            check(end, true, b"V?\n", wire, &back.as_bytes()[..2 + shown.len()], b"").await;
        }
    }
    // The answer may be what was asked: taken off once.
    check(LineEnd::Newline, true, b"A\n", b"A\n", b"A\nA\n", b"A\n").await;
    // Blocks come back as they are.
    check(LineEnd::Newline, true, b"A #12\r\n\n", b"A #12\r\n\n", b"A #12\r\n\n1\n", b"1\n").await;
}

#[tokio::test(start_paused = true)]
async fn a_wrong_echo_is_an_error() {
    for (back, message) in [
        (&b"VO\n"[..], "'LT?' came back as '\\n'"),
        (b"VOLT!\n", "'?' came back as '!\\n'"),
        (b"1.5\n", "'VOLT?' came back as '1.5\\n'"),
        (b"VOL", "'VOLT?\\n' came back as ''"),
        (b"VOLT?x", "'' came back as 'x'"),
    ] {
        let (mut line, mut device) = line(LineEnd::Newline, true, Duration::ZERO).await;
        device.write_all(back).await.unwrap();
        let error = line.send(b"VOLT?\n", Part::Last, pace()).await.unwrap_err();
        assert!(error.to_string().contains(message), "{error}");
        assert_eq!((error.phase, error.class()), (LinkPhase::Write, Class::Transient));
        // The line stays open, and the next message starts afresh.
        all(&mut line).await;
        device.write_all(b"A\n").await.unwrap();
        line.send(b"A\n", Part::Last, pace()).await.unwrap();
    }
}

/// The end of line of a message in parts echoes as any; one alone is sent to get back into step,
/// and whatever comes then is passed on to be drained.
#[tokio::test(start_paused = true)]
async fn ends_of_line_by_themselves() {
    let (mut line, mut device) = line(LineEnd::Newline, true, Duration::ZERO).await;
    device.write_all(b"A\r\n7\n").await.unwrap();
    line.send(b"A", Part::Middle, pace()).await.unwrap();
    line.send(b"\n", Part::Last, pace()).await.unwrap();
    assert_eq!(all(&mut line).await, b"7\n");
    line.send(b"\n", Part::Last, pace()).await.unwrap();
    device.write_all(b"late\n\n").await.unwrap();
    assert_eq!(all(&mut line).await, b"late\n\n");
}

/// A device that repeats each line once it is whole, and one that repeats each byte: in both cases
/// more than a driver holds back.
#[tokio::test(start_paused = true)]
async fn long_messages_with_an_echo() {
    let mut message: Vec<u8> = b"TRAC A,#45000".to_vec();
    message.extend((0..5000).map(|i| (i * 7) as u8));
    message.push(b'\n');
    for piece in [message.len(), 1] {
        let (mut line, device) = line(LineEnd::Newline, true, Duration::ZERO).await;
        let bytes = message.len();
        let (mut from, mut to) = tokio::io::split(device);
        let device = async {
            let mut part = vec![0; piece];
            for _ in 0..bytes / piece {
                from.read_exact(&mut part).await.unwrap();
                to.write_all(&part).await.unwrap();
            }
            to.write_all(b"ok\n").await.unwrap();
        };
        let (sent, ()) = tokio::join!(line.send(&message, Part::Last, pace()), device);
        sent.unwrap();
        assert_eq!(all(&mut line).await, b"ok\n");
    }
}

#[tokio::test(start_paused = true)]
async fn a_device_gets_the_time_it_needs_after_opening() {
    let start = Instant::now();
    let (_line, _device) = line(LineEnd::Newline, false, Duration::from_secs(3)).await;
    assert_eq!(start.elapsed(), Duration::from_secs(3));
}

/// The options of an address reach a real serial device, here a pseudo-terminal.
#[tokio::test]
async fn a_serial_line_does_what_its_address_says() {
    let (mut device, other) = tokio_serial::SerialStream::pair().unwrap();
    let path = tokio_serial::SerialPort::name(&other).unwrap();
    let address = format!("serial://{path}?baud=115200&end=cr&echo=discard&settle=50ms");
    let mut link = link_for(&address.parse::<Address>().unwrap()).unwrap();
    let start = Instant::now();
    link.reopen(ms(1000)).await.unwrap();
    assert!(start.elapsed() >= Duration::from_millis(50));
    assert_eq!(link.describe(), address);
    tokio::spawn(async move {
        let mut byte = [0];
        while device.read_exact(&mut byte).await.is_ok() {
            let back: &[u8] = if byte == *b"\r" { b"\r\n7\r" } else { &byte };
            device.write_all(back).await.unwrap();
        }
    });
    for _ in 0..3 {
        link.send(b"TOKEN?\n", Part::Last, pace()).await.unwrap();
        assert_eq!(all(&mut link).await, b"7\n");
    }
    drop(other);
}

/// A whole session with a device that echoes and ends its lines with CR: a setting read back, a
/// question that is answered too late, and the way back.
#[tokio::test(start_paused = true)]
async fn an_instrument_that_echoes() {
    let (ours, device) = duplex(1 << 16);
    tokio::spawn(async move {
        let (mut from, mut to) = tokio::io::split(device);
        let (mut byte, mut line) = ([0], String::new());
        while from.read_exact(&mut byte).await.is_ok() {
            to.write_all(&byte).await.unwrap();
            if byte != *b"\r" {
                line.push(char::from(byte[0]));
                continue;
            }
            let late = line == LATE;
            sleep(Duration::from_millis(if late { 6000 } else { 1 })).await;
            let mut answer = supply_answer(&line).to_owned();
            if !answer.is_empty() {
                answer.push('\r');
            }
            to.write_all(answer.as_bytes()).await.unwrap();
            line.clear();
        }
    });
    let mut only = Some(ours);
    let pipe = PipeLink::draining("line", move || only.take());
    let link = Line::over(pipe, LineEnd::Return, true, Duration::ZERO);
    let driver = Driver::load("scpi-supply.yaml", None, None).unwrap();
    let mut supply = Instrument::open("supply", Box::new(link), driver).await.unwrap();
    check_late_answers(&mut supply).await;
}
