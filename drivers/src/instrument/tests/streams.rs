//! Blocks that pass through without being held: constant memory, progress, an end in the middle.

use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader, DuplexStream, duplex};

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::emit_block_header;
use crate::transport::PipeLink;

/// Bytes of the long blocks: more than any buffer on the way, and no multiple of anything.
const LONG_BYTES: usize = 5_000_002;

/// What an instrument with a long memory saw.
#[derive(Default)]
struct Seen {
    /// Commands and queries, without the data of blocks.
    messages: Vec<String>,
    /// Sum of all data bytes of the last block sent to it, and their number.
    sum: u64,
    data_bytes: usize,
    connections: usize,
}

/// The byte at a place of a long block.
fn byte(at: usize) -> u8 {
    (at % 251) as u8
}

fn chunk(from: usize, bytes: usize) -> Vec<u8> {
    (from..from + bytes).map(byte).collect()
}

fn sum(bytes: usize) -> u64 {
    (0..bytes).map(|at| u64::from(byte(at))).sum()
}

/// Serves one connection: answers, sends long blocks in pieces, sums up what it is sent.
async fn serve(stream: DuplexStream, seen: Arc<Mutex<Seen>>) -> io::Result<()> {
    let mut stream = BufReader::new(stream);
    loop {
        let mut text = Vec::new();
        loop {
            match stream.read_u8().await? {
                b'\n' => break,
                b'#' => {
                    let (sum, data_bytes) = take_block(&mut stream).await?;
                    let mut seen = seen.lock().unwrap();
                    (seen.sum, seen.data_bytes) = (sum, data_bytes);
                }
                other => text.push(other),
            }
        }
        let text = String::from_utf8_lossy(&text).into_owned();
        seen.lock().unwrap().messages.push(text.clone());
        match text.as_str() {
            "*IDN?" => stream.write_all(b"Test Works,FAKE-1,17,0.1\n").await?,
            "*OPC?" => stream.write_all(b"1\n").await?,
            "*ESR?" => stream.write_all(b"0\n").await?,
            "TOKEN?" => stream.write_all(b"7\n").await?,
            "SYSTem:ERRor:NEXT?" => stream.write_all(b"0,\"No error\"\n").await?,
            "TRACe:SCALe? CH1" => stream.write_all(b"1,0,10\n").await?,
            "DATA?" | "TRACe:DATA? CH1" => {
                let header = emit_block_header(LONG_BYTES).unwrap();
                stream.write_all(header.as_bytes()).await?;
                for from in (0..LONG_BYTES).step_by(10_007) {
                    let bytes = (LONG_BYTES - from).min(10_007);
                    stream.write_all(&chunk(from, bytes)).await?;
                }
                stream.write_all(b"\n").await?;
            }
            _ => {}
        }
    }
}

