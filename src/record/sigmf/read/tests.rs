//! Recordings of ours against literal expectations; recordings of strangers; damage of all kinds.

use proptest::prelude::*;
use serde_json::{Value as Json, json};

use super::*;
use crate::record::fixture::{STORY, Writer};
use crate::record::{CaptureNo, CaptureSamples, RunFolder};

fn ours(root: &Path) -> (RunFolder, CaptureNo) {
    let mut writer = Writer::begin(root, "x");
    let capture = writer.shoot(&STORY[0], Some(1));
    (writer.folder, capture)
}

#[test]
fn the_meta_file_is_what_the_specification_and_our_namespace_say() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let (folder, capture) = ours(root.path());
    let text = std::fs::read_to_string(folder.capture_path(capture, META_ENDING)).expect("meta");
    let meta: Json = serde_json::from_str(&text).expect("JSON");
    let keys = |value: &Json| value.as_object().expect("an object").keys().cloned().collect();
    let top: Vec<String> = keys(&meta);
    assert_eq!(top, ["annotations", "captures", "global"]);
    let global = &meta["global"];
    assert_eq!(global["core:datatype"], "ci16_le");
    assert_eq!(global["core:version"], "1.2.6");
    assert_eq!(global["core:sample_rate"], json!(8e9));
    assert_eq!(global["core:num_channels"], 1);
    assert_eq!(
        global["core:extensions"],
        json!([{"name": "beamwarden", "version": "1.0.0", "optional": true}])
    );
    assert_eq!(
        global["beamwarden:channels"],
        json!([
            {"name": "CH1", "volts_per_code": 0.000390625, "offset_v": 0.0, "bits": 10},
            {"name": "CH2", "volts_per_code": 0.000390625, "offset_v": 0.0, "bits": 10}
        ])
    );
    let sha512 = global["core:sha512"].as_str().expect("a text");
    assert_eq!(sha512.len(), 128);
    assert!(sha512.chars().all(|c| matches!(c, '0'..='9' | 'a'..='f')));
    let first = &meta["captures"][0];
    assert_eq!(first["core:sample_start"], 0);
    assert_eq!(first["core:frequency"], json!(62.64e9));
    assert!(first["core:datetime"].as_str().expect("a text").ends_with('Z'));
    assert_eq!(
        first["beamwarden:settings"][0],
        json!({"name": "scope.range", "asked": {"value": 0.25, "unit": "V"},
               "read_back": {"value": 0.2, "unit": "V"}, "read_at": "2026-03-14T21:40:07Z",
               "age_s": 4.5, "matched": false})
    );
    for object in [global, first] {
        let namespaced = |key: &String| key.starts_with("core:") || key.starts_with("beamwarden:");
        let all: Vec<String> = keys(object);
        assert!(all.iter().all(namespaced), "{all:?}");
    }
}

#[test]
fn a_capture_comes_back_as_volts_from_any_of_its_names() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let writer = Writer::begin(root.path(), "x");
    let record = writer.capture_record(&STORY[0], None);
    let i = [-512, 511, 100, 0];
    let q = [0, 1, -100, -1];
    let taken = writer
        .folder
        .write_capture(&record, CaptureSamples::Codes { i: &i, q: &q })
        .expect("a new capture");
    assert_eq!(taken.clipped_fraction, Some(0.5));
    assert_eq!(taken.file, "captures/000000.sigmf-data");
    let data = std::fs::read(writer.folder.path().join(&taken.file)).expect("data");
    assert_eq!(data[..8], [0x00, 0xfe, 0, 0, 0xff, 0x01, 1, 0], "I then Q, low byte first");
    let base = writer.folder.path().join("captures/000000");
    for name in [base.clone(), with_ending(&base, DATA_ENDING), with_ending(&base, META_ENDING)] {
        let recording = read_recording(&name).expect("a sound recording");
        assert_eq!(recording.unit, SampleUnit::Volts);
        let Samples::Complex(samples) = &recording.samples else { panic!("complex samples") };
        assert_eq!(samples[0], Complex32::new(-0.2, 0.0));
        assert_eq!(samples[2], Complex32::new(0.039_062_5, -0.039_062_5));
        assert_eq!(recording.sample_rate_hz, Some(8e9));
        assert_eq!(recording.centre_hz, Some(62.64e9));
        assert_eq!(recording.full_scale, Some(0.2));
        assert_eq!(recording.full_scale_code, Some(511));
        assert_eq!(recording.clipped_fraction, Some(0.5));
        assert!(recording.checksum_compared);
        assert_eq!(recording.meta.captures[0].frame, record.frame);
    }
    let again = writer.folder.write_capture(&record, CaptureSamples::Codes { i: &i, q: &q });
    assert!(again.is_err(), "a capture is never overwritten");
}

