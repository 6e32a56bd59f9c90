//! What commands that reach a bench share: the runtime, signals, exit statuses.

use beamwarden_drivers::Class;
use tokio::runtime::{Builder, Runtime};

use super::{Ended, Failure, FailureKind};
use crate::bench::{BenchError, BenchPlan};
use crate::run::{RunError, Stop};

/// A runtime whose clock is simulated when the whole bench is: then waiting costs no time.
pub(super) fn runtime(plan: &BenchPlan) -> Result<Runtime, Failure> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(Failure::internal)?;
    if plan.is_simulated() {
        runtime.block_on(async { tokio::time::pause() });
    }
    Ok(runtime)
}

/// Asks for a stop on the first interrupt or termination signal.
pub(super) fn stop_on_signals() -> Stop {
    let stop = Stop::default();
    let asked = stop.clone();
    tokio::spawn(async move {
        wait_for_signal().await;
        asked.ask();
    });
    stop
}

#[cfg(unix)]
async fn wait_for_signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let mut others = Vec::new();
    for kind in [SignalKind::terminate(), SignalKind::hangup()] {
        if let Ok(stream) = signal(kind) {
            others.push(stream);
        }
    }
    let [terminate, hangup] = others.as_mut_slice() else {
        let _ = tokio::signal::ctrl_c().await;
        return;
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
        _ = hangup.recv() => {}
    }
}

#[cfg(not(unix))]
async fn wait_for_signal() {
    let _ = tokio::signal::ctrl_c().await;
}

/// The exit status that belongs to a class of error.
fn ended(class: Class) -> Ended {
    match class {
        Class::Transient | Class::Instrument => Ended::Instrument,
        Class::Limit => Ended::Limit,
        Class::Operator => Ended::Stopped,
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
