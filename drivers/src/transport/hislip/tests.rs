//! The HiSLIP client against a scripted server that sends and expects literal bytes.
//!
//! Headers, types, codes and the order of messages: IVI-6.1, chapters 2, 3 and 6.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::Instant;

use super::channel::PAYLOAD_BYTES_MAX;
use super::*;
use crate::class::Class;

/// What the server accepts in every test that does not say otherwise: 64 bytes, header included.
const SIZE: u64 = 64;

/// A header of literal fields; the payload's length follows from it.
fn message(kind: u8, control: u8, parameter: u32, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![b'H', b'S', kind, control];
    bytes.extend(parameter.to_be_bytes());
    bytes.extend((payload.len() as u64).to_be_bytes());
    bytes.extend(payload);
    bytes
}

/// Both connections as the server has them.
struct Server {
    listener: TcpListener,
    sync: TcpStream,
    control: TcpStream,
}

/// Reads as many bytes as are due and compares them.
#[track_caller]
fn check_bytes(got: &[u8], due: &[u8]) {
    assert_eq!(got.escape_ascii().to_string(), due.escape_ascii().to_string());
}

async fn expect(stream: &mut TcpStream, due: &[u8]) {
    let mut got = vec![0; due.len()];
    let read = tokio::time::timeout(Duration::from_secs(5), stream.read_exact(&mut got)).await;
    read.expect("the client sends what is due").expect("the client stays");
    check_bytes(&got, due);
}

async fn say(stream: &mut TcpStream, bytes: &[u8]) {
    stream.write_all(bytes).await.unwrap();
}

async fn accept(listener: &TcpListener) -> TcpStream {
    let (stream, _) = listener.accept().await.unwrap();
    stream.set_nodelay(true).unwrap();
    stream
}

/// The start-up as the standard has it, in literal bytes; `features` of the InitializeResponse.
async fn start(listener: TcpListener, features: u8, size: u64) -> Server {
    let mut sync = accept(&listener).await;
    expect(&mut sync, b"HS\x00\x00\x01\x00ZZ\0\0\0\0\0\0\0\x07hislip0").await;
    // Session 3 of version 1.0.
    say(&mut sync, &[&b"HS\x01"[..], &[features], b"\x01\x00\x00\x03\0\0\0\0\0\0\0\0"].concat())
        .await;
    let mut control = accept(&listener).await;
    expect(&mut control, b"HS\x11\x00\x00\x00\x00\x03\0\0\0\0\0\0\0\0").await;
    say(&mut control, b"HS\x12\x00\x00\x00XX\0\0\0\0\0\0\0\0").await;
    expect(&mut control, b"HS\x0F\x00\0\0\0\0\0\0\0\0\0\0\0\x08\0\0\0\0\0\x10\0\0").await;
    say(&mut control, &message(16, 0, 0, &size.to_be_bytes())).await;
    Server { listener, sync, control }
}

fn soon() -> Instant {
    Instant::now() + Duration::from_secs(5)
}

fn pace() -> Pace {
    Pace { by: soon(), idle: Duration::from_secs(5) }
}

async fn listen() -> (TcpListener, HislipLink) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let link = HislipLink::new("127.0.0.1", listener.local_addr().unwrap().port(), "hislip0");
    (listener, link)
}

/// An open link and its server.
async fn opened() -> (HislipLink, Server) {
    let (listener, mut link) = listen().await;
    let (opened, server) = tokio::join!(link.reopen(soon()), start(listener, 0, SIZE));
    opened.unwrap();
    (link, server)
}

async fn send(link: &mut HislipLink, bytes: &[u8]) {
    link.send(bytes, Part::Last, pace()).await.unwrap();
}

/// Everything up to the end of the message.
async fn answer(link: &mut HislipLink) -> Vec<u8> {
    let mut into = Vec::new();
    while !link.receive(&mut into, 1 << 20, soon()).await.unwrap().end {}
    into
}

