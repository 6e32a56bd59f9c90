//! The profiles that come with the program, and profiles from files.

use std::io;
use std::path::Path;

use super::Profile;
use super::inherit::{file_name, parse_near};
use crate::fault::{Faults, Source, nearest};

/// Name and text of every profile shipped.
const SHIPPED: &[(&str, &str)] = &[
    ("scpi-source.yaml", include_str!("../../profiles/scpi-source.yaml")),
    ("scpi-scope.yaml", include_str!("../../profiles/scpi-scope.yaml")),
    ("scpi-supply.yaml", include_str!("../../profiles/scpi-supply.yaml")),
    ("scpi-turntable.yaml", include_str!("../../profiles/scpi-turntable.yaml")),
    ("register-port.yaml", include_str!("../../profiles/register-port.yaml")),
    ("register-port-binary.yaml", include_str!("../../profiles/register-port-binary.yaml")),
];

/// Why a data file cannot be loaded.
#[derive(Clone, Debug, thiserror::Error)]
pub enum LoadError {
    /// The file cannot be read, and none of that name is shipped.
    #[error("failed to read {name}: {why}; {advice}")]
    Unreadable {
        /// Name as asked for.
        name: String,
        /// What the system says.
        why: String,
        /// The shipped one that may be meant, or all of them.
        advice: String,
    },
    /// The file has faults.
    #[error(transparent)]
    Faults(#[from] Faults),
}

/// The names of the profiles shipped.
#[must_use]
pub fn shipped_profiles() -> Vec<&'static str> {
    SHIPPED.iter().map(|(name, _)| *name).collect()
}

/// Loads a profile: from the file of that name, looked for beside `near` (the folder of the bench
/// file) unless the name is absolute; else the one shipped under that name. `.yaml` may be left out.
///
/// # Errors
/// [`LoadError`].
pub fn load(name: &str, near: Option<&Path>) -> Result<Profile, LoadError> {
    let source = read_source(name, near, SHIPPED)?;
    // What it is based on stands beside it.
    let path = near.map_or_else(|| Path::new(name).to_path_buf(), |folder| folder.join(name));
    Ok(parse_near(&source, path.parent())?)
}

/// The text of a profile that another is based on: from beside that one, or as shipped.
pub(super) fn profile_source(name: &str, near: Option<&Path>) -> Result<Source, LoadError> {
    let file = file_name(name);
    match near {
        Some(_) => read_source(&file, near, SHIPPED),
        // Without a folder nothing is read from the disk.
        None => match SHIPPED.iter().find(|(known, _)| *known == file) {
            Some((known, text)) => Ok(Source::new(*known, *text)),
            None => Err(LoadError::Unreadable {
                advice: advice(&file, SHIPPED),
                name: file,
                why: "no such profile is shipped".into(),
            }),
        },
    }
}

/// The text of a data file, from the disk or as shipped.
pub(crate) fn read_source(
    name: &str,
    near: Option<&Path>,
    shipped: &[(&'static str, &'static str)],
) -> Result<Source, LoadError> {
    let path = near.map_or_else(|| Path::new(name).to_path_buf(), |folder| folder.join(name));
    match Source::read(&path) {
        Ok(source) => Ok(source),
        // A file that is there but cannot be read must not be replaced in silence.
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(LoadError::Unreadable {
            name: path.display().to_string(),
            why: error.to_string(),
            advice: advice(name, shipped),
        }),
        Err(_) if Path::new(name).extension().is_none() => {
            read_source(&file_name(name), near, shipped)
        }
        Err(error) => match shipped.iter().find(|(known, _)| *known == name) {
            Some((known, text)) => Ok(Source::new(*known, *text)),
            None => Err(LoadError::Unreadable {
                name: path.display().to_string(),
                why: error.to_string(),
                advice: advice(name, shipped),
            }),
        },
    }
}

fn advice(name: &str, shipped: &[(&str, &str)]) -> String {
    let names: Vec<&str> = shipped.iter().map(|(name, _)| *name).collect();
    match nearest(name, names.iter().copied()) {
        Some(near) => format!("did you mean the shipped {near}?"),
        None => format!("shipped are {}", names.join(", ")),
    }
}
