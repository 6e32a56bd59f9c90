//! The front door: bytes in and out of the instruments, over pipes, sockets and serial lines.
//!
//! The only place that does I/O and reads tokio's clock. Knows nothing of what the bytes mean.

mod frames;
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

use crate::changes::{Change, Changed, SettingSeen};
use crate::faults::{FaultDone, FaultKind, FaultPlan, FaultPlanError, PlannedFault, When};
use crate::instruments::{scope, source, supply, turntable};
use crate::model::{Model, ModelError};
use crate::post::Post;
use crate::scpi::session::{Session, Step};
use crate::truth::{Acquired, Truth};
use crate::world::World;
use frames::PortSession;

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
    /// Some instrument's links were closed.
    closed: Notify,
    epoch: Instant,
}

impl std::fmt::Debug for SimBench {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SimBench")
    }
}

impl SimBench {
    /// A bench of this model, just switched on. Its clock is tokio's, and begins now.
    ///
    /// # Errors
    /// Every value that cannot be simulated.
    pub fn new(model: Model) -> Result<Self, ModelError> {
        model.check()?;
        Ok(Self::of(World::new(model)))
    }

    /// The same, and what goes wrong on it.
    ///
    /// # Errors
    /// Every value of model or plan that cannot be simulated.
    pub fn with_faults(model: Model, plan: &FaultPlan) -> Result<Self, SetUpError> {
        model.check()?;
        plan.check()?;
        Ok(Self::of(World::with_faults(model, plan)))
    }