async fn nothing_comes(link: &mut HislipLink, within_ms: u64) {
    let until = Instant::now() + Duration::from_millis(within_ms);
    let error = link.receive(&mut Vec::new(), 100, until).await.unwrap_err();
    assert_eq!((error.phase, error.fault), (LinkPhase::Read, LinkFault::TimedOut));
    assert!(link.is_open());
}

/// `send` and `receive` carry on to the last byte of an answer; the control code says on the next
/// message, once, that it was handed over.
#[tokio::test]
async fn the_start_up_and_queries() {
    let (mut link, mut server) = opened().await;
    assert!(link.is_open() && link.marks_end());
    send(&mut link, b"*IDN?\n").await;
    expect(&mut server.sync, b"HS\x07\x00\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x06*IDN?\n").await;
    // In three messages, one of them empty, and the mark of the end on an empty one.
    say(&mut server.sync, b"HS\x06\x00\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x03a,b").await;
    say(&mut server.sync, b"HS\x06\x00\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x00").await;
    say(&mut server.sync, b"HS\x06\x00\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x02,c").await;
    say(&mut server.sync, b"HS\x07\x00\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x00").await;
    assert_eq!(answer(&mut link).await, b"a,b,c");
    send(&mut link, b"A").await;
    expect(&mut server.sync, b"HS\x07\x01\xFF\xFF\xFF\x02\0\0\0\0\0\0\0\x01A").await;
    send(&mut link, b"B?").await;
    expect(&mut server.sync, b"HS\x07\x00\xFF\xFF\xFF\x04\0\0\0\0\0\0\0\x02B?").await;
    // The MessageID that stands for any.
    say(&mut server.sync, b"HS\x07\x00\xFF\xFF\xFF\xFF\0\0\0\0\0\0\0\x03#0\x0A").await;
    assert_eq!(answer(&mut link).await, b"#0\n");
}

#[tokio::test]
async fn long_messages_are_split_at_the_maximum_size() {
    let (mut link, mut server) = opened().await;
    let bytes: Vec<u8> = (0..100).collect();
    send(&mut link, &bytes).await;
    // 64 bytes with the header leave 48.
    expect(&mut server.sync, &message(6, 0, 0xFFFF_FF00, &bytes[..48])).await;
    expect(&mut server.sync, &message(6, 0, 0xFFFF_FF02, &bytes[48..96])).await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF04, &bytes[96..])).await;
    send(&mut link, &bytes[..48]).await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF06, &bytes[..48])).await;
    // A message in parts has its end on the last alone.
    link.send(b"TRAC ", Part::Middle, pace()).await.unwrap();
    expect(&mut server.sync, &message(6, 0, 0xFFFF_FF08, b"TRAC ")).await;
    send(&mut link, b"#10\n").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF0A, b"#10\n")).await;
    // The answer carries the MessageID of the last part of its question.
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF0A, b"done")).await;
    assert_eq!(answer(&mut link).await, b"done");
}

#[tokio::test]
async fn the_message_id_wraps() {
    let (mut link, mut server) = opened().await;
    for id in (0xFFFF_FF00..=0xFFFF_FFFEu32).step_by(2).chain([0, 2]) {
        send(&mut link, b"x").await;
        expect(&mut server.sync, &message(7, 0, id, b"x")).await;
    }
}

#[tokio::test]
async fn a_late_answer_to_a_timed_out_question_is_dropped() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"SLOW?\n").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"SLOW?\n")).await;
    nothing_comes(&mut link, 30).await;
    send(&mut link, b"NEXT?\n").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF02, b"NEXT?\n")).await;
    say(&mut server.sync, &message(6, 0, 0xFFFF_FF00, b"stale ")).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"answer\n")).await;
    nothing_comes(&mut link, 30).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF02, b"fresh\n")).await;
    assert_eq!(answer(&mut link).await, b"fresh\n");
}

