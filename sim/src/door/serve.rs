//! Serving a bench to other processes: two TCP ports per instrument, for bare bytes and for HiSLIP,
//! and a serial line for the DUT.

use std::net::SocketAddr;
use std::path::PathBuf;

use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

use super::{SimBench, converse, hislip, pty};
use crate::post::Post;

/// Where to serve.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServePlan {
    /// Host name or address to listen at; only who may reach it can steer the bench.
    pub host: String,
    /// Port of the first instrument, the others following in the order of [`Post::ALL`]; without
    /// it every instrument gets a free port.
    pub ports: Option<u16>,
    /// Whether the DUT control port is also served on a pseudo-terminal.
    pub pty: bool,
    /// Where every instrument is served over HiSLIP as well.
    pub hislip: HislipPorts,
}

/// The ports for HiSLIP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HislipPorts {
    /// None.
    Off,
    /// A free one for every instrument.
    Free,
    /// This one for the first instrument, the others following in the order of [`Post::ALL`].
    From(u16),
}

impl Default for ServePlan {
    /// Free ports at the loopback address, without HiSLIP, and the pseudo-terminal.
    fn default() -> Self {
        Self { host: "127.0.0.1".to_owned(), ports: None, pty: true, hislip: HislipPorts::Off }
    }
}

/// Where an instrument is served.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// At a socket.
    Tcp(SocketAddr),
    /// At a socket that speaks HiSLIP, whose only device is `hislip0`.
    Hislip(SocketAddr),
    /// At a serial line.
    Serial(PathBuf),
}

impl std::fmt::Display for Address {
    /// As a bench file has it: `tcp://127.0.0.1:5025`,
    /// `hislip://127.0.0.1:4880/hislip0`, `serial:///dev/pts/3`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Tcp(address) => write!(f, "tcp://{address}"),
            Self::Hislip(address) => write!(f, "hislip://{address}/{}", hislip::DEVICE),
            Self::Serial(path) => write!(f, "serial://{}", path.display()),
        }
    }
}

/// Why a bench cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// A port cannot be listened at.
    #[error(
        "listen for the {post} at {host} port {port}: {source}; choose other ports, or 0 for free ones"
    )]
    Listen {
        /// The instrument.
        post: Post,
        /// The host asked for.
        host: String,
        /// The port asked for.
        port: u16,
        /// What the system said.
        source: std::io::Error,
    },
    /// The ports do not fit.
    #[error("five ports from {base} on go beyond 65535; choose a lower first port")]
    Ports {
        /// The first port asked for.
        base: u16,
    },
    /// No pseudo-terminal.
    #[error("open a pseudo-terminal for the dut: {source}; is /dev/pts mounted?")]
    Pty {
        /// What the system said.
        source: std::io::Error,
    },
}

/// A bench that is being served; dropping it ends all connections.
#[derive(Debug)]
pub struct Serving {
    addresses: Vec<(Post, Address)>,
    tasks: JoinSet<()>,
}

impl Serving {
    /// Every instrument with where it is served; listed once for
    /// each way.
    pub fn addresses(&self) -> Vec<(Post, Address)> {
        self.addresses.clone()
    }

    /// Ends all connections and frees the ports.
    pub async fn stop(mut self) {
        self.tasks.shutdown().await;
    }
}

impl SimBench {
    /// Serves this bench. Several clients may connect to one instrument; all see the same bench.
    pub async fn serve(&self, plan: ServePlan) -> Result<Serving, ServeError> {
        let mut serving = Serving { addresses: Vec::new(), tasks: JoinSet::new() };
        for (place, post) in (0u16..).zip(Post::ALL) {
            let base = plan.ports.unwrap_or(0);
            let (listener, address) = listen(&plan.host, base, place, post).await?;
            serving.addresses.push((post, Address::Tcp(address)));
            serving.tasks.spawn(accept(self.clone(), post, listener));
        }
        let base = match plan.hislip {
            HislipPorts::Off => None,
            HislipPorts::Free => Some(0),
            HislipPorts::From(base) => Some(base),
        };
        for (place, post) in (0u16..).zip(Post::ALL) {
            let Some(base) = base else { break };
            let (listener, address) = listen(&plan.host, base, place, post).await?;
            serving.addresses.push((post, Address::Hislip(address)));
            serving.tasks.spawn(hislip::accept(self.clone(), post, listener));
        }
        if plan.pty {
            let line = pty::open().map_err(|source| ServeError::Pty { source })?;
            serving.addresses.push((Post::DutPort, Address::Serial(line.path)));
            let (bench, end, held) = (self.clone(), line.end, line.held);
            serving.tasks.spawn(async move {
                converse(bench, Post::DutPort, end).await;
                drop(held);
            });
        }
        Ok(serving)
    }
}

/// Listens at the port of the instrument in this place, counted from the first; 0 for a free one.
async fn listen(
    host: &str,
    base: u16,
    place: u16,
    post: Post,
) -> Result<(TcpListener, SocketAddr), ServeError> {
    let port = match base {
        0 => 0,
        base => base.checked_add(place).ok_or(ServeError::Ports { base })?,
    };
    let failed = |source| ServeError::Listen { post, host: host.to_owned(), port, source };
    let listener = TcpListener::bind((host, port)).await.map_err(failed)?;
    let address = listener.local_addr().map_err(failed)?;
    Ok((listener, address))
}

/// The next connection, made ready; `None` when there was none to be had, after a pause.
pub(super) async fn take_connection(listener: &TcpListener, post: Post) -> Option<TcpStream> {
    match listener.accept().await {
        Ok((stream, peer)) => {
            // Without it, a reply behind an unacknowledged one waits some 40 ms.
            if let Err(error) = stream.set_nodelay(true) {
                tracing::debug!(%peer, %error, "no TCP_NODELAY");
            }
            Some(stream)
        }
        Err(error) => {
            // A client that gave up, or too many open files: later ones may do better.
            tracing::warn!(instrument = post.name(), %error, "connection not accepted");
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
            None
        }
    }
}

/// Takes connections until it is dropped, and they with it.
async fn accept(bench: SimBench, post: Post, listener: TcpListener) {
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            stream = take_connection(&listener, post) => {
                if let Some(stream) = stream {
                    connections.spawn(converse(bench.clone(), post, stream));
                }
            }
            Some(_) = connections.join_next(), if !connections.is_empty() => {}
        }
    }
}
