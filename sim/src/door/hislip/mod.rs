//! HiSLIP (IVI-6.1, version 1.0, synchronised mode) as the front door of an instrument.
//!
//! One port per instrument, whose only device there is `hislip0`. No locks, no encryption, no
//! overlapped mode. Written from the standard's tables alone and shares nothing with a client.

mod session;
mod wire;

use std::collections::HashMap;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::task::JoinSet;
use tokio::time::timeout;

use super::SimBench;
use super::serve::take_connection;
use crate::post::Post;
use session::Session;
use wire::{
    ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE, Came, INITIALIZE, INITIALIZE_RESPONSE, Input,
    Message, Output,
};

/// The only device behind each port.
pub(super) const DEVICE: &str = "hislip0";
/// The version spoken, 1.0.
const VERSION: u32 = 0x0100;
/// The two letters of a maker; no maker has these.
const VENDOR: u32 = 0x5A5A;
/// How long a client may take for each step of the start.
const START: Duration = Duration::from_secs(10);

/// Sessions that wait for their second connection, by their number.
type Waiting = Arc<Mutex<HashMap<u16, oneshot::Sender<(Input, Output)>>>>;

/// Takes connections until it is dropped, and they with it.
pub(super) async fn accept(bench: SimBench, post: Post, listener: TcpListener) {
    let waiting = Waiting::default();
    let mut next = 1u16;
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            stream = take_connection(&listener, post) => {
                let Some(stream) = stream else { continue };
                let number = next;
                next = next.wrapping_add(1).max(1);
                let (bench, waiting) = (bench.clone(), waiting.clone());
                connections.spawn(async move {
                    let ended = begin(bench, post, stream, &waiting, number).await;
                    forget(&waiting, number);
                    if let Err(error) = ended {
                        tracing::debug!(instrument = post.name(), %error, "HiSLIP ended");
                    }
                });
            }
            Some(_) = connections.join_next(), if !connections.is_empty() => {}
        }
    }
}

fn enrol(waiting: &Waiting, number: u16, session: oneshot::Sender<(Input, Output)>) {
    waiting.lock().unwrap_or_else(PoisonError::into_inner).insert(number, session);
}

fn forget(waiting: &Waiting, number: u16) -> Option<oneshot::Sender<(Input, Output)>> {
    waiting.lock().unwrap_or_else(PoisonError::into_inner).remove(&number)
}

/// The first message decides which of the two connections this is.
async fn begin(
    bench: SimBench,
    post: Post,
    stream: TcpStream,
    waiting: &Waiting,
    number: u16,
) -> io::Result<()> {
    let (mut input, mut output) = wire::halves(stream);
    let first = match timeout(START, input.next()).await {
        Ok(Ok(Came::Message(first))) => first,
        Ok(Err(error)) if error.kind() == io::ErrorKind::InvalidData => {
            return output.give_up(1, "no HiSLIP header").await;
        }
        Ok(Err(error)) => return Err(error),
        Ok(Ok(Came::TooLarge)) | Err(_) => return output.give_up(3, "no start").await,
    };
    match first.kind {
        INITIALIZE => {
            if let Some(refusal) = refused(&first) {
                return output.give_up(0, &refusal).await;
            }
            let (sender, second) = oneshot::channel();
            enrol(waiting, number, sender);
            let version = VERSION.min(first.parameter >> 16);
            let parameter = version << 16 | u32::from(number);
            output.send(INITIALIZE_RESPONSE, 0, parameter, &[]).await?;
            match timeout(START, second).await {
                Ok(Ok(control)) => Session::new(bench, post, (input, output), control).run().await,
                _ => output.give_up(2, "the asynchronous connection did not come").await,
            }
        }
        ASYNC_INITIALIZE => {
            let number = u16::try_from(first.parameter & 0xFFFF).unwrap_or_default();
            let Some(session) = forget(waiting, number) else {
                return output.give_up(3, "no such session").await;
            };
            output.send(ASYNC_INITIALIZE_RESPONSE, 0, VENDOR, &[]).await?;
            // A session that has gone meanwhile needs no second connection.
            let _ = session.send((input, output));
            Ok(())
        }
        _ => output.give_up(3, "the first message must start a session").await,
    }
}

/// Why this Initialize is not taken, if so.
fn refused(first: &Message) -> Option<String> {
    let name = String::from_utf8_lossy(&first.payload);
    let known = name.is_empty() || name.eq_ignore_ascii_case(DEVICE);
    (!known).then(|| format!("no device '{name}' here; the only one is {DEVICE}"))
}
