//! Automatic beam search: which pair of beams to probe next, and which to choose in the end.
//!
//! A strategy is asked for the next pair and told the figure of each; it does neither I/O nor
//! timing. A figure is an SNR in dB; `None` means that the probe saw nothing above noise or was
//! lost.

/// Indices into the two codebooks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct BeamPair {
    /// Beam of the transmit codebook.
    pub tx: usize,
    /// Beam of the receive codebook.
    pub rx: usize,
}

/// One probe and what it showed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// The pair.
    pub pair: BeamPair,
    /// SNR in dB; `None` when nothing was received.
    pub snr_db: Option<f64>,
}

/// Which array's beams may change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sides {
    /// Only the transmitter's.
    Tx,
    /// Only the receiver's.
    Rx,
    /// Both.
    Both,
}

impl Sides {
    /// The word used in files and on the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Sides::Tx => "tx",
            Sides::Rx => "rx",
            Sides::Both => "both",
        }
    }

    /// All words, in the order of [`Sides::parse`].
    pub const WORDS: &'static [&'static str] = &["tx", "rx", "both"];

    /// Reads the word.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        match word {
            "tx" => Some(Sides::Tx),
            "rx" => Some(Sides::Rx),
            "both" => Some(Sides::Both),
            _ => None,
        }
    }
}

/// A way of choosing probes.
pub trait Strategy: Send {
    /// The next pair to probe, given all probes so far; `None` when enough is known.
    fn next(&mut self, probes: &[Probe]) -> Option<BeamPair>;

    /// Upper bound of the number of probes, for progress.
    fn probes_max(&self) -> usize;
}

/// The strategies by the words used in files and on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StrategyKind {
    /// Every allowed pair once.
    Exhaustive,
    /// One side after the other, each over its whole codebook, until neither changes.
    AlternatingSides,
}

impl StrategyKind {
    /// All words, in the order of the enum.
    pub const WORDS: &'static [&'static str] = &["exhaustive", "alternating sides"];

    /// The word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            StrategyKind::Exhaustive => Self::WORDS[0],
            StrategyKind::AlternatingSides => Self::WORDS[1],
        }
    }

    /// Reads the word.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        match word {
            "exhaustive" => Some(StrategyKind::Exhaustive),
            "alternating sides" => Some(StrategyKind::AlternatingSides),
            _ => None,
        }
    }

    /// Starts a search over codebooks of these sizes from the present pair.
    #[must_use]
    pub fn start(self, space: SearchSpace) -> Box<dyn Strategy> {
        match self {
            StrategyKind::Exhaustive => Box::new(Exhaustive { space, given: 0 }),
            StrategyKind::AlternatingSides => Box::new(AlternatingSides::new(space)),
        }
    }
}

/// What a search may choose from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SearchSpace {
    /// Beams of the transmit codebook.
    pub tx_beams: usize,
    /// Beams of the receive codebook.
    pub rx_beams: usize,
    /// Which side may change.
    pub sides: Sides,
    /// The pair in use now; the fixed side keeps its part.
    pub present: BeamPair,
}

impl SearchSpace {
    fn tx_count(&self) -> usize {
        if self.sides == Sides::Rx { 1 } else { self.tx_beams }
    }

    fn rx_count(&self) -> usize {
        if self.sides == Sides::Tx { 1 } else { self.rx_beams }
    }

    fn pair(&self, tx: usize, rx: usize) -> BeamPair {
        BeamPair {
            tx: if self.sides == Sides::Rx { self.present.tx } else { tx },
            rx: if self.sides == Sides::Tx { self.present.rx } else { rx },
        }
    }
}

/// Every allowed pair once, the receive side fastest.
struct Exhaustive {
    space: SearchSpace,
    given: usize,
}

impl Strategy for Exhaustive {
    fn next(&mut self, _probes: &[Probe]) -> Option<BeamPair> {
        let rx_count = self.space.rx_count().max(1);
        if self.given >= self.probes_max() {
            return None;
        }
        let pair = self.space.pair(self.given / rx_count, self.given % rx_count);
        self.given += 1;
        Some(pair)
    }

    fn probes_max(&self) -> usize {
        self.space.tx_count() * self.space.rx_count()
    }
}

/// Sweeps one side with the other held at its best so far, then the other, until a sweep changes
/// nothing. Cheap where the two sides are nearly independent, as on a link with one strong path.
struct AlternatingSides {
    space: SearchSpace,
    best: BeamPair,
    sweeping_rx: bool,
    position: usize,
    sweep_began: usize,
    unchanged: usize,
    sweeps: usize,
}

/// More sweeps than this mean that noise decides, not the beams.
const SWEEPS_MAX: usize = 6;

impl AlternatingSides {
    fn new(space: SearchSpace) -> Self {
        let sweeping_rx = space.sides != Sides::Tx;
        AlternatingSides {
            space,
            best: space.present,
            sweeping_rx,
            position: 0,
            sweep_began: 0,
            unchanged: 0,
            sweeps: 0,
        }
    }

    fn side_count(&self) -> usize {
        if self.sweeping_rx { self.space.rx_count() } else { self.space.tx_count() }
    }

