//! Long blocks that pass through without being held: where their data come from and go to, how far
//! they are, and how they are ended in the middle.
//!
//! Memory stays constant whatever the length. Knows nothing of files: whoever has one wraps it.

use std::fmt;
use std::io;
use std::sync::Arc;

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::watch;

use super::Instrument;
use super::error::{InstrumentError, InstrumentFault, Phase};
use crate::message::AnswerReader;
use crate::profile::Effect;

/// Takes the data of a block as they come.
#[async_trait]
pub trait BlockSink: Send {
    /// Told once before the first piece: the bytes announced, `None` where only the end will tell.
    ///
    /// # Errors
    /// Any; the transfer then ends, and the link is brought back into step.
    async fn begin(&mut self, _total_bytes: Option<usize>) -> io::Result<()> {
        Ok(())
    }

    /// Takes one piece, up to 256 KiB. For an action's block each piece holds whole numbers of the
    /// profile's format.
    ///
    /// # Errors
    /// As [`BlockSink::begin`].
    async fn take(&mut self, piece: &[u8]) -> io::Result<()>;
}

/// A function that takes each piece.
#[async_trait]
impl<F: FnMut(&[u8]) -> io::Result<()> + Send> BlockSink for F {
    async fn take(&mut self, piece: &[u8]) -> io::Result<()> {
        self(piece)
    }
}

/// Keeps everything.
#[async_trait]
impl BlockSink for Vec<u8> {
    async fn take(&mut self, piece: &[u8]) -> io::Result<()> {
        self.extend_from_slice(piece);
        Ok(())
    }
}

/// A sink over any writer, such as a file. Whoever made it flushes it.
#[derive(Debug)]
pub struct ToWriter<W>(pub W);

#[async_trait]
impl<W: AsyncWrite + Unpin + Send> BlockSink for ToWriter<W> {
    async fn take(&mut self, piece: &[u8]) -> io::Result<()> {
        self.0.write_all(piece).await
    }
}

/// Gives the data of a block piece by piece.
#[async_trait]
pub trait BlockSource: Send {
    /// Bytes in all; the block announces them before the first one is sent.
    fn total_bytes(&self) -> usize;

    /// Appends the next bytes, at least one and at most `at_most`.
    ///
    /// # Errors
    /// Any; the transfer then ends, and the link is brought back into step.
    async fn give(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<()>;
}

/// Moves the first items of what is left of a slice.
fn move_some<T: Clone>(left: &mut &[T], into: &mut Vec<T>, at_most: usize) {
    let (now, later) = left.split_at(left.len().min(at_most));
    into.extend_from_slice(now);
    *left = later;
}

/// The bytes of a slice that are left.
#[async_trait]
impl BlockSource for &[u8] {
    fn total_bytes(&self) -> usize {
        self.len()
    }

    async fn give(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<()> {
        move_some(self, into, at_most);
        Ok(())
    }
}

/// A source over any reader that is known to hold so many bytes.
#[derive(Debug)]
pub struct FromReader<R> {
    reader: R,
    total_bytes: usize,
}

impl<R> FromReader<R> {
    /// The next `total_bytes` of a reader.
    pub fn new(reader: R, total_bytes: usize) -> Self {
        FromReader { reader, total_bytes }
    }
}

#[async_trait]
impl<R: AsyncRead + Unpin + Send> BlockSource for FromReader<R> {
    fn total_bytes(&self) -> usize {
        self.total_bytes
    }

    async fn give(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<()> {
        let mut some = (&mut self.reader).take(at_most as u64);
        match some.read_buf(into).await? {
            0 => Err(io::ErrorKind::UnexpectedEof.into()),
            _ => Ok(()),
        }
    }
}

/// Gives samples piece by piece, for an action that loads a waveform.
#[async_trait]
pub trait SampleSource: Send {
    /// Numbers in all, two for each pair of I and Q.
    fn values(&self) -> usize;

    /// Appends the next numbers, at least one and at most `at_most`.
    ///
    /// # Errors
    /// Any; the transfer then ends, and the link is brought back into step.
    async fn give(&mut self, into: &mut Vec<i16>, at_most: usize) -> io::Result<()>;
}

/// The samples of a slice that are left.
#[async_trait]
impl SampleSource for &[i16] {
    fn values(&self) -> usize {
        self.len()
    }

