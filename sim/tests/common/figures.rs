//! What the checks against published figures share: worst deviations, and figures read off a pattern.

/// The worst deviation of many checks of one kind, and how far it may go.
pub struct Worst {
    what: &'static str,
    most: f64,
    worst: f64,
    place: String,
    count: usize,
}

impl Worst {
    pub fn new(what: &'static str, most: f64) -> Self {
        Self { what, most, worst: 0.0, place: String::new(), count: 0 }
    }

    pub fn note(&mut self, got: f64, expected: f64, place: impl Fn() -> String) {
        let off = (got - expected).abs();
        self.count += 1;
        // A NaN is worse than anything.
        if off.is_nan() || off > self.worst {
            (self.worst, self.place) = (if off.is_nan() { f64::INFINITY } else { off }, place());
        }
    }

    /// Fails when something was too far off or nothing was checked; otherwise a line to print.
    pub fn checked(self) -> String {
        let Self { what, most, worst, place, count } = self;
        let line = format!("{what}: {count} checks, worst {worst:.3e} of {most:e} at {place}");
        assert!(count > 0 && worst <= most, "{line}");
        line
    }
}

/// The maximum between two angles where there is only one, by golden sections.
pub fn peak_between(mut low: f64, mut high: f64, level: impl Fn(f64) -> f64) -> f64 {
    const SECTION: f64 = 0.618_033_988_749_894_8;
    for _ in 0..80 {
        let (a, b) = (high - SECTION * (high - low), low + SECTION * (high - low));
        if level(a) < level(b) { low = a } else { high = b }
    }
    0.5 * (low + high)
}

/// Where a level is crossed between two angles, one of them above it and one below, by bisection.
pub fn crossing_between(
    mut above: f64,
    mut below: f64,
    wanted: f64,
    level: impl Fn(f64) -> f64,
) -> f64 {
    for _ in 0..80 {
        let middle = 0.5 * (above + below);
        if level(middle) > wanted { above = middle } else { below = middle }
    }
    0.5 * (above + below)
}

/// Highest local maximum of a pattern in visible space outside the main lobe around `peak_deg`; an
/// edge of visible space counts as a maximum.
pub fn highest_sidelobe(peak_deg: f64, level: impl Fn(f64) -> f64) -> f64 {
    let steps = 7200;
    let angle = |k: i32| -90.0 + 180.0 * f64::from(k) / f64::from(steps);
    let levels: Vec<f64> = (0..=steps).map(|k| level(angle(k))).collect();
    let at = |k: i32| levels.get(usize::try_from(k).unwrap_or(usize::MAX)).copied();
    let outside = f64::NEG_INFINITY;
    (0..=steps)
        .filter(|k| {
            let here = levels[*k as usize];
            here > at(k - 1).unwrap_or(outside) && here >= at(k + 1).unwrap_or(outside)
        })
        .filter(|k| (angle(*k) - peak_deg).abs() > 0.2)
        .map(|k| {
            let (low, high) = ((angle(k) - 0.03).max(-90.0), (angle(k) + 0.03).min(90.0));
            level(peak_between(low, high, &level)).max(level(angle(k)))
        })
        .fold(outside, f64::max)
}
