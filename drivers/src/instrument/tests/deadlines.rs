//! Peers that keep a client waiting or fill its memory: what they announce gives them neither time
//! nor room, only what they do.

use std::future::poll_fn;
use std::pin::pin;
use std::task::Poll;

use async_trait::async_trait;
use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};
use tokio::task::coop::consume_budget;
use tokio::time::{Instant, sleep};

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::MessageFault;
use crate::transport::{LinkError, Pace, Part, PipeLink, Received, Recovery};

/// Reads so much that the runtime wants the task to wait before it reads again.
async fn spend_what_may_be_read() {
    poll_fn(|context| {
        while pin!(consume_budget()).poll(context).is_ready() {}
        Poll::Ready(())
    })
    .await;
}

/// The runtime makes a task wait after so many reads, whatever is there. A late answer that is here
/// is found all the same: else it were the next query's.
#[tokio::test(start_paused = true)]
async fn a_stray_is_found_however_much_was_read_before() {
    let mut peers = Vec::new();
    let mut link = PipeLink::new("peer", move || {
        let (ours, theirs) = duplex(64);
        peers.push(theirs);
        let mut theirs = pin!(peers.last_mut()?.write_all(b"stale\n"));
        let mut context = std::task::Context::from_waker(std::task::Waker::noop());
        assert!(theirs.as_mut().poll(&mut context).is_ready());
        Some(ours)
    });
    link.reopen(Instant::now() + ms(100)).await.unwrap();
    spend_what_may_be_read().await;
    let mut stray = Vec::new();
    let found = link.receive(&mut stray, 100, Instant::now()).await;
    assert!(found.is_ok() && stray == b"stale\n", "{found:?}");
}

/// A block that announces the most that nine digits can say, and then comes byte by byte.
#[track_caller]
fn endless_block() -> Fake {
    Fake::new(|message| match message {
        "DATA?" => Reply::Endless(b"#9999999999".to_vec(), ms(900)),
        "SERIAL?" => line("\"7\""),
        _ => Reply::Usual,
    })
}

#[tokio::test(start_paused = true)]
async fn a_block_that_dribbles_for_ever_ends_whatever_it_announces() {
    let fake = endless_block();
    for link in [fake.link(), fake.draining_link()] {
        let recovery = link.recovery();
        let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
        let since = Instant::now();
        let mut transfer = Transfer::default();
        let error = supply.query_block("DATA?", &mut Vec::new(), &mut transfer).await.unwrap_err();
        assert_eq!(error.class(), Class::Transient, "{error}");
        // Ten times the time for a line, and what looking for the reason takes.
        assert!(since.elapsed() < Duration::from_secs(30), "{:?} {error}", since.elapsed());
        let next = supply.query_raw("SERIAL?").await;
        assert!(since.elapsed() < Duration::from_secs(60), "{:?}", since.elapsed());
        match recovery {
            Recovery::Reopen => assert_eq!(next.unwrap(), RawAnswer::Line("\"7\"".into())),
            // Nothing ends what never ends; nothing of it is an answer.
            _ => assert_eq!(next.unwrap_err().class(), Class::Transient),
        }
    }
}

/// A peer that takes a few bytes at a time, each in time.
#[tokio::test(start_paused = true)]
async fn a_peer_that_takes_a_block_by_drops_is_given_up() {
    let link = PipeLink::new("sipper", || {
        let (ours, mut theirs) = duplex(1 << 10);
        tokio::spawn(async move {
            let (mut head, mut answered) = ([0; 256], 0);
            while let Ok(count @ 1..) = theirs.read(&mut head).await {
                let text = head[..count].to_vec();
                let answer: &[u8] = match &text[..] {
                    b"*IDN?\n" => b"a,b,c,d\n",
                    b"SYSTem:ERRor:NEXT?\n" => b"0,\"No error\"\n",
                    _ => b"",
                };
                answered += theirs.write(answer).await.unwrap_or(0);
                if answered > 20 && answer.is_empty() {
                    sleep(ms(900)).await;
                }
            }
        });
        Some(ours)
    });
    let mut supply = Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    let since = Instant::now();
    let data = vec![0; 64 << 20];
    let mut source: &[u8] = &data;
    let sent = supply.send_block("LOAD ", &mut source, &mut Transfer::default()).await;
    assert_eq!(sent.unwrap_err().class(), Class::Transient);
    assert!(since.elapsed() < Duration::from_secs(40), "{:?}", since.elapsed());
}

