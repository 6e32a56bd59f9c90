//! Actions of the shipped profiles.

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::emit_block_header;

async fn open_shipped(fake: &Fake, profile: &str) -> Instrument {
    let driver = Driver::load(profile, None, None).unwrap().with_timeout(Duration::from_secs(1));
    let instrument = Instrument::open("it", fake.link(), driver).await.unwrap();
    settle(fake).await;
    instrument
}

const QUEUE: &str = "SYSTem:ERRor:NEXT?";

#[tokio::test(start_paused = true)]
async fn a_waveform_arrives_as_it_was_given() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut source = open_shipped(&fake, "scpi-source.yaml").await;
    // 0x0A, 0x23 and 0x3B are NL, # and ; when they stand in a block.
    let samples = [0x0A0A, -1, 0x233B, i16::MIN];
    let inputs = Inputs::none().word("name", "FRAME").iq_samples("waveform", &samples);
    source.perform("load waveform", &inputs).await.unwrap();
    let block = b"TRACe:DATA FRAME,#18\x0A\x0A\xFF\xFF\x3B\x23\x00\x80";
    let arrived = fake.state().arrived.clone();
    assert!(arrived.contains(&block.to_vec()), "{arrived:?}");
    let texts: Vec<String> = fake.take_arrived();
    assert!(texts.contains(&"TRACe:DEFine FRAME,2".into()), "{texts:?}");
    // The error queue is read after every command.
    let commands = texts.iter().filter(|text| !text.contains('?')).count();
    let checks = texts.iter().filter(|text| *text == QUEUE).count();
    assert_eq!((commands, checks), (8, 9), "{texts:?}");
}

#[tokio::test(start_paused = true)]
async fn inputs_are_checked_before_a_byte_is_sent() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut source = open_shipped(&fake, "scpi-source.yaml").await;
    let (odd, good) = ([1i16; 3], [1i16; 4]);
    let named = || Inputs::none().word("name", "A");
    for (inputs, message) in [
        (Inputs::none().iq_samples("waveform", &good), "input 'name' is missing"),
        (named(), "input 'waveform' is missing"),
        (named().iq_samples("waveform", &odd), "does not hold pairs"),
        (named().iq_samples("waveform", &[]), "does not hold pairs"),
        (Inputs::none().word("name", "A B").iq_samples("waveform", &good), "is no word"),
        (named().iq_samples("waveform", &good).word("x", "Y"), "input 'x' is not taken"),
    ] {
        let error = source.perform("load waveform", &inputs).await.unwrap_err();
        assert!(error.to_string().contains(message), "{error}");
    }
    let error = source.perform("load wavefrom", &named()).await.unwrap_err();
    assert!(error.to_string().contains("did you mean 'load waveform'"), "{error}");
    assert!(fake.take_arrived().is_empty());
    let mut scope = open_shipped(&fake, "scpi-scope.yaml").await;
    let error = scope.perform("fetch trace", &Inputs::none().word("channel", "CH3")).await;
    assert!(error.unwrap_err().to_string().contains("not one of the words"));
}

fn scope(block: Vec<u8>) -> Fake {
    Fake::new(move |message| match message {
        "TRACe:SCALe? CH2" => line("9.765625E-04,-1.0E-03,10"),
        "TRACe:DATA? CH2" => Reply::Bytes(block.clone()),
        _ => Reply::Usual,
    })
}

#[tokio::test(start_paused = true)]
async fn a_trace_comes_with_its_scale() {
    for end in [&b"\n"[..], b"\r\n", b""] {
        let mut block = b"#800000006\x01\x00\x0A\x0A\xFF\xFF".to_vec();
        block.extend_from_slice(end);
        let fake = scope(block);
        let mut scope = open_shipped(&fake, "scpi-scope.yaml").await;
        for _ in 0..2 {
            let inputs = Inputs::none().word("channel", "CH2");
            let trace = scope.perform("fetch trace", &inputs).await.unwrap().into_trace().unwrap();
            assert_eq!(trace.codes, [1, 0x0A0A, -1]);
            let scale = (trace.volts_per_code, trace.offset_volts, trace.bits);
            assert_eq!(scale, (9.765625e-4, -1e-3, 10));
        }
        assert!(scope.take_events().is_empty(), "end of line {end:?}");
    }
}

