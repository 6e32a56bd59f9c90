//! A pseudo-terminal stands for the device node: bytes in and out, and a read that blocks.

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio_serial::{SerialPort, SerialStream};

use std::time::Duration;

use tokio::time::Instant;

use super::super::testing::{LATE, check_late_answers, supply_answer};
use super::{MESSAGE_BYTES_MAX, UsbtmcLink};
use crate::instrument::{Driver, Instrument};
use crate::transport::{LinkFault, LinkPhase, Pace, Part, Recovery, Transport};

/// A node and the device behind it. The second stream keeps the node's settings.
fn node() -> (UsbtmcLink, SerialStream, SerialStream) {
    let (device, other) = SerialStream::pair().unwrap();
    let path = other.name().unwrap();
    (UsbtmcLink::new(&path), device, other)
}

fn ms(time: u64) -> Instant {
    Instant::now() + Duration::from_millis(time)
}

fn pace() -> Pace {
    Pace { by: ms(2000), idle: Duration::from_secs(1) }
}

async fn device_gets(device: &mut SerialStream, due: &[u8]) {
    let mut got = vec![0; due.len()];
    tokio::time::timeout_at(ms(2000), device.read_exact(&mut got)).await.unwrap().unwrap();
    assert_eq!(got, due);
}

#[tokio::test]
async fn messages_go_out_whole_and_answers_come_in() {
    let (mut link, mut device, _other) = node();
    assert_eq!((link.is_open(), link.recovery()), (false, Recovery::Reopen));
    link.reopen(ms(1000)).await.unwrap();
    // Nothing is sent before the last part: a write would end the message.
    link.send(b"TRAC A,", Part::Middle, pace()).await.unwrap();
    let early = tokio::time::timeout_at(ms(50), device.read(&mut [0; 9])).await;
    assert!(early.is_err());
    link.send(b"#13\n\r\0\n", Part::Last, pace()).await.unwrap();
    device_gets(&mut device, b"TRAC A,#13\n\r\0\n").await;
    link.send(b"*IDN?\n", Part::Last, pace()).await.unwrap();
    device.write_all(b"me,1,2,3\nleft").await.unwrap();
    let mut into = Vec::new();
    while into.len() < 3 {
        let missing = 3 - into.len();
        link.receive(&mut into, missing, ms(1000)).await.unwrap();
    }
    assert_eq!(into, b"me,");
    while into.len() < 13 {
        link.receive(&mut into, 100, ms(1000)).await.unwrap();
    }
    assert_eq!(into, b"me,1,2,3\nleft");
    // After what was most likely the whole answer, a short wait starts no read.
    let error = link.receive(&mut into, 9, ms(10)).await.unwrap_err();
    assert_eq!(error.fault, LinkFault::TimedOut);
    assert!(link.node.as_ref().is_some_and(|node| node.under_way.is_none()));
    assert_eq!(link.status_byte(ms(10)).await.unwrap(), None);
}

#[tokio::test]
async fn nothing_is_read_from_a_device_that_was_asked_nothing() {
    let (mut link, mut device, _other) = node();
    link.reopen(ms(1000)).await.unwrap();
    device.write_all(b"unasked").await.unwrap();
    let error = link.receive(&mut Vec::new(), 9, ms(30)).await.unwrap_err();
    assert_eq!(error.fault, LinkFault::TimedOut);
    assert!(link.node.as_ref().is_some_and(|node| node.under_way.is_none()));
}

#[tokio::test]
async fn deadlines_hold_and_a_late_answer_never_reaches_the_next_question() {
    let (mut link, mut device, _other) = node();
    link.reopen(ms(1000)).await.unwrap();
    link.send(b"SLOW?\n", Part::Last, pace()).await.unwrap();
    device_gets(&mut device, b"SLOW?\n").await;
    let error = link.receive(&mut Vec::new(), 9, ms(50)).await.unwrap_err();
    assert_eq!((error.phase, error.fault), (LinkPhase::Read, LinkFault::TimedOut));
    assert!(error.took >= Duration::from_millis(50) && error.took < Duration::from_secs(1));
    // The read is still under way: no further message, and no other node.
    let error = link.send(b"NEXT?\n", Part::Last, pace()).await.unwrap_err();
    assert_eq!((error.phase, error.fault), (LinkPhase::Write, LinkFault::TimedOut));
    let error = link.reopen(ms(50)).await.unwrap_err();
    assert_eq!((error.phase, error.fault), (LinkPhase::Connect, LinkFault::TimedOut));
    assert!(!link.is_open());
    // With the late answer the transfer ends; it is dropped, and the node opened again.
    device.write_all(b"late\n").await.unwrap();
    link.reopen(ms(1000)).await.unwrap();
    link.send(b"NEXT?\n", Part::Last, pace()).await.unwrap();
    device_gets(&mut device, b"NEXT?\n").await;
    device.write_all(b"fresh\n").await.unwrap();
    let mut into = Vec::new();
    while !into.ends_with(b"\n") {
        link.receive(&mut into, 100, ms(1000)).await.unwrap();
    }
    assert_eq!(into, b"fresh\n");
}

#[tokio::test]
async fn a_device_that_is_gone_is_an_error_at_once() {
    let (mut link, device, _other) = node();
    link.reopen(ms(1000)).await.unwrap();
    link.send(b"Q?\n", Part::Last, pace()).await.unwrap();
    drop(device);
    let error = link.receive(&mut Vec::new(), 9, ms(2000)).await.unwrap_err();
    assert!(error.fault != LinkFault::TimedOut && !link.is_open(), "{error}");

    let mut missing = UsbtmcLink::new("/dev/no-such-usbtmc");
    let error = missing.reopen(ms(100)).await.unwrap_err().to_string();
    let due = "failed to connect to usbtmc:///dev/no-such-usbtmc: the device is missing";
    assert!(error.starts_with(due), "{error}");
}

#[tokio::test]
async fn a_message_beyond_the_limit_is_refused_before_anything_is_sent() {
    let (mut link, _device, _other) = node();
    link.reopen(ms(1000)).await.unwrap();
    let part = vec![0; MESSAGE_BYTES_MAX / 2 + 1];
    link.send(&part, Part::Middle, pace()).await.unwrap();
    let error = link.send(&part, Part::Last, pace()).await.unwrap_err();
    assert_eq!(error.fault, LinkFault::MessageTooLong { limit: MESSAGE_BYTES_MAX });
    assert!(link.is_open() && link.message.capacity() == 0);
}

/// A whole session over the node: identity, error queue, a setting read back, a question that is
/// answered too late, and the way back.
#[tokio::test]
async fn an_instrument_behind_a_node() {
    let (link, device, _other) = node();
    tokio::spawn(async move {
        let mut lines = BufReader::new(device);
        let mut line = String::new();
        while lines.read_line(&mut line).await.is_ok_and(|count| count > 0) {
            let late = line.starts_with(LATE);
            tokio::time::sleep(Duration::from_millis(if late { 400 } else { 1 })).await;
            let mut answer = supply_answer(line.trim()).to_owned();
            if !answer.is_empty() {
                answer.push('\n');
            }
            lines.write_all(answer.as_bytes()).await.unwrap();
            line.clear();
        }
    });
    let driver = Driver::load("scpi-supply.yaml", None, None).unwrap();
    let driver = driver.with_timeout(Duration::from_millis(250));
    let mut supply = Instrument::open("supply", Box::new(link), driver).await.unwrap();
    check_late_answers(&mut supply).await;
}
