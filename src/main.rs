//! The command line; everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    beamwarden::cli::main()
}
