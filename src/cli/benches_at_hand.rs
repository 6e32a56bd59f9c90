//! Loads the files that commands name: benches and sequences.

use std::path::Path;

use beamwarden_drivers::fault::Source;

use super::Failure;
use crate::bench::BenchPlan;
use crate::sequence::{Sequence, read_sequence};

/// The bench that needs no hardware, and its name in messages.
const BUILT_IN_BENCH: (&str, &str) =
    ("packing-arm.bench.yaml (built in)", include_str!("../../sequences/packing-arm.bench.yaml"));
/// The sequence that shows the main job; its `prepare` brings the built-in bench up.
const BUILT_IN_SEQUENCE: (&str, &str) =
    ("rotate-and-recover.yaml (built in)", include_str!("../../sequences/rotate-and-recover.yaml"));

/// The bench of a file, or the simulated one.
pub(super) fn load_bench(path: Option<&Path>) -> Result<BenchPlan, Failure> {
    match path {
        None => {
            let (name, text) = BUILT_IN_BENCH;
            BenchPlan::load(&Source::new(name, text), None).map_err(Failure::faults)
        }
        Some(path) => {
            let source = read_source(path, "bench file")?;
            let near = path.parent().filter(|folder| !folder.as_os_str().is_empty());
            BenchPlan::load(&source, Some(near.unwrap_or(Path::new(".")))).map_err(Failure::faults)
        }
    }
}

/// The sequence of a file, or the built-in one, checked against a bench.
pub(super) fn load_sequence(path: Option<&Path>, plan: &BenchPlan) -> Result<Sequence, Failure> {
    let source = match path {
        Some(path) => read_source(path, "sequence")?,
        None => Source::new(BUILT_IN_SEQUENCE.0, BUILT_IN_SEQUENCE.1),
    };
    Ok(read_sequence(&source, plan.knobs())?)
}

/// The sequence whose `prepare` brings the bench up: that of a file, or the built-in one for the
/// simulated bench, which nobody else prepares.
pub(super) fn preparation(
    path: Option<&Path>,
    plan: &BenchPlan,
) -> Result<Option<Sequence>, Failure> {
    match path {
        None if !plan.is_simulated() => Ok(None),
        path => load_sequence(path, plan).map(Some),
    }
}

/// The text of a file.
pub(super) fn read_source(path: &Path, what: &str) -> Result<Source, Failure> {
    Source::read(path).map_err(|error| {
        let context = format!("failed to read the {what} {}", path.display());
        Failure::usage(anyhow::Error::new(error).context(context))
    })
}
