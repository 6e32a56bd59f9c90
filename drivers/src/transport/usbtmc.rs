//! USBTMC through the device node that the kernel's driver offers, such as `/dev/usbtmc0`.
//!
//! One write is one message, one read takes one transfer. The calls block, so they are made on a
//! thread of the link's own; deadlines hold for its user all the same. What the driver offers
//! beyond reading and writing needs unsafe code, which this crate does not have. That means:
//! - no device clear: the node is closed and opened again, and a transfer that is still under way
//!   is waited for first, because it would take the next answer (the driver ends it after its own
//!   time limit, 5 s unless the system was told otherwise);
//! - no status byte and no service requests;
//! - no mark for the end of a message: answers end at NL or after a block's length;
//! - nothing is read from a device that was not sent anything, for that is an error to it.
//!
//! Access to the node needs a rule of the system (udev) that gives it to the user's group.

use std::fs::File;
use std::io::{self, ErrorKind, Read, Write};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use async_trait::async_trait;
use tokio::sync::oneshot;
use tokio::time::{Instant, sleep_until, timeout_at};

use super::{Address, LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, Transport};

/// Bytes asked for by one read.
const TRANSFER_BYTES: usize = 1 << 20;
/// Longest message, which is held until its end: a write would end it.
const MESSAGE_BYTES_MAX: usize = 256 << 20;
/// After a transfer that ended early, most likely with its message, the next read is put off so
/// long. Waits shorter than this, as for an end of line that may not come, start none.
const PAUSE: Duration = Duration::from_millis(25);

/// A link over a USBTMC device node.
pub struct UsbtmcLink {
    address: String,
    path: String,
    node: Option<Node>,
    /// The transfer of a node that was given up; it ends before another is opened.
    given_up: Option<Node>,
    /// The message that is being put together.
    message: Vec<u8>,
    /// Bytes of a transfer that nobody has taken.
    here: Vec<u8>,
    /// Something was sent since opening: the device may have an answer.
    asked: bool,
    /// When the next read may start.
    not_before: Option<Instant>,
}

/// An open node and the thread that talks to it. Without the link the thread ends after its call.
struct Node {
    calls: mpsc::Sender<Call>,
    under_way: Option<oneshot::Receiver<io::Result<Vec<u8>>>>,
}

/// What the thread is asked to do.
enum Call {
    Write(Vec<u8>, oneshot::Sender<io::Result<Vec<u8>>>),
    Read(oneshot::Sender<io::Result<Vec<u8>>>),
}

impl Node {
    fn open(path: &str) -> io::Result<Self> {
        let mut file = File::options().read(true).write(true).open(path)?;
        let (calls, todo) = mpsc::channel();
        let work = move || {
            while let Ok(call) = todo.recv() {
                // Whoever asked may have gone; the result is then nobody's.
                let _ = match call {
                    Call::Write(message, done) => done.send(write_once(&mut file, &message)),
                    Call::Read(done) => done.send(read_once(&mut file)),
                };
            }
        };
        thread::Builder::new().name("usbtmc".into()).spawn(work)?;
        Ok(Node { calls, under_way: None })
    }

    /// The outcome of the call under way, or of a new one; `None` when it takes longer.
    async fn call(
        &mut self,
        call: impl FnOnce(oneshot::Sender<io::Result<Vec<u8>>>) -> Call,
        until: Instant,
    ) -> Option<Result<Vec<u8>, LinkFault>> {
        if self.under_way.is_none() {
            let (done, result) = oneshot::channel();
            if self.calls.send(call(done)).is_err() {
                return Some(Err(LinkFault::Closed));
            }
            self.under_way = Some(result);
        }
        let result = timeout_at(until, self.under_way.as_mut()?).await.ok()?;
        self.under_way = None;
        Some(match result {
            Ok(outcome) => outcome.map_err(|error| fault(&error)),
            Err(_) => Err(LinkFault::Closed),
        })
    }
}

/// One write is one message: a second one would begin another.
fn write_once(file: &mut File, message: &[u8]) -> io::Result<Vec<u8>> {
    let count = loop {
        match file.write(message) {
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            other => break other?,
        }
    };
    if count < message.len() {
        let why = format!("the driver took {count} of {} bytes", message.len());
        return Err(io::Error::other(why));
    }
    Ok(Vec::new())
}

fn read_once(file: &mut File) -> io::Result<Vec<u8>> {
    let mut bytes = vec![0; TRANSFER_BYTES];
    loop {
        match file.read(&mut bytes) {
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            other => {
                bytes.truncate(other?);
                return Ok(bytes);
            }
        }
    }
}