#[test]
fn unusable_captures_are_refused_and_leave_nothing() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let writer = Writer::begin(root.path(), "x");
    let sound = writer.capture_record(&STORY[0], None);
    let check = |change: &dyn Fn(&mut crate::record::CaptureRecord), i: &[i16], q: &[i16]| {
        let mut record = sound.clone();
        change(&mut record);
        assert!(writer.folder.write_capture(&record, CaptureSamples::Codes { i, q }).is_err());
    };
    check(&|_| {}, &[], &[]);
    check(&|_| {}, &[1, 2], &[1]);
    for rate in [0.0, -1.0, f64::NAN, f64::INFINITY, 2e12] {
        check(&|record| record.sample_rate_hz = rate, &[1], &[1]);
    }
    check(&|record| record.centre_hz = Some(f64::NAN), &[1], &[1]);
    check(&|record| record.channels[1].volts_per_code = f64::NAN, &[1], &[1]);
    check(&|record| record.channels[0].bits = 0, &[1], &[1]);
    let left = std::fs::read_dir(writer.folder.path().join("captures")).expect("a folder").count();
    assert_eq!(left, 0);
}

/// A stranger's recording with these global keys and data; `core:version` is added.
fn stranger(
    root: &Path,
    mut global: Json,
    captures: Json,
    data: &[u8],
) -> Result<Recording, String> {
    global["core:version"] = json!("1.2.0");
    let meta = json!({"global": global, "captures": captures, "annotations": []});
    std::fs::write(root.join("s.sigmf-meta"), meta.to_string()).expect("room on the disk");
    std::fs::write(root.join("s.sigmf-data"), data).expect("room on the disk");
    read_recording(&root.join("s")).map_err(|error| error.to_string())
}

#[test]
fn recordings_of_strangers_are_read() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let check = |global: Json, data: &[u8], wanted: &[(f32, f32)], full_scale: Option<f64>| {
        let read = stranger(root.path(), global, json!([]), data).expect("a sound recording");
        let wanted: Vec<Complex32> = wanted.iter().map(|(i, q)| Complex32::new(*i, *q)).collect();
        assert_eq!(read.samples, Samples::Complex(wanted));
        assert_eq!(read.full_scale, full_scale);
        assert_eq!(read.sample_rate_hz, None);
        assert!(!read.checksum_compared);
    };
    let real = |name: &str| json!({"core:datatype": name, "core:num_channels": 2});
    let complex = |name: &str| json!({"core:datatype": name});
    check(complex("cf32_le"), &[0, 0, 0x80, 0x3f, 0, 0, 0, 0xc0], &[(1.0, -2.0)], None);
    check(complex("cf32_be"), &[0x3f, 0x80, 0, 0, 0xc0, 0, 0, 0], &[(1.0, -2.0)], None);
    let mut doubles = 1.5_f64.to_le_bytes().to_vec();
    doubles.extend((-0.25_f64).to_le_bytes());
    check(complex("cf64_le"), &doubles, &[(1.5, -0.25)], None);
    check(complex("ci8"), &[0x40, 0x80], &[(0.5, -1.0)], Some(1.0));
    check(complex("cu8"), &[0x80, 0], &[(0.0, -1.0)], Some(1.0));
    check(complex("ci16_be"), &[0x40, 0, 0xc0, 0], &[(0.5, -0.5)], Some(1.0));
    check(real("ri16_le"), &[0, 0x40, 0, 0xc0], &[(0.5, -0.5)], Some(1.0));
    check(real("rf32_le"), &[0, 0, 0x80, 0x3f, 0, 0, 0, 0], &[(1.0, 0.0)], None);
}

