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

fn short_code(value: f64) -> Vec<u8> {
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
    let low = write(&path("low"), "ri16_le", &up(1.0), short_code);
    let high =
        write(&path("high"), "ru8", &up(-1.0), |value| vec![(value * 127.0 + 128.0).round() as u8]);
    let float = write(&path("float"), "rf32_be", &up(1.0), |v| (v as f32).to_be_bytes().to_vec());
    let at = ["--intermediate-frequency", "2.1 GHz"];
    expect_frame(&[&low, at[0], at[1]]);
    expect_frame(&[&high, at[0], at[1], "--high-side"]);
    expect_frame(&[&float, at[0], at[1]]);
    let i: Vec<f64> = complex.iter().map(|z| z.0).collect();
    let q: Vec<f64> = complex.iter().map(|z| z.1).collect();
    let (i, q) = (
        write(&path("i"), "ri16_le", &i, short_code),
        write(&path("q"), "ri16_le", &q, short_code),
    );
    expect_frame(&["--i", &i, "--q", &q]);

    let waveform = path("waveform").display().to_string();
    expect_refusal(&[&low], &["one real channel", "give --intermediate-frequency"]);
    expect_refusal(&[&waveform, at[0], at[1]], &["has I and Q", "leave it out"]);
    expect_refusal(
        &[&low, at[0], "0.8 GHz"],
        &["intermediate frequency of 800 MHz", "1.191 GHz to 2.849 GHz fit"],
    );
    let fast = [&low, at[0], at[1], "--symbol-rate", "3.52 GHz"];
    expect_refusal(&fast, &["does not fit into", "or more"]);
    expect_refusal(&["--i", &i, "--q", &waveform], &["has I and Q", "waveform"]);
    let shorter = write(&path("shorter"), "ri16_le", &[0.1, 0.2], short_code);
    expect_refusal(&["--i", &i, "--q", &shorter], &["channel Q 2", "same settings"]);
    let other = write(&path("other"), "rf32_be", &[0.1], |v| (v as f32).to_be_bytes().to_vec());
    expect_refusal(
        &["--i", &i, "--q", &other],
        &["I has 16-bit codes without a range in volts and Q floating-point numbers", "same range"],
    );
    expect_refusal(&["--i", &i], &["--q"]);
    expect_refusal(&[&low, "--high-side"], &["--intermediate-frequency"]);
}

/// Writes one real channel of 16-bit words whose recording declares scale and resolution.
fn write_declared(base: &Path, values: &[f64], volts_per_code: f64, bits: u32) -> String {
    let written = write(base, "ri16_le", values, short_code);
    let path = base.with_extension("sigmf-meta");
    let mut meta: Json = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    meta["global"]["beamwarden:channels"] =
        json!([{"name": "CH", "volts_per_code": volts_per_code, "offset_v": 0.0, "bits": bits}]);
    fs::write(path, meta.to_string()).unwrap();
    written
}

/// I and Q of different settings are refused with both named.
#[test]
fn channels_of_different_settings_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let values = [0.01, -0.02, 0.015];
    let i = write_declared(&path("i"), &values, 1e-4, 12);
    for (name, volts_per_code, bits, told) in [
        ("wide", 2e-4, 12, "Q 12-bit codes over +-409.6 mV"),
        ("coarse", 4e-4, 10, "Q 10-bit codes over +-204.8 mV"),
    ] {
        let q = write_declared(&path(name), &values, volts_per_code, bits);
        let told = ["I has 12-bit codes over +-204.8 mV", told, "same range, resolution and unit"];
        expect_refusal(&["--i", &i, "--q", &q], &told);
    }
    let q = write(&path("plain"), "ri16_le", &values, short_code);
    let told = "Q 16-bit codes without a range in volts";
    expect_refusal(&["--i", &i, "--q", &q, "--bits", "16"], &[told]);
    let fast = write_declared(&path("fast"), &values, 1e-4, 12);
    let meta = fs::read_to_string(path("fast.sigmf-meta")).unwrap();
    fs::write(path("fast.sigmf-meta"), meta.replace("8000000000.0", "4000000000.0")).unwrap();
    let told = ["I has a sample rate of 8 GHz and Q one of 4 GHz"];
    expect_refusal(&["--i", &i, "--q", &fast], &told);
}

