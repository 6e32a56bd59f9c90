//! Times in files: waits, periods, deadlines.
//!
//! Knows nothing of what waits.

use std::time::Duration;

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::Node;
use beamwarden_drivers::quantity::{Dimension, Quantity};

/// Longest time that a file may ask for: a year. Deadlines are sums of such, and must not overflow
/// the clock.
pub const DURATION_MAX: Duration = Duration::from_secs(366 * 24 * 3600);

/// The time behind a key, not negative and not too long. What is no time at all the grammar has
/// reported.
pub fn duration_of(node: &Node, key: &str, faults: &mut Vec<Fault>) -> Option<Duration> {
    duration(node.get(key)?, key, faults)
}

/// The same, but more than nothing.
pub fn period_of(node: &Node, key: &str, faults: &mut Vec<Fault>) -> Option<Duration> {
    let place = node.get(key)?;
    let period = duration(place, key, faults)?;
    if period.is_zero() {
        let message = format!("'{key}' is more than 0 s");
        faults.push(Fault::new(place.span.clone(), message));
        return None;
    }
    Some(period)
}

/// The time that stands at a node; `what` names it in messages.
pub fn duration(node: &Node, what: &str, faults: &mut Vec<Fault>) -> Option<Duration> {
    let seconds = Quantity::parse(node.text()?, Dimension::Time).ok()?.value;
    let message = match Duration::try_from_secs_f64(seconds) {
        Ok(duration) if duration <= DURATION_MAX => return Some(duration),
        Ok(_) => format!("'{what}' is at most a year"),
        Err(_) if seconds < 0.0 => format!("'{what}' cannot be negative"),
        Err(_) => format!("'{what}' is at most a year"),
    };
    faults.push(Fault::new(node.span.clone(), message));
    None
}
