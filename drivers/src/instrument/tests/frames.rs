//! Registers over binary frames, against a fake port that can misbehave.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::sleep;

use super::*;
use crate::frame::{Contents, FramePort, Part};
use crate::transport::PipeLink;

/// What the fake does with a request.
enum Deed {
    Answer,
    Silence,
    /// This byte of the answer is damaged.
    Damage(usize),
    /// The answer of the request before.
    Stale,
    Twice,
    /// The answer after so many milliseconds.
    Late(u64),
    /// The first so many bytes of the answer.
    Cut(usize),
    /// These bytes instead of the answer.
    Instead(Vec<u8>),
    /// These bytes before the answer.
    Before(Vec<u8>),
    /// The answer about the next register.
    Neighbour,
}

type Plan = Box<dyn FnMut(u32) -> Deed + Send>;

/// A port with registers whose requests are answered as a plan has it.
#[derive(Clone)]
struct Port(Arc<Mutex<State>>);

/// The registers, what to do to each answer, and the requests taken.
type State = (BTreeMap<u32, u32>, Plan, Vec<String>);

impl Port {
    fn new(plan: impl FnMut(u32) -> Deed + Send + 'static) -> Self {
        let registers = BTreeMap::from([(2, 2), (3, 16), (0x100, 0x8000), (0x1011, 0xFFF0)]);
        Port(Arc::new(Mutex::new((registers, Box::new(plan), Vec::new()))))
    }

    fn taken(&self) -> Vec<String> {
        std::mem::take(&mut self.0.lock().unwrap().2)
    }

    fn connect(&self) -> DuplexStream {
        let (ours, theirs) = duplex(1 << 14);
        tokio::spawn(self.clone().serve(theirs, frames()));
        ours
    }

    fn link(&self, drained: bool) -> Box<dyn Transport> {
        let port = self.clone();
        if drained {
            Box::new(PipeLink::draining("frames", move || Some(port.connect())))
        } else {
            Box::new(PipeLink::new("frames", move || Some(port.connect())))
        }
    }

    /// Requests are told apart by their second byte; the test's own side is trusted to be sound.
    async fn serve(self, mut stream: DuplexStream, frames: FramePort) {
        let mut before = Vec::new();
        loop {
            let mut head = [0; 2];
            if stream.read_exact(&mut head).await.is_err() {
                return;
            }
            let mut rest = vec![
                0;
                match head[1] {
                    1 => 4,
                    2 => 6,
                    _ => 2,
                }
            ];
            if stream.read_exact(&mut rest).await.is_err() {
                return;
            }
            let word = |at: usize| u32::from(u16::from_be_bytes([rest[at], rest[at + 1]]));
            if head[1] == 3 {
                let text = Some(b"Test Works,CHIP-8,1,2.0".to_vec());
                let contents = Contents { text, ..Contents::default() };
                let answer = frames.emit(&frames.identity, &contents).unwrap();
                if stream.write_all(&answer).await.is_err() {
                    return;
                }
                continue;
            }
            let address = word(0);
            let (answer, neighbour, deed) = {
                let mut state = self.0.lock().unwrap();
                let at = |address: u32, state: &BTreeMap<u32, u32>| {
                    let data = state.get(&address).copied().or(Some(0));
                    Contents { address: Some(address), data, ..Contents::default() }
                };
                let (form, shown): (&[Part], _) = if head[1] == 2 {
                    state.0.insert(address, word(2));
                    (&frames.write_answer, format!("w {address:04X} {:04X}", word(2)))
                } else {
                    (&frames.read_answer, format!("r {address:04X}"))
                };
                state.2.push(shown);
                let answer = frames.emit(form, &at(address, &state.0)).unwrap();
                let neighbour = frames.emit(form, &at(address + 1, &state.0)).unwrap();
                let deed = if address == 0x2000 {
                    let refused =
                        Contents { address: Some(address), code: Some(2), ..Contents::default() };
                    Deed::Instead(frames.emit(&frames.refusal, &refused).unwrap())
                } else {
                    (state.1)(address)
                };
                (answer, neighbour, deed)
            };
            let bytes = done(deed, &answer, neighbour, &before).await;
            before = answer;
            if stream.write_all(&bytes).await.is_err() {
                return;
            }
        }
    }
}

/// What goes out for an answer.
async fn done(deed: Deed, answer: &[u8], neighbour: Vec<u8>, before: &[u8]) -> Vec<u8> {
    match deed {
        Deed::Answer => answer.to_vec(),
        Deed::Silence => Vec::new(),
        Deed::Damage(at) => {
            let mut bytes = answer.to_vec();
            let at = at % bytes.len();
            bytes[at] ^= 0x10;
            bytes
        }
        Deed::Stale => before.to_vec(),
        Deed::Twice => [answer, answer].concat(),
        Deed::Late(ms) => {
            sleep(Duration::from_millis(ms)).await;
            answer.to_vec()
        }
        Deed::Cut(at) => answer[..at.min(answer.len() - 1)].to_vec(),
        Deed::Instead(bytes) => bytes,
        Deed::Before(bytes) => [&bytes, answer].concat(),
        Deed::Neighbour => neighbour,
    }
}

fn driver() -> Driver {
    Driver::load("register-port-binary.yaml", Some("eight-element.yaml"), None)
        .unwrap_or_else(|error| panic!("{error}"))
        .with_timeout(ms(500))
}

fn frames() -> FramePort {
    driver().profile.frames().unwrap().clone()
}

