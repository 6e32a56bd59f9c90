//! A small client for the tests: text and blocks over any stream, and a bench made ready.
//!
//! Written for these tests alone; shares nothing with the drivers.

#![allow(dead_code, reason = "each test binary uses its own part")]

pub mod figures;

use beamwarden_sim::{ArrayModel, ElementCode, Model, Post, SimBench, Truth};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, DuplexStream};

/// A client at one instrument.
pub struct Client<S = DuplexStream> {
    /// The stream.
    pub stream: S,
}

impl Client {
    /// Over a pipe.
    pub fn pipe(bench: &SimBench, post: Post) -> Self {
        Self { stream: bench.pipe(post) }
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> Client<S> {
    /// Sends bytes as they are.
    pub async fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).await.expect("the instrument listens");
    }

    /// Sends one message.
    pub async fn send(&mut self, message: &str) {
        self.write(format!("{message}\n").as_bytes()).await;
    }

    /// One line of answer.
    pub async fn line(&mut self) -> String {
        let mut line = Vec::new();
        loop {
            match self.stream.read_u8().await.expect("the instrument answers") {
                b'\n' => return String::from_utf8(line).expect("answers are text"),
                byte => line.push(byte),
            }
        }
    }

    /// Sends a query and reads its line.
    pub async fn ask(&mut self, query: &str) -> String {
        self.send(query).await;
        self.line().await
    }

    /// A number.
    pub async fn number(&mut self, query: &str) -> f64 {
        let answer = self.ask(query).await;
        answer.parse().unwrap_or_else(|_| panic!("{query} answered {answer}"))
    }

    /// A definite block.
    pub async fn block(&mut self, query: &str) -> Vec<u8> {
        self.send(query).await;
        let mut head = [0; 2];
        self.stream.read_exact(&mut head).await.expect("a block begins");
        assert_eq!(head[0], b'#', "{query}");
        let mut digits = vec![0; usize::from(head[1] - b'0')];
        self.stream.read_exact(&mut digits).await.expect("a length");
        let length = String::from_utf8(digits).expect("digits").parse().expect("a length");
        let mut bytes = vec![0; length];
        self.stream.read_exact(&mut bytes).await.expect("the bytes");
        assert_eq!(self.stream.read_u8().await.expect("the end"), b'\n');
        bytes
    }

    /// Sends a message and checks that the error queue stays empty.
    pub async fn set(&mut self, message: &str) {
        self.send(message).await;
        assert_eq!(self.ask("SYST:ERR?").await, "0,\"No error\"", "{message}");
    }

    /// Sends a message and checks the number it leaves in the error queue.
    pub async fn refused(&mut self, message: &str, code: i32) {
        self.send(message).await;
        let answer = self.ask("SYST:ERR?").await;
        assert!(answer.starts_with(&format!("{code},")), "{message}: {answer}");
    }

    /// Codes of one channel.
    pub async fn codes(&mut self, channel: &str) -> Vec<i16> {
        let bytes = self.block(&format!("TRAC? {channel}")).await;
        bytes.as_chunks::<2>().0.iter().map(|b| i16::from_be_bytes(*b)).collect()
    }
}

/// All five instruments of one bench.
pub struct Lab {
    pub bench: SimBench,
    pub source: Client,
    pub scope: Client,
    pub dut: Client,
    pub turntable: Client,
    pub supply: Client,
}

impl Lab {
    pub fn new(model: Model) -> Self {
        Self::of(SimBench::new(model).expect("the model holds"))
    }

    pub fn of(bench: SimBench) -> Self {
        Self {
            source: Client::pipe(&bench, Post::Source),
            scope: Client::pipe(&bench, Post::Scope),
            dut: Client::pipe(&bench, Post::DutPort),
            turntable: Client::pipe(&bench, Post::Turntable),
            supply: Client::pipe(&bench, Post::Supply),
            bench,
        }
    }

    /// Loads a waveform and plays it at the story's clock and amplitude.
    pub async fn play(&mut self, codes: &[[i16; 2]]) {
        let bytes: Vec<u8> = codes.iter().flatten().flat_map(|c| c.to_be_bytes()).collect();
        let source = &mut self.source;
        source.set(&format!("TRAC:DEL:ALL;:TRAC:DEF W,{}", codes.len())).await;
        let digits = bytes.len().to_string();
        let mut message = format!("TRAC W,#{}{digits}", digits.len()).into_bytes();
        message.extend(&bytes);
        message.push(b'\n');
        source.write(&message).await;
        source.set("CLOC 7.04 GHZ;VOLT 0.4;FUNC:USER W;:FUNC USER;:OUTP ON").await;
    }

    /// Powers and enables both chips on channel 3 with the story's gains.
    pub async fn wake(&mut self) {
        self.supply.set("VOLT 1.2;CURR 1.5;OUTP ON").await;
        assert_eq!(self.supply.ask("*OPC?").await, "1");
        for write in [
            "w 0002 0003",
            "w 1002 0003",
            "w 0003 0014",
            "w 1003 0014",
            "w 0001 0001",
            "w 1001 0001",
        ] {
            assert_eq!(self.dut.ask(write).await, "ok", "{write}");
        }
        tokio::time::sleep(std::time::Duration::from_millis(2)).await;
    }

