//! A connection to the DUT control port in binary frames, beside the text lines: which of the two a
//! client speaks shows in its first byte.
//!
//! Does no I/O. A request begins with A5 and its kind: 01 reads, 02 writes, 03 identifies; then come
//! the address and, in a write, the value, both high byte first, and a CRC-16 of all bytes before it
//! (polynomial 1021, from FFFF, high byte first). The answer repeats kind and address with the
//! highest bit of the kind set: 81 with the value, 82; 83 has a byte that counts its text. What is
//! refused is answered with kind EE, the address, and the number of the text port's `no` line. A
//! frame with a wrong check gets no answer: the port looks for the next A5 within it. Half a frame
//! is forgotten after a silence of 100 ms.

use std::collections::VecDeque;
use std::time::Duration;

use super::lines::LineSession;
use crate::instruments::dut::Refusal;
use crate::post::Post;
use crate::scpi::session::{Host, Step};
use crate::world::World;

/// First byte of every frame; no text line begins with it.
const START: u8 = 0xA5;
/// A silence after which half a frame is forgotten, and a client may speak the other way.
const SILENCE: Duration = Duration::from_millis(100);

/// One connection's state.
#[derive(Debug, Default)]
pub(super) struct PortSession {
    lines: LineSession,
    frames: VecDeque<u8>,
    /// Bytes that no poll has looked at.
    unseen: Vec<u8>,
    heard: Duration,
    talk: Option<Talk>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Talk {
    Text,
    Frames,
}

/// A frame that arrived whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Request {
    Read(u16),
    Write(u16, u16),
    Identify,
}

impl PortSession {
    pub(super) fn feed(&mut self, bytes: &[u8]) {
        self.unseen.extend_from_slice(bytes);
    }

    /// The end of a message, on links that mark it: that of a line; a frame says itself how long it is.
    pub(super) fn end(&mut self) {
        let starts_frame = self.unseen.first() == Some(&START);
        if self.talk != Some(Talk::Frames) && !starts_frame {
            self.feed(b"\n");
        }
    }

    pub(super) fn poll(&mut self, world: &mut World) -> Step {
        if !self.unseen.is_empty() {
            self.sort(world.now);
        }
        match self.talk {
            Some(Talk::Frames) => match self.next_request() {
                Some(_) if !world.begin_message() => Step::Idle,
                Some(request) => {
                    let reply = answer(request, world);
                    world.settle();
                    Step::Reply(reply)
                }
                None => Step::Idle,
            },
            _ => self.lines.poll(world),
        }
    }

    /// Hands what arrived to whoever it is for.
    fn sort(&mut self, now: Duration) {
        if now.saturating_sub(self.heard) >= SILENCE {
            self.frames.clear();
            if self.lines.is_idle() {
                self.talk = None;
            }
        }
        self.heard = now;
        let bytes = std::mem::take(&mut self.unseen);
        let first = bytes.first().copied();
        let talk = if first == Some(START) { Talk::Frames } else { Talk::Text };
        match self.talk.get_or_insert(talk) {
            Talk::Text => self.lines.feed(&bytes),
            Talk::Frames => self.frames.extend(bytes),
        }
    }

    /// The next sound frame; what is none is passed over byte by byte.
    fn next_request(&mut self) -> Option<Request> {
        while let Some(first) = self.frames.front() {
            if *first == START {
                let kind = *self.frames.get(1)?;
                let length = match kind {
                    1 => 6,
                    2 => 8,
                    3 => 4,
                    _ => 0,
                };
                if length > 0 {
                    if self.frames.len() < length {
                        return None;
                    }
                    let frame: Vec<u8> = self.frames.iter().take(length).copied().collect();
                    if let Some(request) = parse(&frame) {
                        self.frames.drain(..length);
                        return Some(request);
                    }
                }
            }
            self.frames.pop_front();
        }
        None
    }
}

fn parse(frame: &[u8]) -> Option<Request> {
    let (body, sent) = frame.split_at_checked(frame.len().checked_sub(2)?)?;
    if check(body).to_be_bytes() != sent {
        return None;
    }
    let word = |high: u8, low: u8| u16::from_be_bytes([high, low]);
    match *body {
        [_, 1, a, b] => Some(Request::Read(word(a, b))),
        [_, 2, a, b, c, d] => Some(Request::Write(word(a, b), word(c, d))),
        [_, 3] => Some(Request::Identify),
        _ => None,
    }
}

