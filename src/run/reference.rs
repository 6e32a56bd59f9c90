//! The reference point: measured before the first point and every so often after, to see whether the
//! bench drifts. Its measurement stands in the record outside all points, is followed by an
//! [`Event::Reference`], and counts neither as a point's nor as the last measurement of expressions.

use tokio::time::Instant;

use super::engine::Engine;
use super::error::RunError;
use crate::bench::knob::{BEAM_RX, BEAM_TX, FRAME};
use crate::record::{self, Drift, Event, Figure, ReferenceTaken, Remedy};
use crate::sequence::{Beyond, DriftBand, Measure, Position, Reference};

/// The label of a reference to which the sequence gives none.
const LABEL: &str = "reference";

/// What is known of the reference.
#[derive(Clone, Debug, Default)]
pub(super) struct Followed {
    /// How often it was measured.
    pub taken: u64,
    /// The figures of the first time.
    pub first: Option<Vec<Figure>>,
    /// When it was measured last, in this process.
    pub last: Option<Instant>,
    /// Points since.
    pub points_since: u64,
}

impl Engine<'_> {
    /// Measures the reference when it is due. Yields why the run must pause, where it must.
    pub(super) async fn follow_drift(&mut self) -> Result<Option<String>, RunError> {
        let sequence = self.sequence;
        let Some(reference) = &sequence.reference else { return Ok(None) };
        // After an interruption the first is that of the run as it began; whether the bench came
        // through the interruption is seen at once.
        let due = self.followed.last.is_none_or(|last| {
            reference.every_points.is_some_and(|points| self.followed.points_since >= points)
                || reference.every.is_some_and(|every| last.elapsed() >= every)
        });
        if !due {
            return Ok(None);
        }
        loop {
            match self.take_reference(reference).await {
                Ok(pause) => return Ok(pause),
                Err(RunError::Tripped(trip)) => {
                    self.ride_out(trip).await?;
                }
                Err(error) => {
                    let then = self.remedy_for(&error).map(|remedy| remedy.then);
                    if then.is_none_or(|then| then == crate::bench::policy::Then::Stop) {
                        return Err(error);
                    }
                    // A reference that cannot be had costs no point.
                    self.tell_failure(&error, 1, Remedy::WentOn, None)?;
                    (self.followed.last, self.followed.points_since) = (Some(Instant::now()), 0);
                    return Ok(None);
                }
            }
        }
    }

    async fn take_reference(&mut self, reference: &Reference) -> Result<Option<String>, RunError> {
        let place = reference.place.as_ref();
        let before = self.ledger.clone();
        let unknown = self.read_what_nobody_set(reference).await?;
        let (last, position) = (self.last.clone(), std::mem::take(&mut self.position));
        let label = reference.measure.label.clone().or_else(|| Some(LABEL.to_string()));
        let measure = Measure { label, ..reference.measure.clone() };
        // In the journal these are no settings of the sequence's own: whoever goes on after an
        // interruption must not take them for such.
        self.recorder.set_for(LABEL);
        let measured = async {
            for assignment in self.bench.in_order(&reference.set, |one| &one.setting) {
                self.assign(assignment, place).await?;
            }
            self.measure(&measure, place).await
        };
        let measured = measured.await;
        (self.last, self.position) = (last, position);
        // Whatever came of it, the settings before are what the next point builds on.
        self.ledger = before;
        let changed = reference.set.iter().map(|one| one.setting.as_str());
        let changed: Vec<&str> = changed.collect();
        let restored = match &measured {
            // The pause makes everything again by itself.
            Err(RunError::Tripped(_) | RunError::Interlock { .. } | RunError::Stopped) => Ok(()),
            _ => self.restore(&changed, &unknown, place).await,
        };
        self.recorder.set_for_itself();
        let measurement = measured?;
        restored?;
        let first = self.followed.first.get_or_insert_with(|| measurement.figures.clone());
        let drift = match self.followed.taken {
            0 => Vec::new(),
            _ => drift_of(&reference.bands, first, &measurement.figures),
        };
        if self.followed.taken == 0 && !measurement.doubts.is_empty() {
            // What nobody can vouch for is nothing to compare with.
            self.followed.first = None;
            self.warn(format!("{place}: the first reference is doubtful and is taken once more"))?;
        }
        let within = drift.iter().all(|one| one.moved.is_some_and(|by| by.abs() <= one.at_most));
        self.followed.taken += u64::from(self.followed.first.is_some());
        (self.followed.last, self.followed.points_since) = (Some(Instant::now()), 0);
        let told = told_of(&drift);
        self.recorder.write(Event::Reference(ReferenceTaken {
            number: self.followed.taken.max(1),
            after_point: Some(self.tally.points + self.tally.points_skipped)
                .filter(|points| *points > 0),
            captures: measurement.captures,
            figures: measurement.figures,
            drift,
            within,
        }))?;
        if within {
            return Ok(None);
        }
        let what = format!("the reference has drifted beyond its band: {told}");
        self.warn(format!("{place}: {what}"))?;
        match reference.beyond {
            Beyond::GoOn => Ok(None),
            Beyond::Pause => Ok(Some(what)),
            Beyond::Stop => Err(RunError::Drifted { place: place.to_string(), what }),
        }
    }

    /// The values of settings that the reference changes and that the run has not set by itself.
    async fn read_what_nobody_set(&mut self, reference: &Reference) -> Result<Position, RunError> {
        let place = reference.place.as_ref();
        let mut unknown = Position::new();
        for assignment in &reference.set {
            let name = &assignment.setting;
            let derived = matches!(name.as_str(), FRAME | BEAM_TX | BEAM_RX);
            if derived || self.ledger.value(name).is_some() {
                continue;
            }
            let value =
                self.persist(place, async |engine| match engine.bench.value_now(name).await {
                    Ok(value) => Ok(Some(value)),
                    Err(error) if error.is_never_written() => Ok(None),
                    Err(error) => Err(RunError::bench(place, error)),
                });
            unknown.extend(value.await?.map(|value| (name.clone(), value)));
        }
        Ok(unknown)
    }

    /// Makes the settings again that stood before the reference, and what was lost with them: a frame
    /// with another sample rate, a beam with codes of its own.
    async fn restore(
        &mut self,
        changed: &[&str],
        unknown: &Position,
        place: &str,
    ) -> Result<(), RunError> {
        for (setting, value) in unknown {
            self.persist(place, async |engine| engine.set_once(setting, value, place).await)
                .await?;
        }
        for (setting, value) in self.in_safe_order() {
            let derived = matches!(setting.as_str(), FRAME | BEAM_TX | BEAM_RX);
            let lost = derived
                && !self.bench.value_now(&setting).await.is_ok_and(|standing| standing == value);
            if lost || changed.contains(&setting.as_str()) {
                let set = async |engine: &mut Self| engine.set_once(&setting, &value, place).await;
                self.persist(place, set).await?;
            }
        }
        Ok(())
    }
}

