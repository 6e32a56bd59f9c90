//! A fake instrument on an in-process pipe: answers by a function of the test, keeps what arrived.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::sleep;

use crate::transport::{PipeLink, Transport};

/// What the fake does with one message.
#[derive(Clone, Debug)]
pub enum Reply {
    /// The usual: identity, empty error queue, completion, nothing for anything else.
    Usual,
    /// Nothing.
    Silence,
    /// These bytes and NL.
    Line(String),
    /// These bytes as they are.
    Bytes(Vec<u8>),
    /// These bytes and NL after a time, during which nothing else is answered.
    Late(Duration, String),
    /// These bytes one by one, a millisecond apart.
    Dribble(Vec<u8>),
    /// These bytes, then the connection is closed.
    Close(Vec<u8>),
    /// These bytes, then another one each time for ever.
    Endless(Vec<u8>, Duration),
}

pub fn line(text: impl ToString) -> Reply {
    Reply::Line(text.to_string())
}

type Handler = Box<dyn FnMut(&str) -> Reply + Send>;

/// State of the fake that the test can look into.
pub struct State {
    /// Every message that arrived, without NL.
    pub arrived: Vec<Vec<u8>>,
    /// Error-queue entries still to be read.
    pub errors: VecDeque<String>,
    pub identity: String,
    /// Answer to `*ESR?`.
    pub event_status: i32,
    pub connections: usize,
    /// Connections that are refused before one is accepted again.
    pub refusing: usize,
    handler: Handler,
}

/// A fake instrument; clones share one state.
#[derive(Clone)]
pub struct Fake(Arc<Mutex<State>>);

impl Fake {
    pub fn new(handler: impl FnMut(&str) -> Reply + Send + 'static) -> Self {
        Fake(Arc::new(Mutex::new(State {
            arrived: Vec::new(),
            errors: VecDeque::new(),
            identity: "Test Works,FAKE-1,17,0.1".into(),
            event_status: 0,
            connections: 0,
            refusing: 0,
            handler: Box::new(handler),
        })))
    }

    pub fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    /// The messages that arrived since the last call, as text.
    pub fn take_arrived(&self) -> Vec<String> {
        let arrived = std::mem::take(&mut self.state().arrived);
        arrived.iter().map(|message| String::from_utf8_lossy(message).into_owned()).collect()
    }

    /// A link that gets a new connection each time it is opened.
    pub fn link(&self) -> Box<dyn Transport> {
        let fake = self.clone();
        Box::new(PipeLink::new("fake", move || fake.connect()))
    }

    /// A link that stays on one connection, as a serial line does.
    pub fn draining_link(&self) -> Box<dyn Transport> {
        let mut only = self.connect();
        Box::new(PipeLink::draining("fake line", move || only.take()))
    }

    pub fn connect(&self) -> Option<DuplexStream> {
        let mut state = self.state();
        state.connections += 1;
        if state.refusing > 0 {
            state.refusing -= 1;
            return None;
        }
        drop(state);
        let (ours, theirs) = duplex(1 << 16);
        tokio::spawn(self.clone().serve(theirs));
        Some(ours)
    }

    fn usual(&self, message: &str) -> Reply {
        let mut state = self.state();
        match message {
            "*IDN?" => line(&state.identity),
            "*OPC?" => line(1),
            "*ESR?" => line(std::mem::take(&mut state.event_status)),
            "SYSTem:ERRor:NEXT?" => {
                line(state.errors.pop_front().unwrap_or("0,\"No error\"".into()))
            }
            _ => Reply::Silence,
        }
    }

    /// Takes a message and its end; what is answered at once, where nothing else is asked of time
    /// and connection.
    pub fn answer_to(&self, mut message: Vec<u8>) -> Vec<u8> {
        message.pop_if(|last| *last == b'\n');
        let text = String::from_utf8_lossy(&message).into_owned();
        let reply = {
            let mut state = self.state();
            state.arrived.push(message);
            (state.handler)(&text)
        };
        match reply {
            Reply::Usual => match self.usual(&text) {
                Reply::Line(text) => format!("{text}\n").into_bytes(),
                _ => Vec::new(),
            },
            Reply::Silence => Vec::new(),
            Reply::Line(text) => format!("{text}\n").into_bytes(),
            Reply::Bytes(bytes) => bytes,
            other => panic!("{other:?} needs a stream"),
        }
    }

    async fn serve(self, mut stream: DuplexStream) {
        while let Some(message) = read_message(&mut stream).await {
            let text = String::from_utf8_lossy(&message).into_owned();
            let mut reply = {
                let mut state = self.state();
                state.arrived.push(message);
                (state.handler)(&text)
            };
            if let Reply::Usual = reply {
                reply = self.usual(&text);
            }
            let written = match reply {
                Reply::Usual | Reply::Silence => Ok(()),
                Reply::Line(text) => stream.write_all(format!("{text}\n").as_bytes()).await,
                Reply::Bytes(bytes) => stream.write_all(&bytes).await,
                Reply::Late(time, text) => {
                    sleep(time).await;
                    stream.write_all(format!("{text}\n").as_bytes()).await
                }
                Reply::Dribble(bytes) => {
                    for byte in bytes {
                        sleep(Duration::from_millis(1)).await;
                        if stream.write_all(&[byte]).await.is_err() {
                            return;
                        }
                    }
                    Ok(())
                }
                Reply::Endless(bytes, every) => {
                    let mut written = stream.write_all(&bytes).await;
                    while written.is_ok() {
                        sleep(every).await;
                        written = stream.write_all(b"x").await;
                    }
                    written
                }
                Reply::Close(bytes) => {
                    let _ = stream.write_all(&bytes).await;
                    return;
                }
            };
            if written.is_err() {
                return;
            }
        }
    }
}

/// Reads to NL, or over a definite block and the NL after it.
async fn read_message(stream: &mut DuplexStream) -> Option<Vec<u8>> {
    let mut message = Vec::new();
    loop {
        let byte = stream.read_u8().await.ok()?;
        if byte == b'\n' {
            return Some(message);
        }
        message.push(byte);
        if let [.., b'#', digits @ b'1'..=b'9'] = message[..] {
            let mut length = vec![0; usize::from(digits - b'0')];
            stream.read_exact(&mut length).await.ok()?;
            let count = String::from_utf8_lossy(&length).parse().ok()?;
            let mut data = vec![0; count];
            stream.read_exact(&mut data).await.ok()?;
            message.extend(length);
            message.extend(data);
        }
    }
}
