//! The asynchronous connection: status, service requests, the acknowledgement of a device clear.
//!
//! Answers on it name no question. So they are counted, and an answer that comes after its query
//! was given up is never taken for the next one's. A device clear begins the count anew: answers
//! come in order, so that what was not answered before its acknowledgement never will be.

use super::channel::Channel;
use super::wire::{Header, Kind};
use super::{as_error, as_fatal};
use crate::transport::{LinkFault, Pace};

/// What a message on the asynchronous connection was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Noted {
    /// The status byte that was asked for last.
    Status(u8),
    /// The instrument asks for service; the byte is kept in [`Control::request`].
    Request,
    /// The server has acknowledged a device clear.
    Cleared,
    /// Nothing that anybody waits for.
    Other,
}

/// The asynchronous connection.
pub(super) struct Control {
    pub channel: Channel,
    /// Status byte of the last service request that nobody has fetched.
    pub request: Option<u8>,
    /// Status queries sent and status answers received.
    asked: u64,
    answered: u64,
}

impl Control {
    pub fn new(channel: Channel) -> Self {
        Control { channel, request: None, asked: 0, answered: 0 }
    }

    /// Asks for the status byte; [`Control::attend`] brings it.
    pub async fn ask_status(
        &mut self,
        delivered: u8,
        last_id: u32,
        pace: Pace,
    ) -> Result<(), LinkFault> {
        let query = Header::new(Kind::AsyncStatusQuery, delivered, last_id);
        self.channel.send(query, &[], pace, &mut 0).await?;
        self.asked += 1;
        Ok(())
    }

    /// Takes one message. May be cut off and called again.
    ///
    /// # Errors
    /// The connection ended, or the server reports an error.
    pub async fn attend(&mut self) -> Result<Noted, LinkFault> {
        let header = self.channel.message().await?;
        let noted = match header.kind {
            Kind::AsyncServiceRequest => Noted::Request,
            Kind::AsyncStatusResponse => Noted::Status(header.control),
            Kind::AsyncDeviceClearAcknowledge => Noted::Cleared,
            Kind::Error => return Err(as_error(&mut self.channel, header).await?),
            Kind::FatalError => return Err(as_fatal(&mut self.channel, header).await?),
            Kind::AsyncInterrupted => Noted::Other,
            _ => {
                tracing::debug!(?header, "message dropped");
                self.channel.refuse_message().await?;
                return Ok(Noted::Other);
            }
        };
        self.channel.drop_message().await?;
        match noted {
            Noted::Request => self.request = Some(header.control),
            // Nobody asked for it.
            Noted::Status(_) if self.answered == self.asked => return Ok(Noted::Other),
            Noted::Status(_) => {
                self.answered += 1;
                if self.answered != self.asked {
                    return Ok(Noted::Other);
                }
            }
            Noted::Cleared => self.answered = self.asked,
            Noted::Other => {}
        }
        Ok(noted)
    }
}