#[tokio::test]
async fn a_message_cut_by_a_timeout_goes_on_where_it_stopped() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    let whole = message(7, 0, 0xFFFF_FF00, b"0123456789");
    let mut into = Vec::new();
    // Cut in the header and twice in the payload.
    for (from, to, so_far) in [(0, 7, 0), (7, 18, 2), (18, 21, 5)] {
        say(&mut server.sync, &whole[from..to]).await;
        let until = Instant::now() + Duration::from_millis(30);
        while link.receive(&mut into, 100, until).await.is_ok() {}
        assert_eq!(into, b"0123456789"[..so_far]);
    }
    say(&mut server.sync, &whole[21..]).await;
    let received = link.receive(&mut into, 100, soon()).await.unwrap();
    assert_eq!((received, &into[..]), (Received { bytes: 5, end: true }, &b"0123456789"[..]));

    // Given up in the middle: the rest is not the next answer, even if the ID fits any question.
    for id in [0xFFFF_FF00, 0xFFFF_FFFF] {
        let (mut link, mut server) = opened().await;
        send(&mut link, b"Q?").await;
        let late = message(7, 0, id, b"0123456789");
        say(&mut server.sync, &late[..20]).await;
        take_for_a_while(&mut link).await;
        send(&mut link, b"R?").await;
        say(&mut server.sync, &late[20..]).await;
        say(&mut server.sync, &message(7, 0, 0xFFFF_FF02, b"r")).await;
        assert_eq!(answer(&mut link).await, b"r");
    }
}

async fn take_for_a_while(link: &mut HislipLink) {
    let until = Instant::now() + Duration::from_millis(30);
    while link.receive(&mut Vec::new(), 100, until).await.is_ok() {}
}

#[tokio::test]
async fn device_clear_drops_what_was_under_way_and_counts_anew() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"DATA?\n").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"DATA?\n")).await;
    // Half a message is there when the client gives up; its rest comes during the clear.
    let late = message(6, 0, 0xFFFF_FF00, &[b'x'; 40]);
    say(&mut server.sync, &late[..30]).await;
    take_for_a_while(&mut link).await;
    let (cleared, ()) = tokio::join!(link.clear(soon()), async {
        expect(&mut server.control, b"HS\x13\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
        say(&mut server.sync, &late[30..]).await;
        say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"the end\n")).await;
        say(&mut server.control, b"HS\x17\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
        expect(&mut server.sync, b"HS\x08\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
        say(&mut server.sync, b"HS\x09\x00\0\0\0\0\0\0\0\0\0\0\0\0").await;
    });
    cleared.unwrap();
    // The same MessageIDs again, and nothing of the old answer.
    send(&mut link, b"*IDN?\n").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"*IDN?\n")).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"me\n")).await;
    assert_eq!(answer(&mut link).await, b"me\n");
}

#[tokio::test]
async fn a_device_clear_that_is_not_acknowledged_closes_the_link() {
    let (mut link, mut server) = opened().await;
    let error = link.clear(Instant::now() + Duration::from_millis(40)).await.unwrap_err();
    let expected = format!("failed to clear {}: it was not acknowledged in time", link.describe());
    assert!(error.to_string().starts_with(&expected), "{error}");
    assert!(!link.is_open());
    expect(&mut server.control, &message(19, 0, 0, b"")).await;
    assert_eq!(server.sync.read(&mut [0; 9]).await.unwrap(), 0, "both are closed");
    assert_eq!(server.control.read(&mut [0; 9]).await.unwrap(), 0, "both are closed");
    let (opened, _) = tokio::join!(link.reopen(soon()), start(server.listener, 0, SIZE));
    opened.unwrap();
}

