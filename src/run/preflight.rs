//! What is looked at before the first step: a night that cannot end well does not begin.
//!
//! Once before anything is set (who answers, limits, room on the disk) and once after `prepare` (what
//! was set stands, a capture brings a signal that is neither clipped nor empty).

use beamwarden_drivers::quantity::{Dimension, Quantity};

use super::engine::Engine;
use super::error::RunError;
use super::looks::{check, looks_at_files};
use super::progress::ProgressEvent;
use super::translate::figures_of;
use crate::bench::Span;
use crate::record::{self, Event, Preflight, PreflightCheck};
use crate::sequence::{Costs, count, estimate};

/// Room that is left on the disk beside what the run is thought to need.
const RESERVE_BYTES: f64 = 64.0 * 1024.0 * 1024.0;
/// Largest share of clipped samples in a capture that can be trusted, the test capture included: clipped
/// that rarely, a signal loses far less than its EVM. Common practice, no source.
pub(super) const CLIPPED_MAX: f64 = 0.001;

impl Engine<'_> {
    /// Before anything is set.
    pub(super) async fn look_before_prepare(&mut self) -> Result<(), RunError> {
        if !self.looks_first {
            return Ok(());
        }
        self.progress.take(ProgressEvent::Phase("preflight"));
        let mut checks = vec![self.who_answers()];
        checks.push(self.left_in_queues()?);
        checks.extend(looks_at_files(self.bench.plan(), self.sequence));
        checks.push(self.room_on_disk());
        self.end_preflight(checks)
    }

    /// After `prepare`, before the first step.
    pub(super) async fn look_before_steps(&mut self) -> Result<(), RunError> {
        if !self.looks_first {
            return Ok(());
        }
        let mut checks = vec![self.settings_stand().await?];
        if let Some(check) = self.test_capture().await? {
            checks.push(check);
        }
        self.end_preflight(checks)
    }

    fn end_preflight(&mut self, checks: Vec<PreflightCheck>) -> Result<(), RunError> {
        let failed: Vec<String> = checks
            .iter()
            .filter(|check| !check.passed)
            .map(|check| format!("{}: {}", check.what, check.found))
            .collect();
        self.recorder.write(Event::Preflight(Preflight { checks }))?;
        match failed.as_slice() {
            [] => Ok(()),
            failed => Err(RunError::NotReady(failed.join("; "))),
        }
    }

    fn who_answers(&self) -> PreflightCheck {
        let found = self.bench.instruments();
        let told: Vec<String> =
            found.iter().map(|one| format!("{} is {}", one.name, one.identity)).collect();
        // An instrument that is not reached, or not the one expected, ends the run when it is opened.
        let passed = !found.is_empty();
        check("every instrument answers, as expected", passed, told.join("; "))
    }

    /// What the error queues held when the instruments were opened; they are empty since.
    fn left_in_queues(&mut self) -> Result<PreflightCheck, RunError> {
        let happenings = self.bench.take_happenings();
        let old: Vec<String> = happenings
            .iter()
            .map(|happening| format!("{}: {}", happening.instrument, happening.event))
            .collect();
        for happening in &happenings {
            self.recorder.happening(happening)?;
        }
        let found = if old.is_empty() {
            "nothing was left in them".to_string()
        } else {
            format!("emptied; there was: {}", old.join("; "))
        };
        Ok(check("error queues are empty", true, found))
    }

    fn room_on_disk(&self) -> PreflightCheck {
        let what = "room on the disk";
        let needed = estimate(self.sequence, &Costs::default()).disk_bytes + RESERVE_BYTES;
        let folder = self.recorder.folder().path();
        match record::free_bytes(folder) {
            Ok(free) => {
                let shown = |bytes: f64| Quantity {
                    value: (bytes / 1e6).ceil() * 1e6,
                    dimension: Dimension::Bytes,
                };
                let told = format!(
                    "{} are free at {}, about {} are needed with a reserve",
                    shown(free as f64),
                    folder.display(),
                    shown(needed)
                );
                let enough = free as f64 >= needed;
                let told = if enough {
                    told
                } else {
                    format!(
                        "{told}; make room, write 'keep: figures', or give another folder by --runs"
                    )
                };
                check(what, enough, told)
            }
            Err(error) => check(what, false, error.to_string()),
        }
    }

    /// What `prepare` has set stands there. What it left alone is not asked for: a chip that is not in
    /// use may have no supply.
    async fn settings_stand(&mut self) -> Result<PreflightCheck, RunError> {
        let place = "preflight";
        let mut differing = Vec::new();
        let made = self.in_safe_order();
        for (setting, _) in &made {
            let moved = self
                .persist(place, async |engine| {
                    let moved = engine.bench.moved(setting).await;
                    moved.map_err(|error| RunError::bench(place, error))
                })
                .await?;
            if let Some((was, now)) = moved {
                differing.push(format!("{setting} should be {was}, and is {now}"));
            }
        }
        let what = "settings stand as they were set";
        Ok(if differing.is_empty() {
            check(what, true, format!("{} were read back", made.len()))
        } else {
            let told = differing.join("; ");
            check(what, false, format!("{told}; look at the instrument, or set what it can hold"))
        })
    }

    /// One capture, where the sequence measures and a frame is on the air by now.
    async fn test_capture(&mut self) -> Result<Option<PreflightCheck>, RunError> {
        let measures = count(&self.sequence.steps).measurements > 0;
        if !self.sequence.test_capture || !measures || self.bench.frame_name().is_none() {
            return Ok(None);
        }
        let place = "preflight";
        let captured = self
            .persist(place, async |engine| {
                let captured = engine.bench.capture(Span::Frame).await;
                captured.map_err(|error| RunError::bench(place, error))
            })
            .await?;
        self.recorder.unkept(captured.to_keep())?;
        let what = "a test capture";
        if let Some(doubt) = captured.doubts.first() {
            let told = format!(
                "{doubt}; look at source, trigger and cables, or write 'test capture: off'"
            );
            return Ok(Some(check(what, false, told)));
        }
        let figures = figures_of(&self.analyse(&captured, place)?);
        let clipped = record::figure(&figures, record::figure_names::CLIPPED_FRACTION);
        Ok(Some(match clipped {
            Some(clipped) if clipped > CLIPPED_MAX => {
                let told = format!(
                    "{:.1} % of its samples are at the converter's ends; take a larger range of the \
                     scope, or less gain",
                    clipped * 100.0
                );
                check(what, false, told)
            }
            _ => check(what, true, "is neither clipped nor empty".to_string()),
        }))
    }
}