async fn take_block(stream: &mut BufReader<DuplexStream>) -> io::Result<(u64, usize)> {
    let mut length = vec![0; usize::from(stream.read_u8().await? - b'0')];
    stream.read_exact(&mut length).await?;
    let total: usize = String::from_utf8_lossy(&length).parse().unwrap();
    let (mut left, mut sum) = (total, 0);
    while left > 0 {
        let here = stream.fill_buf().await?;
        if here.is_empty() {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        let bytes = here.len().min(left);
        sum += here[..bytes].iter().map(|byte| u64::from(*byte)).sum::<u64>();
        stream.consume(bytes);
        left -= bytes;
    }
    Ok((sum, total))
}

fn connect(seen: &Arc<Mutex<Seen>>) -> Option<DuplexStream> {
    let (ours, theirs) = duplex(4096);
    seen.lock().unwrap().connections += 1;
    tokio::spawn(serve(theirs, seen.clone()));
    Some(ours)
}

async fn open_long(draining: bool, driver: Driver) -> (Instrument, Arc<Mutex<Seen>>) {
    let seen: Arc<Mutex<Seen>> = Arc::default();
    let link: Box<dyn Transport> = if draining {
        let mut only = connect(&seen);
        Box::new(PipeLink::draining("long", move || only.take()))
    } else {
        let seen = seen.clone();
        Box::new(PipeLink::new("long", move || connect(&seen)))
    };
    (Instrument::open("it", link, driver).await.unwrap(), seen)
}

#[tokio::test(start_paused = true)]
async fn a_long_block_comes_in_pieces_with_progress() {
    let (mut scope, _) = open_long(false, driver()).await;
    let (mut at, mut longest) = (0, 0);
    let mut sink = |piece: &[u8]| {
        assert!(piece.iter().enumerate().all(|(i, b)| *b == byte(at + i)), "at {at}");
        at += piece.len();
        longest = longest.max(piece.len());
        Ok(())
    };
    let mut steps = Vec::new();
    let mut transfer = Transfer::default().watched_by(|progress| steps.push(progress));
    let bytes = scope.query_block("DATA?", &mut sink, &mut transfer).await.unwrap();
    drop(transfer);
    assert_eq!((bytes, at), (LONG_BYTES, LONG_BYTES));
    // Memory is bounded by the longest piece; nothing else of the block is kept.
    assert!(longest <= 256 << 10, "{longest}");
    let done: Vec<usize> = steps.iter().map(|step| step.done_bytes).collect();
    assert_eq!((done[0], done[done.len() - 1]), (0, LONG_BYTES));
    assert!(done.is_sorted() && steps.iter().all(|step| step.total_bytes == Some(LONG_BYTES)));
    assert_eq!(scope.read("token").await.unwrap(), Value::Whole(7));
    assert!(scope.take_events().is_empty());
}

/// Bytes that are made as they are asked for.
struct Made(usize);

#[async_trait::async_trait]
impl BlockSource for Made {
    fn total_bytes(&self) -> usize {
        LONG_BYTES
    }

    async fn give(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<()> {
        into.extend(chunk(self.0, at_most.min(9_999)));
        self.0 += at_most.min(9_999);
        Ok(())
    }
}

#[tokio::test(start_paused = true)]
async fn a_long_block_goes_out_in_pieces_with_progress() {
    let (mut source, seen) = open_long(false, driver()).await;
    let mut last = Progress::default();
    let mut transfer = Transfer::default().watched_by(|progress| last = progress);
    source.send_block("MEM:DATA A,", &mut Made(0), &mut transfer).await.unwrap();
    drop(transfer);
    assert_eq!(last, Progress { done_bytes: LONG_BYTES, total_bytes: Some(LONG_BYTES) });
    let seen = seen.lock().unwrap();
    assert_eq!((seen.sum, seen.data_bytes), (sum(LONG_BYTES), LONG_BYTES));
    assert!(seen.messages.contains(&"MEM:DATA A,".to_owned()));
}

/// Stops when so many bytes are done.
fn stopping(stop: &Stop, at_bytes: usize) -> Transfer<'static> {
    let also = stop.clone();
    let stop_there = move |progress: Progress| {
        if progress.done_bytes >= at_bytes {
            also.stop();
        }
    };
    Transfer::default().watched_by(stop_there).stopped_by(stop)
}

/// A download and an upload that are stopped in the middle; the next query finds the link in step.
async fn check_stopped(draining: bool) {
    for up in [false, true] {
        let (mut it, seen) = open_long(draining, driver()).await;
        let mut transfer = stopping(&Stop::default(), 1_000_000);
        let error = if up {
            it.send_block("MEM:DATA A,", &mut Made(0), &mut transfer).await.unwrap_err()
        } else {
            let mut none = |_: &[u8]| Ok(());
            it.query_block("DATA?", &mut none, &mut transfer).await.unwrap_err()
        };
        let InstrumentFault::Stopped(progress) = &*error.fault else { panic!("{error}") };
        assert!((1_000_000..LONG_BYTES).contains(&progress.done_bytes), "{error}");
        assert_eq!((error.class(), progress.total_bytes), (Class::Operator, Some(LONG_BYTES)));
        assert!(error.to_string().contains("it was stopped after 1"), "{error}");
        // It is in step already, and nothing is left of the block.
        it.take_events();
        assert_eq!(it.read("token").await.unwrap(), Value::Whole(7));
        assert!(it.take_events().is_empty());
        let seen = seen.lock().unwrap();
        assert_eq!(seen.connections, if draining { 1 } else { 2 });
        if up && draining {
            assert_eq!(seen.data_bytes, LONG_BYTES, "the rest was made of zeros");
            assert!(seen.sum < sum(LONG_BYTES));
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_transfer_stopped_in_the_middle_leaves_the_instrument_usable() {
    check_stopped(false).await;
}

#[tokio::test(start_paused = true)]
async fn a_transfer_stopped_in_the_middle_leaves_a_line_usable_that_cannot_be_opened_anew() {
    check_stopped(true).await;
}

#[tokio::test(start_paused = true)]
async fn a_dropped_transfer_leaves_the_instrument_usable() {
    for (draining, up) in [(false, false), (true, false), (false, true), (true, true)] {
        let (mut it, _seen) = open_long(draining, driver()).await;
        let (dropped, notice) = tokio::sync::oneshot::channel();
        let mut dropped = Some(dropped);
        let mut transfer = Transfer::default().watched_by(|progress| {
            if progress.done_bytes > 500_000 {
                dropped.take().map(|dropped| dropped.send(()));
            }
        });
        let mut none = |_: &[u8]| Ok(());
        let mut made = Made(0);
        let whole = async {
            if up {
                it.send_block("MEM:DATA A,", &mut made, &mut transfer).await.map(drop)
            } else {
                it.query_block("DATA?", &mut none, &mut transfer).await.map(drop)
            }
        };
        tokio::select! {
            biased;
            _ = notice => {}
            outcome = whole => panic!("{outcome:?}"),
        }
        drop(transfer);
        assert_eq!(it.read("token").await.unwrap(), Value::Whole(7), "{draining} {up}");
    }
}

#[tokio::test(start_paused = true)]
async fn data_that_fail_on_this_side_are_told_and_leave_the_instrument_usable() {
    for draining in [false, true] {
        let (mut it, _seen) = open_long(draining, driver()).await;
        let mut full = |_: &[u8]| Err(io::Error::other("the disk is full"));
        let error = it.query_block("DATA?", &mut full, &mut Transfer::default()).await;
        let error = error.unwrap_err();
        assert!(error.to_string().ends_with("failed on this side: the disk is full"), "{error}");
        assert_eq!(error.class(), Class::Internal);
        assert_eq!(it.read("token").await.unwrap(), Value::Whole(7));
        // A source that announces more than it has.
        let file = &[1u8; 300_000][..];
        let mut short = FromReader::new(file, 400_000);
        let error = it.send_block("MEM:DATA A,", &mut short, &mut Transfer::default()).await;
        assert!(error.unwrap_err().to_string().contains("failed on this side"));
        assert_eq!(it.read("token").await.unwrap(), Value::Whole(7));
    }
}

#[tokio::test(start_paused = true)]
async fn a_block_longer_than_nine_digits_can_say_is_refused_before_a_byte_is_sent() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut source = open(&fake).await;
    let mut long = FromReader::new(tokio::io::repeat(0), 1_000_000_000);
    let error = source.send_block("MEM:DATA A,", &mut long, &mut Transfer::default()).await;
    assert!(error.unwrap_err().to_string().contains("the most accepted here is 999999999"));
    assert!(fake.take_arrived().is_empty());
}

fn shipped(name: &str) -> Driver {
    Driver::load(name, None, None).unwrap().with_timeout(Duration::from_secs(1))
}

#[tokio::test(start_paused = true)]
async fn actions_stream_both_ways() {
    let (mut scope, _) = open_long(false, shipped("scpi-scope.yaml")).await;
    let mut data = Vec::new();
    let mut streams = Streams { sink: Some(&mut data), ..Streams::default() };
    let inputs = Inputs::none().word("channel", "CH1");
    let performed = scope.perform_streamed("fetch trace", &inputs, &mut streams).await.unwrap();
    assert_eq!((performed.codes, performed.numbers["bits"]), (None, 10.0));
    drop(streams);
    assert!(data == chunk(0, LONG_BYTES));

    let (mut source, seen) = open_long(false, shipped("scpi-source.yaml")).await;
    let samples: Vec<i16> = chunk(0, LONG_BYTES).into_iter().map(i16::from).collect();
    let mut slice = &samples[..];
    let inputs = Inputs::none().word("name", "A").iq_streamed("waveform", LONG_BYTES);
    let mut streams = Streams { source: Some(&mut slice), ..Streams::default() };
    source.perform_streamed("load waveform", &inputs, &mut streams).await.unwrap();
    {
        let seen = seen.lock().unwrap();
        assert_eq!((seen.sum, seen.data_bytes), (sum(LONG_BYTES), 2 * LONG_BYTES));
        assert!(seen.messages.contains(&format!("TRACe:DEFine A,{}", LONG_BYTES / 2)));
    }
    // Announced samples need a source that has as many.
    let inputs = Inputs::none().word("name", "A").iq_streamed("waveform", 8);
    for source_of in [None, Some(&mut &samples[..2] as &mut dyn SampleSource)] {
        let mut streams = Streams { source: source_of, ..Streams::default() };
        let error = source.perform_streamed("load waveform", &inputs, &mut streams).await;
        assert!(error.unwrap_err().to_string().contains("'waveform' has no source that gives"));
    }
}

#[tokio::test(start_paused = true)]
async fn an_action_stopped_while_it_waits_clears_up() {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "*OPC?" => {
            asked += 1;
            if asked == 1 { Reply::Silence } else { line(1) }
        }
        _ => Reply::Usual,
    });
    let driver = shipped("scpi-scope.yaml");
    let mut scope = Instrument::open("scope", fake.link(), driver).await.unwrap();
    settle(&fake).await;
    let stop = Stop::default();
    let after = stop.clone();
    tokio::spawn(async move {
        tokio::time::sleep(ms(300)).await;
        after.stop();
    });
    let mut streams =
        Streams { transfer: Transfer::default().stopped_by(&stop), ..Streams::default() };
    let since = tokio::time::Instant::now();
    let error = scope.perform_streamed("acquire", &Inputs::none(), &mut streams).await.unwrap_err();
    assert!(since.elapsed() < ms(500), "not after the 30 s of the profile");
    assert_eq!(error.class(), Class::Operator);
    let sent = fake.take_arrived();
    assert!(sent.contains(&"ABORt".to_owned()), "{sent:?}");
    scope.perform("acquire", &Inputs::none()).await.unwrap();
    // What was stopped stays stopped: nothing of the next action is sent.
    fake.take_arrived();
    assert!(scope.perform_streamed("acquire", &Inputs::none(), &mut streams).await.is_err());
    assert!(!fake.take_arrived().contains(&"INITiate:IMMediate".to_owned()));
}

#[tokio::test(start_paused = true)]
async fn half_a_code_at_the_end_is_an_error() {
    let mut replies: BTreeMap<&str, Reply> = BTreeMap::new();
    replies.insert("TRACe:SCALe? CH2", line("1,0,10"));
    replies.insert("TRACe:DATA? CH2", Reply::Bytes(b"#15abcde\n".to_vec()));
    let fake = Fake::new(move |message| replies.get(message).cloned().unwrap_or(Reply::Usual));
    let driver = shipped("scpi-scope.yaml");
    let mut scope = Instrument::open("scope", fake.link(), driver).await.unwrap();
    let mut data = Vec::new();
    let mut streams = Streams { sink: Some(&mut data), ..Streams::default() };
    let inputs = Inputs::none().word("channel", "CH2");
    let error = scope.perform_streamed("fetch trace", &inputs, &mut streams).await.unwrap_err();
    drop(streams);
    assert!(error.to_string().contains("the block ends after 5 of 6 bytes"), "{error}");
    assert_eq!(data, b"abcd");
}
