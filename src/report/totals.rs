//! Figures of a whole run that need all of its measurements, gathered one by one.

use super::number::{count, number};
use super::run::Shot;
use crate::record::{Expectation, figure_names};

/// Most expectations of each verdict that are kept.
pub(super) const EXPECTATIONS_MAX: usize = 1000;

/// What is known of all measurements and expectations.
#[derive(Clone, Debug, Default)]
pub(super) struct Totals {
    /// Measurements with an EVM; the best and the worst.
    evm_count: usize,
    best: Option<(f64, String)>,
    worst: Option<(f64, String)>,
    /// Measurements with a bit error rate, and those without an error.
    rated: usize,
    clean: usize,
    /// Measurements of which nothing is told here: doubtful ones.
    doubtful: usize,
    /// The first expectations that do not hold, and the first that do, with place and measurement.
    failed: Vec<Checked>,
    held: Vec<Checked>,
    pub(super) expectations: usize,
    pub(super) expectations_failed: usize,
}

/// An expectation with its place in the run and the name of its measurement.
#[derive(Clone, Debug)]
pub(super) struct Checked {
    place: usize,
    pub(super) measurement: Option<String>,
    /// Whether nobody can vouch for what was measured.
    pub(super) doubtful: bool,
    pub(super) expectation: Expectation,
}

impl Totals {
    pub(super) fn measurement(&mut self, shot: &Shot) {
        if !shot.is_sound() {
            self.doubtful += usize::from(!shot.tried_again);
            return;
        }
        if let Some(evm) = shot.figure(figure_names::EVM_DB).filter(|evm| evm.is_finite()) {
            self.evm_count += 1;
            if self.best.as_ref().is_none_or(|(best, _)| evm < *best) {
                self.best = Some((evm, shot.name()));
            }
            if self.worst.as_ref().is_none_or(|(worst, _)| evm >= *worst) {
                self.worst = Some((evm, shot.name()));
            }
        }
        if let Some(ber) = shot.figure(figure_names::BER) {
            self.rated += 1;
            self.clean += usize::from(ber == 0.0);
        }
    }

    pub(super) fn expectation(
        &mut self,
        measurement: Option<String>,
        doubtful: bool,
        expectation: &Expectation,
    ) {
        let place = self.expectations;
        self.expectations += 1;
        self.expectations_failed += usize::from(!expectation.passed);
        let kept = if expectation.passed { &mut self.held } else { &mut self.failed };
        if kept.len() < EXPECTATIONS_MAX {
            let expectation = expectation.clone();
            kept.push(Checked { place, measurement, doubtful, expectation });
        }
    }

    /// The expectations to show: all in the order of the run, or when there are too many, those that do
    /// not hold first.
    pub(super) fn shown_expectations(&self) -> Vec<&Checked> {
        let mut shown: Vec<&Checked> = self.failed.iter().chain(&self.held).collect();
        if self.expectations > EXPECTATIONS_MAX {
            shown.truncate(EXPECTATIONS_MAX);
        } else {
            shown.sort_by_key(|checked| checked.place);
        }
        shown
    }

    /// EVM from where to where, and how many measurements found no errors; empty or with a blank first.
    pub(super) fn words(&self) -> String {
        let mut text = String::new();
        if let (Some((best, best_name)), Some((worst, worst_name)), true) =
            (&self.best, &self.worst, self.evm_count > 1)
        {
            text += &format!(
                " The EVM reached from {} ({best_name}) to {} ({worst_name}).",
                number(*best, "dB"),
                number(*worst, "dB"),
            );
        }
        if self.rated > 0 {
            let many = if self.rated == 1 { "measurement" } else { "measurements" };
            text += &format!(
                " No bit errors were found in {} of {} {many}.",
                self.clean,
                count(self.rated as u64)
            );
        }
        if self.doubtful > 0 {
            let are = if self.doubtful == 1 { "measurement is" } else { "measurements are" };
            let doubtful = count(self.doubtful as u64);
            text +=
                &format!(" Besides, {doubtful} {are} doubtful: nobody can vouch for the figures.");
        }
        text
    }
}
