//! Lends the machine's cores to work that falls into independent parts. The physical layer itself
//! starts no threads; whoever calls it from a program does so with these. Knows nothing of the work.

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

#[cfg(test)]
mod tests {
    use super::*;
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