#[test]
fn one_real_channel_is_read_as_it_is() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let check = |global: Json, data: &[u8], wanted: &[f32], clipped: Option<f64>| {
        let read = stranger(root.path(), global, json!([]), data).expect("a sound recording");
        assert_eq!(read.samples, Samples::Real(wanted.to_vec()));
        assert_eq!(read.clipped_fraction, clipped);
    };
    let real = |name: &str| json!({"core:datatype": name});
    check(real("ri8"), &[0x40, 0x80], &[0.5, -1.0], Some(0.5));
    check(real("ru8"), &[0x80, 0xff, 0xc0], &[0.0, 127.0 / 128.0, 0.5], Some(1.0 / 3.0));
    check(real("ri16_be"), &[0x40, 0], &[0.5], Some(0.0));
    check(real("ru16_le"), &[0, 0x40], &[-0.5], Some(0.0));
    check(real("rf32_be"), &[0x3f, 0x80, 0, 0], &[1.0], None);
    // Twelve bits in the lower ones of sixteen: -2048 and 2047 are the ends.
    let mut twelve = real("ri16_le");
    twelve["beamwarden:channels"] =
        json!([{"name": "CH1", "volts_per_code": 0.5, "offset_v": 1.0, "bits": 12}]);
    let codes = [0x00, 0xf8, 0xff, 0x07, 0x02, 0x00];
    check(twelve.clone(), &codes, &[-1023.0, 1024.5, 2.0], Some(2.0 / 3.0));
    let read = stranger(root.path(), twelve, json!([]), &codes).expect("a sound recording");
    assert_eq!((read.full_scale, read.unit), (Some(1024.0), SampleUnit::Volts));
}

#[test]
fn what_is_not_understood_is_refused_with_a_reason() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let check = |global: Json, captures: Json, data: &[u8], reason: &str| {
        let error = stranger(root.path(), global, captures, data).expect_err(reason);
        assert!(error.contains(reason), "{error:?} should tell of {reason:?}");
    };
    let plain = || json!({"core:datatype": "ci16_le"});
    let with = |key: &str, value: Json| {
        let mut global = plain();
        global[key] = value;
        global
    };
    let four = &[0, 0, 0, 0];
    check(json!({"core:datatype": "ci12_le"}), json!([]), four, "not a SigMF data type");
    check(json!({}), json!([]), four, "core:datatype");
    check(json!({"core:datatype": "ri16_le", "core:num_channels": 3}), json!([]), four, "channels");
    let scale = json!({"name": "CH1", "volts_per_code": 1e-3, "offset_v": 0.0, "bits": 12});
    check(with("beamwarden:channels", json!([scale])), json!([]), four, "must be 2");
    check(with("core:num_channels", json!(2)), json!([]), four, "channels");
    check(with("core:sample_rate", json!(0)), json!([]), four, "core:sample_rate");
    check(with("core:sample_rate", json!("8e9")), json!([]), four, "SigMF meta");
    check(with("core:metadata_only", json!(true)), json!([]), four, "no data on purpose");
    check(with("core:dataset", json!("x.wav")), json!([]), four, "foreign format");
    let needed = json!([{"name": "other", "version": "1.0.0", "optional": false}]);
    check(with("core:extensions", needed), json!([]), four, "needs the extension");
    let newer = json!([{"name": "beamwarden", "version": "2.0.0", "optional": true}]);
    check(with("core:extensions", newer), json!([]), four, "version 2.0.0");
    check(with("core:sha512", json!("00")), json!([]), four, "SHA-512");
    check(plain(), json!([{"core:sample_start": 1}]), four, "after the end");
    check(plain(), json!([{"core:sample_start": -1}]), four, "SigMF meta");
    check(plain(), json!([{"core:datetime": "today", "core:sample_start": 0}]), four, "SigMF meta");
    check(plain(), json!([]), &[0, 0, 0], "whole number");
    check(plain(), json!([]), &[], "whole number");
    let nan = f32::NAN.to_le_bytes().repeat(2);
    check(json!({"core:datatype": "cf32_le"}), json!([]), &nan, "not a finite number");
    let huge = f64::MAX.to_le_bytes().repeat(2);
    check(json!({"core:datatype": "cf64_le"}), json!([]), &huge, "not a finite number");
}

