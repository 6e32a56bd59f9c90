//! What goes wrong in the field, one test by name for each: whatever happens, the error says so,
//! nothing is taken for what it is not, and the next exchange works.

use std::sync::{Arc, Mutex};

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::{MessageFault, emit_block_header};
use crate::transport::{LinkFault, PipeLink};

/// A fake whose first answer to one query is another one than the usual `line(good)`.
fn once(query: &'static str, first: Reply, good: impl ToString + Send + 'static) -> Fake {
    let mut first = Some(first);
    Fake::new(move |message| match message {
        _ if message == query => first.take().unwrap_or_else(|| line(good.to_string())),
        "TOKEN?" => line(7),
        _ => Reply::Usual,
    })
}

/// The first `token` fails with a transient error whose text holds all the parts, the second works.
async fn check_token(first: Reply, parts: &[&str]) {
    let fake = once("TOKEN?", first, 7);
    let mut supply = open(&fake).await;
    let error = supply.read("token").await.unwrap_err();
    assert_eq!(error.class(), Class::Transient, "{error}");
    for part in parts {
        assert!(error.to_string().contains(part), "{error}");
    }
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

/// As [`check_token`] for a block.
async fn check_block(first: Reply, parts: &[&str]) {
    let fake = once("DATA?", first, "#13abc");
    let mut supply = open(&fake).await;
    let error = supply.query_raw("DATA?").await.unwrap_err();
    assert_eq!(error.class(), Class::Transient, "{error}");
    for part in parts {
        assert!(error.to_string().contains(part), "{error}");
    }
    assert_eq!(supply.query_raw("DATA?").await.unwrap(), RawAnswer::Block(b"abc".to_vec()));
}

fn cut_block(announced: usize, sent: usize) -> Vec<u8> {
    let mut bytes = emit_block_header(announced).unwrap().into_bytes();
    bytes.resize(bytes.len() + sent, 7);
    bytes
}

#[tokio::test(start_paused = true)]
async fn peer_closes_between_messages() {
    check_token(Reply::Close(Vec::new()), &["the connection is closed"]).await;
}

#[tokio::test(start_paused = true)]
async fn peer_closes_mid_block() {
    let parts = ["the connection is closed", "300 of 1000 bytes of a block"];
    check_block(Reply::Close(cut_block(1000, 300)), &parts).await;
    // The part that came is never handed out as a whole: a sink is told nothing after it.
    let fake = once("DATA?", Reply::Close(cut_block(1000, 300)), "#13abc");
    let mut scope = open(&fake).await;
    let mut data = Vec::new();
    let error = scope.query_block("DATA?", &mut data, &mut Transfer::default()).await.unwrap_err();
    assert!(error.to_string().contains("300 of 1000 bytes of a block"), "{error}");
    data.clear();
    scope.query_block("DATA?", &mut data, &mut Transfer::default()).await.unwrap();
    assert_eq!(data, b"abc");
}

/// A peer that answers until it is told to die, and then neither reads nor answers nor closes.
async fn until_dead(mut stream: DuplexStream, dead: Arc<Mutex<bool>>) {
    let mut text = Vec::new();
    while let Ok(byte) = stream.read_u8().await {
        if *dead.lock().unwrap() {
            std::future::pending::<()>().await;
        }
        text.push(byte);
        if byte == b'\n' {
            let answer: &[u8] = match &text[..] {
                b"*IDN?\n" => b"Test Works,FAKE-1,17,0.1\n",
                b"*ESR?\n" => b"0\n",
                b"TOKEN?\n" => b"7\n",
                b"SYSTem:ERRor:NEXT?\n" => b"0,\"No error\"\n",
                _ => b"",
            };
            text.clear();
            if stream.write_all(answer).await.is_err() {
                return;
            }
        }
    }
}

/// An instrument whose peer can be killed and brought back.
async fn mortal() -> (Instrument, Arc<Mutex<bool>>) {
    let dead: Arc<Mutex<bool>> = Arc::default();
    let state = dead.clone();
    let link = PipeLink::new("mortal", move || {
        let (ours, theirs) = duplex(1000);
        tokio::spawn(until_dead(theirs, state.clone()));
        Some(ours)
    });
    (Instrument::open("supply", Box::new(link), driver()).await.unwrap(), dead)
}

#[tokio::test(start_paused = true)]
async fn half_open_link() {
    let (mut supply, dead) = mortal().await;
    *dead.lock().unwrap() = true;
    let since = tokio::time::Instant::now();
    let error = supply.read("token").await.unwrap_err();
    assert!(error.to_string().contains("nothing came in time (after 1 s)"), "{error}");
    // One deadline for the query, one for the try to get back into step.
    assert!(since.elapsed() <= ms(2100), "{:?}", since.elapsed());
    *dead.lock().unwrap() = false;
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

#[tokio::test(start_paused = true)]
async fn server_stops_reading() {
    let (mut supply, dead) = mortal().await;
    *dead.lock().unwrap() = true;
    let data = vec![7; 100_000];
    let error = supply.send_block("DATA ", &mut &data[..], &mut Transfer::default()).await;
    let error = error.unwrap_err();
    let InstrumentFault::Link { error: link, .. } = &*error.fault else { panic!("{error}") };
    // What the peer's buffer took, and not what was to be sent.
    assert_eq!((&link.fault, link.bytes / 100), (&LinkFault::TimedOut, 9), "{error}");
    assert!(error.to_string().contains("it was not taken in time"), "{error}");
    *dead.lock().unwrap() = false;
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

#[tokio::test(start_paused = true)]
async fn stale_answer_after_a_timeout() {
    check_token(Reply::Late(ms(1200), "111".into()), &["nothing came in time"]).await;
}

#[tokio::test(start_paused = true)]
async fn slow_answer_within_its_deadline() {
    let fake = once("TOKEN?", Reply::Late(ms(990), "5".into()), 7);
    let mut supply = open(&fake).await;
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(5));
}

#[tokio::test(start_paused = true)]
async fn dribbled_answer() {
    let fake = once("TOKEN?", Reply::Dribble(b"5\n".to_vec()), 7);
    let mut supply = open(&fake).await;
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(5));
    let fake = once("DATA?", Reply::Dribble(b"#210\n;#\n;#\n;#a\r\n".to_vec()), 7);
    let mut supply = open(&fake).await;
    let block = RawAnswer::Block(b"\n;#\n;#\n;#a".to_vec());
    assert_eq!(supply.query_raw("DATA?").await.unwrap(), block);
    assert!(supply.take_events().is_empty());
}

#[tokio::test(start_paused = true)]
async fn partial_line() {
    check_token(Reply::Bytes(b"12".to_vec()), &["nothing came in time", "so far: '12'"]).await;
}

#[tokio::test(start_paused = true)]
async fn two_answers_in_one_read() {
    let parts = ["more bytes after the answer, in '2\\n'"];
    check_token(Reply::Bytes(b"1\n2\n".to_vec()), &parts).await;
}

#[tokio::test(start_paused = true)]
async fn missing_end_of_line_after_a_block() {
    let fake = Fake::new(|message| match message {
        "DATA?" => Reply::Bytes(b"#13a\nb".to_vec()),
        "TOKEN?" => line(7),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    for _ in 0..2 {
        let block = RawAnswer::Block(b"a\nb".to_vec());
        assert_eq!(supply.query_raw("DATA?").await.unwrap(), block);
        assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
    }
    assert!(supply.take_events().is_empty());
}

#[tokio::test(start_paused = true)]
async fn junk_on_connect() {
    let fake = Fake::new(|message| if message == "TOKEN?" { line(7) } else { Reply::Usual });
    let inner = fake.clone();
    let link = PipeLink::new("relay", move || {
        let mut inner = inner.connect()?;
        let (ours, mut theirs) = duplex(100);
        tokio::spawn(async move {
            theirs.write_all(b"\0\r\nReady 1.0\r\n\n7\n> ").await.ok();
            tokio::io::copy_bidirectional(&mut theirs, &mut inner).await.ok();
        });
        Some(ours)
    });
    let mut supply = Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

#[tokio::test(start_paused = true)]
async fn wrong_declared_length() {
    // Longer than what comes: the deadline ends it, with both counts.
    let parts = ["nothing came in time", "900 of 1000 bytes of a block"];
    check_block(Reply::Bytes(cut_block(1000, 900)), &parts).await;
    // Shorter: what is left over is no answer to anything.
    check_block(Reply::Bytes(b"#14abcdef\n".to_vec()), &["more bytes after the answer"]).await;
    // No length at all on a link without mark of the end.
    let refused = Reply::Bytes(b"#0abc\n".to_vec());
    check_block(refused, &["cannot be told from what follows"]).await;
}

#[tokio::test(start_paused = true)]
async fn echo() {
    // Where a number is due an echo is none; by hand any line would do, but not this one.
    check_token(Reply::Bytes(b"TOKEN?\n7\n".to_vec()), &["in '"]).await;
    let echoing = || {
        Fake::new(|message| match message {
            "LIST?" => line(message),
            _ => Reply::Usual,
        })
    };
    let mut supply = open(&echoing()).await;
    let error = supply.query_raw("LIST?").await.unwrap_err();
    let InstrumentFault::Message(message) = &*error.fault else { panic!("{error}") };
    assert_eq!((&message.fault, error.class()), (&MessageFault::Echo, Class::Transient));
    assert!(error.to_string().contains("sends back what is sent to it; switch its echo off"));
}

#[tokio::test(start_paused = true)]
async fn instrument_restart() {
    let fake = once("TOKEN?", Reply::Close(Vec::new()), 7);
    let mut supply = open(&fake).await;
    supply.read("token").await.unwrap_err();
    fake.state().event_status = 0x80;
    let error = supply.read("token").await.unwrap_err();
    assert_eq!((&*error.fault, error.class()), (&InstrumentFault::Restarted, Class::Instrument));
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
}

#[tokio::test(start_paused = true)]
async fn wrong_identity() {
    let fake = Fake::new(|_| Reply::Usual);
    let driver = Driver { expect: Some("FAKE-1,18".into()), ..driver() };
    let error = Instrument::open("supply", fake.link(), driver).await.err().unwrap();
    assert!(matches!(*error.fault, InstrumentFault::WrongIdentity { .. }), "{error}");
    assert_eq!(error.class(), Class::Instrument);
    assert!(error.to_string().contains("'FAKE-1,18' is expected"), "{error}");
}

/// Two instruments of one model behind two sockets, and which of the two each socket leads to.
struct Pair {
    fakes: [Fake; 2],
    swapped: Arc<Mutex<bool>>,
}

impl Pair {
    fn new() -> Self {
        let fakes = ["17", "18"].map(|serial| {
            let fake = Fake::new(|message| match message {
                "TOKEN?" => line(7),
                "FAIL?" => Reply::Close(Vec::new()),
                _ => Reply::Usual,
            });
            fake.state().identity = format!("Test Works,FAKE-1,{serial},0.1");
            fake
        });
        Pair { fakes, swapped: Arc::default() }
    }

    async fn open(&self, socket: usize, expect: &str) -> Result<Instrument, InstrumentError> {
        let (fakes, swapped) = (self.fakes.clone(), self.swapped.clone());
        let link = PipeLink::new("socket", move || {
            let other = usize::from(*swapped.lock().unwrap());
            fakes[(socket + other) % 2].connect()
        });
        let driver = Driver { expect: Some(expect.into()), ..driver() };
        Instrument::open("supply", Box::new(link), driver).await
    }
}

#[tokio::test(start_paused = true)]
async fn two_instruments_swapped() {
    // While a session is under way: each is found out when its link is opened again.
    let pair = Pair::new();
    let mut both = [pair.open(0, "FAKE-1").await.unwrap(), pair.open(1, "FAKE-1").await.unwrap()];
    for supply in &mut both {
        supply.query_raw("FAIL?").await.unwrap_err();
    }
    *pair.swapped.lock().unwrap() = true;
    pair.fakes.iter().for_each(|fake| drop(fake.take_arrived()));
    for supply in &mut both {
        let error = supply.set("output", &Value::Switch(true)).await.unwrap_err();
        assert!(matches!(*error.fault, InstrumentFault::WrongIdentity { .. }), "{error}");
    }
    for fake in &pair.fakes {
        assert_eq!(fake.take_arrived(), ["*IDN?"], "nothing was set on the other one");
    }
    // Swapped back, both go on.
    *pair.swapped.lock().unwrap() = false;
    for supply in &mut both {
        assert_eq!(supply.read("token").await.unwrap(), Value::Whole(7));
    }
    // Before it begins: by the serial number that the bench file expects.
    *pair.swapped.lock().unwrap() = true;
    for (socket, serial) in [(0, ",17,"), (1, ",18,")] {
        let error = pair.open(socket, serial).await.err().unwrap();
        assert!(matches!(*error.fault, InstrumentFault::WrongIdentity { .. }), "{error}");
    }
}

#[tokio::test(start_paused = true)]
async fn error_queue_overflow() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut supply = open(&fake).await;
    let entries = ["-113,\"Undefined header\"", "-350,\"Queue overflow\""];
    fake.state().errors.extend(entries.map(String::from));
    let error = supply.set("output", &Value::Switch(true)).await.unwrap_err();
    let text = error.to_string();
    let wanted = "-350 Queue overflow; its queue was full, errors were lost";
    assert!(text.ends_with(wanted), "{text}");
}

#[tokio::test(start_paused = true)]
async fn endless_error_queue() {
    let mut stuck = false;
    let fake = Fake::new(move |message| {
        stuck |= message == "OUTP 1";
        match message {
            "SYSTem:ERRor:NEXT?" if stuck => line("-240,\"Hardware error\""),
            _ => Reply::Usual,
        }
    });
    let mut supply = open(&fake).await;
    let error = supply.set("output", &Value::Switch(true)).await.unwrap_err();
    assert!(matches!(*error.fault, InstrumentFault::ErrorsEndless { bound: 20, .. }), "{error}");
}

#[tokio::test(start_paused = true)]
async fn a_flag_for_a_number() {
    // SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5: 9.91E37 is not a number, 9.9E37 and -9.9E37 are the infinities.
    for flag in ["9.91E37", "9.9E37", "-9.9E+37"] {
        let fake = once("MEAS?", line(format!("I={flag}")), "I=2.5");
        let mut supply = open(&fake).await;
        let error = supply.read("current").await.unwrap_err();
        let InstrumentFault::Message(message) = &*error.fault else { panic!("{error}") };
        assert_eq!((&message.fault, error.class()), (&MessageFault::Flag, Class::Instrument));
        assert_eq!(supply.read("current").await.unwrap(), Value::Number(0.0025));
    }
}

#[tokio::test(start_paused = true)]
async fn a_number_in_local_form_or_a_word_for_it() {
    for text in ["1,5", "OVLD", "1.5 V"] {
        let fake = once("VOLT?", line(text), "1.5");
        let mut supply = open(&fake).await;
        let error = supply.query("voltage").await.unwrap_err();
        assert!(error.to_string().contains(&format!("in '{text}'")), "{error}");
        assert_eq!(supply.query("voltage").await.unwrap(), Value::Number(1.5));
    }
}

/// On real sockets, whose failures know nothing of a paused clock.
#[tokio::test]
async fn only_one_client_and_it_refuses() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    drop(listener);
    let link = crate::transport::TcpLink::new("127.0.0.1", port);
    let driver = Driver { reconnect: Reconnect { tries: 1, ..Reconnect::default() }, ..driver() };
    let error = Instrument::open("supply", Box::new(link), driver).await.err().unwrap();
    assert!(error.to_string().contains("another client holds the only connection"), "{error}");
}

#[tokio::test(start_paused = true)]
async fn only_one_client_and_it_leaves_us_waiting() {
    let silent = Fake::new(|_| Reply::Silence);
    let error = Instrument::open("supply", silent.link(), driver()).await.err().unwrap();
    assert_eq!(
        error.to_string(),
        "supply: failed to open fake: nothing came in time (after 1 s); it lets us connect and \
         says nothing: another client may hold the only connection that it serves, or line \
         settings differ"
    );
    assert_eq!(error.class(), Class::Transient);
}
