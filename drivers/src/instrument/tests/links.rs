//! Real links: TCP on loopback, a serial line on a pseudo-terminal, and the trace of a session.

use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio::time::Instant;

use super::fake::{Fake, Reply};
use super::*;
use crate::message::emit_block_header;
use crate::transport::{
    Direction, LinkError, LinkFault, LinkPhase, Pace, Part, SerialAddress, SerialLink, TcpLink,
    TraceEvent, Traced,
};

/// Serves the usual answers, `TOKEN?` and a block of `block_bytes` on one byte stream.
async fn serve<S>(stream: S, block_bytes: usize)
where
    S: tokio::io::AsyncRead + tokio::io::AsyncWrite + Unpin,
{
    let mut stream = BufReader::new(stream);
    let mut text = String::new();
    let mut block = emit_block_header(block_bytes).unwrap().into_bytes();
    block.extend((0..block_bytes).map(|i| i as u8));
    block.push(b'\n');
    loop {
        text.clear();
        match stream.read_line(&mut text).await {
            Ok(0) | Err(_) => return,
            Ok(_) => {}
        }
        let answer = match text.trim_end() {
            "*IDN?" => b"Test Works,FAKE-1,17,0.1\n".to_vec(),
            "*OPC?" => b"1\n".to_vec(),
            "*ESR?" => b"0\n".to_vec(),
            "SYSTem:ERRor:NEXT?" => b"0,\"No error\"\n".to_vec(),
            "TOKEN?" => b"7\n".to_vec(),
            "DATA?" => block.clone(),
            _ => continue,
        };
        if stream.write_all(&answer).await.is_err() {
            return;
        }
    }
}

async fn listen(block_bytes: usize) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            stream.set_nodelay(true).unwrap();
            tokio::spawn(serve(stream, block_bytes));
        }
    });
    port
}