#[test]
fn a_changed_byte_of_the_data_is_noticed() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let (folder, capture) = ours(root.path());
    let path = folder.capture_path(capture, DATA_ENDING);
    let mut data = std::fs::read(&path).expect("data");
    data[5] ^= 1;
    std::fs::write(&path, data).expect("room on the disk");
    let error = read_recording(&path).expect_err("changed data").to_string();
    assert!(error.contains("changed or damaged"), "{error}");
    std::fs::remove_file(&path).expect("still there");
    assert!(read_recording(&path).is_err());
    assert!(read_recording(&root.path().join("nothing here")).is_err());
}

/// A meta file that is nearly right: sound keys with values of any kind.
fn nearly_meta() -> impl Strategy<Value = Json> {
    let scalar = || {
        prop_oneof![
            Just(Json::Null),
            any::<bool>().prop_map(Json::from),
            any::<i64>().prop_map(Json::from),
            any::<f64>().prop_map(Json::from),
            "[a-z0-9_]{0,8}".prop_map(Json::from),
            Just(json!([])),
            Just(json!({})),
        ]
    };
    let types = prop_oneof![
        Just("ci16_le"),
        Just("cf32_le"),
        Just("ri8"),
        Just("cu32_be"),
        Just("cf64_le")
    ];
    let scale = (any::<f64>(), any::<f64>(), any::<u32>()).prop_map(|(volts, offset, bits)| {
        json!({"name": "CH", "volts_per_code": volts, "offset_v": offset, "bits": bits % 20})
    });
    let channels = proptest::option::of(proptest::collection::vec(scale, 1..4));
    (types, scalar(), scalar(), scalar(), channels, any::<u64>()).prop_map(
        |(data_type, rate, count, extensions, channels, start)| {
            let mut global = json!({"core:datatype": data_type, "core:version": "1.2.6"});
            if !rate.is_null() {
                global["core:sample_rate"] = rate;
            }
            if !count.is_null() {
                global["core:num_channels"] = count;
            }
            if !extensions.is_null() {
                global["core:extensions"] = extensions;
            }
            if let Some(channels) = channels {
                global["beamwarden:channels"] = json!(channels);
            }
            let captures = json!([{"core:sample_start": start % 16}]);
            json!({"global": global, "captures": captures, "annotations": []})
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_files_make_the_reader_panic(
        meta in prop_oneof![
            nearly_meta().prop_map(|meta| meta.to_string().into_bytes()),
            proptest::collection::vec(any::<u8>(), 0..200),
        ],
        data in proptest::collection::vec(any::<u8>(), 0..200),
    ) {
        let root = tempfile::tempdir().expect("a temporary folder");
        std::fs::write(root.path().join("s.sigmf-meta"), meta).expect("room on the disk");
        std::fs::write(root.path().join("s.sigmf-data"), data).expect("room on the disk");
        if let Ok(recording) = read_recording(&root.path().join("s")) {
            let finite = match &recording.samples {
                Samples::Complex(samples) => {
                    samples.iter().all(|s| s.re.is_finite() && s.im.is_finite())
                }
                Samples::Real(samples) => samples.iter().all(|s| s.is_finite()),
            };
            prop_assert!(finite);
        }
    }
}