    fn of(world: World) -> Self {
        let world = Mutex::new(world);
        let shared =
            Shared { world, changed: Notify::new(), closed: Notify::new(), epoch: Instant::now() };
        Self { shared: Arc::new(shared) }
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

    /// The true state at the trigger of every acquisition that is still kept, in order: the last 1024
    /// ([`ACQUISITIONS_KEPT`](crate::ACQUISITIONS_KEPT)), or what [`SimBench::keep_acquisitions`] says.
    pub fn acquisitions(&self) -> Vec<Acquired> {
        self.visit(Post::Scope, |world| world.log.all())
    }

    /// Keeps so many acquisitions from now on, 1 to 2 kB each with arrays of 8 elements.
    pub fn keep_acquisitions(&self, most: usize) {
        self.visit(Post::Scope, |world| world.log.keep(most));
    }

    /// Every setting of every instrument: where it stands, and how far it ever went.
    pub fn settings_seen(&self) -> Vec<SettingSeen> {
        self.visit(Post::Source, |world| world.onlooker.seen())
    }

    /// Every change of a setting and every link opened or closed that is still kept, in order: the last
    /// 10,000 ([`CHANGES_KEPT`](crate::CHANGES_KEPT)), or what [`SimBench::keep_changes`] says. A record
    /// that was triggered or a waveform that was loaded is no change of a setting.
    pub fn changes(&self) -> Vec<Change> {
        self.changes_after(0)
    }

    /// The changes after number `known`: for whoever looks again and again.
    pub fn changes_after(&self, known: u64) -> Vec<Change> {
        self.visit(Post::Source, |world| world.onlooker.after(known))
    }

    /// Keeps so many changes from now on.
    pub fn keep_changes(&self, most: usize) {
        self.visit(Post::Source, |world| world.onlooker.keep(most));
    }

    /// Every fault that was applied so far, in order: the last
    /// [`FAULTS_KEPT`](crate::FAULTS_KEPT). What waits for its opportunity is not among them yet.
    pub fn faults_so_far(&self) -> Vec<FaultDone> {
        self.visit(Post::Source, |world| world.faults.log())
    }

    /// The faults that were applied after the first `known` ones, and how many were ever: for whoever
    /// looks again and again.
    pub fn faults_after(&self, known: u64) -> (Vec<FaultDone>, u64) {
        self.visit(Post::Source, |world| world.faults.log_after(known))
    }

    /// Puts a fault in now, or as its next opportunity comes; for so many seconds where `for_s` says
    /// so, as in [`PlannedFault`].
    ///
    /// # Errors
    /// When fault, instrument and duration make no sense together.
    pub fn put_fault(
        &self,
        instrument: Post,
        fault: FaultKind,
        for_s: Option<f64>,
    ) -> Result<(), FaultPlanError> {
        let when = When::AtTime { at_s: 0.0, every_s: None };
        let planned = PlannedFault { instrument, fault, when, times: None, for_s };
        FaultPlan { seed: None, faults: vec![planned.clone()] }.check()?;
        self.visit(instrument, |world| world.begin_fault(planned));
        self.shared.changed.notify_waiters();
        self.shared.closed.notify_waiters();
        Ok(())
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

    /// A link begins; yields how often the links of its instrument were closed.
    fn begin_link(&self, post: Post) -> u64 {
        self.visit(post, |world| {
            world.note_link(post, Changed::Opened);
            world.faults.links(post)
        })
    }

    /// A link ends.
    fn end_link(&self, post: Post, talk: &mut Talk) {
        self.visit(post, |world| {
            talk.hang_up(world);
            world.note_link(post, Changed::Closed);
        });
    }

    /// What a connection that began after so many closures does next; tells the others what changed.
    fn turn(&self, post: Post, talk: &mut Talk, links: u64) -> Turn {
        let (turn, acted, closed) = self.visit(post, |world| {
            let before = (world.revision(), world.faults.closures());
            let linked = |world: &World| {
                world.faults.links(post) == links && world.faults.is_there(post, world.now)
            };
            let step = if linked(world) { talk.poll(world) } else { Step::Idle };
            let step = world.deliver(post, step);
            let turn = Turn { step, linked: linked(world), wake: world.faults.next_wake() };
            (turn, world.revision() != before.0, world.faults.closures() != before.1)
        });
        if acted {
            self.shared.changed.notify_waiters();
        }
        if closed {
            self.shared.closed.notify_waiters();
        }
        turn
    }

    fn instant_of(&self, time: Duration) -> Instant {
        self.shared.epoch + time
    }
}

/// A bench that cannot be set up.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SetUpError {
    /// Its model.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// Its fault plan.
    #[error(transparent)]
    Faults(#[from] FaultPlanError),
}

/// What a connection does next, and what it has to know of faults.
struct Turn {
    step: Step,
    /// The link is there: it was not closed, and the instrument can be reached.
    linked: bool,
    /// When to look again although nothing comes.
    wake: Option<Duration>,
}

/// One connection's protocol.
enum Talk {
    Scpi(Box<Session<World>>),
    Port(PortSession),
}

impl Talk {
    fn new(post: Post) -> Self {
        let commands = match post {
            Post::Source => source::COMMANDS,
            Post::Scope => scope::COMMANDS,
            Post::Turntable => turntable::COMMANDS,
            Post::Supply => supply::COMMANDS,
            Post::DutPort => return Self::Port(PortSession::default()),
        };
        Self::Scpi(Box::new(Session::new(commands)))
    }

    fn feed(&mut self, bytes: &[u8]) {
        match self {
            Self::Scpi(session) => session.feed(bytes),
            Self::Port(session) => session.feed(bytes),
        }
    }

    /// The end of a message, on lines that mark it.
    fn end(&mut self, world: &mut World) {
        match self {
            Self::Scpi(session) => session.end(world),
            Self::Port(session) => session.end(),
        }
    }

    fn wants_input(&self) -> bool {
        match self {
            Self::Scpi(session) => session.wants_input(),
            Self::Port(_) => true,
        }
    }

    fn poll(&mut self, world: &mut World) -> Step {
        match self {
            Self::Scpi(session) => session.poll(world),
            Self::Port(session) => session.poll(world),
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
    let links = bench.begin_link(post);
    loop {
        let changed = bench.shared.changed.notified();
        tokio::pin!(changed);
        // From here on no change is missed, also one between the poll and the wait.
        changed.as_mut().enable();
        let closed = bench.shared.closed.notified();
        tokio::pin!(closed);
        closed.as_mut().enable();
        let turn = bench.turn(post, &mut talk, links);
        let wake = turn.wake.map(|time| bench.instant_of(time));
        let read = match turn.step {
            Step::Disturbed(disturbed) => {
                tokio::time::sleep(disturbed.late).await;
                let sent = write(&mut writer, &disturbed.bytes).await;
                if disturbed.close || sent.is_err() {
                    break;
                }
                continue;
            }
            _ if !turn.linked => break,
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
            Step::Idle => tokio::select! {
                biased;
                read = reader.read(&mut buffer) => read,
                () = closed => continue,
                () = sleep_until(wake) => continue,
            },
            Step::Blocked(until) => tokio::select! {
                () = changed => continue,
                () = sleep_until(until.map(|time| bench.instant_of(time))) => continue,
                () = sleep_until(wake) => continue,
                read = reader.read(&mut buffer), if talk.wants_input() => read,
            },
        };
        match read {
            Ok(0) | Err(_) => break,
            Ok(count) => talk.feed(&buffer[..count]),
        }
    }
    tracing::debug!(instrument = post.name(), "connection closed");
    bench.end_link(post, &mut talk);
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