#[tokio::test]
async fn tcp_carries_queries_and_blocks() {
    let port = listen(3_000_001).await;
    let link = Box::new(TcpLink::new("127.0.0.1", port));
    let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
    assert_eq!(supply.address(), format!("tcp://127.0.0.1:{port}"));
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
    let RawAnswer::Block(data) = supply.query_raw("DATA?").await.unwrap() else { panic!() };
    assert_eq!(data.len(), 3_000_001);
    assert!(data.iter().enumerate().all(|(i, byte)| *byte == i as u8));
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

fn soon() -> Instant {
    Instant::now() + ms(300)
}

fn pace() -> Pace {
    Pace { by: soon(), idle: ms(300) }
}

fn check_error(error: &LinkError, phase: LinkPhase, fault: &LinkFault, class: Class) {
    assert_eq!((error.phase, &error.fault, error.class()), (phase, fault, class));
}

#[tokio::test]
async fn tcp_failures_are_told_apart() {
    // A port that was free a moment ago.
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    drop(listener);
    let mut link = TcpLink::new("127.0.0.1", port);
    let error = link.reopen(soon()).await.unwrap_err();
    check_error(&error, LinkPhase::Connect, &LinkFault::Refused, Class::Transient);
    let error = link.send(b"x", Part::Last, pace()).await.unwrap_err();
    check_error(&error, LinkPhase::Write, &LinkFault::Closed, Class::Transient);

    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut link = TcpLink::new("127.0.0.1", listener.local_addr().unwrap().port());
    link.reopen(soon()).await.unwrap();
    let (peer, _) = listener.accept().await.unwrap();
    let mut into = Vec::new();
    let error = link.receive(&mut into, 10, Instant::now() + ms(20)).await.unwrap_err();
    check_error(&error, LinkPhase::Read, &LinkFault::TimedOut, Class::Transient);
    assert!(error.took >= ms(20) && link.is_open());
    // A peer that does not read: the write ends at its deadline and says how far it came.
    let error = link.send(&vec![0; 64 << 20], Part::Last, pace()).await.unwrap_err();
    check_error(&error, LinkPhase::Write, &LinkFault::TimedOut, Class::Transient);
    assert!(error.bytes > 0 && error.bytes < 64 << 20, "{error}");
    drop(peer);
    let error = link.receive(&mut into, 10, soon()).await.unwrap_err();
    assert!(matches!(error.fault, LinkFault::Closed | LinkFault::Reset), "{error}");
    assert!(!link.is_open());
}

#[tokio::test]
async fn a_host_without_name_is_no_matter_of_waiting() {
    let mut link = TcpLink::new("no-such-host.invalid", 5025);
    let error = link.reopen(Instant::now() + Duration::from_secs(20)).await.unwrap_err();
    check_error(&error, LinkPhase::Connect, &LinkFault::UnknownHost, Class::Instrument);
}

/// A pseudo-terminal: the served end and the path of the other.
fn pty() -> (tokio_serial::SerialStream, String) {
    let (served, other) = tokio_serial::SerialStream::pair().unwrap();
    let path = tokio_serial::SerialPort::name(&other).unwrap();
    // Kept open, so that the served end does not see a hang-up before we open the path.
    std::mem::forget(other);
    (served, path)
}

#[tokio::test]
async fn a_serial_line_carries_queries_and_blocks() {
    let (served, path) = pty();
    tokio::spawn(serve(served, 20_000));
    let link = Box::new(SerialLink::new(SerialAddress::new(&path, 115_200)));
    let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
    for _ in 0..3 {
        assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
    }
    let RawAnswer::Block(data) = supply.query_raw("DATA?").await.unwrap() else { panic!() };
    // Every byte value, XON, XOFF, CR and NL among them: the line is raw.
    assert!(data.iter().enumerate().all(|(i, byte)| *byte == i as u8));
    assert_eq!(data.len(), 20_000);
}

#[tokio::test]
async fn a_serial_device_is_held_by_one_program() {
    let (_served, path) = pty();
    let mut first = SerialLink::new(SerialAddress::new(&path, 9600));
    first.reopen(soon()).await.unwrap();
    let mut second = SerialLink::new(SerialAddress::new(&path, 9600));
    let error = second.reopen(soon()).await.unwrap_err();
    assert!(matches!(error.fault, LinkFault::Device(_)), "{error}");
    assert_eq!(error.class(), Class::Transient);
    // The same link opens again: it gives the device up first.
    first.reopen(soon()).await.unwrap();
    let mut missing = SerialLink::new(SerialAddress::new("/dev/no-such-line", 9600));
    let error = missing.reopen(soon()).await.unwrap_err();
    assert!(
        error.to_string().starts_with("failed to connect to serial:///dev/no-such-line?baud=9600")
    );
}

#[tokio::test(start_paused = true)]
async fn a_trace_holds_every_message_with_its_time() {
    let fake = Fake::new(|message| match message {
        "TOKEN?" => Reply::Late(ms(250), "7".into()),
        "DATA?" => Reply::Bytes([&b"#41000"[..], &[0xAA; 1000], b"\n"].concat()),
        "LIST?" => Reply::Dribble(b"1\nunasked".to_vec()),
        _ => Reply::Usual,
    });
    let events: Arc<Mutex<Vec<TraceEvent>>> = Arc::default();
    let sink = events.clone();
    let link =
        Traced::new(fake.link(), Instant::now(), move |event| sink.lock().unwrap().push(event));
    let mut supply = Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    events.lock().unwrap().clear();
    supply.read("token").await.unwrap();
    supply.query_raw("DATA?").await.unwrap();
    supply.query_raw("LIST?").await.unwrap();
    tokio::time::sleep(ms(20)).await;
    supply.query_raw("*OPC?").await.unwrap();
    let events = events.lock().unwrap();
    let lines: Vec<_> =
        events.iter().map(|e| (e.direction, &e.text[..e.text.len().min(12)])).collect();
    assert_eq!(
        lines[..8],
        [
            (Direction::Sent, "TOKEN?\\n"),
            (Direction::Received, "7\\n"),
            (Direction::Sent, "DATA?\\n"),
            (Direction::Received, "#41000\\xaa\\x"),
            (Direction::Sent, "LIST?\\n"),
            (Direction::Received, "1\\n"),
            (Direction::Unasked, "unasked"),
            (Direction::Opened, "fake"),
        ]
    );
    assert_eq!(events[1].at - events[0].at, ms(250));
    // The hash is that of the whole answer, computed here by the same public function.
    let whole = [&b"#41000"[..], &[0xAA; 1000], b"\n"].concat();
    assert_eq!(events[3].bytes, 1007);
    assert_eq!(events[3].blake3.as_deref(), Some(&*blake3::hash(&whole).to_hex()));
    let json = serde_json::to_value(&events[1]).unwrap();
    assert_eq!(json["direction"], "received");
    assert!(json["at_s"].as_f64().unwrap() >= 0.25 && json.get("blake3").is_none());
}

/// Not a benchmark: a guard against stalls of tens of milliseconds a query and byte-wise reading.
#[tokio::test]
async fn tcp_is_not_slow() {
    const BLOCK_BYTES: usize = 64 << 20;
    let port = listen(BLOCK_BYTES).await;
    let link = Box::new(TcpLink::new("127.0.0.1", port));
    let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
    let start = Instant::now();
    for _ in 0..500 {
        supply.read("token").await.unwrap();
    }
    let query_us = start.elapsed().as_secs_f64() * 1e6 / 500.0;
    let start = Instant::now();
    let RawAnswer::Block(data) = supply.query_raw("DATA?").await.unwrap() else { panic!() };
    let mib_per_s = 64.0 / start.elapsed().as_secs_f64();
    assert_eq!(data.len(), BLOCK_BYTES);
    println!("a query takes {query_us:.1} us, a block of 64 MiB comes with {mib_per_s:.0} MiB/s");
    assert!(query_us < 10_000.0, "{query_us} us");
    assert!(mib_per_s > 20.0, "{mib_per_s} MiB/s");
    let mut bare = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    bare.write_all(b"DATA?\n").await.unwrap();
    let mut all = vec![0; BLOCK_BYTES + 11];
    let start = Instant::now();
    bare.read_exact(&mut all).await.unwrap();
    println!("a bare socket reads it with {:.0} MiB/s", 64.0 / start.elapsed().as_secs_f64());
}
