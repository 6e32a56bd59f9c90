//! HiSLIP (IVI-6.1) in synchronised mode: answers tied to their questions, the end of a message
//! marked, a device clear, the status byte and service requests beside the data.
//!
//! Two TCP connections to one port make a session; if either dies both are dropped. What is sent is
//! split at the size that the server accepts. Lengths that the server announces are held against
//! the size agreed on and never allocated. Knows nothing of what the bytes mean.
//!
//! Not done: overlapped mode, locks, remote/local control, triggers, and the encryption of
//! version 2.0.

mod channel;
mod control;
mod data;
mod dial;
mod session;
#[cfg(test)]
mod tests;
mod wire;

use std::time::Duration;

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::{Instant, timeout_at};

use self::channel::Channel;
use self::dial::{Dial, PipeDial, TcpDial};
use self::session::Session;
use self::wire::{Header, Kind};
use super::stream::by;
use super::{Address, LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, Transport};

/// A link over HiSLIP.
pub struct HislipLink {
    address: String,
    dial: Box<dyn Dial>,
    device: String,
    session: Option<Session>,
}

impl HislipLink {
    /// A link to the device `device` (usually `hislip0`) of a server, not yet opened.
    #[must_use]
    pub fn new(host: &str, port: u16, device: &str) -> Self {
        let address = Address::Hislip { host: host.into(), port, device: device.into() };
        let dial = Box::new(TcpDial::new(host, port));
        HislipLink { address: address.to_string(), dial, device: device.into(), session: None }
    }

    /// A link over streams that a function makes, two for each session: the synchronous one, then
    /// the asynchronous one. `name` stands for the address in messages.
    pub fn over_pipes<F, S>(name: &str, make: F) -> Self
    where
        F: FnMut() -> Option<S> + Send + 'static,
        S: AsyncRead + AsyncWrite + Unpin + Send + Sync + 'static,
    {
        let dial = Box::new(PipeDial(make));
        HislipLink { address: name.into(), dial, device: "hislip0".into(), session: None }
    }

    /// Binds a fault to this link, and drops both connections unless the session survives it.
    fn failed(
        &mut self,
        phase: LinkPhase,
        bytes: usize,
        since: Instant,
        fault: LinkFault,
    ) -> LinkError {
        let survives =
            matches!(fault, LinkFault::TimedOut | LinkFault::Peer(_) | LinkFault::Interrupted);
        if !survives
            && let Some(mut session) = self.session.take()
            && matches!(fault, LinkFault::Protocol(_))
        {
            session.complain();
        }
        LinkError { address: self.address.clone(), phase, bytes, took: since.elapsed(), fault }
    }

    /// The session, if it is open and nothing was sent in part only.
    fn open(&mut self) -> Result<&mut Session, LinkFault> {
        let whole = |session: &&mut Session| {
            !session.data.channel.is_torn() && !session.control.channel.is_torn()
        };
        self.session.as_mut().filter(whole).ok_or(LinkFault::Closed)
    }
}

#[async_trait]
impl Transport for HislipLink {
    fn describe(&self) -> &str {
        &self.address
    }

    fn is_open(&self) -> bool {
        self.session.as_ref().is_some_and(|session| {
            !session.data.channel.is_torn() && !session.control.channel.is_torn()
        })
    }

    fn recovery(&self) -> Recovery {
        Recovery::Clear
    }

    fn marks_end(&self) -> bool {
        true
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        // Both sockets are closed before the new ones are opened.
        self.session = None;
        let start = Session::start(&mut *self.dial, &self.device, until);
        match timeout_at(until, start).await.unwrap_or(Err(LinkFault::TimedOut)) {
            Ok(session) => {
                self.session = Some(session);
                Ok(())
            }
            Err(fault) => Err(self.failed(LinkPhase::Connect, 0, since, fault)),
        }
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        let cleared = match self.open() {
            Ok(session) => {
                timeout_at(until, session.clear(until)).await.unwrap_or(Err(LinkFault::TimedOut))
            }
            Err(fault) => Err(fault),
        };
        cleared.map_err(|fault| {
            // Half a device clear cannot be taken up again.
            self.session = None;
            self.failed(LinkPhase::Clear, 0, since, fault)
        })
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        let mut done = 0;
        let sent = match self.open() {
            Ok(session) => session.data.send(bytes, part, pace, &mut done).await,
            Err(fault) => Err(fault),
        };
        sent.map_err(|fault| self.failed(LinkPhase::Write, done, since, fault))
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        let received = match self.open() {
            Ok(session) => {
                by(until, session.receive(into, at_most)).await.unwrap_or(Err(LinkFault::TimedOut))
            }
            Err(fault) => Err(fault),
        };
        received.map_err(|fault| self.failed(LinkPhase::Read, 0, since, fault))
    }

    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let since = Instant::now();
        let status = match self.open() {
            Ok(session) => timeout_at(until, session.status_byte(until))
                .await
                .unwrap_or(Err(LinkFault::TimedOut)),
            Err(fault) => Err(fault),
        };
        status.map(Some).map_err(|fault| self.failed(LinkPhase::Read, 0, since, fault))
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let since = Instant::now();
        let request = match self.open() {
            Ok(session) => {
                by(until, session.service_request()).await.unwrap_or(Err(LinkFault::TimedOut))
            }
            Err(fault) => Err(fault),
        };
        request.map(Some).map_err(|fault| self.failed(LinkPhase::Read, 0, since, fault))
    }
}

/// The fault that an Error stands for; the session goes on.
async fn as_error(channel: &mut Channel, header: Header) -> Result<LinkFault, LinkFault> {
    let text = text_of(channel, wire::error_meaning(header.control)).await?;
    Ok(LinkFault::Peer(text))
}

/// The fault that a FatalError stands for.
async fn as_fatal(channel: &mut Channel, header: Header) -> Result<LinkFault, LinkFault> {
    let meaning = match header.kind {
        Kind::Error => wire::error_meaning(header.control),
        _ => wire::fatal_meaning(header.control),
    };
    // Whoever gives up may close before the text is out.
    let last_words = timeout_at(Instant::now() + LAST_WORDS, text_of(channel, meaning)).await;
    let text = last_words.ok().and_then(Result::ok).unwrap_or_else(|| meaning.into());
    Ok(LinkFault::PeerGaveUp(text))
}

/// How long the text of an error that ends the session is waited for.
const LAST_WORDS: Duration = Duration::from_millis(100);

/// What a code means and the server's own words.
async fn text_of(channel: &mut Channel, meaning: &str) -> Result<String, LinkFault> {
    let words = channel.short_payload().await?;
    channel.done();
    let words = String::from_utf8_lossy(&words);
    let words: String = words.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    match words.trim() {
        "" => Ok(meaning.into()),
        words => Ok(format!("{meaning}: {words}")),
    }
}

/// A type of message, for messages.
fn name_of(kind: Kind) -> String {
    match kind {
        Kind::Other(number) => format!("message type {number}"),
        known => format!("{known:?}"),
    }
}
