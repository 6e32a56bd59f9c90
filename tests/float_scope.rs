//! A scope that gives volts as floats and nothing else: the main job with it, its record, and the
//! analysis of that record.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::process::Output;

use beamwarden::record::{RunFolder, SampleUnit, read_recording, verify};
use common::{Served, expect_status, only_run, program, short_sequence, write};
use serde_json::Value as Json;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// As the shipped scope, but for its samples.
const PROFILE: &str = "profile: float-scope
based on: scpi-scope
actions:
  fetch trace:
    about: Brings the volts of one channel
    takes: {channel: [CH1, CH2]}
    steps:
      - send: \"FORMat:DATA REAL,32\"
      - fetch block: \"TRACe:DATA? {channel}\"
        format: float32 low first
        timeout: 30 s
";

/// Stands before the simulated scope, which knows codes only, and makes volts of them.
async fn make_volts(listener: TcpListener, scope: String) {
    let (client, _) = listener.accept().await.unwrap();
    let (client, mut answers) = client.into_split();
    let mut asked = BufReader::new(client).lines();
    let mut scope = BufReader::new(TcpStream::connect(scope).await.unwrap());
    for format in ["FORMat:DATA INTeger,16\n", "FORMat:BORDer SWAPped\n"] {
        scope.write_all(format.as_bytes()).await.unwrap();
    }
    while let Ok(Some(line)) = asked.next_line().await {
        if line == "FORMat:DATA REAL,32" {
            continue;
        }
        let mut answer = Vec::new();
        if let Some(channel) = line.strip_prefix("TRACe:DATA? ") {
            scope.write_all(format!("TRACe:SCALe? {channel}\n").as_bytes()).await.unwrap();
            let mut scale = String::new();
            scope.read_line(&mut scale).await.unwrap();
            let numbers: Vec<f64> = scale.trim().split(',').map(|n| n.parse().unwrap()).collect();
            scope.write_all(format!("{line}\n").as_bytes()).await.unwrap();
            let codes = block(&mut scope).await;
            let codes = codes.as_chunks::<2>().0.iter().map(|code| i16::from_le_bytes(*code));
            let volts = codes.map(|code| (f64::from(code) * numbers[0] + numbers[1]) as f32);
            let volts: Vec<u8> = volts.flat_map(f32::to_le_bytes).collect();
            let length = volts.len().to_string();
            answer.extend(format!("#{}{length}", length.len()).bytes());
            answer.extend(volts);
            answer.push(b'\n');
        } else {
            scope.write_all(format!("{line}\n").as_bytes()).await.unwrap();
            if line.contains('?') {
                scope.read_until(b'\n', &mut answer).await.unwrap();
            }
        }
        if answers.write_all(&answer).await.is_err() {
            return;
        }
    }
}

/// The data of a definite block; the end of line after it is taken, too.
async fn block(scope: &mut BufReader<TcpStream>) -> Vec<u8> {
    let mut head = [0; 2];
    scope.read_exact(&mut head).await.unwrap();
    let mut length = vec![0; usize::from(head[1] - b'0')];
    scope.read_exact(&mut length).await.unwrap();
    let count: usize = String::from_utf8(length).unwrap().parse().unwrap();
    let mut data = vec![0; count + 1];
    scope.read_exact(&mut data).await.unwrap();
    assert_eq!((head[0], data.pop()), (b'#', Some(b'\n')));
    data
}

/// Runs the program while the simulated instruments go on living on this runtime.
async fn run_beside(arguments: &[&str]) -> Output {
    let arguments: Vec<String> = arguments.iter().map(ToString::to_string).collect();
    let output = tokio::task::spawn_blocking(move || program().args(arguments).output());
    output.await.unwrap().unwrap()
}

#[tokio::test]
async fn a_scope_of_floats_is_measured_recorded_and_analysed_again() {
    let served = Served::start().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let own = listener.local_addr().unwrap();
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), "float-scope.yaml", PROFILE);
    let text = served.bench_file();
    let scope = text.split("profile: scpi-scope.yaml").nth(1).unwrap();
    let scope = scope.split("tcp://").nth(1).unwrap().split('"').next().unwrap().to_string();
    tokio::spawn(make_volts(listener, scope.clone()));
    let text = text
        .replace(&format!("tcp://{scope}"), &format!("tcp://{own}"))
        .replace("profile: scpi-scope.yaml", "profile: float-scope.yaml");
    let bench = write(folder.path(), "bench.yaml", &text);
    let steps = "  - search beams: {side: rx}\n  - measure: {as: here}\n";
    let sequence = write(folder.path(), "short.yaml", &short_sequence(steps));
    let runs = folder.path().join("runs");
    let place = runs.display().to_string();
    let run = run_beside(&["run", &sequence, "--bench", &bench, "--json", "--runs", &place]).await;
    let summary: Json = serde_json::from_str(&expect_status(&run, 0)).unwrap();
    let figures = &summary["measurements"][0]["figures"];
    assert_eq!(figures["bit_errors"].as_f64(), Some(0.0), "{figures}");
    let truth = served.bench.truth_at_last_trigger().unwrap();
    let true_snr_db = truth.es_n0_db(1.76e9).unwrap();
    let snr_db = figures["snr_db"].as_f64().unwrap();
    // As with codes: one capture of 57344 symbols and 3328 preamble chips, a spread of 0.1 dB.
    assert!((snr_db - true_snr_db).abs() < 0.4, "{snr_db} {true_snr_db}");

    let run = only_run(&runs);
    let meta_path = run.join("captures/000001.sigmf-meta");
    let meta: Json = serde_json::from_str(&std::fs::read_to_string(&meta_path).unwrap()).unwrap();
    let global = &meta["global"];
    assert_eq!(
        (&global["core:datatype"], &global["core:num_channels"]),
        (&"cf32_le".into(), &1.into())
    );
    assert_eq!(global["beamwarden:channels"][0]["volts_per_code"], 1.0);
    assert!(meta["captures"][0].get("beamwarden:clipped_fraction").is_none_or(Json::is_null));
    let recording = read_recording(&meta_path).unwrap();
    assert_eq!(recording.unit, SampleUnit::Volts);

    // The recording analysed by itself gives the figures of the run.
    let place = meta_path.display().to_string();
    let again = run_beside(&["analyse", &place, "--json"]).await;
    let again: Json = serde_json::from_str(&expect_status(&again, 0)).unwrap();
    let shown = again.to_string();
    let evm_db = figures["evm_db"].as_f64().unwrap();
    let evm_again_db = find(&again, "evm_db").unwrap_or_else(|| panic!("{shown}"));
    // The analysis without the sent frame decides symbols by itself: the same where none is wrong.
    assert!((evm_db - evm_again_db).abs() < 0.1, "{evm_db} {evm_again_db}");
    let findings = verify(&RunFolder::open(&run).unwrap()).unwrap();
    assert!(findings.is_empty(), "{findings:?}");
}

/// The first number of this name anywhere.
fn find(json: &Json, name: &str) -> Option<f64> {
    match json {
        Json::Object(map) => map
            .get(name)
            .and_then(Json::as_f64)
            .or_else(|| map.values().find_map(|v| find(v, name))),
        Json::Array(items) => items.iter().find_map(|item| find(item, name)),
        _ => None,
    }
}
