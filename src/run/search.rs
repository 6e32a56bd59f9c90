//! A beam search on the bench: the strategy decides, this carries out.

use beamwarden_drivers::quantity::{Dimension, Quantity};

use super::engine::Engine;
use super::error::RunError;
use super::progress::ProgressEvent;
use super::recorder::axis_values;
use crate::beam::search::{BeamPair, Probe, SearchResult, SearchSpace, Sides};
use crate::bench::Span;
use crate::bench::knob::{BEAM_RX, BEAM_TX, KnobValue};
use crate::bench::policy::Then;
use crate::phy::probe::probe;
use crate::record::{
    self, Event, FaultClass, Level, Reestablished, Remedy, SearchDone, SearchSide,
};
use crate::sequence::Search;

/// What a search on the bench found.
#[derive(Clone, Debug)]
pub struct SearchFound {
    /// The probes and the choice.
    pub result: SearchResult,
    /// Angle of each transmit beam in degrees.
    pub tx_deg: Vec<f64>,
    /// Angle of each receive beam in degrees.
    pub rx_deg: Vec<f64>,
    /// The link before the search, on the beams that were set.
    pub before: record::Probe,
}

impl SearchFound {
    /// A probe with angles instead of indices.
    #[must_use]
    pub fn probe(&self, probe: &Probe) -> record::Probe {
        record::Probe {
            tx_deg: self.tx_deg[probe.pair.tx],
            rx_deg: self.rx_deg[probe.pair.rx],
            snr_db: probe.snr_db,
        }
    }

    /// The beams that the search ended on: the best pair of the codebooks, or the beams before
    /// when they were better. `None` when nothing rose above noise.
    #[must_use]
    pub fn chosen(&self) -> Option<record::Probe> {
        let best = self.result.chosen.map(|probe| self.probe(&probe));
        let before = Some(self.before).filter(|before| before.snr_db.is_some());
        match (best, before) {
            (Some(best), Some(before)) if before.snr_db > best.snr_db => Some(before),
            (best, before) => best.or(before),
        }
    }

    /// What the choice won over the state before, in dB.
    #[must_use]
    pub fn gain_db(&self) -> Option<f64> {
        Some(self.chosen()?.snr_db? - self.before.snr_db?)
    }
}

