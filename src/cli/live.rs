//! What commands that reach a bench share: the runtime, signals, exit statuses.

use beamwarden_drivers::Class;
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
/// second leaves out what is left of tidying up. None ends the process before the safe state.
#[cfg(unix)]
pub(super) fn stop_on_signals() -> Control {
    use tokio::signal::unix::{SignalKind, signal};
    let stop = Control::default();
    let kinds = [
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::hangup(),
        SignalKind::quit(),
    ];
    for kind in kinds {
        // Registered here and now: from the first byte to an instrument none may end the process.
        match signal(kind) {
            Ok(mut signals) => {
                let asked = stop.clone();
                tokio::spawn(async move {
                    while signals.recv().await.is_some() {
                        asked.stop_now();
                    }
                });
            }
            Err(error) => tracing::warn!(?kind, %error, "this signal cannot be caught"),
        }
    }
    stop
}

/// As [`stop_on_signals`]; and a user signal pauses the run or lets it go on, another stops it after
/// the point at hand. Neither may end the process by default.
#[cfg(unix)]
pub(super) fn wish_on_signals() -> Control {
    use tokio::signal::unix::{SignalKind, signal};
    let control = stop_on_signals();
    let pause_or_go_on: fn(&Control) = |control| match control.pausing() {
        true => control.go_on(),
        false => control.pause(),
    };
    let wishes = [
        (SignalKind::user_defined1(), pause_or_go_on),
        (SignalKind::user_defined2(), Control::stop_after_point),
    ];
    for (kind, wish) in wishes {
        match signal(kind) {
            Ok(mut signals) => {
                let told = control.clone();
                tokio::spawn(async move {
                    while signals.recv().await.is_some() {
                        wish(&told);
                    }
                });
            }
            Err(error) => tracing::warn!(?kind, %error, "this signal cannot be caught"),
        }
    }
    control
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
