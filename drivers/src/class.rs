//! The class of an error: what whoever meets it may do about it.
//!
//! Knows no kinds of errors; each error type maps its own kinds to a class.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What an error means for whoever has to go on after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// The link failed or was disturbed; the same step may succeed when it is repeated.
    Transient,
    /// The instrument refuses, reports an error, is not the one expected, or is not to be found.
    Instrument,
    /// A value is beyond a limit; nothing was sent.
    Limit,
    /// A person stopped something, or has to decide.
    Operator,
    /// A fault of this program or of a profile, not of the bench.
    Internal,
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Class::Transient => "transient",
            Class::Instrument => "instrument",
            Class::Limit => "limit",
            Class::Operator => "operator",
            Class::Internal => "internal",
        })
    }
}
