//! Our own driver and the whole program against the simulated instruments over HiSLIP, in real
//! time. Client and server share no code.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use beamwarden_drivers::instrument::{Driver, Event, Instrument, RawAnswer};
use beamwarden_drivers::transport::{
    Address, Direction, HislipLink, LinkFault, Pace, Part, TraceEvent, Traced, Transport, link_for,
};
use beamwarden_drivers::value::Value;
use beamwarden_sim::{Address as Served, HislipPorts, Model, Post, ServePlan, Serving, SimBench};
use common::{expect_status, program, root, short_sequence, write};
use tokio::time::Instant;

async fn serve() -> (SimBench, Serving) {
    let bench = SimBench::new(Model::default()).unwrap();
    let plan = ServePlan { pty: false, hislip: HislipPorts::Free, ..ServePlan::default() };
    let serving = bench.serve(plan).await.unwrap();
    (bench, serving)
}

fn address(serving: &Serving, post: Post) -> String {
    let all = serving.addresses();
    let found = all.iter().find(|(at, how)| *at == post && matches!(how, Served::Hislip(_)));
    found.unwrap().1.to_string()
}

fn soon() -> Instant {
    Instant::now() + Duration::from_secs(10)
}

async fn link(serving: &Serving, post: Post) -> Box<dyn Transport> {
    let address: Address = address(serving, post).parse().unwrap();
    let mut link = link_for(&address).unwrap();
    link.reopen(soon()).await.unwrap();
    link
}

async fn send(link: &mut Box<dyn Transport>, bytes: &[u8]) {
    let pace = Pace { by: soon(), idle: Duration::from_secs(5) };
    link.send(bytes, Part::Last, pace).await.unwrap();
}

async fn ask(link: &mut Box<dyn Transport>, query: &[u8]) -> Vec<u8> {
    send(link, query).await;
    let mut into = Vec::new();
    while !link.receive(&mut into, 1 << 20, soon()).await.unwrap().end {}
    into
}

const STEPS: &str = "  - measure: {as: here}\n";

/// All five instruments over HiSLIP: waveform up, trace down, settings and registers, and what is
/// measured is what the back door knows.
#[tokio::test]
async fn a_run_over_hislip() {
    let (bench, serving) = serve().await;
    let mut text =
        std::fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    for post in Post::ALL {
        let place = text.find(&format!("\n  {}:\n", post.name())).unwrap();
        let place = place + text[place..].find("at: simulated").unwrap();
        let at = format!("at: \"{}\"", address(&serving, post));
        text.replace_range(place..place + "at: simulated".len(), &at);
    }
    let folder = tempfile::tempdir().unwrap();
    let bench_file = write(folder.path(), "bench.yaml", &text);
    let sequence = write(folder.path(), "short.yaml", &short_sequence(STEPS));
    let runs = folder.path().join("runs").display().to_string();
    let arguments = ["run", &sequence, "--bench", &bench_file, "--json", "--runs", &runs];
    let arguments = arguments.map(ToString::to_string);
    let run = tokio::task::spawn_blocking(move || program().args(arguments).output());
    let shown = expect_status(&run.await.unwrap().unwrap(), 0);
    let summary: serde_json::Value = serde_json::from_str(&shown).unwrap();
    let snr_db = summary["measurements"][0]["figures"]["snr_db"].as_f64().unwrap();
    let at_trigger = bench.truth_at_last_trigger().unwrap();
    let true_snr_db = at_trigger.es_n0_db(1.76e9).unwrap();
    // One capture of 57344 symbols and 3328 preamble chips: the spread is about 0.1 dB.
    assert!((snr_db - true_snr_db).abs() < 0.4, "{snr_db} {true_snr_db}");
    assert!((at_trigger.turntable.angle_deg - 5.0).abs() < 0.1);
    assert!(!bench.truth().supply.output, "safe state");
}

