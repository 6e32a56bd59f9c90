//! One HiSLIP session: messages of both connections in, an instrument's replies out.
//!
//! One task owns both connections. A reply carries the MessageID of the message that asked for it,
//! so that messages are fed to the instrument one after the other.

use std::collections::VecDeque;
use std::io;
use std::time::Duration;

use super::super::{SimBench, Talk, Turn, sleep_until};
use super::wire::*;
use crate::post::Post;
use crate::scpi::error::Fault;
use crate::scpi::session::{Busy, Host, Step};

/// Messages kept while the instrument is busy; then the connection is no longer read.
const PENDING_LIMIT: usize = 16;
/// Bit of a control code: the client has handed a whole answer to its user.
const DELIVERED: u8 = 1;
/// Bit of the status byte: service is wanted.
const SERVICE: u8 = 1 << 6;
/// Bytes of a header, which count in the size that clients name, or do not: so they are counted.
const HEADER: u64 = 16;

/// A session.
pub(super) struct Session {
    bench: SimBench,
    post: Post,
    talk: Talk,
    input: Input,
    output: Output,
    control: Control,
    pending: VecDeque<Message>,
    /// MessageID of what the instrument works on.
    id: u32,
    /// A device clear has begun on the other connection and not ended on this one.
    clearing: bool,
    /// Service was wanted when last looked.
    wanted: bool,
    /// How often the instrument's links had been closed when the session began.
    links: u64,
}

/// The asynchronous connection.
struct Control {
    input: Input,
    output: Output,
    /// Longest payload towards the client.
    piece: usize,
    /// An answer was sent that the client has not handed on: the bit MAV.
    answer_waiting: bool,
    /// A device clear was asked for and acknowledged, not carried out yet.
    clear_asked: bool,
}

/// What the session woke up for.
enum Woke {
    Changed,
    Data(Came),
    Control(Came),
}

impl Session {
    pub(super) fn new(
        bench: SimBench,
        post: Post,
        (input, output): (Input, Output),
        control: (Input, Output),
    ) -> Self {
        let control = Control {
            input: control.0,
            output: control.1,
            piece: PAYLOAD_LIMIT,
            answer_waiting: false,
            clear_asked: false,
        };
        let links = bench.begin_link(post);
        Self {
            links,
            bench,
            post,
            talk: Talk::new(post),
            input,
            output,
            control,
            pending: VecDeque::new(),
            id: 0,
            clearing: false,
            wanted: false,
        }
    }

    /// Runs until either connection ends.
    pub(super) async fn run(mut self) -> io::Result<()> {
        let ended = self.serve().await;
        if let Err(error) = &ended
            && error.kind() == io::ErrorKind::InvalidData
        {
            self.output.give_up(1, "no HiSLIP header").await?;
        }
        self.bench.end_link(self.post, &mut self.talk);
        ended
    }

    async fn serve(&mut self) -> io::Result<()> {
        let bench = self.bench.clone();
        loop {
            let changed = bench.shared.changed.notified();
            tokio::pin!(changed);
            changed.as_mut().enable();
            let (turn, wake) = self.poll();
            if !turn.linked && !matches!(turn.step, Step::Disturbed(_)) {
                return Err(io::ErrorKind::ConnectionAborted.into());
            }
            self.request_service().await?;
            let until = match turn.step {
                Step::Disturbed(disturbed) => {
                    tokio::time::sleep(disturbed.late).await;
                    if !disturbed.bytes.is_empty() {
                        self.reply(&disturbed.bytes).await?;
                    }
                    if disturbed.close {
                        return Err(io::ErrorKind::ConnectionAborted.into());
                    }
                    None
                }
                Step::Reply(bytes) => {
                    self.reply(&bytes).await?;
                    None
                }
                Step::Work(work) => {
                    let done = tokio::task::spawn_blocking(move || work()).await;
                    done.map_err(io::Error::other)?;
                    None
                }
                Step::Idle => match self.pending.pop_front() {
                    Some(message) => {
                        self.feed(&message);
                        None
                    }
                    None => Some(wake),
                },
                Step::Blocked(until) => Some(until.into_iter().chain(wake).min()),
            };
            if let Some(until) = until {
                let woke = tokio::select! {
                    () = changed => Woke::Changed,
                    () = sleep_until(until.map(|time| bench.instant_of(time))) => Woke::Changed,
                    came = self.control.input.next() => Woke::Control(came?),
                    came = self.input.next(), if self.pending.len() < PENDING_LIMIT => {
                        Woke::Data(came?)
                    }
                };
                match woke {
                    Woke::Changed => {}
                    Woke::Data(came) => self.take(came).await?,
                    Woke::Control(came) => self.control.attend(came, &bench, self.post).await?,
                }
            }
            if std::mem::take(&mut self.control.clear_asked) {
                self.clear();
            }
        }
    }

    /// What the instrument does next, and when to look again although nothing comes.
    fn poll(&mut self) -> (Turn, Option<Duration>) {
        let turn = self.bench.turn(self.post, &mut self.talk, self.links);
        let ends = self.bench.visit(self.post, |world| match world.busy() {
            // An operation that ends may have to be reported.
            Busy::Until(time) if world.front().service_enable() != 0 => Some(time),
            _ => None,
        });
        let wake = turn.wake.into_iter().chain(ends).min();
        (turn, wake)
    }

