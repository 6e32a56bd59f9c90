//! What was ever changed at the instruments, for tests: every change in order, and how far every setting
//! ever went.
//!
//! Knows nothing of how a client works. It looks on; nothing depends on it.

use std::collections::VecDeque;
use std::time::Duration;

use crate::faults::{each, name_of};
use crate::post::Post;
use crate::world::World;

/// Changes that the back door keeps unless it is told otherwise.
pub const CHANGES_KEPT: usize = 10_000;

/// Something that changed at an instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Its number on this bench, from 1.
    pub number: u64,
    /// When, since the bench began.
    pub at: Duration,
    /// At which instrument.
    pub instrument: Post,
    /// What.
    pub what: Changed,
}

/// What changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Changed {
    /// A setting stands elsewhere.
    Setting {
        /// Which, as [`settings_of`](crate::settings_of) has them.
        setting: &'static str,
        /// The element, where each of an array has its own.
        element: Option<usize>,
        /// Where it stood, as [`SettingSeen`] has numbers.
        before: f64,
        /// Where it stands.
        now: f64,
        /// Who did it.
        by: By,
    },
    /// A client opened a link.
    Opened,
    /// A link is gone, whoever ended it.
    Closed,
}

/// Who changes a setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// A client's command.
    Client,
    /// The instrument itself: a fault, a protection, lost power.
    Itself,
}

/// How far a setting ever went. Numbers are in base units; a switch is 0 or 1, a word its place in the
/// command's list; the word of an element is its register.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettingSeen {
    /// At which instrument.
    pub instrument: Post,
    /// Which, as [`settings_of`](crate::settings_of) has them.
    pub setting: &'static str,
    /// The element, where each of an array has its own.
    pub element: Option<usize>,
    /// Where it stands.
    pub now: f64,
    /// The smallest and the largest value at which it ever stood, since the bench began.
    pub stood: (f64, f64),
    /// The same of what clients' commands made of it; `None` when none ever changed it.
    pub set: Option<(f64, f64)>,
}

impl SettingSeen {
    fn moves(&mut self, value: f64, by: By) {
        self.now = value;
        self.stood = wider(self.stood, value);
        if by == By::Client {
            self.set = Some(wider(self.set.unwrap_or((value, value)), value));
        }
    }
}

fn wider((least, most): (f64, f64), value: f64) -> (f64, f64) {
    (least.min(value), most.max(value))
}

/// Looks on at a bench.
#[derive(Debug)]
pub(crate) struct Onlooker {
    seen: [Vec<SettingSeen>; 5],
    log: VecDeque<Change>,
    most: usize,
    /// How many were ever written down.
    noted: u64,
}

impl Default for Onlooker {
    fn default() -> Self {
        let seen = std::array::from_fn(|_| Vec::new());
        Self { seen, log: VecDeque::new(), most: CHANGES_KEPT, noted: 0 }
    }
}

impl Onlooker {
    fn note(&mut self, at: Duration, instrument: Post, what: Changed) {
        self.noted += 1;
        self.log.push_back(Change { number: self.noted, at, instrument, what });
        if self.log.len() > self.most {
            self.log.pop_front();
        }
    }

    /// Keeps so many from now on.
    pub fn keep(&mut self, most: usize) {
        self.most = most;
        self.log.drain(..self.log.len().saturating_sub(most));
    }

    /// Those that are kept, after the first `known` ones.
    pub fn after(&self, known: u64) -> Vec<Change> {
        let new = usize::try_from(self.noted.saturating_sub(known)).unwrap_or(usize::MAX);
        let before = self.log.len().saturating_sub(new);
        self.log.iter().skip(before).cloned().collect()
    }

    /// Every setting of every instrument.
    pub fn seen(&self) -> Vec<SettingSeen> {
        self.seen.iter().flatten().copied().collect()
    }
}

impl World {
    /// Looks where the settings of an instrument stand, and writes down what changed since the last look.
    pub(crate) fn look(&mut self, post: Post, by: By) {
        let mut onlooker = std::mem::take(&mut self.onlooker);
        let mut seen = std::mem::take(&mut onlooker.seen[post.index()]);
        let mut place = 0;
        let mut last_row = None;
        let mut element = 0;
        each(self, post, |row, value| {
            element = if last_row == Some(row) { element + 1 } else { 0 };
            last_row = Some(row);
            match seen.get_mut(place) {
                None => seen.push(SettingSeen {
                    instrument: post,
                    setting: name_of(post, row),
                    element: name_of(post, row).ends_with(".elements").then_some(element),
                    now: value,
                    stood: (value, value),
                    set: None,
                }),
                // The same number: nothing is calculated with it on the way.
                Some(known) if known.now.to_bits() == value.to_bits() => {}
                Some(known) => {
                    let (setting, element, before) = (known.setting, known.element, known.now);
                    known.moves(value, by);
                    let what = Changed::Setting { setting, element, before, now: value, by };
                    onlooker.note(self.now, post, what);
                }
            }
            place += 1;
        });
        onlooker.seen[post.index()] = seen;
        self.onlooker = onlooker;
    }

    /// Writes down that a link was opened or is gone.
    pub(crate) fn note_link(&mut self, post: Post, what: Changed) {
        self.onlooker.note(self.now, post, what);
    }
}
