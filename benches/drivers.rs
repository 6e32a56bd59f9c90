//! What the driver costs on a loopback socket, beside a bare socket on the same server in the same
//! run: a block from and to the instrument, a query's round trip, and 1 GiB either way with the
//! memory that it needs. Beside them the figures of an independent client where its environment
//! exists (`tests/external/run` makes it).
//!
//! Both ends share the machine; bare and driven passes take turns, so that whatever else it does
//! hits both. `cargo bench --bench drivers`; a share of 80 % and 20 microseconds are the goals.

#![allow(clippy::print_stdout, reason = "a benchmark prints its result")]

use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;

use anyhow::{Context, Result, bail, ensure};
use beamwarden_drivers::fault::Source;
use beamwarden_drivers::instrument::{
    BlockSource, Driver, FromReader, Instrument, RawAnswer, Transfer,
};
use beamwarden_drivers::message::emit_block_header;
use beamwarden_drivers::profile;
use beamwarden_drivers::transport::TcpLink;
use beamwarden_drivers::value::Value;
use tokio::time::Instant;

const MIB: usize = 1 << 20;
/// The block that is compared.
const BLOCK_BYTES: usize = 64 * MIB;
/// Half of 1 GiB: nine digits of length do not reach 1 GiB, so it takes two blocks.
const LONG_BYTES: usize = 512 * MIB;
/// Passes of each kind. The fastest counts: whatever else runs on the machine only adds to a pass.
const PASSES: usize = 21;
/// Queries of one pass.
const QUERIES: usize = 4000;
/// Buffer of the bare socket, which is fastest with this size.
const BARE_BUFFER_BYTES: usize = 64 << 10;

const PROFILE: &str = r#"
profile: loopback
role: supply
timeout: 20 s
identity: {query: "*IDN?"}
errors: {query: "SYSTem:ERRor:NEXT?"}
readings:
  token: {type: whole, query: "TOKEN?"}
"#;

/// The byte ramp of a block, the end of line among its bytes.
fn ramp(bytes: usize) -> Vec<u8> {
    (0..bytes).map(|i| i as u8).collect()
}

/// Serves one client: short answers, blocks out of `block`, blocks in to nowhere.
fn serve(stream: TcpStream, block: &[u8]) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let mut out = stream.try_clone()?;
    let mut lines = BufReader::with_capacity(256 << 10, stream);
    let mut line = Vec::new();
    loop {
        line.clear();
        if !read_command(&mut lines, &mut line)? {
            return Ok(());
        }
        match &line[..] {
            b"*IDN?" => out.write_all(b"Test Works,LOOPBACK,0,1.0\n")?,
            b"SYSTem:ERRor:NEXT?" => out.write_all(b"0,\"No error\"\n")?,
            b"*OPC?" => out.write_all(b"1\n")?,
            b"TOKEN?" => out.write_all(b"7\n")?,
            b"DATA?" => out.write_all(block)?,
            b"LONG?" => {
                let header = emit_block_header(LONG_BYTES).map_err(io::Error::other)?;
                out.write_all(header.as_bytes())?;
                for _ in 0..LONG_BYTES / MIB {
                    out.write_all(&block[..MIB])?;
                }
                out.write_all(b"\n")?;
            }
            _ => {}
        }
    }
}

/// Reads a command without its end of line; the data of a block are dropped. False at the end.
fn read_command(lines: &mut BufReader<TcpStream>, line: &mut Vec<u8>) -> io::Result<bool> {
    let mut byte = [0];
    loop {
        if lines.read(&mut byte)? == 0 {
            return Ok(false);
        }
        match byte[0] {
            b'\n' => return Ok(true),
            b'#' => drop_block(lines)?,
            other => line.push(other),
        }
    }
}

fn drop_block(lines: &mut BufReader<TcpStream>) -> io::Result<()> {
    let mut digits = [0];
    lines.read_exact(&mut digits)?;
    let mut length = vec![0; usize::from(digits[0].saturating_sub(b'0'))];
    lines.read_exact(&mut length)?;
    let mut left = length.iter().fold(0, |sum, digit| sum * 10 + usize::from(digit - b'0'));
    while left > 0 {
        let here = lines.fill_buf()?.len().min(left);
        if here == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        lines.consume(here);
        left -= here;
    }
    Ok(())
}