fn answer(request: Request, world: &mut World) -> Vec<u8> {
    let (address, outcome, kind) = match request {
        Request::Identify => {
            let text = world.identity_of(Post::DutPort);
            let text = &text.as_bytes()[..text.len().min(255)];
            return checked([&[START, 0x83, text.len() as u8], text].concat());
        }
        Request::Read(address) => (address, world.read_register(address).map(Some), 0x81),
        Request::Write(address, value) => {
            (address, world.write_register(address, value).map(|()| None), 0x82)
        }
    };
    let [high, low] = address.to_be_bytes();
    checked(match outcome {
        Ok(Some(value)) => [&[START, kind, high, low][..], &value.to_be_bytes()].concat(),
        Ok(None) => vec![START, kind, high, low],
        Err(refusal) => vec![START, 0xEE, high, low, number(refusal)],
    })
}

fn number(refusal: Refusal) -> u8 {
    match refusal {
        Refusal::UnknownCommand => 1,
        Refusal::NoSuchRegister => 2,
        Refusal::ReadOnly => 3,
        Refusal::OutOfRange => 4,
        Refusal::NoPower => 5,
    }
}

fn checked(mut frame: Vec<u8>) -> Vec<u8> {
    let check = check(&frame);
    frame.extend(check.to_be_bytes());
    frame
}

/// CRC-16 of polynomial x^16 + x^12 + x^5 + 1 from FFFF, eight bits at a time: dividing one byte
/// amounts to these shifts.
fn check(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |sum: u16, byte| {
        let mut sum = sum.rotate_left(8) ^ u16::from(*byte);
        sum ^= (sum & 0xFF) >> 4;
        sum ^= sum << 12;
        sum ^ (sum & 0xFF) << 5
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Model;

    /// The check value that public catalogues give for 123456789 (from memory).
    #[test]
    fn the_check_is_the_catalogued_one() {
        assert_eq!(check(b"123456789"), 0x29B1);
    }

    fn ask(session: &mut PortSession, world: &mut World, bytes: &[u8]) -> Vec<u8> {
        session.feed(bytes);
        let mut all = Vec::new();
        while let Step::Reply(bytes) = session.poll(world) {
            all.extend(bytes);
        }
        all
    }

    #[test]
    fn frames_and_lines_share_a_port() {
        let mut world = World::new(Model::default());
        let mut session = PortSession::default();
        // The chip has no power: number 5.
        let read = checked(vec![START, 1, 0x10, 0x03]);
        let refused = checked(vec![START, 0xEE, 0x10, 0x03, 5]);
        assert_eq!(ask(&mut session, &mut world, &read), refused);
        let identity = ask(&mut session, &mut world, &checked(vec![START, 3]));
        assert!(identity.starts_with(&[START, 0x83]) && identity[3..].starts_with(b"BEAMWARDEN,"));
        // A damaged frame is passed over, the next one found although it begins within.
        let mut damaged = read.clone();
        damaged[3] ^= 1;
        assert_eq!(ask(&mut session, &mut world, &damaged), [0; 0]);
        let half = [&read[..3], &read[..]].concat();
        assert_eq!(ask(&mut session, &mut world, &half), refused);
        assert_eq!(ask(&mut session, &mut world, &[START, 9, 1, START]), [0; 0]);
        // Half a frame is forgotten after a silence, and text is understood.
        world.advance(Duration::from_secs(1));
        assert_eq!(ask(&mut session, &mut world, b"r 0003\n"), b"no 5 chip has no power\n");
        world.advance(Duration::from_secs(2));
        assert_eq!(ask(&mut session, &mut world, &read), refused);
    }

    #[test]
    fn garbage_is_passed_over() {
        let mut world = World::new(Model::default());
        let mut session = PortSession::default();
        let mut state = 0x5EEDu32;
        let mut garbage = vec![START];
        for _ in 0..20_000 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            garbage.push((state >> 24) as u8);
        }
        for piece in garbage.chunks(7) {
            // A frame that is sound by chance is one in 65,536.
            assert!(ask(&mut session, &mut world, piece).len() < 300);
        }
        world.advance(Duration::from_secs(1));
        let read = checked(vec![START, 1, 0, 3]);
        assert_eq!(ask(&mut session, &mut world, &read).len(), 7);
    }
}