/// How far figures moved since the first time.
fn drift_of(bands: &[DriftBand], first: &[Figure], now: &[Figure]) -> Vec<Drift> {
    let each = bands.iter().map(|band| {
        let value = |figures: &[Figure]| record::figure(figures, band.figure.key);
        let moved = value(now).zip(value(first)).map(|(now, first)| now - first);
        Drift { figure: band.figure.key.to_string(), moved, at_most: band.at_most }
    });
    each.collect()
}

/// The figures that left their band, in words.
fn told_of(drift: &[Drift]) -> String {
    let beyond = drift.iter().filter(|one| one.moved.is_none_or(|by| by.abs() > one.at_most));
    let told = beyond.map(|one| match one.moved {
        Some(by) => format!("{} moved by {by:+.3}, at most {} is allowed", one.figure, one.at_most),
        None => format!("{} cannot be had", one.figure),
    });
    told.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Value;
    use crate::sequence::FIGURE_NAMES;

    #[test]
    fn drift_is_the_difference_from_the_first_time() {
        let figure = FIGURE_NAMES.iter().find(|one| one.key == "snr_db").unwrap();
        let band = [DriftBand { figure, at_most: 1.0 }];
        let snr = |db: Option<f64>| {
            vec![Figure { name: "snr_db".into(), value: db.map(Value::Number), unit: None }]
        };
        let check = |first, now, moved: Option<f64>, told: &str| {
            let drift = drift_of(&band, &snr(first), &snr(now));
            assert_eq!(drift[0].moved, moved);
            assert_eq!(told_of(&drift), told);
        };
        check(Some(20.0), Some(20.5), Some(0.5), "");
        check(Some(20.0), Some(18.5), Some(-1.5), "snr_db moved by -1.500, at most 1 is allowed");
        check(Some(20.0), None, None, "snr_db cannot be had");
    }
}