/// Starts the server; its port.
fn listen() -> Result<u16> {
    let mut block = emit_block_header(BLOCK_BYTES)?.into_bytes();
    block.extend(ramp(BLOCK_BYTES));
    block.push(b'\n');
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let port = listener.local_addr()?.port();
    std::thread::spawn(move || {
        let block = &block;
        std::thread::scope(|scope| {
            for stream in listener.incoming().flatten() {
                // A client that goes away ends its own thread only.
                scope.spawn(move || serve(stream, block));
            }
        });
    });
    Ok(port)
}

/// A socket and nothing else.
struct Bare {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Bare {
    fn connect(port: u16) -> Result<Self> {
        let stream = TcpStream::connect(("127.0.0.1", port))?;
        stream.set_nodelay(true)?;
        Ok(Bare { stream, buffer: vec![0; BARE_BUFFER_BYTES] })
    }

    /// A query of a line; panics on nothing, reads until NL.
    fn query(&mut self, message: &[u8]) -> io::Result<()> {
        self.stream.write_all(message)?;
        loop {
            let count = self.stream.read(&mut self.buffer)?;
            if count == 0 || self.buffer[..count].last() == Some(&b'\n') {
                return Ok(());
            }
        }
    }

    /// Reads the block into the one buffer, over and over.
    fn download(&mut self) -> io::Result<()> {
        self.stream.write_all(b"DATA?\n")?;
        let mut left = emit_block_header(BLOCK_BYTES).map_or(0, |h| h.len()) + BLOCK_BYTES + 1;
        while left > 0 {
            let count = self.stream.read(&mut self.buffer)?;
            left = left.saturating_sub(count.max(1));
        }
        Ok(())
    }

    /// Reads the block into memory of its own, as a client that keeps it has to.
    fn download_kept(&mut self) -> io::Result<Vec<u8>> {
        self.stream.write_all(b"DATA?\n")?;
        let header = emit_block_header(BLOCK_BYTES).map_or(0, |header| header.len());
        let mut all = vec![0; header + BLOCK_BYTES + 1];
        self.stream.read_exact(&mut all)?;
        Ok(all)
    }

    /// Sends the block and waits until it was taken.
    fn upload(&mut self, block: &[u8]) -> io::Result<()> {
        self.stream.write_all(b"MEM:DATA A,")?;
        self.stream.write_all(block)?;
        self.query(b"\n*OPC?\n")
    }
}

fn fastest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// MiB/s of the fastest pass of two ways that take turns.
fn rates(times: Vec<(f64, f64)>) -> (f64, f64) {
    let mib = (BLOCK_BYTES / MIB) as f64;
    let (first, second): (Vec<f64>, Vec<f64>) = times.into_iter().unzip();
    (mib / fastest(&first), mib / fastest(&second))
}

fn show_rates(name: &str, (bare, driven): (f64, f64)) {
    let share = 100.0 * driven / bare;
    println!("{name}: bare socket {bare:.0} MiB/s, driver {driven:.0} MiB/s, share {share:.0} %");
}

async fn compare_blocks(bare: &mut Bare, driven: &mut Instrument) -> Result<()> {
    let mut times = Vec::new();
    for _ in 0..PASSES {
        let start = Instant::now();
        bare.download()?;
        let middle = Instant::now();
        let mut bytes = 0;
        let mut sink = |piece: &[u8]| {
            bytes += piece.len();
            Ok(())
        };
        driven.query_block("DATA?", &mut sink, &mut Transfer::default()).await?;
        ensure!(bytes == BLOCK_BYTES, "{bytes} bytes came");
        times.push(((middle - start).as_secs_f64(), middle.elapsed().as_secs_f64()));
    }
    show_rates("block from the instrument, passed on", rates(times));

    let mut times = Vec::new();
    for _ in 0..PASSES {
        let start = Instant::now();
        let kept = bare.download_kept()?;
        let middle = Instant::now();
        let RawAnswer::Block(data) = driven.query_raw("DATA?").await? else { bail!("no block") };
        times.push(((middle - start).as_secs_f64(), middle.elapsed().as_secs_f64()));
        ensure!(kept.ends_with(&[0xFF, b'\n']) && data == kept[10..kept.len() - 1], "other bytes");
    }
    show_rates("block from the instrument, kept in memory", rates(times));

    let mut block = emit_block_header(BLOCK_BYTES)?.into_bytes();
    let data = ramp(BLOCK_BYTES);
    block.extend_from_slice(&data);
    let mut times = Vec::new();
    for _ in 0..PASSES {
        let start = Instant::now();
        bare.upload(&block)?;
        let middle = Instant::now();
        driven.send_block("MEM:DATA A,", &mut &data[..], &mut Transfer::default()).await?;
        times.push(((middle - start).as_secs_f64(), middle.elapsed().as_secs_f64()));
    }
    show_rates("block to the instrument", rates(times));
    Ok(())
}

async fn compare_queries(bare: &mut Bare, driven: &mut Instrument) -> Result<()> {
    let (mut bares, mut nameds, mut raws) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..PASSES {
        let start = Instant::now();
        for _ in 0..QUERIES {
            bare.query(b"TOKEN?\n")?;
        }
        bares.push(start.elapsed().as_secs_f64() * 1e6 / QUERIES as f64);
        let start = Instant::now();
        for _ in 0..QUERIES {
            ensure!(driven.read("token").await? == Value::Whole(7), "another answer");
        }
        nameds.push(start.elapsed().as_secs_f64() * 1e6 / QUERIES as f64);
        let start = Instant::now();
        for _ in 0..QUERIES {
            driven.query_raw("TOKEN?").await?;
        }
        raws.push(start.elapsed().as_secs_f64() * 1e6 / QUERIES as f64);
    }
    let (bare, named, raw) = (fastest(&bares), fastest(&nameds), fastest(&raws));
    println!(
        "query: bare write and read {bare:.1} us; driver {named:.1} us, {:.1} us over it; \
         by hand {raw:.1} us",
        named - bare
    );
    Ok(())
}

/// The most memory that was in use since the last call, in KiB, where the kernel says so. The
/// process's own allocator stays in place: one that counts would be what is measured.
fn peak_kib() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    // 5 sets the peak back to what is in use now (proc(5), clear_refs).
    std::fs::write("/proc/self/clear_refs", "5").ok()?;
    line.trim().strip_suffix(" kB")?.trim().parse().ok()
}