#[tokio::test]
async fn overlapped_mode_is_declined_and_refused_if_insisted_on() {
    for (binding, opens) in [(0u8, true), (1, false)] {
        let (listener, mut link) = listen().await;
        let (opened, ()) = tokio::join!(link.reopen(soon()), async {
            let mut server = start(listener, 1, SIZE).await;
            expect(&mut server.control, &message(19, 0, 0, b"")).await;
            say(&mut server.control, &message(23, 1, 0, b"")).await;
            expect(&mut server.sync, &message(8, 0, 0, b"")).await;
            say(&mut server.sync, &message(9, binding, 0, b"")).await;
        });
        assert_eq!((opened.is_ok(), link.is_open()), (opens, opens));
        if let Err(error) = opened {
            assert!(error.to_string().contains("only the synchronised mode is used"), "{error}");
            assert_eq!(error.class(), Class::Instrument);
        }
    }
}

/// Opens against a server that answers Initialize with these bytes and then closes.
async fn check_refused(response: &[u8], why: &str) {
    let (listener, mut link) = listen().await;
    let (opened, ()) = tokio::join!(link.reopen(soon()), async {
        let mut sync = accept(&listener).await;
        expect(&mut sync, &message(0, 0, 0x0100_5A5A, b"hislip0")).await;
        say(&mut sync, response).await;
    });
    let error = opened.unwrap_err();
    assert!(error.to_string().contains(why), "{error}");
    assert!(!link.is_open());
}

#[tokio::test]
async fn a_start_that_fails_says_why() {
    check_refused(&message(2, 4, 0, b"busy\n"), "too many clients; another one may hold").await;
    check_refused(&message(2, 4, 0, b"busy\n"), "instrument: busy").await;
    check_refused(&message(2, 3, 0, b""), "gave the connection up: a wrong order").await;
    check_refused(&message(3, 1, 0, b"no such device"), "no such device").await;
    check_refused(&message(1, 2, 0x0100_0001, b""), "encrypted").await;
    check_refused(&message(1, 0, 0x0200_0001, b""), "version 2.0 although 1.0 was offered").await;
    check_refused(&message(7, 0, 0, b""), "it sent DataEnd where InitializeResponse was due").await;
    check_refused(&message(99, 0, 0, b""), "message type 99").await;
    check_refused(b"SSH-2.0-some-server\r\n", "'SSH-2.0-' begins no HiSLIP message").await;
    check_refused(b"HS\x01", "the connection is closed").await;
}

#[tokio::test]
async fn a_server_that_accepts_nothing_is_refused() {
    let (listener, mut link) = listen().await;
    let (opened, _) = tokio::join!(link.reopen(soon()), start(listener, 0, 16));
    let error = opened.unwrap_err().to_string();
    assert!(error.contains("messages of 16 bytes at most"), "{error}");
}

#[tokio::test]
async fn an_oversized_length_is_refused() {
    for bytes in [PAYLOAD_BYTES_MAX + 1, u64::MAX] {
        let (mut link, mut server) = opened().await;
        send(&mut link, b"Q?").await;
        expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"Q?")).await;
        let mut head = message(7, 0, 0xFFFF_FF00, b"");
        head[8..].copy_from_slice(&bytes.to_be_bytes());
        say(&mut server.sync, &head).await;
        let mut into = Vec::new();
        let error = link.receive(&mut into, 1 << 20, soon()).await.unwrap_err();
        assert!(error.to_string().contains(&format!("a message of {bytes} bytes")), "{error}");
        assert!(into.capacity() == 0 && !link.is_open());
        // FatalError, badly formed header; then the end.
        expect(&mut server.sync, b"HS\x02\x01\0\0\0\0\0\0\0\0\0\0\0\0").await;
        assert_eq!(server.sync.read(&mut [0; 9]).await.unwrap(), 0);
    }
    // The largest that is allowed passes.
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    let payload = vec![7; usize::try_from(PAYLOAD_BYTES_MAX).unwrap()];
    let whole = message(7, 0, 0xFFFF_FF00, &payload);
    let (got, ()) = tokio::join!(answer(&mut link), say(&mut server.sync, &whole));
    assert!(got == payload);
}