/// `*OPC?` of a turntable that still moves is given up; a device clear brings the link back into
/// step, on the same connection, and the move goes on.
#[tokio::test]
async fn after_a_timeout_a_device_clear_and_no_late_answer() {
    let (bench, serving) = serve().await;
    let events = Arc::<Mutex<Vec<TraceEvent>>>::default();
    let sink = events.clone();
    let address: Address = address(&serving, Post::Turntable).parse().unwrap();
    let link = Traced::new(link_for(&address).unwrap(), Instant::now(), move |event| {
        sink.lock().unwrap().push(event);
    });
    let driver = Driver::load("scpi-turntable.yaml", None, None).unwrap();
    let driver = driver.with_timeout(Duration::from_millis(250));
    let mut turntable = Instrument::open("turntable", Box::new(link), driver).await.unwrap();
    turntable.send_raw("AXIS:SPEed 20").await.unwrap();
    turntable.send_raw("AXIS:POSition 15").await.unwrap();
    let error = turntable.query_raw("*OPC?").await.unwrap_err();
    assert!(error.to_string().contains("nothing came in time"), "{error}");
    for _ in 0..20 {
        let RawAnswer::Line(answer) = turntable.query_raw("AXIS:SPEed?").await.unwrap() else {
            panic!("a line is due")
        };
        assert_eq!(answer.trim().parse::<f64>().unwrap(), 20.0);
        tokio::time::sleep(Duration::from_millis(60)).await;
    }
    let found = turntable.take_events();
    assert!(found.iter().any(|event| matches!(event, Event::Resynchronised { .. })), "{found:?}");
    let directions: Vec<Direction> = events.lock().unwrap().iter().map(|e| e.direction).collect();
    let count = |direction| directions.iter().filter(|d| **d == direction).count();
    assert_eq!((count(Direction::Opened), count(Direction::Cleared)), (1, 1), "{directions:?}");
    assert!((bench.truth().turntable.angle_deg - 15.0).abs() < 0.1, "the move went on");
    assert!(matches!(turntable.read("position").await.unwrap(), Value::Number(_)));
}

/// Blocks beyond the size that both sides agreed on, both ways, around that size.
#[tokio::test]
async fn blocks_beyond_the_message_size() {
    let (_bench, serving) = serve().await;
    let mut source = link(&serving, Post::Source).await;
    for points in [1usize, 262_130, 262_139, 262_140, 262_141, 800_001] {
        let bytes: Vec<u8> = (0..4 * points).map(|n| (n * 7 % 256) as u8).collect();
        send(&mut source, format!("TRAC:DEL:ALL;:TRAC:DEF W,{points}\n").as_bytes()).await;
        let head = format!("TRAC W,#9{:09}", bytes.len());
        send(&mut source, &[head.as_bytes(), &bytes, b"\n"].concat()).await;
        assert_eq!(ask(&mut source, b"SYST:ERR?").await, b"0,\"No error\"\n", "{points}");
        let answer = ask(&mut source, b"TRAC? W\n").await;
        let head = format!("#{}{}", bytes.len().to_string().len(), bytes.len());
        let due = [head.as_bytes(), &bytes, b"\n"].concat();
        assert!(answer == due, "{points}: {} and {} bytes", answer.len(), due.len());
    }
}

#[tokio::test]
async fn a_block_given_up_in_the_middle_leaves_the_instrument_usable() {
    let (_bench, serving) = serve().await;
    let mut source = link(&serving, Post::Source).await;
    let bytes = vec![b'\n'; 16 << 20];
    let head = format!("TRAC:DEF W,{};:TRAC W,#9{:09}", bytes.len() / 4, bytes.len());
    send(&mut source, &[head.as_bytes(), &bytes, b"\n"].concat()).await;
    for _ in 0..3 {
        send(&mut source, b"TRAC? W\n").await;
        let mut into = Vec::new();
        source.receive(&mut into, 5000, soon()).await.unwrap();
        source.clear(soon()).await.unwrap();
        assert_eq!(ask(&mut source, b"SYST:ERR?\n").await, b"0,\"No error\"\n");
    }
    // An upload that stops in its middle, too: the error queue stays as it was.
    let pace = Pace { by: soon(), idle: Duration::from_secs(5) };
    source.send(b"TRAC W,#9067108864", Part::Middle, pace).await.unwrap();
    source.send(&bytes[..3 << 20], Part::Middle, pace).await.unwrap();
    source.clear(soon()).await.unwrap();
    assert_eq!(ask(&mut source, b"SYST:ERR?\n").await, b"0,\"No error\"\n");
}

