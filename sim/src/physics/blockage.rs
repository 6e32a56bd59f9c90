//! Something that passes through the way of the signal, for a while.
//!
//! Time is an argument. Knows nothing of where the ways lie: losses come one per ray.

use super::gaussian::{Purpose, Stream};

/// One event: the loss grows in dB at a constant rate, stays, and falls again.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// When the loss begins to grow, s since the bench began.
    pub begin_s: f64,
    /// From there until nothing is left of it, s.
    pub duration_s: f64,
    /// How long it takes to grow, and to fall, s.
    pub ramp_s: f64,
}

impl Block {
    /// Share of the full loss, in dB, at a time.
    fn share(&self, at_s: f64) -> f64 {
        let (since, left) = (at_s - self.begin_s, self.begin_s + self.duration_s - at_s);
        let inside = since.min(left);
        if inside < 0.0 {
            return 0.0;
        }
        if self.ramp_s == 0.0 { 1.0 } else { (inside / self.ramp_s).min(1.0) }
    }
}

/// Events with their losses per ray, dB; a ray beyond the list loses nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct Listed {
    /// When.
    pub block: Block,
    /// Loss of each ray, the direct one first, dB.
    pub losses_db: Vec<f64>,
}

/// Events at random: a Poisson process, durations uniform.
#[derive(Debug, Clone, PartialEq)]
pub struct AtRandom {
    /// Seed of the bench.
    pub seed: u64,
    /// Mean time between the begins of two events, s.
    pub interval_s: f64,
    /// Shortest and longest duration, s.
    pub duration_s: (f64, f64),
    /// As in [`Block`].
    pub ramp_s: f64,
    /// As in [`Listed`].
    pub losses_db: Vec<f64>,
}

impl AtRandom {
    /// Events that begin in the slot of time number `slot`, one mean interval long. Each slot has a
    /// stream of its own, so that any time can be looked at without the times before it.
    fn slot(&self, slot: u64) -> Vec<Block> {
        let mut random = Stream::new(self.seed, Purpose::Blockage, slot);
        // The number of events in a slot is Poisson with mean 1: uniform factors until the product
        // falls below exp(-1) (D. E. Knuth, The Art of Computer Programming, vol. 2, sec. 3.4.1).
        let mut count = 0;
        let mut product = random.uniform();
        while product > libm::exp(-1.0) {
            count += 1;
            product *= random.uniform();
        }
        let (least, most) = self.duration_s;
        (0..count)
            .map(|_| Block {
                begin_s: (slot as f64 + random.uniform()) * self.interval_s,
                duration_s: least + (most - least) * random.uniform(),
                ramp_s: self.ramp_s,
            })
            .collect()
    }

    fn share(&self, at_s: f64) -> f64 {
        let now = (at_s / self.interval_s).floor() as u64;
        let reach = (self.duration_s.1 / self.interval_s).ceil() as u64;
        let slots = now.saturating_sub(reach)..=now;
        slots.flat_map(|slot| self.slot(slot)).map(|block| block.share(at_s)).sum()
    }
}

/// All that can stand in the way.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Blockages {
    /// At told times.
    pub listed: Vec<Listed>,
    /// At random times.
    pub random: Option<AtRandom>,
}

impl Blockages {
    /// Loss of every ray at a time, dB. Events at the same time add up.
    pub fn losses_db(&self, rays: usize, at_s: f64) -> Vec<f64> {
        let mut losses = vec![0.0; rays];
        let mut add = |share: f64, losses_db: &[f64]| {
            for (sum, loss_db) in losses.iter_mut().zip(losses_db) {
                *sum += share * loss_db;
            }
        };
        for event in &self.listed {
            add(event.block.share(at_s), &event.losses_db);
        }
        if let Some(random) = &self.random {
            add(random.share(at_s), &random.losses_db);
        }
        losses
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_grows_stays_and_falls() {
        let block = Block { begin_s: 10.0, duration_s: 2.0, ramp_s: 0.5 };
        let shares = [9.9, 10.25, 10.5, 11.0, 11.75, 12.0, 12.1].map(|t| block.share(t));
        assert_eq!(shares, [0.0, 0.5, 1.0, 1.0, 0.5, 0.0, 0.0]);
        let sharp = Block { ramp_s: 0.0, ..block };
        assert_eq!([9.999, 10.0, 12.0, 12.001].map(|t| sharp.share(t)), [0.0, 1.0, 1.0, 0.0]);
    }

    #[test]
    fn each_ray_has_its_loss_and_events_add_up() {
        let event = |begin_s, losses_db| Listed {
            block: Block { begin_s, duration_s: 4.0, ramp_s: 1.0 },
            losses_db,
        };
        let blockages = Blockages {
            listed: vec![event(0.0, vec![20.0, 6.0]), event(2.0, vec![8.0])],
            random: None,
        };
        assert_eq!(blockages.losses_db(3, 2.5), [24.0, 6.0, 0.0]);
    }

    #[test]
    fn random_events_are_a_poisson_process() {
        let random = AtRandom {
            seed: 3,
            interval_s: 7.0,
            duration_s: (0.5, 2.5),
            ramp_s: 0.1,
            losses_db: vec![20.0],
        };
        let slots = 20_000u64;
        let counts: Vec<usize> = (0..slots).map(|slot| random.slot(slot).len()).collect();
        let n = slots as f64;
        let mean = counts.iter().sum::<usize>() as f64 / n;
        let none = counts.iter().filter(|count| **count == 0).count() as f64 / n;
        // Poisson with mean 1: variance 1, P(0) = exp(-1); five standard deviations.
        assert!((mean - 1.0).abs() < 5.0 / n.sqrt(), "{mean}");
        let p = (-1.0f64).exp();
        assert!((none - p).abs() < 5.0 * (p * (1.0 - p) / n).sqrt(), "{none}");
        // Mean share of time times events: mean duration less one ramp, over the interval.
        let steps = 200_000;
        let share: f64 =
            (0..steps).map(|k| random.share(f64::from(k) * 0.35)).sum::<f64>() / f64::from(steps);
        // 10,000 events of 1.4 s effective: some 1.2 % of spread.
        assert!((share / (1.4 / 7.0) - 1.0).abs() < 0.06, "{share}");
    }
}
