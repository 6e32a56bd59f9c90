//! Frames as a user looks at them, and frames of the user's own on the simulated bench.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;

use common::{expect_status, root, run};
use serde_json::Value as Json;

fn frame_json(arguments: &[&str]) -> Json {
    let output = run(&[&["frame", "--json"], arguments].concat());
    serde_json::from_str(&expect_status(&output, 0)).unwrap()
}

/// Data rates of IEEE 802.11ad-2012 Table 21-18 (MCS 12: 4620 Mbit/s), and sizes worked by hand from
/// the layout: STF 2176, CEF 1152, header 1024, 512 a block, closing guard 64 chips.
#[test]
fn a_frame_tells_its_rates_and_sizes() {
    let coded = frame_json(&["mcs 12"]);
    assert_eq!(coded["data_rate_bps"], 4.62e9);
    let blocks = coded["blocks"].as_u64().unwrap();
    // 4096 octets in codewords of 504 bits: 66 of them, 672 bits each, 1792 bits a block.
    assert_eq!((coded["codewords"].as_u64(), blocks), (Some(66), 25));
    let chips = coded["chips"].as_u64().unwrap();
    assert_eq!(chips, 2176 + 1152 + 1024 + 512 * blocks + 64);
    let duration_s = coded["duration_s"].as_f64().unwrap();
    assert!((duration_s * 1.76e9 / chips as f64 - 1.0).abs() < 1e-12);
    assert_eq!(coded["clipped_fraction"], 0.0);
    let bare = frame_json(&["64-qam uncoded without guards", "--sample-rate", "8 GHz"]);
    assert_eq!(bare["data_rate_bps"], 10.56e9);
    assert_eq!((bare["guards"].as_bool(), bare["chips"].as_u64()), (Some(false), Some(60672)));
    assert_eq!(bare["sample_rate_hz"], 8e9);
    let table = expect_status(&run(&["frame", "mcs", "9"]), 0);
    for part in
        ["nothing was sent", "2.5025e9", "1.76e9", "crest_factor_db", "LDPC 672, rate 13/16"]
    {
        assert!(table.contains(part), "{part}: {table}");
    }
    // Values stand in the unit that the name ends in, which has a column of its own.
    for (ending, unit) in [("_bps", "bit/s"), ("_hz", "Hz"), ("_s", "s"), ("_db", "dB")] {
        let rows: Vec<Vec<&str>> = table.lines().map(|l| l.split_whitespace().collect()).collect();
        let rows: Vec<_> =
            rows.iter().filter(|row| row.first().is_some_and(|n| n.ends_with(ending))).collect();
        assert!(!rows.is_empty(), "{ending}: {table}");
        for row in rows {
            assert_eq!((row.len(), row[2]), (3, unit), "{table}");
            assert!(row[1].parse::<f64>().is_ok(), "{row:?}");
        }
    }
}

#[test]
fn what_clips_or_passes_a_limit_is_told() {
    let output = run(&["frame", "64-qam uncoded", "--level", "0 dB", "--json"]);
    let shown: Json = serde_json::from_str(&expect_status(&output, 0)).unwrap();
    assert!(shown["clipped_fraction"].as_f64().unwrap() > 0.01, "{shown}");
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(told.contains("of the samples are clipped"), "{told}");
    expect_status(&run(&["frame", "mcs 9", "--sample-rate", "13 GHz"]), 4);
    expect_status(&run(&["frame", "mcs 9", "--sample-rate", "2 GHz"]), 2);
    expect_status(&run(&["frame", "mcs 9", "--level", "-3 V"]), 2);
    let output = run(&["measure", "--frame", "absent.frame.yaml"]);
    expect_status(&output, 2);
    assert!(String::from_utf8_lossy(&output.stderr).contains("failed to read the frame file"));
    let output = run(&["frame", "mcs 13"]);
    expect_status(&output, 2);
    assert!(String::from_utf8_lossy(&output.stderr).contains("did you mean 'mcs 1"));
}

