//! What commands that reach a bench share: the runtime, signals, exit statuses.

use beamwarden_drivers::Class;
#[cfg(unix)]
use nix::sys::signal::Signal;
use tokio::runtime::{Builder, Runtime};

use super::{Ended, Failure, FailureKind};
use crate::bench::{BenchError, BenchPlan};
use crate::run::{Control, RunError};

/// A runtime whose clock is simulated when the whole bench is: then waiting costs no time.
pub(super) fn runtime(plan: &BenchPlan) -> Result<Runtime, Failure> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(Failure::internal)?;
    if plan.is_simulated() {
        runtime.block_on(async { tokio::time::pause() });
    }
    Ok(runtime)
}

/// Asks for a stop on every interrupt, hang-up or termination signal: the first stops the run, the
/// second leaves out what is left of tidying up. None ends the process before the safe state, nor
/// does a file that grows beyond what the system lets it (the write then fails instead), and Ctrl-Z
/// does not leave an output on that nobody watches.
#[cfg(unix)]
pub(super) fn stop_on_signals() -> Control {
    use tokio::signal::unix::SignalKind;
    let stop = Control::default();
    let kinds = [
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::hangup(),
        SignalKind::quit(),
    ];
    for kind in kinds {
        on_signal(kind, &stop, Control::stop_now);
    }
    for kind in [FILE_TOO_LARGE, BACK_TO_THE_SHELL] {
        on_signal(SignalKind::from_raw(kind as i32), &stop, |_| {});
    }
    stop
}

/// What the system sends when a file would grow beyond its limit, and on Ctrl-Z.
#[cfg(unix)]
const FILE_TOO_LARGE: Signal = Signal::SIGXFSZ;
#[cfg(unix)]
const BACK_TO_THE_SHELL: Signal = Signal::SIGTSTP;

/// Does something at each signal of a kind. It is caught here and now: from the first byte to an
/// instrument none may end the process.
#[cfg(unix)]
fn on_signal(kind: tokio::signal::unix::SignalKind, control: &Control, does: fn(&Control)) {
    match tokio::signal::unix::signal(kind) {
        Ok(mut signals) => {
            let told = control.clone();
            tokio::spawn(async move {
                while signals.recv().await.is_some() {
                    does(&told);
                }
            });
        }
        Err(error) => tracing::warn!(?kind, %error, "this signal cannot be caught"),
    }
}

/// As [`stop_on_signals`]; and a user signal or Ctrl-Z pauses the run or lets it go on, another stops
/// it after the point at hand. None may end the process by default.
#[cfg(unix)]
pub(super) fn wish_on_signals() -> Control {
    use tokio::signal::unix::SignalKind;
    let control = stop_on_signals();
    let pause_or_go_on: fn(&Control) = |control| match control.pausing() {
        true => control.go_on(),
        false => control.pause(),
    };
    on_signal(SignalKind::user_defined1(), &control, pause_or_go_on);
    on_signal(SignalKind::user_defined2(), &control, Control::stop_after_point);
    on_signal(SignalKind::from_raw(BACK_TO_THE_SHELL as i32), &control, pause_or_go_on);
    control
}

/// Ends the process at the next signal, as long as it lives: a signal that was caught once no longer
/// does that by itself. For times when nothing is open.
#[cfg(unix)]
pub(super) struct EndOnSignals(std::sync::Arc<tokio::sync::Notify>);

#[cfg(unix)]
impl EndOnSignals {
    /// Listens on a thread of its own, since this one waits for a person.
    pub(super) fn listen() -> Self {
        use tokio::signal::unix::{SignalKind, signal};
        let over = std::sync::Arc::new(tokio::sync::Notify::new());
        let ends = over.clone();
        let work = move || {
            let runtime = Builder::new_current_thread().enable_all().build()?;
            runtime.block_on(async {
                let mut interrupt = signal(SignalKind::interrupt())?;
                let mut terminate = signal(SignalKind::terminate())?;
                let mut hang_up = signal(SignalKind::hangup())?;
                let mut quit = signal(SignalKind::quit())?;
                tokio::select! {
                    () = ends.notified() => return Ok(()),
                    _ = interrupt.recv() => {}
                    _ = terminate.recv() => {}
                    _ = hang_up.recv() => {}
                    _ = quit.recv() => {}
                }
                std::process::exit(Ended::Stopped as i32)
            })
        };
        let work = move || -> std::io::Result<()> { work() };
        let thread = std::thread::Builder::new().name("signals".to_string()).spawn(work);
        if let Err(error) = thread {
            tracing::warn!(%error, "signals are not heard for a moment");
        }
        EndOnSignals(over)
    }
}

#[cfg(unix)]
impl Drop for EndOnSignals {
    fn drop(&mut self) {
        self.0.notify_one();
    }
}

/// Elsewhere interrupts are all there is.
#[cfg(not(unix))]
pub(super) fn wish_on_signals() -> Control {
    stop_on_signals()
}

/// Asks for a stop on every interrupt.
#[cfg(not(unix))]
pub(super) fn stop_on_signals() -> Control {
    let stop = Control::default();
    let asked = stop.clone();
    tokio::spawn(async move {
        while tokio::signal::ctrl_c().await.is_ok() {
            asked.stop_now();
        }
    });
    stop
}

/// The exit status that belongs to a class of error.
fn ended(class: Class) -> Ended {
    match class {
        Class::Transient | Class::Instrument => Ended::Instrument,
        Class::Limit => Ended::Limit,
        // What a person has to put right; a stop is an outcome of its own, not an error class.
        Class::Operator => Ended::Usage,
        Class::Internal => Ended::Internal,
    }
}

/// A failure of the bench.
pub(super) fn bench_failure(error: BenchError) -> Failure {
    let ended = ended(error.class());
    Failure { ended, error: FailureKind::Error(anyhow::Error::new(error)) }
}

/// A failure of a run.
pub(super) fn run_failure(error: RunError) -> Failure {
    let ended = ended(error.class());
    Failure { ended, error: FailureKind::Error(anyhow::Error::new(error)) }
}