/// 12-bit codes in 16-bit words that overdrive their converter. Undeclared in the lower bits, clipping is
/// not known and a note says how to tell; told or declared, and in the upper bits, it is counted.
#[test]
fn narrow_codes_are_told_and_clipping_is_never_hidden() {
    let folder = tempfile::tempdir().unwrap();
    let complex = waveform(folder.path());
    let code = |value: f64| (value * 2600.0).round().clamp(-2048.0, 2047.0);
    let ends = |z: &&(f64, f64)| [z.0, z.1].iter().any(|v| [-2048.0, 2047.0].contains(&code(*v)));
    let share = complex.iter().filter(ends).count() as f64 / complex.len() as f64;
    assert!(share > 1e-4, "{share}");
    let path = |name: &str| folder.path().join(name);
    let channel = |name: &str, q: bool, factor: f64| -> String {
        let values: Vec<f64> = complex.iter().map(|z| if q { z.1 } else { z.0 }).collect();
        write(&path(name), "ri16_le", &values, |v| {
            ((code(v) * factor) as i16).to_le_bytes().to_vec()
        })
    };
    let lower = [channel("i12", false, 1.0), channel("q12", true, 1.0)];
    let upper = [channel("i12up", false, 16.0), channel("q12up", true, 16.0)];
    let analysed = |[i, q]: &[String; 2], more: &[&str]| -> Json {
        let arguments = [&["analyse", "--json", "--i", i, "--q", q], more].concat();
        serde_json::from_str(&expect_status(&run(&arguments), 0)).unwrap()
    };
    let unknown = analysed(&lower, &[]);
    assert_eq!(unknown["clipped_fraction"], Json::Null);
    let note = unknown["note"].as_str().unwrap();
    assert!(note.contains("taken as 16 bits, but use 12 at most"), "{note}");
    assert!(note.contains("--bits"), "{note}");
    let shown = expect_status(&run(&["analyse", "--i", &lower[0], "--q", &lower[1]]), 0);
    assert!(shown.contains("note: the recording does not declare"), "{shown}");
    for (recordings, more) in [(&lower, &["--bits", "12"][..]), (&upper, &[])] {
        let found = analysed(recordings, more);
        let clipped = found["clipped_fraction"].as_f64().unwrap();
        assert!((clipped / share - 1.0).abs() < 1e-9, "{clipped} {share}");
        let louder =
            found["power_dbfs"].as_f64().unwrap() - unknown["power_dbfs"].as_f64().unwrap();
        // Full scale is 16 times lower.
        assert!((louder - 24.08).abs() < 0.01, "{louder}");
        assert_eq!(found["note"].is_null(), !more.is_empty());
    }
    // Codes that are wider than what was said.
    let wide = ["--i", &upper[0], "--q", &upper[1], "--bits", "12"];
    expect_refusal(&wide, &["has codes of 16 bits, more than the 12 that were given"]);
    let help = expect_status(&run(&["analyse", "--help"]), 0);
    assert!(help.contains("--bits"), "{help}");
}

fn analysed(arguments: &[&str]) -> Json {
    let shown = expect_status(&run(&[&["analyse", "--json"], arguments].concat()), 0);
    serde_json::from_str(&shown).unwrap()
}

#[track_caller]
fn expect_note(arguments: &[&str], parts: &[&str]) -> Json {
    let found = analysed(arguments);
    let note = found["note"].as_str().unwrap_or_default();
    assert!(!parts.is_empty() || note.is_empty(), "{arguments:?}: {note}");
    for part in parts {
        assert!(note.contains(part), "{arguments:?} should note {part:?}: {note}");
    }
    found
}

/// Writes I and Q as one complex channel of floats, with nothing said of what was sent.
fn write_complex(base: &Path, samples: &[(f64, f64)]) -> String {
    let values: Vec<f64> = samples.iter().flat_map(|z| [z.0, z.1]).collect();
    write(base, "cf32_le", &values, |value| (value as f32).to_le_bytes().to_vec())
}

/// What the recording names is what it is compared with, and the user is told; `dmg` goes by the header.
#[test]
fn a_recording_tells_what_was_sent() {
    let folder = tempfile::tempdir().unwrap();
    let samples = waveform(folder.path());
    let base = folder.path().join("waveform").display().to_string();
    let found = expect_note(&[&base], &[]);
    assert_eq!(
        (&found["frame"], &found["frame_named_by_recording"]),
        (&json!("mcs 9"), &json!(true))
    );
    assert_eq!((&found["bits"], &found["bit_errors"]), (&json!(32768), &json!(0)));
    let shown = expect_status(&run(&["analyse", &base]), 0);
    assert!(shown.contains("frame: mcs 9, as the recording says"), "{shown}");
    let by_header = expect_note(&[&base, "--frame", "dmg"], &[]);
    assert_eq!((&by_header["frame"], &by_header["bits"]), (&json!("dmg"), &Json::Null));
    assert_eq!(by_header["frame_named_by_recording"], false);
    let meta = folder.path().join("waveform.sigmf-meta");
    let text = fs::read_to_string(&meta).unwrap();
    fs::write(&meta, text.replace("\"mcs 9\"", "\"best of ours\"")).unwrap();
    let found = expect_note(&[&base], &["'best of ours' was sent, which cannot be built here"]);
    assert_eq!((&found["frame"], &found["header_ok"]), (&json!("dmg"), &json!(true)));
    let plain = write_complex(&folder.path().join("plain"), &samples);
    assert_eq!(expect_note(&[&plain], &[])["frame"], "dmg");
}