/// The written waveform is a recording like any other: analysed with the frame file that made it, at
/// the symbol rate that stands there, every user bit comes back.
#[test]
fn a_written_waveform_is_analysed_with_its_frame_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let octets: Vec<u8> = (0..4000_u32).map(|n| (n * n / 7) as u8).collect();
    fs::write(path("user.bin"), &octets).unwrap();
    let text = "frame: ours\nmodulation: 16-qam\nsymbol_rate: 500 MHz\nroll_off: 0.4\n\
                payload: {file: user.bin}\n";
    fs::write(path("ours.frame.yaml"), text).unwrap();
    let (file, out) = (path("ours.frame.yaml"), path("waveform"));
    let made = frame_json(&[&file, "--sample-rate", "1.7 GHz", "--out", &out]);
    assert_eq!(made["symbol_rate_hz"], 5e8);
    let shown = expect_status(&run(&["analyse", &out, "--frame", &file, "--json"]), 0);
    let figures: Json = serde_json::from_str(&shown).unwrap();
    assert_eq!(figures["detected"], true, "{shown}");
    assert_eq!(figures["bit_errors"].as_f64(), Some(0.0), "{shown}");
    // 4000 octets fill 18 blocks of 1792 bits.
    assert_eq!(figures["bits"].as_f64(), Some(18.0 * 1792.0), "{shown}");
    assert!(figures["evm_db"].as_f64().unwrap() < -38.0, "{shown}");
    // A recording is never overwritten, and nothing is said to be built then.
    let output = run(&["frame", &file, "--sample-rate", "1.7 GHz", "--out", &out]);
    assert_eq!(expect_status(&output, 2), "");
    assert!(String::from_utf8_lossy(&output.stderr).contains("never overwritten"));
    // It names a frame of the user's own, which only its file can tell.
    let shown = expect_status(&run(&["analyse", &out, "--json"]), 0);
    let figures: Json = serde_json::from_str(&shown).unwrap();
    let note = figures["note"].as_str().unwrap();
    assert!(note.contains("'ours' was sent, which cannot be built here"), "{note}");
    assert_eq!(figures["detected"], true, "its symbol rate is taken over: {shown}");
}

/// A frame of the user's own, at half the bench's symbol rate, over the simulated link: named by the
/// bench file in a sequence, and by its file at `measure`.
#[test]
fn own_frames_are_measured_at_their_own_symbol_rate() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let text = "frame: half rate\nmodulation: qpsk\nblocks: 40\nsymbol_rate: 880 MHz\n\
                roll_off: 0.4\npayload: {bits: 15}\n";
    fs::write(path("half.frame.yaml"), text).unwrap();
    let bench = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    fs::write(path("bench.yaml"), format!("{bench}\nframes: [half.frame.yaml]\n")).unwrap();
    let story = fs::read_to_string(root().join("sequences/rotate-and-recover.yaml")).unwrap();
    let steps = story.find("\nsteps:").unwrap();
    let sequence = format!(
        "{}\nsteps:\n  - set: {{frame: half rate}}\n  - measure: {{as: one}}\n    expect: {{ber: at \
         most 0.1 %}}\n",
        &story[..steps]
    );
    fs::write(path("sequence.yaml"), sequence).unwrap();
    let runs = path("runs");
    let (sequence, bench) = (path("sequence.yaml"), path("bench.yaml"));
    let output = run(&["run", &sequence, "--bench", &bench, "--runs", &runs, "--json"]);
    let summary: Json = serde_json::from_str(&expect_status(&output, 0)).unwrap();
    let figures = &summary["measurements"][0]["figures"];
    assert_eq!(figures["bits"].as_f64(), Some(40.0 * 896.0), "{summary}");
    let run_folder = common::only_run(folder.path().join("runs").as_path());
    let kept = fs::read_to_string(run_folder.join("frames/half.frame.yaml")).unwrap();
    assert_eq!(kept, text);
    let meta = fs::read_to_string(run_folder.join("captures/000001.sigmf-meta")).unwrap();
    let meta: Json = serde_json::from_str(&meta).unwrap();
    let frame = &meta["captures"][0]["beamwarden:frame"];
    assert_eq!(
        (frame["symbol_rate_hz"].as_f64(), frame["blocks"].as_u64()),
        (Some(8.8e8), Some(40))
    );

    let runs = path("now");
    let file = path("half.frame.yaml");
    let output = run(&["measure", "--frame", &file, "--runs", &runs, "--json"]);
    let shown: Json = serde_json::from_str(&expect_status(&output, 0)).unwrap();
    assert_eq!(shown["frame"], "half rate");
    assert_eq!(shown["figures"]["bit_errors"].as_f64(), Some(0.0), "{shown}");
}