#[tokio::test]
async fn status_and_service_requests_beside_the_data() {
    let (_bench, serving) = serve().await;
    let mut turntable = link(&serving, Post::Turntable).await;
    assert_eq!(turntable.status_byte(soon()).await.unwrap(), Some(0));
    send(&mut turntable, b"NO:SUCH\n").await;
    // The error queue bit (SCPI-99 vol. 2 ch. 20), once the message was executed.
    while turntable.status_byte(soon()).await.unwrap() != Some(4) {}
    assert!(ask(&mut turntable, b"SYST:ERR?\n").await.starts_with(b"-113,"));
    // Operation complete, enabled as a reason for a request (IEEE 488.2, 11.4 and 11.5).
    send(&mut turntable, b"*CLS;*ESE 1;*SRE 32;:AXIS:SPE 40;:AXIS:POS 4;*OPC\n").await;
    let byte = turntable.service_request(soon()).await.unwrap().unwrap();
    assert_eq!(byte & 0b0110_0000, 0b0110_0000, "{byte:#b}");
    let now = Instant::now() + Duration::from_millis(50);
    assert_eq!(turntable.service_request(now).await.unwrap_err().fault, LinkFault::TimedOut);
    // MAV: an answer that nobody has read. Reading it takes the bit away.
    send(&mut turntable, b"*CLS;*SRE 0;*IDN?\n").await;
    while turntable.status_byte(soon()).await.unwrap() != Some(16) {}
    let mut into = Vec::new();
    while !turntable.receive(&mut into, 100, soon()).await.unwrap().end {}
    assert_eq!(turntable.status_byte(soon()).await.unwrap(), Some(0));
}

/// A question that comes before the last answer was read: the instrument drops the answer and says
/// so (IEEE 488.2, 6.3.2.3), and the driver gets the new one's.
#[tokio::test]
async fn questions_asked_too_early() {
    let (_bench, serving) = serve().await;
    let mut turntable = link(&serving, Post::Turntable).await;
    send(&mut turntable, b"AXIS:SPE 40;:AXIS:POS 10;*OPC?\n").await;
    assert_eq!(ask(&mut turntable, b"SYST:VERS?\n").await, b"1999.0\n");
    assert!(ask(&mut turntable, b"SYST:ERR?\n").await.starts_with(b"-410,"));
}

#[tokio::test]
async fn a_device_that_is_not_there_is_named() {
    let (_bench, serving) = serve().await;
    let address = address(&serving, Post::Scope).replace("hislip0", "hislip7");
    let mut link = link_for(&address.parse().unwrap()).unwrap();
    let error = link.reopen(soon()).await.unwrap_err().to_string();
    assert!(error.contains("no device 'hislip7' here; the only one is hislip0"), "{error}");
    // A socket for bare bytes at the HiSLIP address: silence, or no header.
    let Served::Tcp(raw) = serving.addresses()[0].1.clone() else { panic!("a socket comes first") };
    let mut link = HislipLink::new("127.0.0.1", raw.port(), "hislip0");
    assert!(link.reopen(Instant::now() + Duration::from_millis(300)).await.is_err());
}

#[tokio::test]
async fn sim_lists_its_hislip_addresses() {
    let mut child =
        program().args(["sim", "--json", "--port", "0"]).stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let served: serde_json::Value = serde_json::from_str(&line).unwrap();
    let instruments = served["instruments"].as_array().unwrap();
    assert_eq!(instruments.len(), 6, "one port each, and the control port's serial line");
    for entry in instruments {
        let address: Address = entry["hislip"].as_str().unwrap().parse().unwrap();
        let mut link = link_for(&address).unwrap();
        link.reopen(soon()).await.unwrap();
        assert_eq!(ask(&mut link, b"*IDN?\n").await.split(|byte| *byte == b',').count(), 4);
    }
    child.kill().unwrap();
    child.wait().unwrap();
}
