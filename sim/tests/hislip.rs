//! The HiSLIP door in literal bytes, without any client of ours.
//!
//! Headers, types, codes and the order of messages: IVI-6.1, chapters 2, 3 and 6.

use std::net::SocketAddr;
use std::time::Duration;

use beamwarden_sim::{Address, HislipPorts, Model, Post, ServePlan, Serving, SimBench};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

async fn serving() -> (SimBench, Serving) {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    let plan = ServePlan { pty: false, hislip: HislipPorts::Free, ..ServePlan::default() };
    let serving = bench.serve(plan).await.expect("free ports");
    (bench, serving)
}

fn place(serving: &Serving, post: Post) -> SocketAddr {
    let found = serving.addresses().into_iter().find_map(|(at, address)| match address {
        Address::Hislip(place) if at == post => Some(place),
        _ => None,
    });
    found.expect("served")
}

async fn connect(place: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(place).await.expect("it listens");
    stream.set_nodelay(true).expect("a socket");
    stream
}

/// A header of literal fields, and the payload.
fn message(kind: u8, control: u8, parameter: u32, payload: &[u8]) -> Vec<u8> {
    let length = payload.len() as u64;
    let (parameter, length) = (parameter.to_be_bytes(), length.to_be_bytes());
    [&b"HS"[..], &[kind, control], &parameter, &length, payload].concat()
}

async fn say(stream: &mut TcpStream, bytes: &[u8]) {
    stream.write_all(bytes).await.expect("the instrument listens");
}

async fn expect(stream: &mut TcpStream, due: &[u8]) {
    let mut got = vec![0; due.len()];
    let read = timeout(Duration::from_secs(5), stream.read_exact(&mut got)).await;
    let whole = read.map(|read| read.is_ok());
    assert_eq!(got.escape_ascii().to_string(), due.escape_ascii().to_string(), "{whole:?}");
}

/// Everything up to the end of the connection.
async fn last_words(stream: &mut TcpStream) -> Vec<u8> {
    let mut words = Vec::new();
    let read = timeout(Duration::from_secs(5), stream.read_to_end(&mut words)).await;
    assert!(read.is_ok(), "the server closes");
    words
}

/// Both connections, started as the standard has it, with this size of messages.
async fn start(place: SocketAddr, size: u64) -> (TcpStream, TcpStream) {
    let mut sync = connect(place).await;
    say(&mut sync, b"HS\x00\x00\x01\x00ab\0\0\0\0\0\0\0\x07hislip0").await;
    let mut response = [0; 16];
    sync.read_exact(&mut response).await.expect("InitializeResponse");
    // Synchronised mode, version 1.0, no payload.
    assert_eq!(response[..6], *b"HS\x01\x00\x01\x00");
    assert_eq!(response[8..], [0; 8]);
    let mut control = connect(place).await;
    let session = u32::from(u16::from_be_bytes([response[6], response[7]]));
    say(&mut control, &message(17, 0, session, b"")).await;
    expect(&mut control, b"HS\x12\x00\0\0ZZ\0\0\0\0\0\0\0\0").await;
    say(&mut control, &message(15, 0, 0, &size.to_be_bytes())).await;
    expect(&mut control, b"HS\x10\x00\0\0\0\0\0\0\0\0\0\0\0\x08\0\0\0\0\0\x10\0\0").await;
    (sync, control)
}

#[tokio::test]
async fn start_query_and_pieces_of_the_size_that_the_client_names() {
    let (_bench, serving) = serving().await;
    // 10 bytes besides the header.
    let (mut sync, _control) = start(place(&serving, Post::Scope), 26).await;
    // END ends a message as well as NL does, and the two together once.
    for (id, query) in [(0xFFFF_FF00, &b"SYST:VERS?"[..]), (0xFFFF_FF02, b"SYST:VERS?\n")] {
        say(&mut sync, &message(7, 0, id, query)).await;
        expect(&mut sync, &message(7, 0, id, b"1999.0\n")).await;
    }
    // In parts; the answer carries the ID of the last, and comes in pieces.
    say(&mut sync, &message(6, 0, 0xFFFF_FF04, b"SYST:")).await;
    say(&mut sync, &message(7, 1, 0xFFFF_FF06, b"ERR?")).await;
    expect(&mut sync, &message(6, 0, 0xFFFF_FF06, b"0,\"No erro")).await;
    expect(&mut sync, &message(7, 0, 0xFFFF_FF06, b"r\"\n")).await;
}

#[tokio::test]
async fn the_chips_answer_too() {
    let (_bench, serving) = serving().await;
    let (mut sync, _control) = start(place(&serving, Post::DutPort), 1 << 20).await;
    say(&mut sync, &message(7, 0, 0xFFFF_FF00, b"r 0000")).await;
    // Without supply; see the register port in the crate's description.
    expect(&mut sync, &message(7, 0, 0xFFFF_FF00, b"no 5 chip has no power\n")).await;
}

