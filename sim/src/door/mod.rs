//! The front door: bytes in and out of the instruments, over pipes, sockets and serial lines.
//!
//! The only place that does I/O and reads tokio's clock. Knows nothing of what the bytes mean.

mod hislip;
mod lines;
mod pty;
mod serve;

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, DuplexStream};
use tokio::sync::Notify;
use tokio::time::Instant;

pub use serve::{Address, HislipPorts, ServeError, ServePlan, Serving};

use crate::instruments::{scope, source, supply, turntable};
use crate::model::{Model, ModelError};
use crate::post::Post;
use crate::scpi::session::{Session, Step};
use crate::truth::Truth;
use crate::world::World;
use lines::LineSession;

/// Bytes a pipe holds either way before its writer waits.
const PIPE_BYTES: usize = 1 << 18;
/// Bytes taken from a line at once.
const READ_BYTES: usize = 1 << 16;

/// A simulated bench. Clones are handles to the same bench.
#[derive(Clone)]
pub struct SimBench {
    shared: Arc<Shared>,
}

struct Shared {
    world: Mutex<World>,
    changed: Notify,
    epoch: Instant,
}

impl std::fmt::Debug for SimBench {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SimBench")
    }
}

impl SimBench {
    /// A bench of this model, just switched on. Its clock is tokio's, and begins now.
    pub fn new(model: Model) -> Result<Self, ModelError> {
        model.check()?;
        let world = Mutex::new(World::new(model));
        let shared = Shared { world, changed: Notify::new(), epoch: Instant::now() };
        Ok(Self { shared: Arc::new(shared) })
    }

    /// A connection to one instrument inside this process. Any number may be open at once; all see
    /// the same bench. Must be called within a tokio runtime, which runs the instrument's end until
    /// the pipe is dropped.
    pub fn pipe(&self, post: Post) -> DuplexStream {
        let (near, far) = tokio::io::duplex(PIPE_BYTES);
        tokio::spawn(converse(self.clone(), post, far));
        near
    }

    /// The true state now.
    pub fn truth(&self) -> Truth {
        self.visit(Post::Source, |world| world.truth())
    }

    /// The true state at the trigger of the last acquisition that the scope can still hand out.
    pub fn truth_at_last_trigger(&self) -> Option<Truth> {
        self.visit(Post::Scope, |world| world.scope.acquired().map(|a| a.truth.clone()))
    }

    /// The seed that decides every random number of this bench.
    pub fn seed(&self) -> u64 {
        self.visit(Post::Source, |world| world.model.seed)
    }

    fn visit<T>(&self, post: Post, act: impl FnOnce(&mut World) -> T) -> T {
        let now = Instant::now().saturating_duration_since(self.shared.epoch);
        // A panic elsewhere leaves plain data behind, and every visit brings it up to date first.
        let mut world = self.shared.world.lock().unwrap_or_else(PoisonError::into_inner);
        world.active = post;
        world.advance(now);
        act(&mut world)
    }

    fn instant_of(&self, time: Duration) -> Instant {
        self.shared.epoch + time
    }
}

/// One connection's protocol.
enum Talk {
    Scpi(Box<Session<World>>),
    Lines(LineSession),
}

impl Talk {
    fn new(post: Post) -> Self {
        let commands = match post {
            Post::Source => source::COMMANDS,
            Post::Scope => scope::COMMANDS,
            Post::Turntable => turntable::COMMANDS,
            Post::Supply => supply::COMMANDS,
            Post::DutPort => return Self::Lines(LineSession::default()),
        };
        Self::Scpi(Box::new(Session::new(commands)))
    }

    fn feed(&mut self, bytes: &[u8]) {
        match self {
            Self::Scpi(session) => session.feed(bytes),
            Self::Lines(session) => session.feed(bytes),
        }
    }

    /// The end of a message, on lines that mark it.
    fn end(&mut self, world: &mut World) {
        match self {
            Self::Scpi(session) => session.end(world),
            Self::Lines(session) => session.feed(b"\n"),
        }
    }

    fn wants_input(&self) -> bool {
        match self {
            Self::Scpi(session) => session.wants_input(),
            Self::Lines(_) => true,
        }
    }

    fn poll(&mut self, world: &mut World) -> Step {
        match self {
            Self::Scpi(session) => session.poll(world),
            Self::Lines(session) => session.poll(world),
        }
    }

    fn hang_up(&mut self, world: &mut World) {
        if let Self::Scpi(session) = self {
            session.hang_up(world);
        }
    }
}

/// Runs one connection until the other end is gone. Each reply is written in one go.
async fn converse<S: AsyncRead + AsyncWrite + Unpin>(bench: SimBench, post: Post, stream: S) {
    let (mut reader, mut writer) = tokio::io::split(stream);
    let mut talk = Talk::new(post);
    let mut buffer = vec![0; READ_BYTES];
    loop {
        let changed = bench.shared.changed.notified();
        tokio::pin!(changed);
        // From here on no change is missed, also one between the poll and the wait.
        changed.as_mut().enable();
        let (step, acted) = bench.visit(post, |world| {
            let before = world.revision();
            (talk.poll(world), world.revision() != before)
        });
        if acted {
            bench.shared.changed.notify_waiters();
        }
        let read = match step {
            Step::Reply(bytes) => match write(&mut writer, &bytes).await {
                Ok(()) => continue,
                Err(_) => break,
            },
            Step::Work(work) => {
                if tokio::task::spawn_blocking(move || work()).await.is_err() {
                    break;
                }
                continue;
            }
            Step::Idle => reader.read(&mut buffer).await,
            Step::Blocked(until) => tokio::select! {
                () = changed => continue,
                () = sleep_until(until.map(|time| bench.instant_of(time))) => continue,
                read = reader.read(&mut buffer), if talk.wants_input() => read,
            },
        };
        match read {
            Ok(0) | Err(_) => break,
            Ok(count) => talk.feed(&buffer[..count]),
        }
    }
    tracing::debug!(instrument = post.name(), "connection closed");
    bench.visit(post, |world| talk.hang_up(world));
}

async fn write(writer: &mut (impl AsyncWrite + Unpin), bytes: &[u8]) -> std::io::Result<()> {
    writer.write_all(bytes).await?;
    writer.flush().await
}

async fn sleep_until(until: Option<Instant>) {
    match until {
        Some(until) => tokio::time::sleep_until(until).await,
        None => std::future::pending().await,
    }
}