#[tokio::test]
async fn errors_of_the_server_are_passed_on_with_their_text() {
    // Error: the link goes on.
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    say(&mut server.sync, &message(3, 4, 0, b"at most 64")).await;
    let error = link.receive(&mut Vec::new(), 9, soon()).await.unwrap_err();
    assert_eq!(error.fault, LinkFault::Peer("message too large: at most 64".into()));
    assert!(link.is_open() && error.class() == Class::Transient);
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"a")).await;
    assert_eq!(answer(&mut link).await, b"a");
    // FatalError, on either connection: both are dropped.
    for on_control in [false, true] {
        let (mut link, mut server) = opened().await;
        send(&mut link, b"Q?").await;
        expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"Q?")).await;
        let fatal = message(2, 0, 0, b"out of\nmemory");
        say(if on_control { &mut server.control } else { &mut server.sync }, &fatal).await;
        let error = link.receive(&mut Vec::new(), 9, soon()).await.unwrap_err();
        let text = "an error without a name: out of memory";
        assert_eq!(error.fault, LinkFault::PeerGaveUp(text.into()));
        assert!(!link.is_open());
        assert_eq!(server.sync.read(&mut [0; 9]).await.unwrap(), 0);
        assert_eq!(server.control.read(&mut [0; 9]).await.unwrap(), 0);
    }
}

#[tokio::test]
async fn if_either_socket_dies_both_are_dropped() {
    for on_control in [false, true] {
        let (mut link, server) = opened().await;
        let Server { sync, control, .. } = server;
        let (dying, mut other) = if on_control { (control, sync) } else { (sync, control) };
        drop(dying);
        let error = link.receive(&mut Vec::new(), 9, soon()).await.unwrap_err();
        assert!(matches!(error.fault, LinkFault::Closed | LinkFault::Reset), "{error}");
        assert!(!link.is_open());
        assert_eq!(other.read(&mut [0; 9]).await.unwrap(), 0, "the other one is closed too");
        let error = link.send(b"x", Part::Last, pace()).await.unwrap_err();
        assert_eq!((error.phase, error.fault), (LinkPhase::Write, LinkFault::Closed));
    }
    // Also while only a service request is waited for.
    let (mut link, server) = opened().await;
    drop(server.sync);
    let error = link.service_request(soon()).await.unwrap_err();
    assert!(matches!(error.fault, LinkFault::Closed | LinkFault::Reset), "{error}");
}

#[tokio::test]
async fn a_write_that_is_not_taken_ends_at_its_deadline_and_closes() {
    let (listener, mut link) = listen().await;
    let (opened, _server) = tokio::join!(link.reopen(soon()), start(listener, 0, u64::MAX));
    opened.unwrap();
    let by = Instant::now() + Duration::from_millis(200);
    let pace = Pace { by, idle: Duration::from_millis(100) };
    let error = link.send(&vec![0; 64 << 20], Part::Last, pace).await.unwrap_err();
    assert_eq!((error.phase, &error.fault), (LinkPhase::Write, &LinkFault::TimedOut));
    assert!(error.bytes > 0 && error.bytes < 64 << 20, "{error}");
    // A message begun and not ended: nothing can follow it on this connection.
    assert!(!link.is_open());
    let error = link.send(b"x", Part::Last, pace).await.unwrap_err();
    assert_eq!(error.fault, LinkFault::Closed);
}

