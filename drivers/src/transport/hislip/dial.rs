//! How the two connections of a session are made: over TCP, or as streams of the caller's.

use std::net::SocketAddr;

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncWrite};

use crate::transport::LinkFault;
use crate::transport::tcp::{connect, connect_to};

/// What a connection must be able to do.
pub(super) trait Stream: AsyncRead + AsyncWrite + Unpin + Send + Sync {}

impl<S: AsyncRead + AsyncWrite + Unpin + Send + Sync> Stream for S {}

/// A connection.
pub(super) type Wire = Box<dyn Stream>;

/// Makes the connections of a session, one after the other.
#[async_trait]
pub(super) trait Dial: Send {
    /// The synchronous connection of a new session.
    ///
    /// # Errors
    /// Why it cannot be made.
    async fn synchronous(&mut self) -> Result<Wire, LinkFault>;

    /// The asynchronous connection, to where the synchronous one leads.
    ///
    /// # Errors
    /// As [`Dial::synchronous`].
    async fn asynchronous(&mut self) -> Result<Wire, LinkFault>;
}

/// Connects over TCP.
pub(super) struct TcpDial {
    host: String,
    port: u16,
    /// Where the synchronous connection leads: a name may stand for several hosts.
    place: Option<SocketAddr>,
}

impl TcpDial {
    pub fn new(host: &str, port: u16) -> Self {
        TcpDial { host: host.into(), port, place: None }
    }
}

#[async_trait]
impl Dial for TcpDial {
    async fn synchronous(&mut self) -> Result<Wire, LinkFault> {
        let stream = connect(&self.host, self.port).await?;
        self.place = Some(stream.peer_addr().map_err(|error| LinkFault::from(&error))?);
        Ok(Box::new(stream))
    }

    async fn asynchronous(&mut self) -> Result<Wire, LinkFault> {
        let place = self.place.ok_or(LinkFault::Closed)?;
        Ok(Box::new(connect_to(place).await?))
    }
}

/// Takes streams that a function makes; `None` from it means that there is no further one.
pub(super) struct PipeDial<F>(pub F);

#[async_trait]
impl<F, S> Dial for PipeDial<F>
where
    F: FnMut() -> Option<S> + Send,
    S: Stream + 'static,
{
    async fn synchronous(&mut self) -> Result<Wire, LinkFault> {
        Ok(Box::new((self.0)().ok_or(LinkFault::OnlyOnce)?))
    }

    async fn asynchronous(&mut self) -> Result<Wire, LinkFault> {
        self.synchronous().await
    }
}