/// 1 GiB either way; memory beyond what was there before stays small.
async fn long_blocks(driven: &mut Instrument) -> Result<()> {
    for up in [false, true] {
        peak_kib();
        let (before, start) = (peak_kib(), Instant::now());
        let mut bytes = 0;
        for _ in 0..2 {
            let mut transfer = Transfer::default();
            if up {
                let mut zeros = FromReader::new(tokio::io::repeat(0), LONG_BYTES);
                driven.send_block("MEM:DATA A,", &mut zeros, &mut transfer).await?;
                bytes += zeros.total_bytes();
            } else {
                let mut sink = |_: &[u8]| Ok(());
                bytes += driven.query_block("LONG?", &mut sink, &mut transfer).await?;
            }
        }
        let mib_per_s = (bytes / MIB) as f64 / start.elapsed().as_secs_f64();
        let way = if up { "to" } else { "from" };
        println!("1 GiB {way} the instrument in two blocks: {mib_per_s:.0} MiB/s");
        ensure!(bytes == 2 * LONG_BYTES, "{bytes} bytes moved");
        if let (Some(before), Some(after)) = (before, peak_kib()) {
            let extra_kib = after.saturating_sub(before);
            println!("  with at most {extra_kib} KiB of memory beyond what was in use before");
            ensure!(extra_kib < 4096, "memory grows with the block");
        }
    }
    Ok(())
}

/// The figures of an independent client on the same server.
fn independent(port: u16) -> Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("target/external-venv/bin/python");
    if !python.exists() {
        println!("independent client: not measured, there is no target/external-venv");
        return Ok(());
    }
    let script = root.join("benches/visa_client.py");
    let numbers = [port as usize, 9000, BLOCK_BYTES].map(|number| number.to_string());
    let done = Command::new(python).arg(script).args(numbers).output()?;
    ensure!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = String::from_utf8_lossy(&done.stdout);
    let number = |name: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(name));
        line.map(str::trim).with_context(|| format!("no {name} in {text}"))
    };
    println!(
        "PyVISA with PyVISA-py: a query {} us; the block {} MiB/s as values, {} MiB/s as counted \
         bytes",
        number("query_us")?,
        number("values_mib_per_s")?,
        number("exact_mib_per_s")?
    );
    Ok(())
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<()> {
    let port = listen()?;
    let profile = profile::parse(&Source::new("loopback.yaml", PROFILE));
    let driver = Driver::new(profile.map_err(|faults| anyhow::anyhow!("{faults}"))?, None)?;
    let link = Box::new(TcpLink::new("127.0.0.1", port));
    let mut driven = Instrument::open("loopback", link, driver).await?;
    let mut bare = Bare::connect(port)?;
    compare_queries(&mut bare, &mut driven).await?;
    compare_blocks(&mut bare, &mut driven).await?;
    long_blocks(&mut driven).await?;
    independent(port)
}