/// A line by hand has no more room than any other, although a block might have come.
#[tokio::test(start_paused = true)]
async fn a_line_without_end_is_refused_before_it_fills_the_memory() {
    let fake = Fake::new(|message| match message {
        "NOISE?" => Reply::Bytes(vec![b'x'; 64 << 20]),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    let error = supply.query_raw("NOISE?").await.unwrap_err();
    let InstrumentFault::Message(fault) = &*error.fault else { panic!("{error}") };
    assert!(matches!(fault.fault, MessageFault::LineTooLong { limit } if limit <= 1 << 20));
    supply.read("token").await.unwrap_err();
}

/// A link that marks ends, whose peer answers `DATA?` with a block of no announced length, slowly.
struct Slow {
    sent: Vec<u8>,
    left: usize,
}

#[async_trait]
impl Transport for Slow {
    fn describe(&self) -> &str {
        "slow"
    }

    fn is_open(&self) -> bool {
        true
    }

    fn recovery(&self) -> Recovery {
        Recovery::Clear
    }

    fn marks_end(&self) -> bool {
        true
    }

    async fn reopen(&mut self, _until: Instant) -> Result<(), LinkError> {
        Ok(())
    }

    async fn send(&mut self, bytes: &[u8], _part: Part, _pace: Pace) -> Result<(), LinkError> {
        self.sent = bytes.to_vec();
        self.left = 50;
        Ok(())
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        _at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let fault = crate::transport::LinkFault::TimedOut;
        let phase = crate::transport::LinkPhase::Read;
        let error = LinkError { address: "slow".into(), phase, bytes: 0, took: ms(0), fault };
        let answer: &[u8] = match &self.sent[..] {
            b"*IDN?\n" => b"a,b,c,d\n",
            b"SYSTem:ERRor:NEXT?\n" => b"0,\"No error\"\n",
            b"DATA?\n" => {
                let next = Instant::now() + ms(500);
                tokio::time::sleep_until(until.min(next)).await;
                if next > until {
                    return Err(error);
                }
                self.left -= 1;
                let piece = if self.left == 49 { b"#0".to_vec() } else { vec![b'x'; 50_000] };
                into.extend_from_slice(&piece);
                if self.left == 0 {
                    self.sent.clear();
                }
                return Ok(Received { bytes: piece.len(), end: self.left == 0 });
            }
            _ => {
                tokio::time::sleep_until(until).await;
                return Err(error);
            }
        };
        self.sent.clear();
        into.extend_from_slice(answer);
        Ok(Received { bytes: answer.len(), end: true })
    }
}

/// A block without announced length may take as long as one with: what moves is not cut off.
#[tokio::test(start_paused = true)]
async fn a_long_block_of_no_announced_length_has_its_time() {
    let link = Box::new(Slow { sent: Vec::new(), left: 0 });
    let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
    let mut data = Vec::new();
    let got = supply.query_block("DATA?", &mut data, &mut Transfer::default()).await;
    assert_eq!((got.unwrap(), data.len()), (49 * 50_000, 49 * 50_000));
}

/// The time that it takes to open a fake that hangs up five times.
async fn time_to_open(name: &str, reconnect: Reconnect) -> Duration {
    let mut left = 5;
    let fake = Fake::new(move |_| {
        let hangs_up = left > 0;
        left -= i32::from(hangs_up);
        if hangs_up { Reply::Close(Vec::new()) } else { Reply::Usual }
    });
    let since = Instant::now();
    let driver = driver().with_reconnect(reconnect);
    Instrument::open(name, fake.link(), driver).await.unwrap();
    assert_eq!(fake.state().connections, 6);
    since.elapsed()
}

/// Those who lost a link together do not come back together, and yet within bounds and the same way
/// with the same seed.
#[tokio::test(start_paused = true)]
async fn waits_between_tries_have_a_bounded_and_seeded_jitter() {
    let plain = Reconnect { tries: 6, first_wait: ms(100), factor: 2, jitter_percent: 0, seed: 1 };
    // 100 + 200 + 400 + 800 + 1600 ms, and the silence at the beginning of six sessions.
    let exact = time_to_open("a", plain).await;
    assert!((ms(3100)..ms(3300)).contains(&exact), "{exact:?}");
    let mut times = Vec::new();
    for (name, seed) in [("a", 1), ("b", 1), ("a", 2), ("a", 3), ("b", 3)] {
        let jittered = Reconnect { jitter_percent: 10, seed, ..plain };
        let time = time_to_open(name, jittered).await;
        assert_eq!(time, time_to_open(name, jittered).await, "the same seed and name");
        assert!((exact - ms(310)..=exact + ms(310)).contains(&time), "{name} {seed}: {time:?}");
        times.push(time);
    }
    times.sort();
    times.dedup();
    assert!(times.len() == 5 && *times.last().unwrap() - times[0] > ms(20), "{times:?}");
}