#[tokio::test]
async fn a_block_cut_by_the_end_of_its_message_is_an_error() {
    let (_bench, serving) = serving().await;
    let (mut sync, _control) = start(place(&serving, Post::Source), 1 << 20).await;
    say(&mut sync, &message(7, 0, 2, b"TRAC W,#210abc")).await;
    say(&mut sync, &message(7, 0, 4, b"SYST:ERR?")).await;
    let mut head = [0; 16];
    sync.read_exact(&mut head).await.expect("an answer");
    let mut text = vec![0; usize::from(head[15])];
    sync.read_exact(&mut text).await.expect("its text");
    assert!(text.starts_with(b"-161,"), "{}", text.escape_ascii());
}

#[tokio::test]
async fn device_clear_in_all_its_steps() {
    let (_bench, serving) = serving().await;
    let (mut sync, mut control) = start(place(&serving, Post::Turntable), 1 << 20).await;
    let waits = b"AXIS:SPE 5;:AXIS:POS 40;*OPC?";
    say(&mut sync, &message(7, 0, 0xFFFF_FF00, waits)).await;
    say(&mut control, b"HS\x13\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
    expect(&mut control, b"HS\x17\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
    // What comes before the end of the clear is dropped.
    say(&mut sync, &message(7, 0, 0xFFFF_FF02, b"*IDN?")).await;
    say(&mut sync, b"HS\x08\x01\0\0\0\0\0\0\0\0\0\0\0\0").await;
    // The client's wish for overlapped mode is declined.
    expect(&mut sync, b"HS\x09\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
    say(&mut sync, &message(7, 0, 0xFFFF_FF00, b"AXIS:POS:TARG?;:SYST:ERR?")).await;
    let mut head = [0; 16];
    sync.read_exact(&mut head).await.expect("an answer");
    assert_eq!(head[..8], *b"HS\x07\x00\xFF\xFF\xFF\x00");
    let mut text = vec![0; usize::from(head[15])];
    sync.read_exact(&mut text).await.expect("its text");
    // Settings stay, and no error comes of it.
    assert!(text.ends_with(b";0,\"No error\"\n"), "{}", text.escape_ascii());
}

#[tokio::test]
async fn what_is_wrong_is_answered_and_survived() {
    let (_bench, serving) = serving().await;
    let at = place(&serving, Post::Supply);
    let (mut sync, mut control) = start(at, 1 << 20).await;
    // An unknown type, and a message that is too large: Error, and the session goes on.
    say(&mut sync, &message(99, 0, 0, b"abc")).await;
    expect(&mut sync, &message(3, 1, 0, b"unknown message type")).await;
    say(&mut control, &message(126, 0, 0, b"abc")).await;
    expect(&mut control, &message(3, 1, 0, b"unknown message type")).await;
    say(&mut sync, &message(7, 0, 2, &vec![b'A'; (1 << 20) + 1])).await;
    expect(&mut sync, &message(3, 4, 0, b"the message is too large")).await;
    say(&mut sync, &message(7, 0, 4, b"SYST:VERS?")).await;
    expect(&mut sync, &message(7, 0, 4, b"1999.0\n")).await;
    // No header: FatalError and the end of both connections.
    say(&mut sync, b"GET / HTTP/1.1\r\n\r\n").await;
    assert_eq!(last_words(&mut sync).await, message(2, 1, 0, b"no HiSLIP header"));
    last_words(&mut control).await;
    // Starts that cannot become sessions.
    for (first, code) in [
        (message(17, 0, 999, b""), 3),
        (message(7, 0, 0, b"*IDN?"), 3),
        (message(0, 0, 0x0100_0000, b"hislip1"), 0),
        (b"*IDN?\n".to_vec(), 1),
    ] {
        let mut stream = connect(at).await;
        say(&mut stream, &first).await;
        let words = last_words(&mut stream).await;
        assert_eq!(words[..4], [b'H', b'S', 2, code], "{}", words.escape_ascii());
    }
    // And others can still start one.
    start(at, 1 << 20).await;
}

/// Faults reach what speaks HiSLIP, too: an answer that comes later, and a link that is closed with both
/// of its connections; a new session finds the instrument as it stands.
#[tokio::test]
async fn faults_reach_sessions() {
    use beamwarden_sim::FaultKind;
    let (bench, serving) = serving().await;
    let at = place(&serving, Post::Supply);
    let (mut sync, mut control) = start(at, 1 << 20).await;
    let late = FaultKind::LateAnswer { late_s: 0.2 };
    bench.put_fault(Post::Supply, late, None).expect("it makes sense");
    let began = tokio::time::Instant::now();
    say(&mut sync, &message(7, 0, 2, b"VOLT 1;*TST?")).await;
    expect(&mut sync, &message(7, 0, 2, b"0\n")).await;
    assert!(began.elapsed().as_secs_f64() >= 0.2);
    bench.put_fault(Post::Supply, FaultKind::ClosedLink { answer_share: None }, None).expect("too");
    for stream in [&mut sync, &mut control] {
        assert!(matches!(stream.read(&mut [0; 16]).await, Ok(0) | Err(_)));
    }
    let (mut sync, _control) = start(at, 1 << 20).await;
    say(&mut sync, &message(7, 0, 2, b"VOLT?")).await;
    expect(&mut sync, &message(7, 0, 2, b"1.00000000000E+00\n")).await;
}
