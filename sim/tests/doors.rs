//! The bench over real sockets and a real pseudo-terminal, in real time.

mod common;

use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use beamwarden_sim::{Address, Model, Post, ServePlan, Serving, SimBench};
use common::Client;
use tokio::net::TcpStream;

async fn serving() -> (SimBench, Serving) {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    let serving = bench.serve(ServePlan::default()).await.expect("free ports and a pty");
    (bench, serving)
}

async fn connect(serving: &Serving, post: Post) -> Client<TcpStream> {
    let found = serving.addresses().into_iter().find_map(|(at, address)| match address {
        Address::Tcp(address) if at == post => Some(address),
        _ => None,
    });
    let stream = TcpStream::connect(found.expect("served")).await.expect("it listens");
    stream.set_nodelay(true).expect("a socket");
    Client { stream }
}

fn serial_path(serving: &Serving) -> PathBuf {
    serving
        .addresses()
        .into_iter()
        .find_map(|(_, address)| match address {
            Address::Serial(path) => Some(path),
            Address::Tcp(_) | Address::Hislip(_) => None,
        })
        .expect("a pty was asked for")
}

#[tokio::test]
async fn every_instrument_answers_on_its_port() {
    let (_bench, serving) = serving().await;
    assert_eq!(serving.addresses().len(), 6);
    for post in Post::ALL {
        let mut client = connect(&serving, post).await;
        assert_eq!(client.ask("*IDN?").await.split(',').count(), 4, "{post}");
    }
}

#[tokio::test]
async fn clients_of_one_bench_see_one_bench() {
    let (bench, serving) = serving().await;
    let mut one = connect(&serving, Post::Supply).await;
    let mut two = connect(&serving, Post::Supply).await;
    let mut inside = Client::pipe(&bench, Post::Supply);
    one.set("VOLT 1.2;OUTP ON;*WAI").await;
    assert_eq!(two.ask("OUTP?").await, "1");
    assert_eq!(inside.ask("OUTP?").await, "1");
    let mut dut = connect(&serving, Post::DutPort).await;
    assert_eq!(dut.ask("r 0000").await, "= 7A11");
}

#[tokio::test]
async fn blocks_of_awkward_sizes_pass_both_ways() {
    let (_bench, serving) = serving().await;
    let mut source = connect(&serving, Post::Source).await;
    // Around sizes at which buffers of clients and systems end.
    for points in [1usize, 5_119, 5_121, 16_383, 16_385, (1 << 18) + 1] {
        let bytes: Vec<u8> = (0..4 * points).map(|n| (n * 7 % 256) as u8).collect();
        source.set(&format!("TRAC:DEL:ALL;:TRAC:DEF W,{points}")).await;
        source.write(format!("TRAC W,#9{:09}", bytes.len()).as_bytes()).await;
        source.write(&bytes).await;
        source.write(b"\n").await;
        assert_eq!(source.ask("SYST:ERR?").await, "0,\"No error\"", "{points}");
        assert!(source.block("TRAC? W").await == bytes, "{points} points");
    }
}

#[tokio::test]
async fn queries_are_not_delayed_by_the_sockets() {
    let (_bench, serving) = serving().await;
    let mut source = connect(&serving, Post::Source).await;
    let start = tokio::time::Instant::now();
    for _ in 0..100 {
        source.ask("*IDN?").await;
    }
    // With a delayed acknowledgement each would take 40 ms.
    assert!(start.elapsed() < Duration::from_secs(2), "{:?}", start.elapsed());
}

#[tokio::test]
async fn a_client_that_leaves_in_a_block_leaves_an_error() {
    let (_bench, serving) = serving().await;
    let mut rude = connect(&serving, Post::Source).await;
    rude.set("TRAC:DEF W,10").await;
    rude.write(b"TRAC W,#240abc").await;
    drop(rude);
    let mut source = connect(&serving, Post::Source).await;
    for _ in 0..100 {
        if source.ask("SYST:ERR:COUN?").await == "1" {
            break;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    assert!(source.ask("SYST:ERR?").await.starts_with("-161,"));
}

/// Opens the line like any program that knows nothing of terminals, and asks.
fn talk(path: &Path, lines: &[&str]) -> Vec<String> {
    let no_tty = nix::fcntl::OFlag::O_NOCTTY.bits();
    let mut line = std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .custom_flags(no_tty)
        .open(path)
        .expect("the line opens");
    let mut ask = |text: &str| {
        line.write_all(text.as_bytes()).expect("the line takes bytes");
        line.write_all(b"\r\n").expect("the line takes bytes");
        let mut answer = Vec::new();
        let mut byte = [0];
        while line.read_exact(&mut byte).is_ok() && byte[0] != b'\n' {
            answer.push(byte[0]);
        }
        String::from_utf8(answer).expect("answers are text")
    };
    lines.iter().map(|text| ask(text)).collect()
}

#[tokio::test]
async fn the_dut_answers_on_a_serial_line_without_echo() {
    let (_bench, serving) = serving().await;
    let mut supply = connect(&serving, Post::Supply).await;
    supply.set("VOLT 1.2;OUTP ON;*WAI").await;
    let path = serial_path(&serving);
    // Twice: the line outlives a client that closes it.
    for _ in 0..2 {
        let path = path.clone();
        let talked = tokio::task::spawn_blocking(move || {
            talk(&path, &["id", "r 1000", "w 0003 000A", "r 0003", "nonsense"])
        });
        let answers = talked.await.expect("the client ends");
        assert!(answers[0].starts_with("id BEAMWARDEN,"), "{answers:?}");
        assert_eq!(answers[1..], ["= 7A12", "ok", "= 000A", "no 1 unknown command"]);
    }
}

#[tokio::test]
async fn a_stopped_bench_frees_its_ports() {
    let (bench, serving) = serving().await;
    let mut client = connect(&serving, Post::Scope).await;
    client.ask("*IDN?").await;
    let Some((_, Address::Tcp(first))) = serving.addresses().first().cloned() else {
        panic!("the source is served on a socket");
    };
    serving.stop().await;
    assert!(TcpStream::connect(first).await.is_err());
    let plan = ServePlan { ports: Some(first.port()), pty: false, ..ServePlan::default() };
    let _taken = tokio::net::TcpListener::bind(first).await.expect("the port is free again");
    let error = bench.serve(plan).await.expect_err("the port is taken now");
    assert!(error.to_string().contains("source"), "{error}");
}

#[tokio::test]
async fn ports_that_do_not_fit_are_refused() {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    let plan = ServePlan { ports: Some(65_534), pty: false, ..ServePlan::default() };
    let error = bench.serve(plan).await.expect_err("five ports do not fit");
    assert!(error.to_string().contains("65535"), "{error}");
}
