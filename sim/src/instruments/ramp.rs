//! Quantities that move to a target: at a constant rate, or ever more slowly.
//!
//! Time is an argument. Knows nothing of what moves.

use std::time::Duration;

/// From a value, since a time, toward a target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    from: f64,
    to: f64,
    since: Duration,
    rate: f64,
}

impl Ramp {
    /// At rest.
    pub fn at(value: f64) -> Self {
        Self { from: value, to: value, since: Duration::ZERO, rate: 1.0 }
    }

    /// Where it goes.
    pub fn target(&self) -> f64 {
        self.to
    }

    /// Which way it went or goes: 1 up, -1 down, 0 at rest.
    pub fn direction(&self) -> f64 {
        if self.to == self.from { 0.0 } else { (self.to - self.from).signum() }
    }

    /// From where it is at `now`, toward `to` at `rate` per second.
    pub fn turn(&mut self, to: f64, rate: f64, now: Duration) {
        *self = Self { from: self.value(now), to, since: now, rate };
    }

    /// Where it is.
    pub fn value(&self, now: Duration) -> f64 {
        let moved = self.rate * now.saturating_sub(self.since).as_secs_f64();
        if moved >= (self.to - self.from).abs() {
            return self.to;
        }
        self.from + moved.copysign(self.to - self.from)
    }

    /// When it arrives; the time it began for one at rest.
    pub fn end(&self) -> Duration {
        self.after((self.to - self.from).abs())
    }

    /// When it is at or just beyond `level`, if it passes there.
    pub fn crossing(&self, level: f64) -> Option<Duration> {
        let between = (self.from.min(self.to)..=self.from.max(self.to)).contains(&level);
        (between && self.from != self.to).then(|| self.after((level - self.from).abs()))
    }

    /// The instant at which `distance` has surely been covered: rounded up to the clock's grain.
    fn after(&self, distance: f64) -> Duration {
        if distance == 0.0 {
            return self.since;
        }
        let seconds = (distance / self.rate).min(1e9);
        self.since + Duration::from_secs_f64(seconds) + Duration::from_nanos(2)
    }
}

/// A quantity that comes nearer to its target by the same share in equal times.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Relaxation {
    value: f64,
    target: f64,
    constant_s: f64,
    at: Duration,
}

impl Relaxation {
    /// Where it was at the last turn.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Lets it go on as it did until `now`; from then on toward `target`, with the time constant
    /// `constant_s`.
    pub fn turn(&mut self, target: f64, constant_s: f64, now: Duration) {
        let passed_s = now.saturating_sub(self.at).as_secs_f64();
        let left = if self.constant_s > 0.0 { libm::exp(-passed_s / self.constant_s) } else { 0.0 };
        let value = self.target + (self.value - self.target) * left;
        *self = Self { value, target, constant_s, at: now };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_relaxation_does_not_depend_on_how_often_it_is_looked_at() {
        let mut rare = Relaxation::default();
        rare.turn(10.0, 3.0, Duration::ZERO);
        let mut often = rare;
        for ms in (100..6000).step_by(100) {
            often.turn(10.0, 3.0, Duration::from_millis(ms));
        }
        for relaxation in [&mut rare, &mut often] {
            relaxation.turn(0.0, 3.0, Duration::from_secs(6));
            // 10 (1 - exp(-6/3)), arithmetic.
            assert!((relaxation.value() - 10.0 * (1.0 - (-2.0f64).exp())).abs() < 1e-12);
        }
        rare.turn(0.0, 3.0, Duration::from_secs(9));
        assert!((rare.value() - 10.0 * (1.0 - (-2.0f64).exp()) * (-1.0f64).exp()).abs() < 1e-12);
    }

    #[test]
    fn it_moves_at_its_rate_and_stops() {
        let mut ramp = Ramp::at(10.0);
        ramp.turn(-10.0, 5.0, Duration::from_secs(100));
        assert_eq!(ramp.value(Duration::from_secs(100)), 10.0);
        assert_eq!(ramp.value(Duration::from_secs(101)), 5.0);
        assert_eq!(ramp.value(ramp.end()), -10.0);
        assert!(ramp.end() <= Duration::from_secs(104) + Duration::from_nanos(2));
    }

    #[test]
    fn a_crossing_lies_at_or_beyond_the_level() {
        let mut ramp = Ramp::at(0.0);
        ramp.turn(1.2, 60.0, Duration::ZERO);
        let up = ramp.crossing(0.9).expect("it passes");
        assert!(ramp.value(up) >= 0.9 && ramp.value(up) < 0.9001);
        ramp.turn(0.0, 60.0, Duration::from_secs(1));
        let down = ramp.crossing(0.9).expect("it passes");
        assert!(ramp.value(down) < 0.9);
        assert_eq!(ramp.crossing(1.5), None);
        assert_eq!(Ramp::at(0.9).crossing(0.9), None);
    }

    #[test]
    fn a_new_target_starts_from_where_it_is() {
        let mut ramp = Ramp::at(0.0);
        ramp.turn(10.0, 1.0, Duration::ZERO);
        ramp.turn(0.0, 1.0, Duration::from_secs(4));
        assert_eq!(ramp.value(Duration::from_secs(6)), 2.0);
    }
}
