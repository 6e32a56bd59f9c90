//! The only place that reads the wall clock.
//!
//! A run reads it once, at its start; every later time is that moment plus what has passed on
//! tokio's clock. On a bench that needs no hardware tokio's clock is simulated, and the record's
//! times are those of the simulated night.

use jiff::{SignedDuration, Timestamp};
use tokio::time::Instant;

/// Wall-clock times of one process.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    wall_start: Timestamp,
    start: Instant,
}

impl Clock {
    /// Reads the wall clock.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the named place")]
    pub fn start() -> Self {
        Self::starting_at(Timestamp::now())
    }

    /// Reads the wall clock; what it says is never before `at`, as the last line of a record whose
    /// simulated night was longer than the real one.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the named place")]
    pub fn start_not_before(at: Timestamp) -> Self {
        Self::starting_at(Timestamp::now().max(at))
    }

    /// A clock that says `wall_start` now; for tests.
    #[must_use]
    pub fn starting_at(wall_start: Timestamp) -> Self {
        Clock { wall_start, start: Instant::now() }
    }

    /// Now.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        self.at(Instant::now())
    }

    /// The wall-clock time of a moment of this process, to the microsecond.
    #[must_use]
    pub fn at(&self, moment: Instant) -> Timestamp {
        let passed = moment.saturating_duration_since(self.start);
        let micros = i64::try_from(passed.as_micros()).unwrap_or(i64::MAX);
        let time = self.wall_start.checked_add(SignedDuration::from_micros(micros));
        let time = time.unwrap_or(self.wall_start);
        let whole = time.as_microsecond();
        Timestamp::from_microsecond(whole).unwrap_or(time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[tokio::test(start_paused = true)]
    async fn follows_the_simulated_clock() {
        let clock = Clock::starting_at("2026-03-14T21:40:07.1234567Z".parse().unwrap());
        tokio::time::advance(Duration::from_secs(3600)).await;
        assert_eq!(clock.now().to_string(), "2026-03-14T22:40:07.123456Z");
    }
}