fn fault(error: &io::Error) -> LinkFault {
    match error.kind() {
        ErrorKind::NotFound | ErrorKind::PermissionDenied | ErrorKind::ResourceBusy => {
            LinkFault::Device(error.to_string())
        }
        _ => LinkFault::from(error),
    }
}

impl UsbtmcLink {
    /// A link over the device node at `path`, not yet opened.
    #[must_use]
    pub fn new(path: &str) -> Self {
        UsbtmcLink {
            address: Address::Usbtmc(path.into()).to_string(),
            path: path.into(),
            node: None,
            given_up: None,
            message: Vec::new(),
            here: Vec::new(),
            asked: false,
            not_before: None,
        }
    }

    fn error(
        &mut self,
        phase: LinkPhase,
        bytes: usize,
        since: Instant,
        fault: LinkFault,
    ) -> LinkError {
        if !matches!(fault, LinkFault::TimedOut | LinkFault::MessageTooLong { .. }) {
            self.node = None;
        }
        LinkError { address: self.address.clone(), phase, bytes, took: since.elapsed(), fault }
    }

    async fn open(&mut self, until: Instant) -> Result<(), LinkFault> {
        if let Some(old) = self.node.take().filter(|node| node.under_way.is_some()) {
            self.given_up = Some(old);
        }
        self.message.clear();
        self.here.clear();
        (self.asked, self.not_before) = (false, None);
        if let Some(old) = &mut self.given_up {
            if old.call(Call::Read, until).await.is_none() {
                return Err(LinkFault::TimedOut);
            }
            self.given_up = None;
        }
        self.node = Some(Node::open(&self.path).map_err(|error| fault(&error))?);
        Ok(())
    }

    async fn write(&mut self, until: Instant) -> Result<(), LinkFault> {
        let message = std::mem::take(&mut self.message);
        let node = self.node.as_mut().ok_or(LinkFault::Closed)?;
        if node.under_way.is_some() {
            // The answer to an earlier message: after it, nobody could tell the two apart.
            return Err(LinkFault::TimedOut);
        }
        (self.asked, self.not_before) = (true, None);
        self.here.clear();
        match node.call(|done| Call::Write(message, done), until).await {
            None => Err(LinkFault::TimedOut),
            Some(outcome) => outcome.map(drop),
        }
    }

    async fn read(&mut self, until: Instant) -> Result<(), LinkFault> {
        let node = self.node.as_mut().ok_or(LinkFault::Closed)?;
        if !self.asked || (until <= Instant::now() && node.under_way.is_none()) {
            sleep_until(until).await;
            return Err(LinkFault::TimedOut);
        }
        if let Some(start) = self.not_before {
            if until <= start {
                sleep_until(until).await;
                return Err(LinkFault::TimedOut);
            }
            sleep_until(start).await;
        }
        match node.call(Call::Read, until).await {
            None => Err(LinkFault::TimedOut),
            Some(Err(fault)) => Err(fault),
            Some(Ok(bytes)) if bytes.is_empty() => Err(LinkFault::Closed),
            Some(Ok(bytes)) => {
                let early = bytes.len() < TRANSFER_BYTES;
                self.not_before = early.then(|| Instant::now() + PAUSE);
                self.here = bytes;
                Ok(())
            }
        }
    }
}

#[async_trait]
impl Transport for UsbtmcLink {
    fn describe(&self) -> &str {
        &self.address
    }

    fn is_open(&self) -> bool {
        self.node.is_some()
    }

    fn recovery(&self) -> Recovery {
        Recovery::Reopen
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        let opened = self.open(until).await;
        opened.map_err(|fault| self.error(LinkPhase::Connect, 0, since, fault))
    }

    /// Parts are put together until the last: the device takes one write as one message. So a
    /// message has an upper limit of 256 MiB here.
    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        let outcome = if self.node.is_none() {
            Err(LinkFault::Closed)
        } else if bytes.len() > MESSAGE_BYTES_MAX - self.message.len() {
            self.message = Vec::new();
            Err(LinkFault::MessageTooLong { limit: MESSAGE_BYTES_MAX })
        } else {
            self.message.extend_from_slice(bytes);
            // The driver says nothing of progress, so that only the whole time counts.
            if part == Part::Last { self.write(pace.by).await } else { Ok(()) }
        };
        outcome.map_err(|fault| self.error(LinkPhase::Write, 0, since, fault))
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        if self.here.is_empty() {
            let read = self.read(until).await;
            read.map_err(|fault| self.error(LinkPhase::Read, 0, since, fault))?;
        }
        let bytes = self.here.len().min(at_most.max(1));
        into.extend(self.here.drain(..bytes));
        Ok(Received { bytes, end: false })
    }
}

#[cfg(test)]
mod tests;
