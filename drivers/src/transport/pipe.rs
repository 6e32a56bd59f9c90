//! In-process pipes: any byte stream, opened by a function of the caller.
//!
//! Knows nothing of what stands at the other end.

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncWrite};

use super::{LinkFault, Opener, Recovery, StreamLink};

/// A link over streams that a function makes.
pub type PipeLink<F> = StreamLink<PipeOpener<F>>;

/// Opens a pipe by calling a function; `None` from it means that there is no further stream.
pub struct PipeOpener<F> {
    make: F,
    recovery: Recovery,
}

impl<F, S> PipeLink<F>
where
    F: FnMut() -> Option<S> + Send,
    S: AsyncRead + AsyncWrite + Unpin + Send + Sync,
{
    /// A link that opens as often as `make` returns a stream. `name` stands for the address in
    /// messages.
    pub fn new(name: &str, make: F) -> Self {
        StreamLink::closed(name.into(), PipeOpener { make, recovery: Recovery::Reopen })
    }

    /// A link over streams that stay the same when they are opened again, as a serial line does:
    /// after a disturbance it is drained instead of opened anew.
    pub fn draining(name: &str, make: F) -> Self {
        StreamLink::closed(name.into(), PipeOpener { make, recovery: Recovery::Drain })
    }
}

#[async_trait]
impl<F, S> Opener for PipeOpener<F>
where
    F: FnMut() -> Option<S> + Send,
    S: AsyncRead + AsyncWrite + Unpin + Send + Sync,
{
    type Stream = S;

    async fn open(&mut self) -> Result<S, LinkFault> {
        (self.make)().ok_or(LinkFault::OnlyOnce)
    }

    fn recovery(&self) -> Recovery {
        self.recovery
    }
}
