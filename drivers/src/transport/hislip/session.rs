//! A session over both connections: how it starts, and the device clear.

use tokio::task::yield_now;
use tokio::time::Instant;

use super::channel::{Channel, PAYLOAD_BYTES_MAX};
use super::control::{Control, Noted};
use super::data::Data;
use super::dial::Dial;
use super::wire::{ENCRYPTED, Header, Kind, OVERLAPPED};
use super::{as_fatal, name_of};
use crate::transport::{LinkFault, Pace, Received};

/// The version that we speak, 1.0, as the parameter of Initialize has it.
const VERSION: u32 = 0x0100;
/// Two letters that name the maker of a client; no maker has these.
const VENDOR: [u8; 2] = *b"ZZ";

/// An open session.
pub(super) struct Session {
    pub data: Data,
    pub control: Control,
}

/// A pace without a limit of its own beside the deadline.
pub(super) fn by(until: Instant) -> Pace {
    Pace { by: until, idle: until.saturating_duration_since(Instant::now()) }
}

impl Session {
    /// Opens both connections and agrees on the size of messages (IVI-6.1, 6.1 and 6.10).
    ///
    /// # Errors
    /// No connection, a server that does not keep to the protocol, or one that insists on what we
    /// do not do.
    pub async fn start(
        dial: &mut dyn Dial,
        device: &str,
        until: Instant,
    ) -> Result<Self, LinkFault> {
        let pace = by(until);
        let mut sync = Channel::new(dial.synchronous().await?);
        let [high, low] = VENDOR;
        let parameter = VERSION << 16 | u32::from(u16::from_be_bytes([high, low]));
        let initialize = Header::new(Kind::Initialize, 0, parameter);
        sync.send(initialize, device.as_bytes(), pace, &mut 0).await?;
        let (response, _) = due(&mut sync, Kind::InitializeResponse).await?;
        check_response(response)?;

        let mut control = Channel::new(dial.asynchronous().await?);
        let own_session = response.parameter & 0xFFFF;
        let initialize = Header::new(Kind::AsyncInitialize, 0, own_session);
        control.send(initialize, &[], pace, &mut 0).await?;
        due(&mut control, Kind::AsyncInitializeResponse).await?;
        let size = Header::new(Kind::AsyncMaximumMessageSize, 0, 0);
        control.send(size, &PAYLOAD_BYTES_MAX.to_be_bytes(), pace, &mut 0).await?;
        let (_, size) = due(&mut control, Kind::AsyncMaximumMessageSizeResponse).await?;
        let size: [u8; 8] = size.try_into().map_err(|size: Vec<u8>| {
            LinkFault::Protocol(format!("it names its message size in {} bytes, not 8", size.len()))
        })?;
        let data = Data::new(sync, u64::from_be_bytes(size))?;
        let mut session = Session { data, control: Control::new(control) };
        if response.control & OVERLAPPED != 0 {
            // Which mode it is to be is settled by a device clear; refused only if it insists.
            session.clear(until).await?;
        }
        Ok(session)
    }