/// What was named and cannot be what was sent.
#[test]
fn a_wrong_reference_is_noted() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let plain = write_complex(&folder.path().join("plain"), &waveform(folder.path()));
    let wrong = ["the bits do not match the frame or file named at all"];
    for (octets, parts) in [
        (4096, &wrong[..]),
        (1000, &["has 1000 octets, but the header says 4096"]),
        (4099, &["has 4099 octets, but the header says 4096"]),
    ] {
        fs::write(path("sent.bin"), vec![0x5a; octets]).unwrap();
        expect_note(&[&plain, "--expect", &path("sent.bin")], parts);
    }
    expect_note(&[&plain, "--frame", "mcs 10"], &["mcs 10 was named, but the header says mcs 9"]);
    expect_note(&[&plain, "--frame", "mcs 9"], &[]);

    let base = path("uncoded");
    let arguments = ["frame", "16-qam uncoded", "--sample-rate", "8 GHz", "--out", &base];
    expect_status(&run(&arguments), 0);
    expect_note(&[&base], &[]);
    expect_note(&[&base, "--expect", &path("sent.bin")], &wrong);
    // The header of an extended scheme leaves up to 3 octets open.
    let base = path("extended");
    expect_status(&run(&["frame", "mcs 12.3", "--sample-rate", "8 GHz", "--out", &base]), 0);
    let found = expect_note(&[&base], &[]);
    assert!((4096..=4099).contains(&found["psdu_octets"].as_u64().unwrap()), "{found}");
}

/// Why there is no whole frame is told as far as it is known.
#[test]
fn a_missed_frame_is_explained() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let samples = waveform(folder.path());
    let short = write_complex(&path("short"), &samples[..samples.len() / 2]);
    let found = expect_note(&[&short], &["the frame, as its header says, lasts", "record longer"]);
    assert_eq!((&found["detected"], &found["frames_cut"]), (&json!(false), &json!(1)));
    let shown = expect_status(&run(&["analyse", &short]), 0);
    assert!(shown.contains("no whole frame found"), "{shown}");
    assert!(!shown.contains("edges cut every frame"), "{shown}");
    let whole = write_complex(&path("whole"), &samples);
    let longer = ["the frame named lasts", "check that it is the one that was sent"];
    expect_note(&[&whole, "--frame", "qpsk uncoded"], &longer);

    let swapped: Vec<(f64, f64)> = samples.iter().map(|(i, q)| (*q, *i)).collect();
    let swapped = write_complex(&path("swapped"), &swapped);
    for frame in ["dmg", "mcs 9", "qpsk uncoded"] {
        let told = ["the spectrum is mirrored: swap I and Q"];
        let found = expect_note(&[&swapped, "--frame", frame], &told);
        assert_eq!(found["detected"], false);
    }
    let up: Vec<f64> = samples
        .iter()
        .enumerate()
        .map(|(n, (i, q))| {
            let angle = TAU * (2.1e9 / RATE_HZ * n as f64).fract();
            (i * angle.cos() - q * angle.sin()) / 1.5
        })
        .collect();
    let up = write(&path("up"), "ri16_le", &up, short_code);
    let at = [&up, "--intermediate-frequency", "2.1 GHz"];
    expect_note(&at, &[]);
    let high = [at[0], at[1], at[2], "--high-side"];
    expect_note(&high, &["the spectrum is mirrored: leave out --high-side"]);
}

/// One bad recording of several is told, the others are analysed, and the status says it.
#[test]
fn bad_recordings_are_told_and_the_others_analysed() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let good = write_complex(&path("good"), &waveform(folder.path()));
    fs::write(path("notes.txt"), "not a recording").unwrap();
    fs::write(path("empty.sigmf-meta"), "").unwrap();
    fs::write(path("empty.sigmf-data"), "1234").unwrap();
    let (text, empty) = (path("notes.txt"), path("empty"));
    let (text, empty) = (text.display().to_string(), empty.display().to_string());
    let output = run(&["analyse", "--json", &good, &text, &empty, &good]);
    let shown = expect_status(&output, 2);
    assert_eq!(shown.lines().count(), 2, "{shown}");
    let told = String::from_utf8_lossy(&output.stderr);
    let parts = [
        "notes.txt is no SigMF recording: NAME.sigmf-meta and NAME.sigmf-data are needed",
        "notes.txt.sigmf-meta does not exist",
        "empty.sigmf-meta is empty",
    ];
    for part in parts {
        assert!(told.contains(part), "{part}: {told}");
    }
    // A rate that contradicts the recording's own.
    let rates = ["states a sample rate of 8 GHz and --sample-rate 4 GHz"];
    expect_refusal(&[&good, "--sample-rate", "4 GHz"], &rates);
    expect_frame(&[&good, "--sample-rate", "8 GHz"]);
}
