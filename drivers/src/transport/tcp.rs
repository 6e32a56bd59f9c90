//! Raw TCP: a program message and NL out, a response and NL in.
//!
//! Knows sockets. Sets TCP_NODELAY (a peer that waits for an acknowledgement of a small packet
//! otherwise costs tens of milliseconds a query) and short keepalive timers (the system's default
//! notices a dead peer after hours).

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use async_trait::async_trait;
use socket2::{SockRef, TcpKeepalive};
use tokio::net::{TcpStream, lookup_host};

use super::{Address, LinkFault, Opener, Recovery, StreamLink};

/// Keepalive: idle time before the first probe, time between probes, probes before giving up.
const KEEPALIVE: (Duration, Duration, u32) = (Duration::from_secs(10), Duration::from_secs(5), 3);
/// How long sent bytes may stay unacknowledged before the system gives the connection up.
#[cfg(target_os = "linux")]
const UNACKNOWLEDGED_MAX: Duration = Duration::from_secs(25);

/// A raw TCP socket.
pub type TcpLink = StreamLink<TcpOpener>;

/// Opens TCP connections to one host and port.
pub struct TcpOpener {
    host: String,
    port: u16,
}

impl TcpLink {
    /// A link to a host and port, not yet opened.
    #[must_use]
    pub fn new(host: &str, port: u16) -> Self {
        let address = Address::Tcp { host: host.into(), port }.to_string();
        StreamLink::closed(address, TcpOpener { host: host.into(), port })
    }
}

#[async_trait]
impl Opener for TcpOpener {
    type Stream = TcpStream;

    async fn open(&mut self) -> Result<TcpStream, LinkFault> {
        connect(&self.host, self.port).await
    }

    fn recovery(&self) -> Recovery {
        Recovery::Reopen
    }
}

/// A connection to the first of a host's addresses that takes one.
pub(super) async fn connect(host: &str, port: u16) -> Result<TcpStream, LinkFault> {
    let places = lookup_host((host, port)).await.map_err(|_| LinkFault::UnknownHost)?;
    let mut last = LinkFault::UnknownHost;
    for place in places {
        match connect_to(place).await {
            Ok(stream) => return Ok(stream),
            Err(fault) => last = fault,
        }
    }
    Err(last)
}

/// A connection to one address.
pub(super) async fn connect_to(place: SocketAddr) -> Result<TcpStream, LinkFault> {
    TcpStream::connect(place).await.and_then(prepare).map_err(|error| LinkFault::from(&error))
}

fn prepare(stream: TcpStream) -> io::Result<TcpStream> {
    stream.set_nodelay(true)?;
    let (idle, interval, probes) = KEEPALIVE;
    let keepalive =
        TcpKeepalive::new().with_time(idle).with_interval(interval).with_retries(probes);
    let socket = SockRef::from(&stream);
    socket.set_tcp_keepalive(&keepalive)?;
    #[cfg(target_os = "linux")]
    socket.set_tcp_user_timeout(Some(UNACKNOWLEDGED_MAX))?;
    Ok(stream)
}
