//! What a run tells whoever watches. The watcher decides how it looks.

use crate::record::Figure;

/// Something that just happened.
#[derive(Clone, Debug)]
pub enum ProgressEvent<'a> {
    /// The run begins; so many measurements and searches lie ahead.
    Began {
        /// Name of the run.
        run: &'a str,
        /// Measurements and searches planned.
        actions: u64,
    },
    /// A section of the sequence begins: `prepare`, `steps`, `finally`, `safe state`.
    Phase(&'a str),
    /// A combination of sweep values begins, with its axes in words.
    Point {
        /// Number of the point; `None` at a turn of an outer sweep.
        point: Option<u64>,
        /// `turntable.angle 5 deg, frame mcs 9`.
        position: String,
    },
    /// A setting was made.
    Set {
        /// Its name.
        setting: &'a str,
        /// The value read back, in words.
        value: &'a str,
    },
    /// A search goes on.
    Probe {
        /// Probes so far.
        done: usize,
        /// Upper bound.
        most: usize,
    },
    /// A search ended, in words.
    Searched(String),
    /// A measurement goes on.
    Measuring {
        /// Its label.
        label: Option<&'a str>,
        /// Captures so far.
        captures: u64,
        /// Bits so far.
        bits: u64,
    },
    /// A measurement ended.
    Measured {
        /// Its label.
        label: Option<&'a str>,
        /// The frame.
        frame: &'a str,
        /// Its figures.
        figures: &'a [Figure],
        /// Whether all expectations held; `None` without expectations.
        passed: Option<bool>,
    },
    /// The run lives: an action begins, or a wait goes on.
    Alive,
    /// What the sequence says: a note, a question and its answer, a text for somebody.
    Said(&'a str),
    /// Something odd.
    Warning(&'a str),
}

/// A watcher.
pub trait Progress: Send {
    /// Takes one event.
    fn take(&mut self, event: ProgressEvent<'_>);
}

/// Nobody watches.
#[derive(Debug)]
pub struct Silent;

impl Progress for Silent {
    fn take(&mut self, _event: ProgressEvent<'_>) {}
}
