//! `schema`: the JSON Schema of a file type.

use beamwarden_drivers::shape::json_schema;

use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::FRAME_FILE;
use crate::bench::grammar::BENCH;
use crate::bench::{faults_schema, model_schema};
use crate::sequence::grammar::SEQUENCE;

/// Print the JSON Schema of a file type, for editors.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The file type.
    #[arg(value_enum)]
    of: FileType,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum FileType {
    /// A sequence file.
    Sequence,
    /// A bench file.
    Bench,
    /// An instrument profile.
    Profile,
    /// A register map.
    Registers,
    /// A frame file.
    Frame,
    /// A model of the simulated bench; `sim --print-model` prints the default one.
    Model,
    /// A fault plan of the simulated bench.
    Faults,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let schema = match arguments.of {
        FileType::Sequence => json_schema("beamwarden sequence", &SEQUENCE),
        FileType::Bench => json_schema("beamwarden bench", &BENCH),
        FileType::Profile => beamwarden_drivers::profile::json_schema(),
        FileType::Frame => json_schema("beamwarden frame", &FRAME_FILE),
        FileType::Model => model_schema(),
        FileType::Faults => faults_schema(),
        FileType::Registers => beamwarden_drivers::registers::json_schema(),
    };
    terminal.line(format!("{schema:#}"))?;
    Ok(Ended::Done)
}