    /// Sets the scope to the story's range and rate.
    pub async fn aim(&mut self, points: usize) {
        let message = format!("VOLT:RANG 0.25;:SWE:POIN {points};TINT 125 PS;:TRIG:SOUR EXT");
        self.scope.set(&message).await;
    }

    /// One acquisition, in volts of complex envelope.
    pub async fn acquire(&mut self) -> Vec<[f64; 2]> {
        assert_eq!(self.scope.ask("INIT;*OPC?").await, "1");
        let scale = self.scope.ask("TRAC:SCAL? CH1").await;
        let step: f64 = scale.split(',').next().expect("a step").parse().expect("a number");
        let (i, q) = (self.scope.codes("CH1").await, self.scope.codes("CH2").await);
        i.iter().zip(&q).map(|(i, q)| [f64::from(*i) * step, f64::from(*q) * step]).collect()
    }

    /// Writes one phase code per element of the receiver.
    pub async fn steer_rx(&mut self, codes: &[u8]) {
        for (n, code) in codes.iter().enumerate() {
            let write = format!("w {:04X} {:04X}", 0x1100 + n, 0x8000 | u16::from(*code));
            assert_eq!(self.dut.ask(&write).await, "ok");
        }
    }

    pub async fn rotate(&mut self, angle_deg: f64) {
        self.turntable.set(&format!("AXIS:POS {angle_deg}")).await;
        assert_eq!(self.turntable.ask("*OPC?").await, "1");
    }
}

/// A model whose arrays are half-wave at channel 2, where a chip wakes, with perfect references.
pub fn half_wave(elements: usize, phase_bits: u8) -> Model {
    let array = ArrayModel { elements, phase_bits, design_hz: 60.48e9, ..ArrayModel::default() };
    let mut model = Model::default();
    (model.tx.array, model.rx.array) = (array.clone(), array);
    (model.tx.reference_ppm, model.rx.reference_ppm) = (0.0, 0.0);
    model
}

/// The truth of a bench just switched on.
pub fn truth_of(model: Model) -> Truth {
    SimBench::new(model).expect("the model holds").truth()
}

/// Elements that are on, at full gain, with these phase codes.
pub fn codes(phases: &[u8]) -> Vec<ElementCode> {
    phases.iter().map(|phase| ElementCode::with_phase(*phase)).collect()
}

/// Mean of `I^2 + Q^2`.
pub fn power(samples: &[[f64; 2]]) -> f64 {
    samples.iter().map(|[i, q]| i * i + q * q).sum::<f64>() / samples.len() as f64
}

/// Phase codes of 5 bits for a beam toward `theta_deg`, half-wave spacing, weight convention
/// `exp(-j pi n sin theta)`.
pub fn beam(elements: usize, bits: u32, theta_deg: f64) -> Vec<u8> {
    let states = f64::from(1u32 << bits);
    let turn = -0.5 * theta_deg.to_radians().sin();
    (0..elements)
        .map(|n| ((turn * n as f64 * states + 0.5).floor().rem_euclid(states)) as u8)
        .collect()
}

/// A looped band-limited waveform of random quarter-turn symbols, four points each, root raised
/// cosine with roll-off 0.25, peak at full scale: the kind of signal that benches of this sort see.
pub fn shaped_noise(symbols: usize) -> Vec<[i16; 2]> {
    let mut state = 0x9E37_79B9_7F4A_7C15u64;
    let mut bit = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        if state >> 40 & 1 == 0 { -1.0 } else { 1.0 }
    };
    let data: Vec<[f64; 2]> = (0..symbols).map(|_| [bit(), bit()]).collect();
    let points = 4 * symbols;
    let span = 12isize;
    let mut line = vec![[0.0f64; 2]; points];
    for (n, value) in data.iter().enumerate() {
        for k in -4 * span..=4 * span {
            let tap = root_raised_cosine(k as f64 / 4.0, 0.25);
            let at = (4 * n as isize + k).rem_euclid(points as isize) as usize;
            line[at][0] += value[0] * tap;
            line[at][1] += value[1] * tap;
        }
    }
    let peak = line.iter().flatten().fold(0.0f64, |peak, x| peak.max(x.abs()));
    line.iter().map(|p| p.map(|x| (x / peak * 32_767.0).round() as i16)).collect()
}

/// Root raised cosine at `t` symbols (Proakis, Digital Communications, from memory).
pub fn root_raised_cosine(t: f64, roll_off: f64) -> f64 {
    use std::f64::consts::{FRAC_PI_4, PI};
    if t.abs() < 1e-9 {
        return 1.0 + roll_off * (4.0 / PI - 1.0);
    }
    if (t.abs() - 0.25 / roll_off).abs() < 1e-9 {
        let (a, b) = (1.0 + 2.0 / PI, 1.0 - 2.0 / PI);
        let angle = FRAC_PI_4 / roll_off;
        return roll_off / 2f64.sqrt() * (a * angle.sin() + b * angle.cos());
    }
    let top =
        (PI * t * (1.0 - roll_off)).sin() + 4.0 * roll_off * t * (PI * t * (1.0 + roll_off)).cos();
    top / (PI * t * (1.0 - (4.0 * roll_off * t).powi(2)))
}
