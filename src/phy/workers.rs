//! Work that falls into independent parts, handed to whoever has hands for it.
//!
//! The physical layer starts no threads: the caller lends it workers, or lets it do the parts one
//! after the other. Results do not depend on who does which part.

/// A part of the work.
pub type Task<'a> = Box<dyn FnOnce() + Send + 'a>;

/// Those who do the parts.
pub trait Workers: Sync {
    /// Does all tasks, in any order, and returns when the last one is done.
    fn run<'a>(&self, tasks: Vec<Task<'a>>);
}

/// Does the tasks one after the other on the caller's thread.
#[derive(Clone, Copy, Debug, Default)]
pub struct Alone;

impl Workers for Alone {
    fn run<'a>(&self, tasks: Vec<Task<'a>>) {
        tasks.into_iter().for_each(|task| task());
    }
}

/// Applies `work` to chunks of `items` of at most `chunk` items each; it is told the index of the
/// chunk's first item.
pub(crate) fn on_chunks<T: Send>(
    workers: &dyn Workers,
    items: &mut [T],
    chunk: usize,
    work: impl Fn(usize, &mut [T]) + Sync,
) {
    let work = &work;
    let chunk = chunk.max(1);
    let tasks = items
        .chunks_mut(chunk)
        .enumerate()
        .map(|(n, items)| -> Task<'_> { Box::new(move || work(n * chunk, items)) });
    workers.run(tasks.collect());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_is_worked_on_once() {
        let mut items = vec![0; 10];
        on_chunks(&Alone, &mut items, 4, |first, items| {
            for (n, item) in items.iter_mut().enumerate() {
                *item += first + n + 1;
            }
        });
        assert_eq!(items, (1..=10).collect::<Vec<_>>());
        on_chunks(&Alone, &mut items[..0], 0, |_, _| unreachable!("there are no items"));
    }
}
