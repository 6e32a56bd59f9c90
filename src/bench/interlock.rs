//! Interlocks: conditions on readings that are watched during a whole run.
//!
//! Values only; the run watches. An interlock in software is no protection of people: that needs
//! hardware, by the rules of the site.

use std::time::Duration;

use beamwarden_drivers::quantity::Dimension;

use super::bounds::Bounds;

/// A condition on one reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Interlock {
    /// Its name, for messages: the reading's when none was given.
    pub name: String,
    /// The reading, or a setting that is read back: `supply.current`.
    pub reading: String,
    /// What it must be.
    pub wanted: Wanted,
    /// How often it is looked at.
    pub every: Duration,
    /// A reading that was not had for so long counts as out of bounds.
    pub within: Duration,
    /// What happens.
    pub then: Trip,
}

/// What a reading must be.
#[derive(Clone, Debug, PartialEq)]
pub enum Wanted {
    /// A number within bounds.
    Within(Bounds, Dimension),
    /// A switch in this position: a lock bit, a contact.
    Switch(bool),
    /// One of these words.
    OneOf(Vec<String>),
}

/// What happens when a condition does not hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trip {
    /// Safe state, and the run ends.
    Stop,
    /// Safe state; when the condition has held for `settle`, the settings are made again and the point
    /// begins anew. After `at_most` the run ends.
    Pause {
        /// How long the condition must hold.
        settle: Duration,
        /// Longest pause.
        at_most: Duration,
    },
}
