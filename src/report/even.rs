//! An even selection of a long row, made while the row goes by: constant memory, whatever its length.

/// Things of a row: the first ones all, and of the others every so-manieth.
#[derive(Clone, Debug)]
pub(super) struct Even<T> {
    items: Vec<(usize, T)>,
    first: usize,
    most: usize,
    every: usize,
    count: usize,
}

impl<T> Even<T> {
    /// Keeps the `first` ones, and at most `most` of all, evenly chosen.
    pub(super) fn new(first: usize, most: usize) -> Self {
        Self { items: Vec::new(), first, most: most.max(1), every: 1, count: 0 }
    }

    /// Takes the next one of the row.
    pub(super) fn push(&mut self, item: T) {
        let place = self.count;
        self.count += 1;
        if place.is_multiple_of(self.every) {
            while place / self.every >= self.most {
                self.every *= 2;
                let (first, every) = (self.first, self.every);
                self.items.retain(|(place, _)| *place < first || place.is_multiple_of(every));
            }
        }
        if place < self.first || place.is_multiple_of(self.every) {
            self.items.push((place, item));
        }
    }

    /// Length of the whole row.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    /// The first ones of the row, at most so many as were to be kept.
    pub(super) fn first(&self, most: usize) -> impl Iterator<Item = &T> {
        let most = most.min(self.first);
        self.items.iter().take_while(move |(place, _)| *place < most).map(|(_, item)| item)
    }

    /// Every so-manieth of the whole row, so that there are at most `most`.
    pub(super) fn every(&self, most: usize) -> usize {
        self.count.div_ceil(most).max(1).next_multiple_of(self.every)
    }

    /// Those of [`Self::every`], each with its place in the row.
    pub(super) fn selected(&self, most: usize) -> impl Iterator<Item = (usize, &T)> {
        let every = self.every(most);
        let chosen = self.items.iter().filter(move |(place, _)| place.is_multiple_of(every));
        chosen.map(|(place, item)| (*place, item))
    }

    /// All that were kept, with their places.
    pub(super) fn kept(&self) -> impl Iterator<Item = (usize, &T)> {
        self.items.iter().map(|(place, item)| (*place, item))
    }

    /// All that were kept.
    pub(super) fn kept_mut(&mut self) -> impl Iterator<Item = &mut T> {
        self.items.iter_mut().map(|(_, item)| item)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_selection_is_even_and_bounded() {
        let check = |count: usize| {
            let mut even = Even::new(5, 16);
            (0..count).for_each(|n| even.push(n));
            assert_eq!(even.count(), count);
            assert!(even.kept().count() <= 16 + 5, "{count}");
            assert!(even.kept().all(|(place, n)| place == *n));
            let first: Vec<usize> = even.first(99).copied().collect();
            assert_eq!(first, (0..count.min(5)).collect::<Vec<_>>());
            for most in [1, 4, 16, 100] {
                let every = even.every(most);
                let wanted: Vec<usize> = (0..count).step_by(every).collect();
                assert_eq!(even.selected(most).map(|(_, n)| *n).collect::<Vec<_>>(), wanted);
                assert!(wanted.len() <= most.min(16), "{count} {most}");
                // At least half of what there is room for.
                assert!(2 * wanted.len() + 1 >= most.min(count).min(8), "{count} {most}");
            }
        };
        [0, 1, 5, 15, 16, 17, 31, 32, 33, 1000, 4097].into_iter().for_each(check);
    }
}