    /// Tells the client once when service becomes wanted.
    async fn request_service(&mut self) -> io::Result<()> {
        let byte = self.control.status_byte(&self.bench, self.post);
        let wanted = byte & SERVICE != 0;
        if wanted && !self.wanted {
            self.control.output.send(ASYNC_SERVICE_REQUEST, byte, 0, &[]).await?;
        }
        self.wanted = wanted;
        Ok(())
    }

    /// A message of the synchronous connection.
    async fn take(&mut self, came: Came) -> io::Result<()> {
        let Came::Message(message) = came else {
            return self.output.send(ERROR, 4, 0, b"the message is too large").await;
        };
        match message.kind {
            DEVICE_CLEAR_COMPLETE => {
                self.clearing = false;
                // Synchronised mode, whatever the client would like.
                self.output.send(DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, &[]).await
            }
            _ if self.clearing => Ok(()),
            DATA | DATA_END => {
                self.pending.push_back(message);
                Ok(())
            }
            // No instrument here has a device trigger.
            TRIGGER | ERROR => Ok(()),
            FATAL_ERROR => Err(io::ErrorKind::ConnectionAborted.into()),
            _ => self.output.send(ERROR, 1, 0, b"unknown message type").await,
        }
    }

    fn feed(&mut self, message: &Message) {
        self.id = message.parameter;
        self.control.answer_waiting = false;
        self.talk.feed(&message.payload);
        if message.kind == DATA_END {
            let talk = &mut self.talk;
            self.bench.visit(self.post, |world| talk.end(world));
        }
    }

    /// Sends an answer, unless the client has sent something new instead of reading it.
    async fn reply(&mut self, bytes: &[u8]) -> io::Result<()> {
        let came = tokio::select! {
            biased;
            came = self.input.next() => Some(came?),
            () = std::future::ready(()) => None,
        };
        if let Some(came) = came {
            self.take(came).await?;
        }
        if let Some(next) = self.pending.front() {
            let id = next.parameter;
            self.output.send(INTERRUPTED, 0, id, &[]).await?;
            self.control.output.send(ASYNC_INTERRUPTED, 0, id, &[]).await?;
            let interrupted = Fault::new(-410, "a new message came before the answer was read");
            self.bench.visit(self.post, |world| world.front().report(interrupted));
            return Ok(());
        }
        let pieces = bytes.chunks(self.control.piece);
        let last = pieces.len().saturating_sub(1);
        self.control.answer_waiting = true;
        for (place, piece) in pieces.enumerate() {
            let kind = if place == last { DATA_END } else { DATA };
            let send = self.output.send(kind, 0, self.id, piece);
            tokio::pin!(send);
            loop {
                // The client may want the status, or give up, instead of reading on.
                tokio::select! {
                    biased;
                    sent = &mut send => break sent?,
                    came = self.control.input.next() => {
                        self.control.attend(came?, &self.bench, self.post).await?;
                    }
                }
            }
            if self.control.clear_asked {
                break;
            }
        }
        Ok(())
    }

    /// Device clear (IEEE 488.2 ch. 5.8): messages and answers under way go, settings, errors and
    /// status stay.
    fn clear(&mut self) {
        self.talk = Talk::new(self.post);
        self.pending.clear();
        self.control.answer_waiting = false;
        self.clearing = true;
        self.bench.visit(self.post, |world| world.front().cancel_opc());
    }
}

impl Control {
    /// A message of the asynchronous connection.
    async fn attend(&mut self, came: Came, bench: &SimBench, post: Post) -> io::Result<()> {
        let Came::Message(message) = came else {
            return self.output.send(ERROR, 4, 0, b"the message is too large").await;
        };
        match message.kind {
            ASYNC_MAXIMUM_SIZE => {
                let Ok(size) = message.payload.try_into().map(u64::from_be_bytes) else {
                    return self.output.send(ERROR, 0, 0, b"a size has 8 bytes").await;
                };
                let piece = usize::try_from(size.saturating_sub(HEADER)).unwrap_or(usize::MAX);
                self.piece = piece.clamp(1, PAYLOAD_LIMIT);
                let own = (PAYLOAD_LIMIT as u64).to_be_bytes();
                self.output.send(ASYNC_MAXIMUM_SIZE_RESPONSE, 0, 0, &own).await
            }
            ASYNC_DEVICE_CLEAR => {
                self.clear_asked = true;
                self.output.send(ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, &[]).await
            }
            ASYNC_STATUS_QUERY => {
                self.answer_waiting &= message.control & DELIVERED == 0;
                let byte = self.status_byte(bench, post);
                self.output.send(ASYNC_STATUS_RESPONSE, byte, 0, &[]).await
            }
            // One client cannot shut out another here, and there is no front panel.
            ASYNC_LOCK => self.output.send(ASYNC_LOCK_RESPONSE, 3, 0, &[]).await,
            ASYNC_LOCK_INFO => self.output.send(ASYNC_LOCK_INFO_RESPONSE, 0, 0, &[]).await,
            ASYNC_REMOTE_LOCAL => self.output.send(ASYNC_REMOTE_LOCAL_RESPONSE, 0, 0, &[]).await,
            ERROR => Ok(()),
            FATAL_ERROR => Err(io::ErrorKind::ConnectionAborted.into()),
            _ => self.output.send(ERROR, 1, 0, b"unknown message type").await,
        }
    }

    fn status_byte(&self, bench: &SimBench, post: Post) -> u8 {
        bench.visit(post, |world| world.front().status_byte(self.answer_waiting))
    }
}