    /// As [`Data::receive`]; meanwhile the other connection is attended to.
    ///
    /// # Errors
    /// Those of either connection.
    pub async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
    ) -> Result<Received, LinkFault> {
        loop {
            tokio::select! {
                biased;
                received = self.data.receive(into, at_most) => return received,
                noted = self.control.attend() => { noted?; }
            }
            // A peer that floods this connection keeps nobody from a deadline.
            yield_now().await;
        }
    }

    /// The status byte.
    ///
    /// # Errors
    /// Those of the asynchronous connection.
    pub async fn status_byte(&mut self, until: Instant) -> Result<u8, LinkFault> {
        let (delivered, id) = (self.data.take_delivered(), self.data.last_id());
        self.control.ask_status(delivered, id, by(until)).await?;
        loop {
            if let Noted::Status(byte) = self.control.attend().await? {
                return Ok(byte);
            }
        }
    }

    /// Waits for a request for service, or takes one that came earlier; its status byte.
    ///
    /// # Errors
    /// Those of either connection.
    pub async fn service_request(&mut self) -> Result<u8, LinkFault> {
        let mut quiet = true;
        loop {
            if let Some(byte) = self.control.request.take() {
                return Ok(byte);
            }
            tokio::select! {
                biased;
                noted = self.control.attend() => { noted?; }
                // A look only, so that the end of this connection does not pass unnoticed.
                header = self.data.channel.message(), if quiet => {
                    header?;
                    quiet = false;
                }
            }
            if self.control.request.is_none() {
                yield_now().await;
            }
        }
    }

    /// Device clear (IVI-6.1, 6.12): both sides drop what is under way and count anew.
    ///
    /// # Errors
    /// Those of either connection; a server that insists on overlapped mode.
    pub async fn clear(&mut self, until: Instant) -> Result<(), LinkFault> {
        let clear = Header::new(Kind::AsyncDeviceClear, 0, 0);
        self.control.channel.send(clear, &[], by(until), &mut 0).await?;
        loop {
            tokio::select! {
                biased;
                noted = self.control.attend() => match noted {
                    Ok(Noted::Cleared) => break,
                    // A complaint about what was sent before ends with it.
                    Ok(_) | Err(LinkFault::Peer(_)) => {}
                    Err(fault) => return Err(fault),
                },
                // A server that waits for us to read can acknowledge only after that.
                early = self.data.discard_until_cleared() => {
                    early?;
                    let why = "it ended a device clear before it was asked to";
                    return Err(LinkFault::Protocol(why.into()));
                }
            }
        }
        let complete = Header::new(Kind::DeviceClearComplete, 0, 0);
        self.data.channel.send(complete, &[], by(until), &mut 0).await?;
        let features = loop {
            tokio::select! {
                biased;
                features = self.data.discard_until_cleared() => break features?,
                noted = self.control.attend() => { noted?; }
            }
        };
        if features & OVERLAPPED != 0 {
            return Err(LinkFault::Unsupported(
                "the instrument insists on the overlapped mode of HiSLIP; only the synchronised \
                 mode is used here: set the instrument to it, or use its raw socket"
                    .into(),
            ));
        }
        self.data.reset();
        Ok(())
    }

    /// Tells the server why it is left, as far as that can be told without waiting.
    pub fn complain(&mut self) {
        self.data.channel.send_fatal();
    }
}

/// The answer due at the start, and its short payload.
async fn due(channel: &mut Channel, kind: Kind) -> Result<(Header, Vec<u8>), LinkFault> {
    loop {
        let header = channel.message().await?;
        match header.kind {
            // At the start an error of either kind ends the matter.
            Kind::Error | Kind::FatalError => return Err(as_fatal(channel, header).await?),
            // May come at any time, also before the start is over.
            Kind::AsyncServiceRequest => channel.drop_message().await?,
            found if found == kind => {
                let payload = channel.short_payload().await?;
                channel.done();
                return Ok((header, payload));
            }
            found => {
                let (found, kind) = (name_of(found), name_of(kind));
                return Err(LinkFault::Protocol(format!("it sent {found} where {kind} was due")));
            }
        }
    }
}

fn check_response(response: Header) -> Result<(), LinkFault> {
    let version = response.parameter >> 16;
    if version > VERSION {
        let (major, minor) = (version >> 8, version & 0xFF);
        return Err(LinkFault::Protocol(format!(
            "it wants version {major}.{minor} although 1.0 was offered"
        )));
    }
    if response.control & ENCRYPTED != 0 {
        return Err(LinkFault::Unsupported(
            "the instrument demands an encrypted connection, which is not offered here: allow \
             plain connections in the instrument's settings, or use its raw socket"
                .into(),
        ));
    }
    Ok(())
}