    /// Judges the sweep that has just ended; false when the search is over.
    fn turn(&mut self, probes: &[Probe]) -> bool {
        let before = self.best;
        if let Some(best) = best_probe(&probes[self.sweep_began.min(probes.len())..]) {
            self.best = best.pair;
        }
        self.unchanged = if self.best == before { self.unchanged + 1 } else { 0 };
        self.sweeps += 1;
        let one_sided = self.space.sides != Sides::Both;
        if one_sided || self.sweeps >= SWEEPS_MAX || (self.sweeps >= 2 && self.unchanged >= 1) {
            return false;
        }
        self.sweeping_rx = !self.sweeping_rx;
        self.position = 0;
        self.sweep_began = probes.len();
        true
    }
}

impl Strategy for AlternatingSides {
    fn next(&mut self, probes: &[Probe]) -> Option<BeamPair> {
        if self.position >= self.side_count() && !self.turn(probes) {
            return None;
        }
        let pair = if self.sweeping_rx {
            self.space.pair(self.best.tx, self.position)
        } else {
            self.space.pair(self.position, self.best.rx)
        };
        self.position += 1;
        Some(pair)
    }

    fn probes_max(&self) -> usize {
        match self.space.sides {
            Sides::Both => SWEEPS_MAX.div_ceil(2) * (self.space.tx_count() + self.space.rx_count()),
            _ => self.side_count(),
        }
    }
}

/// The probe with the highest SNR; the earlier of two equal ones.
#[must_use]
pub fn best_probe(probes: &[Probe]) -> Option<Probe> {
    let mut best: Option<Probe> = None;
    for probe in probes {
        if let Some(snr_db) = probe.snr_db.filter(|snr| snr.is_finite())
            && best.and_then(|best| best.snr_db).is_none_or(|held| snr_db > held)
        {
            best = Some(*probe);
        }
    }
    best
}

/// What a search found.
#[derive(Clone, Debug, PartialEq)]
pub struct SearchResult {
    /// The best pair, or `None` when no probe rose above noise.
    pub chosen: Option<Probe>,
    /// The best pair other than the chosen one.
    pub runner_up: Option<Probe>,
    /// All probes in order.
    pub probes: Vec<Probe>,
}

impl SearchResult {
    /// Judges a finished or interrupted search.
    #[must_use]
    pub fn of(probes: Vec<Probe>) -> Self {
        let chosen = best_probe(&probes);
        let others: Vec<Probe> = probes
            .iter()
            .copied()
            .filter(|probe| chosen.is_none_or(|chosen| chosen.pair != probe.pair))
            .collect();
        SearchResult { chosen, runner_up: best_probe(&others), probes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beam::{ArrayGeometry, Codebook};

    /// Runs a strategy against array factors in closed form with one path.
    fn run(kind: StrategyKind, sides: Sides, tx_at_deg: f64, rx_at_deg: f64) -> SearchResult {
        let array = ArrayGeometry::uniform(8, 0.5, 5);
        let book = Codebook::scan(&array, -60.0, 60.0, 17);
        let mut strategy = kind.start(SearchSpace {
            tx_beams: 17,
            rx_beams: 17,
            sides,
            present: BeamPair { tx: 8, rx: 8 },
        });
        let mut probes = Vec::new();
        while let Some(pair) = strategy.next(&probes) {
            let gain = array.gain_db(&book.beams[pair.tx].codes, tx_at_deg)
                + array.gain_db(&book.beams[pair.rx].codes, rx_at_deg);
            let snr_db = Some(17.5 + gain).filter(|snr| *snr > -15.0);
            probes.push(Probe { pair, snr_db });
            assert!(probes.len() <= strategy.probes_max());
        }
        SearchResult::of(probes)
    }

    #[track_caller]
    fn check_search(kind: StrategyKind, sides: Sides, pair: (usize, usize), probes: usize) {
        let result = run(kind, sides, 20.0, -33.0);
        let chosen = result.chosen.unwrap();
        assert_eq!((chosen.pair.tx, chosen.pair.rx), pair);
        assert_eq!(result.probes.len(), probes);
        assert!(result.runner_up.unwrap().snr_db <= chosen.snr_db);
    }

    /// sin 20 deg = 0.342 and sin -33 deg = -0.545 lie nearest to beams 8 + 3 and 8 - 5 of a
    /// codebook with steps of 0.1083.
    #[test]
    fn strategies_find_the_best_pair() {
        use StrategyKind::{AlternatingSides, Exhaustive};
        check_search(Exhaustive, Sides::Both, (11, 3), 289);
        check_search(Exhaustive, Sides::Rx, (8, 3), 17);
        check_search(Exhaustive, Sides::Tx, (11, 8), 17);
        check_search(AlternatingSides, Sides::Both, (11, 3), 51);
        check_search(AlternatingSides, Sides::Rx, (8, 3), 17);
    }

    #[test]
    fn nothing_above_noise_is_no_beam() {
        let lost = |tx, rx| Probe { pair: BeamPair { tx, rx }, snr_db: None };
        let result = SearchResult::of(vec![lost(0, 0), lost(0, 1)]);
        assert_eq!((result.chosen, result.runner_up), (None, None));
        let nan = Probe { pair: BeamPair { tx: 0, rx: 2 }, snr_db: Some(f64::NAN) };
        assert_eq!(best_probe(&[nan, lost(1, 1)]), None);
    }
}