#[tokio::test]
async fn the_status_byte_is_read_beside_the_data() {
    let (mut link, mut server) = opened().await;
    // Before any data the MessageID is the one before the first.
    let (status, ()) = tokio::join!(link.status_byte(soon()), async {
        expect(&mut server.control, b"HS\x15\x00\xFF\xFF\xFE\xFE\0\0\0\0\0\0\0\0").await;
        say(&mut server.control, b"HS\x16\x44\0\0\0\0\0\0\0\0\0\0\0\0").await;
    });
    assert_eq!(status.unwrap(), Some(0x44));
    send(&mut link, b"Q?").await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"a")).await;
    answer(&mut link).await;
    // The answer was handed over: said here, and not once more with the next message.
    let soon_over = Instant::now() + Duration::from_millis(30);
    let error = link.status_byte(soon_over).await.unwrap_err();
    assert_eq!((&error.fault, link.is_open()), (&LinkFault::TimedOut, true));
    expect(&mut server.control, &message(21, 1, 0xFFFF_FF00, b"")).await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"Q?")).await;
    send(&mut link, b"R").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF02, b"R")).await;
    // The answer to the query given up comes now; it is not the next one's.
    say(&mut server.control, &message(22, 0x01, 0, b"")).await;
    let (status, ()) = tokio::join!(link.status_byte(soon()), async {
        expect(&mut server.control, &message(21, 0, 0xFFFF_FF02, b"")).await;
        say(&mut server.control, &message(22, 0x02, 0, b"")).await;
    });
    assert_eq!(status.unwrap(), Some(0x02));
}

/// Answers on the asynchronous connection name no question. A query that is never answered, as one
/// that the server calls an error, must not make every later answer another query's.
#[tokio::test]
async fn a_status_query_that_is_never_answered_ends_with_the_device_clear() {
    let (mut link, mut server) = opened().await;
    let (status, ()) = tokio::join!(link.status_byte(soon()), async {
        expect(&mut server.control, &message(21, 0, 0xFFFF_FEFE, b"")).await;
        say(&mut server.control, &message(3, 1, 0, b"no status here")).await;
    });
    assert_eq!(status.unwrap_err().class(), Class::Transient);
    let (cleared, ()) = tokio::join!(link.clear(soon()), async {
        expect(&mut server.control, &message(19, 0, 0, b"")).await;
        say(&mut server.control, &message(23, 0, 0, b"")).await;
        expect(&mut server.sync, &message(8, 0, 0, b"")).await;
        say(&mut server.sync, &message(9, 0, 0, b"")).await;
    });
    cleared.unwrap();
    for byte in [0x11, 0x12, 0x13] {
        let soon_over = Instant::now() + Duration::from_millis(500);
        let (status, ()) = tokio::join!(link.status_byte(soon_over), async {
            expect(&mut server.control, &message(21, 0, 0xFFFF_FEFE, b"")).await;
            say(&mut server.control, &message(22, byte, 0, b"")).await;
        });
        assert_eq!(status.unwrap(), Some(byte));
        // Nor one that nobody asked for.
        say(&mut server.control, &message(22, 0x77, 0, b"")).await;
        nothing_comes(&mut link, 30).await;
    }
}

/// A server that sends messages without end that answer nothing keeps nobody from the deadline, and
/// a look at what is there ends too.
#[tokio::test]
async fn a_flood_of_late_answers_ends_at_the_deadline() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    send(&mut link, b"R?").await;
    let flood = tokio::spawn(async move {
        let late = message(7, 0, 0xFFFF_FF00, b"").repeat(4096);
        while server.sync.write_all(&late).await.is_ok() {}
    });
    for wait_ms in [200, 0] {
        let since = Instant::now();
        nothing_comes(&mut link, wait_ms).await;
        assert!(since.elapsed() < Duration::from_secs(2), "{:?}", since.elapsed());
    }
    drop(link);
    flood.await.unwrap();
}

#[tokio::test]
async fn service_requests_are_kept_and_waited_for() {
    let (mut link, mut server) = opened().await;
    let until = Instant::now() + Duration::from_millis(30);
    assert_eq!(link.service_request(until).await.unwrap_err().fault, LinkFault::TimedOut);
    let (request, ()) = tokio::join!(link.service_request(soon()), async {
        say(&mut server.control, b"HS\x14\x50\0\0\0\0\0\0\0\0\0\0\0\0").await;
    });
    assert_eq!(request.unwrap(), Some(0x50));
    // One that comes while an answer is waited for.
    send(&mut link, b"Q?").await;
    say(&mut server.control, &message(20, 0x41, 0, b"")).await;
    nothing_comes(&mut link, 30).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"a")).await;
    assert_eq!(answer(&mut link).await, b"a");
    assert_eq!(link.service_request(Instant::now()).await.unwrap(), Some(0x41));
    assert!(link.service_request(Instant::now()).await.is_err(), "fetched once");
}