/// A scope that has its preamble in three queries, and blocks of this format.
fn preamble(format: &str, numbers: &str) -> Driver {
    let text = format!(
        "profile: p\nrole: scope\nidentity: {{query: \"*IDN?\"}}\nactions:
  fetch trace:
    takes: {{channel: [CH1]}}
    numbers: {numbers}
    steps:
      - {{ask: \"INCR? {{channel}}\", answer: \"{{volts_per_code}}\"}}
      - {{ask: \"OFFS?\", answer: \"OFFS {{offset_volts}}\"}}
      - {{ask: \"ORIG?\", answer: \"{{code_origin}}\"}}
      - {{fetch block: \"DATA?\", format: {format}}}\n"
    );
    let profile = profile::parse(&Source::new("p.yaml", text));
    Driver::new(profile.unwrap_or_else(|faults| panic!("{faults}")), None).unwrap()
}

/// What `fetch trace` brings of a block.
async fn fetched(format: &str, numbers: &str, block: &[u8]) -> Performed {
    let block = block.to_vec();
    let fake = Fake::new(move |message| match message {
        "INCR? CH1" => line("0.5"),
        "OFFS?" => line("OFFS 10"),
        "ORIG?" => line("+128"),
        "DATA?" => Reply::Bytes(block.clone()),
        _ => Reply::Usual,
    });
    let link = fake.link();
    let mut scope = Instrument::open("scope", link, preamble(format, numbers)).await.unwrap();
    scope.perform("fetch trace", &Inputs::none().word("channel", "CH1")).await.unwrap()
}

/// Volts are (number on the wire - origin) * volts per code + offset, whatever the format.
#[tokio::test(start_paused = true)]
async fn a_scale_may_come_from_several_queries() {
    for (format, block, bits) in [
        ("uint8", &b"#13\x80\x81\x00\n"[..], 8),
        ("uint16 high first", b"#16\x00\x80\x00\x81\x00\x00\n", 16),
        ("uint16 low first", b"#16\x80\x00\x81\x00\x00\x00\n", 16),
        ("int16 high first", b"#16\x00\x80\x00\x81\x00\x00\n", 16),
    ] {
        let performed = fetched(format, "{}", block).await;
        let trace = performed.clone().into_trace().unwrap();
        let volts = |code: i16| f64::from(code) * trace.volts_per_code + trace.offset_volts;
        let all: Vec<f64> = trace.codes.iter().map(|code| volts(*code)).collect();
        assert_eq!((all, trace.bits), (vec![10.0, 10.5, -54.0], bits), "{format}");
        assert_eq!(performed.into_volts().unwrap(), [10.0, 10.5, -54.0], "{format}");
    }
    let twelve = fetched("int16 low first", "{bits: 12}", b"#12\x80\x00\n").await;
    assert_eq!(twelve.into_trace().unwrap().bits, 12);
}

/// IEEE 754: 1.5 is 3FC00000, -0.25 is BE800000.
#[tokio::test(start_paused = true)]
async fn floats_are_volts_and_no_codes() {
    for (format, block) in [
        ("float32 high first", b"#18\x3F\xC0\x00\x00\xBE\x80\x00\x00\n"),
        ("float32 low first", b"#18\x00\x00\xC0\x3F\x00\x00\x80\xBE\n"),
    ] {
        let performed = fetched(format, "{}", block).await;
        assert_eq!(performed.clone().into_volts().unwrap(), [1.5, -0.25]);
        assert!(performed.codes.is_none() && performed.into_trace().is_none());
    }
}

#[tokio::test(start_paused = true)]
async fn samples_are_sent_as_floats() {
    let text = "profile: p\nrole: waveform source\nidentity: {query: \"*IDN?\"}\nactions:
  load waveform:
    takes: {waveform: iq samples}
    steps:
      - {send block: \"DATA \", from: waveform, format: float32 high first, full scale: 0.5}\n";
    let profile = profile::parse(&Source::new("p.yaml", text)).unwrap();
    let fake = Fake::new(|_| Reply::Usual);
    let driver = Driver::new(profile, None).unwrap();
    let mut source = Instrument::open("source", fake.link(), driver).await.unwrap();
    settle(&fake).await;
    let samples = [32767, -32768];
    let inputs = Inputs::none().iq_samples("waveform", &samples);
    source.perform("load waveform", &inputs).await.unwrap();
    tokio::time::sleep(ms(1)).await;
    let expected = b"DATA #18\x3F\x00\x00\x00\xBF\x00\x00\x00".to_vec();
    assert_eq!(fake.state().arrived, [expected]);
}

#[tokio::test(start_paused = true)]
async fn a_block_of_half_a_code_is_an_error() {
    let fake = scope(b"#13abc\n".to_vec());
    let mut scope = open_shipped(&fake, "scpi-scope.yaml").await;
    let error = scope.perform("fetch trace", &Inputs::none().word("channel", "CH2")).await;
    assert!(error.unwrap_err().to_string().contains("the block ends after 3 of 4 bytes"));
}

#[tokio::test(start_paused = true)]
async fn a_peer_that_closes_inside_a_block_yields_no_trace() {
    let fake = Fake::new(|message| match message {
        "TRACe:SCALe? CH1" => line("1,0,10"),
        "TRACe:DATA? CH1" => {
            let mut bytes = emit_block_header(100_000).unwrap().into_bytes();
            bytes.resize(bytes.len() + 40_000, 7);
            Reply::Close(bytes)
        }
        _ => Reply::Usual,
    });
    let mut scope = open_shipped(&fake, "scpi-scope.yaml").await;
    let error = scope.perform("fetch trace", &Inputs::none().word("channel", "CH1")).await;
    let error = error.unwrap_err();
    assert_eq!(error.class(), Class::Transient);
    assert!(error.to_string().contains("40000 of 100000 bytes of a block"), "{error}");
    // The next action works on a new connection.
    scope.perform("acquire", &Inputs::none()).await.unwrap();
    assert_eq!(fake.state().connections, 2);
}

/// Reads a block of so many bytes that come a millisecond apart, with a deadline of 100 ms.
async fn dribbled_block(bytes: usize) -> Result<RawAnswer, InstrumentError> {
    let mut block = emit_block_header(bytes).unwrap().into_bytes();
    block.resize(block.len() + bytes, 7);
    block.push(b'\n');
    let fake = Fake::new(move |message| match message {
        "DATA?" => Reply::Dribble(block.clone()),
        _ => Reply::Usual,
    });
    let driver = driver().with_timeout(ms(100));
    let mut scope = Instrument::open("scope", fake.link(), driver).await.unwrap();
    scope.query_raw("DATA?").await
}

#[tokio::test(start_paused = true)]
async fn a_block_that_moves_may_take_longer_than_a_line_but_not_for_ever() {
    assert_eq!(dribbled_block(300).await.unwrap(), RawAnswer::Block(vec![7; 300]));
    let error = dribbled_block(3000).await.unwrap_err();
    assert_eq!(error.class(), Class::Transient);
    // Ten times the deadline, and what the bytes that came need on a slow link.
    let text = error.to_string();
    assert!(text.contains("(after 1.02") && text.contains(" of 3000 bytes of a block"), "{text}");
}

#[tokio::test(start_paused = true)]
async fn an_acquisition_that_does_not_end_is_aborted_for_the_next_one() {
    let mut tries = 0;
    let fake = Fake::new(move |message| match message {
        "*OPC?" => {
            tries += 1;
            if tries == 1 { Reply::Silence } else { line(1) }
        }
        _ => Reply::Usual,
    });
    let mut scope = open_shipped(&fake, "scpi-scope.yaml").await;
    let error = scope.perform("acquire", &Inputs::none()).await.unwrap_err();
    assert_eq!((error.class(), error.phase), (Class::Transient, Phase::Complete));
    let sent = fake.take_arrived();
    assert!(sent.contains(&"ABORt".to_owned()), "{sent:?}");
    scope.perform("acquire", &Inputs::none()).await.unwrap();
    assert_eq!(fake.take_arrived(), ["INITiate:IMMediate", QUEUE, "*OPC?", QUEUE]);
}