#[tokio::test(start_paused = true)]
async fn fields_are_set_and_read_in_frames() {
    let port = Port::new(|_| Deed::Answer);
    let mut dut = Instrument::open("dut", port.link(false), driver()).await.unwrap();
    assert_eq!(dut.identity().unwrap().model, "CHIP-8");
    let applied = dut.set("tx.phase.0", &Value::Whole(31)).await.unwrap();
    assert!(applied.matched && applied.verified);
    assert_eq!(port.taken(), ["r 0100", "w 0100 801F", "r 0100"]);
    assert_eq!(dut.read("rx.temperature").await.unwrap(), Value::Number(-1.0));
    let error = dut.query_raw("id").await.unwrap_err();
    assert_eq!(*error.fault, InstrumentFault::FramesOnly);
    // A read of register 0x0003, its check from another implementation: binascii.crc_hqx(…, 0xFFFF)
    // of Python's standard library.
    let contents = Contents { address: Some(3), ..Contents::default() };
    let bytes = frames().emit(&frames().read, &contents).unwrap();
    assert_eq!(bytes, [0xA5, 0x01, 0x00, 0x03, 0xD5, 0xA0]);
}

#[tokio::test(start_paused = true)]
async fn a_refusal_says_why_and_leaves_the_link_in_step() {
    let port = Port::new(|_| Deed::Answer);
    let map = "register map: m\nregister bits: 16\nfields:\n  a: {at: 0x2000, type: whole}\n  b: {at: 3, type: whole}\n";
    let map = crate::registers::parse(&Source::new("m", map)).unwrap();
    let profile = profile::load("register-port-binary.yaml", None).unwrap();
    let driver = Driver::new(profile, Some(map)).unwrap();
    let mut dut = Instrument::open("dut", port.link(false), driver).await.unwrap();
    let error = dut.read("a").await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "dut: failed to ask 'a (register 0x2000)': it refuses: 2 no such register"
    );
    assert_eq!(dut.read("b").await.unwrap(), Value::Whole(16));
    assert!(dut.take_events().is_empty());
}

#[tokio::test(start_paused = true)]
async fn a_damaged_frame_puts_the_link_out_of_step_and_it_comes_back() {
    for drained in [false, true] {
        for deed in [
            || Deed::Damage(5),
            || Deed::Damage(0),
            || Deed::Cut(4),
            || Deed::Silence,
            || Deed::Neighbour,
            || Deed::Before(vec![0x55]),
        ] {
            let mut first = true;
            let port =
                Port::new(move |_| if std::mem::take(&mut first) { deed() } else { Deed::Answer });
            let mut dut = Instrument::open("dut", port.link(drained), driver()).await.unwrap();
            let error = dut.query("tx.gain").await.unwrap_err();
            assert_eq!(error.class(), Class::Transient, "{error}");
            assert_eq!(dut.query("tx.gain").await.unwrap(), Value::Whole(16));
            assert!(matches!(dut.take_events()[..], [Event::Resynchronised { .. }]));
        }
    }
}

/// A small generator (xorshift64*), so that the seed alone reproduces the run.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % bound
    }
}

/// Every register holds its own address, so that an answer of another request shows.
async fn check_disturbances(seed: u64, drained: bool) {
    println!("seed {seed:#x}");
    let mut random = Random(seed);
    let port = Port::new(move |_| match random.below(20) {
        0 => Deed::Silence,
        1 => Deed::Damage(random.below(8) as usize),
        2 => Deed::Stale,
        3 => Deed::Twice,
        4 => Deed::Late(400 + random.below(400)),
        5 => Deed::Cut(random.below(8) as usize),
        6 => Deed::Before((0..random.below(9)).map(|_| random.below(256) as u8).collect()),
        7 => Deed::Neighbour,
        _ => Deed::Answer,
    });
    let mut text = String::from("register map: m\nregister bits: 16\nfields:\n");
    for address in 0..64 {
        text += &format!("  f{address}: {{at: {address}, type: whole}}\n");
        port.0.lock().unwrap().0.insert(address, 1000 + address);
    }
    let map = crate::registers::parse(&Source::new("m", text)).unwrap();
    let profile = profile::load("register-port-binary.yaml", None).unwrap();
    let driver = Driver::new(profile, Some(map)).unwrap().with_timeout(ms(500));
    let mut dut = Instrument::open("dut", port.link(drained), driver).await.unwrap();
    let mut order = Random(seed ^ 1);
    let mut answered = 0;
    for _ in 0..5000 {
        let address = order.below(64) as i64;
        match dut.read(&format!("f{address}")).await {
            Ok(value) => {
                assert_eq!(value, Value::Whole(1000 + address), "seed {seed:#x}");
                answered += 1;
            }
            Err(error) => assert_eq!(error.class(), Class::Transient, "seed {seed:#x}: {error}"),
        }
    }
    assert!(answered > 2500, "seed {seed:#x}: {answered} answered");
}

#[tokio::test(start_paused = true)]
async fn random_faults_never_give_a_wrong_register() {
    check_disturbances(0x5EED_0011, false).await;
    check_disturbances(0x5EED_0012, true).await;
}

#[test]
fn a_map_must_fit_the_frames() {
    let map = |text: &str| {
        let text = format!("register map: m\n{text}");
        Some(crate::registers::parse(&Source::new("m", text)).unwrap())
    };
    let profile = || profile::load("register-port-binary.yaml", None).unwrap();
    let wide = map("register bits: 24\nfields:\n  a: {at: 1, type: whole}\n");
    let error = Driver::new(profile(), wide).unwrap_err();
    assert_eq!(
        error.to_string(),
        "register map 'm' has registers that do not fit into the 2 bytes of the frames of profile \
         'register-port-binary'"
    );
    let far = map("register bits: 16\nfields:\n  a: {at: 0x10000, type: whole}\n");
    let error = Driver::new(profile(), far).unwrap_err();
    assert!(error.to_string().contains("has addresses that do not fit"), "{error}");
}
