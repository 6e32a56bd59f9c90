//! HiSLIP messages on a socket: whole ones in, whole ones out.
//!
//! The table of message types is IVI-6.1, chapter 6; only the numbers used here have names.

use std::io;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};

pub(super) const INITIALIZE: u8 = 0;
pub(super) const INITIALIZE_RESPONSE: u8 = 1;
pub(super) const FATAL_ERROR: u8 = 2;
pub(super) const ERROR: u8 = 3;
pub(super) const ASYNC_LOCK: u8 = 4;
pub(super) const ASYNC_LOCK_RESPONSE: u8 = 5;
pub(super) const DATA: u8 = 6;
pub(super) const DATA_END: u8 = 7;
pub(super) const DEVICE_CLEAR_COMPLETE: u8 = 8;
pub(super) const DEVICE_CLEAR_ACKNOWLEDGE: u8 = 9;
pub(super) const ASYNC_REMOTE_LOCAL: u8 = 10;
pub(super) const ASYNC_REMOTE_LOCAL_RESPONSE: u8 = 11;
pub(super) const TRIGGER: u8 = 12;
pub(super) const INTERRUPTED: u8 = 13;
pub(super) const ASYNC_INTERRUPTED: u8 = 14;
pub(super) const ASYNC_MAXIMUM_SIZE: u8 = 15;
pub(super) const ASYNC_MAXIMUM_SIZE_RESPONSE: u8 = 16;
pub(super) const ASYNC_INITIALIZE: u8 = 17;
pub(super) const ASYNC_INITIALIZE_RESPONSE: u8 = 18;
pub(super) const ASYNC_DEVICE_CLEAR: u8 = 19;
pub(super) const ASYNC_SERVICE_REQUEST: u8 = 20;
pub(super) const ASYNC_STATUS_QUERY: u8 = 21;
pub(super) const ASYNC_STATUS_RESPONSE: u8 = 22;
pub(super) const ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: u8 = 23;
pub(super) const ASYNC_LOCK_INFO: u8 = 24;
pub(super) const ASYNC_LOCK_INFO_RESPONSE: u8 = 25;

/// Longest payload accepted, and told to clients.
pub(super) const PAYLOAD_LIMIT: usize = 1 << 20;
const HEADER: usize = 16;

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    pub(super) kind: u8,
    pub(super) control: u8,
    pub(super) parameter: u32,
    pub(super) payload: Vec<u8>,
}

/// What came in.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Came {
    /// A message.
    Message(Message),
    /// A message longer than agreed on; its payload is read over.
    TooLarge,
}

/// The receiving half. Waiting for a message may be cut off at any time.
#[derive(Debug)]
pub(super) struct Input {
    socket: OwnedReadHalf,
    bytes: Vec<u8>,
    read_over: u64,
}

/// The sending half.
#[derive(Debug)]
pub(super) struct Output {
    socket: OwnedWriteHalf,
}

/// Both halves of a socket.
pub(super) fn halves(stream: TcpStream) -> (Input, Output) {
    let (reader, writer) = stream.into_split();
    (Input { socket: reader, bytes: Vec::new(), read_over: 0 }, Output { socket: writer })
}

impl Input {
    /// The next message; an error of kind `InvalidData` if what comes is none.
    pub(super) async fn next(&mut self) -> io::Result<Came> {
        loop {
            if let Some(came) = self.take()? {
                return Ok(came);
            }
            if self.socket.read_buf(&mut self.bytes).await? == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
        }
    }

    fn take(&mut self) -> io::Result<Option<Came>> {
        let over = self.bytes.len().min(usize::try_from(self.read_over).unwrap_or(usize::MAX));
        self.bytes.drain(..over);
        self.read_over -= over as u64;
        let [b'H', b'S', kind, control, i0, i1, i2, i3, l0, l1, l2, l3, l4, l5, l6, l7, ..] =
            self.bytes[..]
        else {
            let wrong = self.bytes.iter().zip(b"HS").any(|(got, due)| got != due);
            return if wrong { Err(io::ErrorKind::InvalidData.into()) } else { Ok(None) };
        };
        let length = u64::from_be_bytes([l0, l1, l2, l3, l4, l5, l6, l7]);
        let Some(length) = usize::try_from(length).ok().filter(|l| *l <= PAYLOAD_LIMIT) else {
            self.bytes.drain(..HEADER);
            self.read_over = length;
            return Ok(Some(Came::TooLarge));
        };
        if self.bytes.len() < HEADER + length {
            return Ok(None);
        }
        let payload = self.bytes[HEADER..HEADER + length].to_vec();
        self.bytes.drain(..HEADER + length);
        let parameter = u32::from_be_bytes([i0, i1, i2, i3]);
        Ok(Some(Came::Message(Message { kind, control, parameter, payload })))
    }
}

impl Output {
    /// Sends one message in one go.
    pub(super) async fn send(
        &mut self,
        kind: u8,
        control: u8,
        parameter: u32,
        payload: &[u8],
    ) -> io::Result<()> {
        let mut bytes = Vec::with_capacity(HEADER + payload.len());
        bytes.extend_from_slice(&[b'H', b'S', kind, control]);
        bytes.extend_from_slice(&parameter.to_be_bytes());
        bytes.extend_from_slice(&(payload.len() as u64).to_be_bytes());
        bytes.extend_from_slice(payload);
        self.socket.write_all(&bytes).await
    }

    /// Sends a FatalError, after which the connection is closed.
    pub(super) async fn give_up(&mut self, code: u8, text: &str) -> io::Result<()> {
        self.send(FATAL_ERROR, code, 0, text.as_bytes()).await?;
        self.socket.shutdown().await
    }
}