    async fn give(&mut self, into: &mut Vec<i16>, at_most: usize) -> io::Result<()> {
        move_some(self, into, at_most);
        Ok(())
    }
}

/// Samples as the bytes of a block.
pub(super) struct Formatted<'a, E> {
    pub source: &'a mut dyn SampleSource,
    pub bytes_each: usize,
    /// Appends samples as bytes.
    pub emit: E,
    pub samples: Vec<i16>,
}

#[async_trait]
impl<E: Fn(&[i16], &mut Vec<u8>) + Send + Sync> BlockSource for Formatted<'_, E> {
    fn total_bytes(&self) -> usize {
        self.source.values().saturating_mul(self.bytes_each)
    }

    async fn give(&mut self, into: &mut Vec<u8>, at_most: usize) -> io::Result<()> {
        self.samples.clear();
        // A rest of a piece that is smaller than one number: the piece grows by those bytes.
        let numbers = (at_most / self.bytes_each).max(1);
        self.source.give(&mut self.samples, numbers).await?;
        (self.emit)(&self.samples, into);
        Ok(())
    }
}

/// How far a transfer is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Bytes of data that were moved.
    pub done_bytes: usize,
    /// Bytes of data in all, as soon as they are known.
    pub total_bytes: Option<usize>,
}

impl fmt::Display for Progress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.total_bytes {
            Some(total) => write!(f, "{} of {total} bytes", self.done_bytes),
            None => write!(f, "{} bytes", self.done_bytes),
        }
    }
}

/// Ends a transfer or an action from elsewhere. Clones share one state.
#[derive(Clone, Debug)]
pub struct Stop(Arc<watch::Sender<bool>>);

impl Default for Stop {
    fn default() -> Self {
        Stop(Arc::new(watch::Sender::new(false)))
    }
}

impl Stop {
    /// Stops, now and for good.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }

    /// Ends when it is stopped.
    pub(super) async fn stopped(&self) {
        // The sender lives as long as `self`.
        let _ = self.0.subscribe().wait_for(|stopped| *stopped).await;
    }
}

/// Who watches a transfer, and what can end it.
#[derive(Default)]
pub struct Transfer<'a> {
    watcher: Option<Box<dyn FnMut(Progress) + Send + 'a>>,
    stop: Stop,
    progress: Progress,
}

impl<'a> Transfer<'a> {
    /// Told after every piece how far the transfer is. Must not block.
    #[must_use]
    pub fn watched_by(mut self, watcher: impl FnMut(Progress) + Send + 'a) -> Self {
        self.watcher = Some(Box::new(watcher));
        self
    }

    /// Ended by this.
    #[must_use]
    pub fn stopped_by(mut self, stop: &Stop) -> Self {
        self.stop = stop.clone();
        self
    }

    /// How far it is.
    #[must_use]
    pub fn progress(&self) -> Progress {
        self.progress
    }

    pub(super) fn note(&mut self, done_bytes: usize, total_bytes: Option<usize>) {
        self.progress = Progress { done_bytes, total_bytes };
        if let Some(watcher) = &mut self.watcher {
            watcher(self.progress);
        }
    }

    pub(super) fn stop(&self) -> Stop {
        self.stop.clone()
    }
}

/// What streams through an action: samples into its block, or the data of the block it fetches.
#[derive(Default)]
pub struct Streams<'a> {
    /// Takes the data that the action fetches; its codes are then not kept.
    pub sink: Option<&'a mut dyn BlockSink>,
    /// Gives the samples announced with [`super::Inputs::iq_streamed`].
    pub source: Option<&'a mut dyn SampleSource>,
    /// Who watches, and what can end the action.
    pub transfer: Transfer<'a>,
}

/// Where the data of one block leave the exchange.
pub(super) struct Outlet<'a, 'b> {
    sink: &'a mut dyn BlockSink,
    transfer: &'a mut Transfer<'b>,
    unit_bytes: usize,
    begun: bool,
    done: usize,
}

impl<'a, 'b> Outlet<'a, 'b> {
    /// Pieces hold whole units of so many bytes.
    pub fn new(
        sink: &'a mut dyn BlockSink,
        transfer: &'a mut Transfer<'b>,
        unit_bytes: usize,
    ) -> Self {
        Outlet { sink, transfer, unit_bytes: unit_bytes.max(1), begun: false, done: 0 }
    }

    pub fn unit_bytes(&self) -> usize {
        self.unit_bytes
    }

    /// Bytes that have left.
    pub fn done(&self) -> usize {
        self.done
    }

