//! `analyse` on recordings of every shape: what it takes, and what it says of what does not fit.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;

use common::{expect_status, run};
use serde_json::{Value as Json, json};

const RATE_HZ: f64 = 8e9;

/// I and Q of a frame's waveform as the program writes it, shares of full scale.
fn waveform(folder: &Path) -> Vec<(f64, f64)> {
    let base = folder.join("waveform").display().to_string();
    expect_status(&run(&["frame", "mcs 9", "--sample-rate", "8 GHz", "--out", &base]), 0);
    let bytes = fs::read(format!("{base}.sigmf-data")).unwrap();
    let code = |pair: [u8; 2]| f64::from(i16::from_le_bytes(pair)) / 32768.0;
    bytes.as_chunks::<4>().0.iter().map(|c| (code([c[0], c[1]]), code([c[2], c[3]]))).collect()
}

/// Writes one real channel of the type, by `encode` from shares of full scale.
fn write(base: &Path, data_type: &str, values: &[f64], encode: impl Fn(f64) -> Vec<u8>) -> String {
    let data: Vec<u8> = values.iter().flat_map(|value| encode(*value)).collect();
    fs::write(base.with_extension("sigmf-data"), data).unwrap();
    let meta = json!({
        "global": {"core:datatype": data_type, "core:version": "1.2.6", "core:sample_rate": RATE_HZ},
        "captures": [{"core:sample_start": 0}],
        "annotations": [],
    });
    fs::write(base.with_extension("sigmf-meta"), meta.to_string()).unwrap();
    base.display().to_string()
}

fn short(value: f64) -> Vec<u8> {
    ((value * 32767.0).round() as i16).to_le_bytes().to_vec()
}

fn expect_frame(arguments: &[&str]) {
    let shown = expect_status(&run(&[&["analyse", "--json"], arguments].concat()), 0);
    let figures: Json = serde_json::from_str(&shown).unwrap();
    assert_eq!(figures["header_ok"], true, "{arguments:?}: {shown}");
    assert_eq!(figures["codewords_failed"], 0, "{arguments:?}: {shown}");
    assert!(figures["evm_db"].as_f64().unwrap() < -30.0, "{arguments:?}: {shown}");
}

fn expect_refusal(arguments: &[&str], parts: &[&str]) {
    let output = run(&[&["analyse"], arguments].concat());
    expect_status(&output, 2);
    let told = String::from_utf8_lossy(&output.stderr).replace("\n", " ");
    for part in parts {
        assert!(told.contains(part), "{arguments:?} should tell {part:?}: {told}");
    }
}

#[test]
fn recordings_of_every_shape_are_analysed() {
    let folder = tempfile::tempdir().unwrap();
    let complex = waveform(folder.path());
    // Real part of the waveform turned up to 2.1 GHz; with Q turned over, as a high oscillator leaves it.
    let up = |sign: f64| -> Vec<f64> {
        let turned = |(n, (i, q)): (usize, &(f64, f64))| {
            let angle = TAU * (2.1e9 / RATE_HZ * n as f64).fract();
            (i * angle.cos() - sign * q * angle.sin()) / 1.5
        };
        complex.iter().enumerate().map(turned).collect()
    };
    let path = |name: &str| folder.path().join(name);
    let low = write(&path("low"), "ri16_le", &up(1.0), short);
    let high =
        write(&path("high"), "ru8", &up(-1.0), |value| vec![(value * 127.0 + 128.0).round() as u8]);
    let float = write(&path("float"), "rf32_be", &up(1.0), |v| (v as f32).to_be_bytes().to_vec());
    let at = ["--intermediate-frequency", "2.1 GHz"];
    expect_frame(&[&low, at[0], at[1]]);
    expect_frame(&[&high, at[0], at[1], "--high-side"]);
    expect_frame(&[&float, at[0], at[1]]);
    let i: Vec<f64> = complex.iter().map(|z| z.0).collect();
    let q: Vec<f64> = complex.iter().map(|z| z.1).collect();
    let (i, q) = (write(&path("i"), "ri16_le", &i, short), write(&path("q"), "ri16_le", &q, short));
    expect_frame(&["--i", &i, "--q", &q]);

    let waveform = path("waveform").display().to_string();
    expect_refusal(&[&low], &["one real channel", "give --intermediate-frequency"]);
    expect_refusal(&[&waveform, at[0], at[1]], &["has I and Q", "leave it out"]);
    expect_refusal(&[&low, at[0], "0.8 GHz"], &["intermediate frequency of 800000000 Hz", "fit"]);
    let fast = [&low, at[0], at[1], "--symbol-rate", "3.52 GHz"];
    expect_refusal(&fast, &["does not fit into", "or more"]);
    expect_refusal(&["--i", &i, "--q", &waveform], &["has I and Q", "waveform"]);
    let shorter = write(&path("shorter"), "ri16_le", &[0.1, 0.2], short);
    expect_refusal(&["--i", &i, "--q", &shorter], &["channel Q 2", "same settings"]);
    let other = write(&path("other"), "rf32_be", &[0.1], |v| (v as f32).to_be_bytes().to_vec());
    expect_refusal(&["--i", &i, "--q", &other], &["I and Q differ in range"]);
    expect_refusal(&["--i", &i], &["--q"]);
    expect_refusal(&[&low, "--high-side"], &["--intermediate-frequency"]);
}