#[tokio::test]
async fn an_interrupted_answer_is_an_error_once_begun_and_nothing_before() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    send(&mut link, b"R?").await;
    say(&mut server.control, &message(14, 0, 0xFFFF_FF02, b"")).await;
    say(&mut server.sync, &message(13, 0, 0xFFFF_FF02, b"")).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF02, b"r")).await;
    assert_eq!(answer(&mut link).await, b"r");
    send(&mut link, b"S?").await;
    say(&mut server.sync, &message(6, 0, 0xFFFF_FF04, b"be")).await;
    say(&mut server.sync, &message(13, 0, 0xFFFF_FF06, b"")).await;
    let mut into = Vec::new();
    link.receive(&mut into, 9, soon()).await.unwrap();
    let error = link.receive(&mut into, 9, soon()).await.unwrap_err();
    assert_eq!((error.fault, link.is_open()), (LinkFault::Interrupted, true));
}

#[tokio::test]
async fn an_unknown_type_is_answered_with_an_error_and_read_over() {
    let (mut link, mut server) = opened().await;
    send(&mut link, b"Q?").await;
    expect(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"Q?")).await;
    say(&mut server.sync, &message(200, 5, 6, &[9; 3000])).await;
    say(&mut server.control, &message(36, 0, 0, b"x")).await;
    nothing_comes(&mut link, 30).await;
    say(&mut server.sync, &message(7, 0, 0xFFFF_FF00, b"a")).await;
    assert_eq!(answer(&mut link).await, b"a");
    expect(&mut server.sync, b"HS\x03\x01\0\0\0\0\0\0\0\0\0\0\0\0").await;
    expect(&mut server.control, b"HS\x03\x01\0\0\0\0\0\0\0\0\0\0\0\0").await;
}

/// Not a benchmark: a guard against byte-wise reading and stalls of tens of milliseconds.
#[tokio::test]
async fn hislip_is_not_slow() {
    const BLOCK_BYTES: usize = 64 << 20;
    let (mut link, mut server) = opened().await;
    let served = tokio::spawn(async move {
        for id in 0..1000u32 {
            let id = 0xFFFF_FF00u32.wrapping_add(2 * id);
            expect(&mut server.sync, &message(7, u8::from(id != 0xFFFF_FF00), id, b"T?\n")).await;
            say(&mut server.sync, &message(7, 0, id, b"7\n")).await;
        }
        let id = 0xFFFF_FF00u32.wrapping_add(2000);
        expect(&mut server.sync, &message(7, 1, id, b"D?\n")).await;
        let part = message(6, 0, id, &vec![10; 1 << 20]);
        for _ in 0..BLOCK_BYTES >> 20 {
            say(&mut server.sync, &part).await;
        }
        say(&mut server.sync, &message(7, 0, id, b"\n")).await;
    });
    let start = Instant::now();
    for _ in 0..1000 {
        send(&mut link, b"T?\n").await;
        assert_eq!(answer(&mut link).await, b"7\n");
    }
    let query_us = start.elapsed().as_secs_f64() * 1e3;
    send(&mut link, b"D?\n").await;
    let start = Instant::now();
    let mut into = Vec::with_capacity(BLOCK_BYTES + 1);
    while !link.receive(&mut into, BLOCK_BYTES, soon()).await.unwrap().end {}
    let mib_per_s = 64.0 / start.elapsed().as_secs_f64();
    assert_eq!(into.len(), BLOCK_BYTES + 1);
    served.await.unwrap();
    println!("a query takes {query_us:.1} us, 64 MiB come with {mib_per_s:.0} MiB/s");
    assert!(query_us < 10_000.0 && mib_per_s > 20.0, "{query_us} us, {mib_per_s} MiB/s");
}