impl Engine<'_> {
    /// Searches, stays on the best pair, or returns to the beams before when nothing was found.
    pub(super) async fn search(
        &mut self,
        search: &Search,
        place: &str,
    ) -> Result<SearchFound, RunError> {
        let found = self.sound_search(search, place).await?;
        let gain_db = found.gain_db();
        let chosen = found.chosen();
        self.recorder.write(Event::Search(SearchDone {
            point: self.point,
            position: axis_values(&self.position),
            label: search.label.clone(),
            side: match search.sides {
                Sides::Tx => SearchSide::Tx,
                Sides::Rx => SearchSide::Rx,
                Sides::Both => SearchSide::Both,
            },
            strategy: search.strategy.word().to_string(),
            probes: found.result.probes.iter().map(|probe| found.probe(probe)).collect(),
            before: Some(found.before),
            chosen,
            runner_up: found.result.runner_up.map(|probe| found.probe(&probe)),
            gain_db,
            found: chosen.is_some(),
        }))?;
        let told = match chosen {
            Some(chosen) => format!(
                "tx {:.1} deg, rx {:.1} deg, probe SNR {:.1} dB{} after {} probes",
                chosen.tx_deg,
                chosen.rx_deg,
                chosen.snr_db.unwrap_or(f64::NAN),
                gain_db.map(|gain| format!(", {gain:+.1} dB")).unwrap_or_default(),
                found.result.probes.len()
            ),
            None => {
                let message = format!(
                    "{place}: no beam found in {} probes; the beams stay as they were",
                    found.result.probes.len()
                );
                self.recorder.note(Level::Warning, Some(FaultClass::Instrument), message)?;
                "no beam found; the beams stay as they were".to_string()
            }
        };
        self.progress.take(ProgressEvent::Searched(told));
        Ok(found)
    }

    /// A search, as often as the policy has it while something speaks against trusting it: beams found
    /// where the table does not stand are wrong for every point after them.
    async fn sound_search(
        &mut self,
        search: &Search,
        place: &str,
    ) -> Result<SearchFound, RunError> {
        let policy = self.policy.doubt;
        let mut attempt = 1;
        loop {
            let (found, doubt) = self.search_beams(search, place).await?;
            let Some(doubt) = doubt else { return Ok(found) };
            let what = format!("the search is doubtful: {doubt}");
            self.warn(format!("{place}: {what}"))?;
            let error = RunError::Doubtful { place: place.to_string(), what };
            if attempt > policy.retries {
                if policy.then != Then::GoOn {
                    self.tries = attempt;
                    return Err(error);
                }
                if policy.retries > 0 {
                    self.tell_failure(&error, attempt, Remedy::WentOn, None)?;
                }
                return Ok(found);
            }
            let wait = policy.wait_before(attempt);
            self.tell_failure(&error, attempt, Remedy::Retried, Some(wait))?;
            self.tally.retries += 1;
            self.rest(wait).await?;
            let settings = self.make_everything_again(place).await?;
            if !settings.is_empty() {
                let why = "a search was doubtful".to_string();
                self.recorder.write(Event::Reestablished(Reestablished { why, settings }))?;
            }
            attempt += 1;
        }
    }

    /// What does not stand where it was set, read back now.
    async fn standing_elsewhere(&mut self, place: &str) -> Result<Vec<String>, RunError> {
        let snapshot = self.persist(place, async |engine| {
            let snapshot = engine.bench.snapshot().await;
            snapshot.map_err(|error| RunError::bench(place, error))
        });
        let snapshot = snapshot.await?;
        let differing = snapshot.into_iter().filter(|one| !one.matched);
        Ok(differing
            .filter_map(|one| {
                let asked = one.asked?;
                Some(format!(
                    "{} stands at {}, and {asked} was asked for",
                    one.setting, one.read_back
                ))
            })
            .collect())
    }

    /// One search, and what speaks against trusting it.
    async fn search_beams(
        &mut self,
        search: &Search,
        place: &str,
    ) -> Result<(SearchFound, Option<String>), RunError> {
        let bench = |error| RunError::bench(place, error);
        let mut elsewhere = self.standing_elsewhere(place).await?;
        let (tx_book, rx_book) = self.bench.codebooks().map_err(bench)?;
        let (tx_deg, rx_deg) = self.bench.steering();
        let mut doubts = Doubts::default();
        let (snr_db, doubt) = self.persist(place, async |engine| engine.probe(place).await).await?;
        doubts.add(doubt);
        let before = record::Probe { tx_deg, rx_deg, snr_db };
        let space = SearchSpace {
            tx_beams: tx_book.beams.len(),
            rx_beams: rx_book.beams.len(),
            sides: search.sides,
            present: BeamPair {
                tx: tx_book.nearest(tx_deg).unwrap_or(0),
                rx: rx_book.nearest(rx_deg).unwrap_or(0),
            },
        };
        let mut strategy = search.strategy.start(space);
        let mut probes: Vec<Probe> = Vec::new();
        while let Some(pair) = strategy.next(&probes) {
            if self.stopping() {
                // Half a search decides nothing; the beams go back to where they were.
                self.settle_on(search.sides, tx_deg, rx_deg, place).await?;
                return Err(RunError::Stopped);
            }
            let sides = search.sides;
            // Together: a chip that lost its beam in between must be steered anew before it is probed.
            let probed = self.persist(place, async |engine| {
                engine.steer(pair, sides, place).await?;
                engine.probe(place).await
            });
            let (snr_db, doubt) = probed.await?;
            doubts.add(doubt);
            probes.push(Probe { pair, snr_db });
            let (done, most) = (probes.len(), strategy.probes_max());
            self.progress.take(ProgressEvent::Probe { done, most });
        }
        elsewhere.extend(doubts.told(probes.len() + 1));
        let angles =
            |book: &crate::beam::Codebook| book.beams.iter().map(|b| b.angle_deg).collect();
        let found = SearchFound {
            result: SearchResult::of(probes),
            tx_deg: angles(&tx_book),
            rx_deg: angles(&rx_book),
            before,
        };
        let (tx, rx) =
            found.chosen().map_or((tx_deg, rx_deg), |probe| (probe.tx_deg, probe.rx_deg));
        self.settle_on(search.sides, tx, rx, place).await?;
        Ok((found, (!elsewhere.is_empty()).then(|| elsewhere.join("; "))))
    }

    /// Puts the searched sides on a pair of the codebooks.
    async fn steer(&mut self, pair: BeamPair, sides: Sides, place: &str) -> Result<(), RunError> {
        let bench = |error| RunError::bench(place, error);
        let (tx_book, rx_book) = self.bench.codebooks().map_err(bench)?;
        let (tx_deg, rx_deg) = (tx_book.beams[pair.tx].angle_deg, rx_book.beams[pair.rx].angle_deg);
        if sides != Sides::Rx {
            self.bench.steer(BEAM_TX, tx_deg).await.map_err(bench)?;
        }
        if sides != Sides::Tx {
            self.bench.steer(BEAM_RX, rx_deg).await.map_err(bench)?;
        }
        Ok(())
    }

    /// Sets the beams that a search ends on, so that they stand in the record like any setting.
    async fn settle_on(
        &mut self,
        sides: Sides,
        tx_deg: f64,
        rx_deg: f64,
        place: &str,
    ) -> Result<(), RunError> {
        let angle = |deg| KnobValue::Number(Quantity { value: deg, dimension: Dimension::Angle });
        if sides != Sides::Rx {
            self.set(BEAM_TX, &angle(tx_deg), place).await?;
        }
        if sides != Sides::Tx {
            self.set(BEAM_RX, &angle(rx_deg), place).await?;
        }
        Ok(())
    }

    /// One short capture and the SNR of the preamble in it; what speaks against trusting it.
    async fn probe(&mut self, place: &str) -> Result<(Option<f64>, Vec<String>), RunError> {
        let bench = |error| RunError::bench(place, error);
        let captured = self.bench.capture(Span::Preamble).await.map_err(bench)?;
        self.recorder.unkept(captured.to_keep())?;
        let samples = captured.samples();
        let config = self.bench.probe_config(&captured);
        let snr_db = probe(&samples, captured.sample_rate_hz, &config).map(|probe| probe.snr_db);
        Ok((snr_db, captured.doubts))
    }
}

/// What speaks against the probes of a search: told once, for a search has many.
#[derive(Default)]
struct Doubts {
    doubtful: usize,
    first: Option<String>,
}

impl Doubts {
    fn add(&mut self, doubts: Vec<String>) {
        self.doubtful += usize::from(!doubts.is_empty());
        let first = doubts.into_iter().next();
        self.first = self.first.take().or(first);
    }

    fn told(&self, probes: usize) -> Option<String> {
        let first = self.first.as_ref()?;
        Some(format!("{} of {probes} probes are doubtful, the first: {first}", self.doubtful))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubts_of_a_search_are_one_line() {
        let mut doubts = Doubts::default();
        assert_eq!(doubts.told(3), None);
        for told in [vec![], vec!["stale", "short"], vec!["short"]] {
            doubts.add(told.into_iter().map(String::from).collect());
        }
        let told = doubts.told(3).unwrap();
        assert_eq!(told, "2 of 3 probes are doubtful, the first: stale");
    }
}
