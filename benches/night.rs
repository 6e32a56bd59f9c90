//! Eight hours of the simulated bench: 10,000 points with 2.8 s of settling each, run twice. Prints
//! how long it took, and whether captures and figures are the same to the byte.
//!
//! `cargo bench --bench night`; 2 minutes on two cores are the goal. It needs 3 GB of disk for a
//! while, in the folder for temporary files.

#![allow(clippy::print_stdout, reason = "a benchmark prints its result")]

#[path = "../tests/common/mod.rs"]
mod common;

use anyhow::{Result, ensure};
use common::night::{Size, content, duration, run_night, write_files};
use tokio::time::Instant;

fn main() -> Result<()> {
    let size = Size::WHOLE;
    let folder = tempfile::tempdir()?;
    let files = write_files(folder.path(), size);
    let mut contents = Vec::new();
    for pass in ["first", "second"] {
        let runs = folder.path().join(pass);
        let began = Instant::now();
        let run = run_night(&files, &runs);
        let took = began.elapsed().as_secs_f64();
        let simulated_h = duration(&run).as_secs_f64() / 3600.0;
        println!(
            "{} points, {simulated_h:.2} h of the bench's time: {took:.1} s, {:.2} ms a point",
            size.points(),
            1e3 * took / size.points() as f64
        );
        contents.push(content(&run));
        std::fs::remove_dir_all(&runs)?;
    }
    ensure!(contents[0].len() == 2 * size.points(), "{} files", contents[0].len());
    ensure!(contents[0] == contents[1], "the second run differs from the first");
    println!("captures and figures of both runs are the same to the byte");
    Ok(())
}
