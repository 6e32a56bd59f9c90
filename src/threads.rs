//! Lends the machine's cores to work that falls into independent parts. The physical layer itself
//! starts no threads; whoever calls it from a program does so with these. Also does what waits for a disk
//! beside what computes. Knows nothing of the work.

use crate::phy::workers::{Task, Workers};

/// As many workers as the machine has cores, shared by the whole process.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cores;

impl Workers for Cores {
    fn run<'a>(&self, tasks: Vec<Task<'a>>) {
        rayon::scope(|scope| {
            for task in tasks {
                scope.spawn(|_| task());
            }
        });
    }
}

/// Does two things at once: `waiting`, which mostly waits for a disk, on a thread of its own, and
/// `computing` on this one.
pub fn beside<W: Send, C>(
    waiting: impl FnOnce() -> W + Send,
    computing: impl FnOnce() -> C,
) -> (W, C) {
    std::thread::scope(|scope| {
        let waiting = scope.spawn(waiting);
        let computed = computing();
        let waited = waiting.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        (waited, computed)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_are_done_and_a_panic_reaches_the_caller() {
        assert_eq!(beside(|| 1, || "two"), (1, "two"));
        let panicked = std::panic::catch_unwind(|| beside(|| panic!("disk"), || 2));
        let text = panicked.expect_err("one of the two panicked");
        assert_eq!(text.downcast_ref::<&str>(), Some(&"disk"));
    }
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn every_task_is_done_once_before_the_call_returns() {
        let done = AtomicUsize::new(0);
        let tasks = (0..100).map(|n| -> Task<'_> {
            let done = &done;
            Box::new(move || {
                done.fetch_add(n, Ordering::Relaxed);
            })
        });
        Cores.run(tasks.collect());
        assert_eq!(done.into_inner(), 4950);
    }
}
