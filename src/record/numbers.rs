//! A set of whole numbers that mostly follow one another: points, captures. A hundred thousand in a
//! row take as much memory as one.

use std::collections::BTreeMap;

/// The set, as ranges.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Numbers {
    /// Last number of each range by its first; none touches another.
    ranges: BTreeMap<u64, u64>,
    count: u64,
}

impl Numbers {
    /// Takes a number in; false when it was there.
    pub fn insert(&mut self, n: u64) -> bool {
        if self.contains(n) {
            return false;
        }
        let after = n.checked_add(1).and_then(|next| self.ranges.remove(&next));
        let last = after.unwrap_or(n);
        let before = self.ranges.range_mut(..n).next_back();
        match before.filter(|(_, end)| **end + 1 == n) {
            Some((_, end)) => *end = last,
            None => {
                self.ranges.insert(n, last);
            }
        }
        self.count += 1;
        true
    }

    /// Takes a number out; false when it was not there.
    pub fn remove(&mut self, n: u64) -> bool {
        let Some((&first, &last)) = self.ranges.range(..=n).next_back() else { return false };
        if last < n {
            return false;
        }
        self.ranges.remove(&first);
        if first < n {
            self.ranges.insert(first, n - 1);
        }
        if n < last {
            self.ranges.insert(n + 1, last);
        }
        self.count -= 1;
        true
    }

    /// Whether a number is in it.
    pub fn contains(&self, n: u64) -> bool {
        self.ranges.range(..=n).next_back().is_some_and(|(_, last)| n <= *last)
    }

    /// How many there are.
    pub fn len(&self) -> u64 {
        self.count
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The smallest and the largest.
    pub fn ends(&self) -> Option<(u64, u64)> {
        Some((*self.ranges.first_key_value()?.0, *self.ranges.last_key_value()?.1))
    }

    /// The first number that is missing between the ends.
    pub fn first_gap(&self) -> Option<u64> {
        let (_, last) = self.ranges.first_key_value()?;
        (self.ranges.len() > 1).then(|| last + 1)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_set_of_ranges_is_a_set(steps in proptest::collection::vec((any::<bool>(), 0_u64..12), 0..60)) {
            let (mut numbers, mut plain) = (Numbers::default(), BTreeSet::new());
            for (insert, n) in steps {
                let n = if n == 11 { u64::MAX } else { n };
                if insert {
                    prop_assert_eq!(numbers.insert(n), plain.insert(n));
                } else {
                    prop_assert_eq!(numbers.remove(n), plain.remove(&n));
                }
                prop_assert_eq!(numbers.len(), plain.len() as u64);
                prop_assert!((0..12).chain([u64::MAX]).all(|n| numbers.contains(n) == plain.contains(&n)));
                let ends = plain.first().copied().zip(plain.last().copied());
                prop_assert_eq!(numbers.ends(), ends);
                let gap = ends.and_then(|(first, last)| (first..last).find(|n| !plain.contains(n)));
                prop_assert_eq!(numbers.first_gap(), gap);
            }
        }
    }
}
