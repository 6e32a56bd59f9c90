//! Loads the files that commands name: benches and sequences.

use std::path::Path;

use beamwarden_drivers::fault::{Faults, Source};

use super::Failure;
use crate::bench::BenchPlan;
use crate::sequence::{ReadWith, Sequence, faults_on_any_bench, read_sequence_with};

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

/// The sequence of a file, or the built-in one, checked against a bench; `with` are the values of its
/// parameters, each `name=value`.
pub(super) fn load_sequence(
    path: Option<&Path>,
    plan: &BenchPlan,
    with: &[String],
) -> Result<Sequence, Failure> {
    let (source, given) = (sequence_source(path)?, given_values(with)?);
    let texts = texts_beside(path);
    let with = ReadWith { knobs: Some(plan.knobs()), given: &given, texts: &texts };
    read_sequence_with(&source, &with).map_err(Failure::faults)
}

/// What is wrong with a sequence whatever the bench is; for a bench that is wrong itself.
pub(super) fn sequence_faults(
    path: Option<&Path>,
    with: &[String],
) -> Result<Vec<Faults>, Failure> {
    let (source, given) = (sequence_source(path)?, given_values(with)?);
    let texts = texts_beside(path);
    Ok(faults_on_any_bench(&source, &ReadWith { knobs: None, given: &given, texts: &texts }))
}

fn sequence_source(path: Option<&Path>) -> Result<Source, Failure> {
    match path {
        Some(path) => read_source(path, "sequence"),
        None => Ok(Source::new(BUILT_IN_SEQUENCE.0, BUILT_IN_SEQUENCE.1)),
    }
}

/// Gets the sequences beside a file.
fn texts_beside(path: Option<&Path>) -> impl Fn(&str) -> Result<Source, String> {
    let folder = path.map(|path| path.parent().unwrap_or(Path::new("")).to_path_buf());
    move |name| {
        let folder = folder.as_ref().ok_or("there is no folder to look in")?;
        text_in(folder, name)
    }
}

/// The text of a file in a folder. A pipe would be read for ever, and a link could show what lies
/// elsewhere in a message about it.
fn text_in(folder: &Path, name: &str) -> Result<Source, String> {
    let path = folder.join(name);
    let is_file = std::fs::metadata(&path).map_err(|error| error.to_string())?.is_file();
    if !is_file {
        return Err("it is not a regular file".to_string());
    }
    let real = |path: &Path| path.canonicalize().map_err(|error| error.to_string());
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    if !real(&path)?.starts_with(real(folder)?) {
        return Err("it is a link to a file outside the folder; copy that file".to_string());
    }
    Source::read(&path).map_err(|error| error.to_string())
}

/// Names and values of `--with name=value`.
fn given_values(with: &[String]) -> Result<Vec<(String, String)>, Failure> {
    with.iter()
        .map(|text| match text.split_once('=') {
            Some((name, value)) => Ok((name.trim().to_string(), value.trim().to_string())),
            None => {
                let message = format!("'{text}' is not NAME=VALUE, such as --with volts=\"1.1 V\"");
                Err(Failure::usage(anyhow::anyhow!(message)))
            }
        })
        .collect()
}

/// The sequence whose `prepare` brings the bench up: that of a file, or the built-in one for the
/// simulated bench, which nobody else prepares.
pub(super) fn preparation(
    path: Option<&Path>,
    plan: &BenchPlan,
) -> Result<Option<Sequence>, Failure> {
    match path {
        None if !plan.is_simulated() => Ok(None),
        path => load_sequence(path, plan, &[]).map(Some),
    }
}

/// The text of a file.
pub(super) fn read_source(path: &Path, what: &str) -> Result<Source, Failure> {
    Source::read(path).map_err(|error| {
        let context = format!("failed to read the {what} {}", path.display());
        Failure::usage(anyhow::Error::new(error).context(context))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn only_files_of_the_folder_are_called() {
        let (folder, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let at = |name: &str| folder.path().join(name);
        std::fs::write(at("own.yaml"), "own").unwrap();
        std::fs::write(other.path().join("other.yaml"), "other").unwrap();
        std::os::unix::fs::symlink(at("own.yaml"), at("near.yaml")).unwrap();
        std::os::unix::fs::symlink(other.path().join("other.yaml"), at("far.yaml")).unwrap();
        assert!(
            std::process::Command::new("mkfifo").arg(at("pipe.yaml")).status().unwrap().success()
        );
        for (name, expected) in [
            ("own.yaml", Ok("own")),
            ("near.yaml", Ok("own")),
            ("far.yaml", Err("it is a link to a file outside the folder; copy that file")),
            ("pipe.yaml", Err("it is not a regular file")),
        ] {
            let found = text_in(folder.path(), name);
            let found = found.as_ref().map(|source| &*source.text).map_err(String::as_str);
            assert_eq!(found, expected, "{name}");
        }
    }
}