    /// Passes on what is there of a block.
    pub async fn pass_on(&mut self, reader: &mut AnswerReader) -> Result<(), InstrumentFault> {
        if !reader.is_block() {
            return Ok(());
        }
        let failed = |error: io::Error| failed_data(&error);
        if !self.begun {
            self.begun = true;
            let total = reader.announced();
            self.transfer.note(0, total);
            self.sink.begin(total).await.map_err(failed)?;
        }
        let piece = reader.piece(self.unit_bytes);
        if piece.is_empty() {
            return Ok(());
        }
        self.sink.take(piece).await.map_err(failed)?;
        let bytes = piece.len();
        reader.drop_piece(bytes);
        self.done += bytes;
        self.transfer.note(self.done, reader.announced());
        Ok(())
    }
}

/// What a sink or source reports, as a fault of the exchange.
pub(super) fn failed_data(error: &io::Error) -> InstrumentFault {
    InstrumentFault::Data(error.to_string())
}

impl Instrument {
    /// Asks one query by hand whose answer is a block, and hands its data on as they come; bytes of
    /// data. A transfer that is stopped in the middle leaves the instrument in step.
    ///
    /// # Errors
    /// [`InstrumentError`]; of the class operator when it was stopped.
    pub async fn query_block(
        &mut self,
        message: &str,
        sink: &mut dyn BlockSink,
        transfer: &mut Transfer<'_>,
    ) -> Result<usize, InstrumentError> {
        self.check_message(message)?;
        // What a message by hand does to settings is not known.
        self.confirmed.clear();
        self.ready(message).await?;
        let stop = transfer.stop();
        let outcome = tokio::select! {
            biased;
            () = stop.stopped() => None,
            outcome = self.download(message, sink, transfer, 1, self.timeout) => Some(outcome),
        };
        match outcome {
            Some(outcome) => outcome,
            None => Err(self.stopped(Phase::Ask, message, transfer.progress()).await),
        }
    }

    /// Sends one command by hand that ends in a block, and checks for errors; `message` is what
    /// comes before the block. Limits are not checked here. A transfer that is stopped in the
    /// middle leaves the instrument in step; what it then holds is not known. On a line that cannot
    /// be opened anew the rest of the block is made of zeros.
    ///
    /// # Errors
    /// As [`Instrument::query_block`].
    pub async fn send_block(
        &mut self,
        message: &str,
        source: &mut dyn BlockSource,
        transfer: &mut Transfer<'_>,
    ) -> Result<(), InstrumentError> {
        self.check_message(message)?;
        // What a message by hand does to settings is not known.
        self.confirmed.clear();
        self.ready(message).await?;
        let stop = transfer.stop();
        let outcome = tokio::select! {
            biased;
            () = stop.stopped() => None,
            outcome = self.upload(message, source, transfer) => Some(outcome),
        };
        match outcome {
            Some(outcome) => outcome,
            None => Err(self.stopped(Phase::Send, message, transfer.progress()).await),
        }
    }

    /// Fetches a block on a link in step.
    pub(super) async fn download(
        &mut self,
        message: &str,
        sink: &mut dyn BlockSink,
        transfer: &mut Transfer<'_>,
        unit_bytes: usize,
        timeout: std::time::Duration,
    ) -> Result<usize, InstrumentError> {
        let mut outlet = Outlet::new(sink, transfer, unit_bytes);
        let outcome = self.exchange.ask_block(message.as_bytes(), timeout, &mut outlet).await;
        self.answered(Phase::Ask, message, outcome).await
    }

    /// Sends a command with its block on a link in step, and checks for errors.
    pub(super) async fn upload(
        &mut self,
        message: &str,
        source: &mut dyn BlockSource,
        transfer: &mut Transfer<'_>,
    ) -> Result<(), InstrumentError> {
        let text = message.as_bytes();
        let sent = self.exchange.send_block(text, source, self.timeout, transfer).await;
        sent.map_err(|fault| self.error(Phase::Send, message, fault))?;
        self.take_effect(message, &Effect::default(), self.timeout).await
    }

    /// The error of a transfer that was stopped, after the link is back in step, if it can be.
    pub(super) async fn stopped(
        &mut self,
        phase: Phase,
        command: &str,
        progress: Progress,
    ) -> InstrumentError {
        if let Err(error) = self.ready(command).await {
            tracing::warn!("{error} (after a transfer that was stopped)");
        }
        self.error(phase, command, InstrumentFault::Stopped(progress))
    }
}
