//! `schema`: the JSON Schema of a file type.

use beamwarden_drivers::shape::json_schema;

use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::FRAME_FILE;
use crate::bench::grammar::BENCH;
use crate::bench::{faults_schema, model_schema};
use crate::sequence::{language_reference, sequence_schema};

/// Print the JSON Schema of a file type, for editors.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The file type.
    #[arg(value_enum)]
    of: FileType,
    /// Of sequences: the reference of the language instead, in Markdown.
    #[arg(long)]
    reference: bool,
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
    if arguments.reference {
        if !matches!(arguments.of, FileType::Sequence) {
            let message = "only 'schema sequence' has a --reference";
            return Err(Failure::usage(anyhow::anyhow!(message)));
        }
        terminal.line(language_reference().trim_end())?;
        return Ok(Ended::Done);
    }
    let schema = match arguments.of {
        FileType::Sequence => sequence_schema(),
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
