//! A night in simulated time: the same seed gives the same bytes, and hours pass in seconds.
//! `cargo bench --bench night` runs all 10,000 points.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::time::Duration;

use common::night::{Size, content, duration, run_night, write_files};

/// 150 points with 2.8 s of settling each, twice.
#[test]
fn the_seed_reproduces_a_night_and_its_hours_are_those_of_the_bench() {
    let size = Size { angles: 6, tx_gains: 5, rx_gains: 5 };
    let folder = tempfile::tempdir().unwrap();
    let files = write_files(folder.path(), size);
    let runs = ["first", "second"].map(|name| run_night(&files, &folder.path().join(name)));
    let [first, second] = runs.each_ref().map(content);
    // A capture and its analysis each.
    assert_eq!(first.len(), 2 * size.points());
    assert_eq!(first, second);
    for run in &runs {
        let settling = Duration::from_millis(2800) * size.points() as u32;
        let took = duration(run);
        println!("{} points in {took:?} of the bench's time", size.points());
        assert!(took > settling && took < settling * 2, "{took:?}");
    }
}
