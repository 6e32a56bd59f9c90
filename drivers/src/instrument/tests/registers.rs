//! Settings that are fields of registers.

use std::collections::BTreeMap;

use super::fake::{Fake, Reply, line};
use super::*;

/// A chip behind a text register port, as the profile `register-port.yaml` speaks to it.
fn chip() -> Fake {
    let mut registers: BTreeMap<u32, u32> =
        (0x100..0x108).map(|address| (address, 0x8000)).collect();
    registers.extend([(0x001, 0), (0x002, 2), (0x003, 16), (0x010, 3), (0x011, 0xFFF0)]);
    Fake::new(move |message| {
        let number = |text: &str| u32::from_str_radix(text, 16).unwrap();
        let words: Vec<&str> = message.split(' ').collect();
        match words[..] {
            ["id"] => line("id Test Works,CHIP-8,1,2.0"),
            ["r", "0003"] => line("no 5 chip has no power"),
            ["r", address] => match registers.get(&number(address)) {
                Some(value) => line(format!("= {value:04X}")),
                None => line("no 2 no such register"),
            },
            // This one does not keep its lowest bit.
            ["w", "0107", value] => {
                registers.insert(0x107, number(value) & 0xFFFE);
                line("ok")
            }
            ["w", "0002", "0006"] => line("no 4 value out of range"),
            ["w", address, value] => {
                registers.insert(number(address), number(value));
                line("ok")
            }
            _ => line("no 1 unknown command"),
        }
    })
}

async fn open_chip(fake: &Fake) -> Instrument {
    let driver = Driver::load("register-port.yaml", Some("eight-element.yaml"), None).unwrap();
    let dut = Instrument::open("dut", fake.draining_link(), driver).await;
    let dut = dut.unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(dut.identity().unwrap().model, "CHIP-8");
    fake.take_arrived();
    dut
}

#[tokio::test(start_paused = true)]
async fn a_batch_of_eight_elements_keeps_order_and_is_verified() {
    let fake = chip();
    let mut dut = open_chip(&fake).await;
    let names: Vec<String> = (0..8).map(|n| format!("tx.phase.{n}")).collect();
    let batch: Vec<(&str, Value)> = names
        .iter()
        .zip([1, 3, 5, 7, 9, 11, 13, 15])
        .map(|(name, code)| (name.as_str(), Value::Whole(code)))
        .collect();
    let applied = dut.set_many(&batch).await.unwrap();
    let set: Vec<&str> = applied.iter().map(|applied| applied.setting.as_str()).collect();
    assert_eq!(set, names);
    let matched: Vec<bool> = applied.iter().map(|applied| applied.matched).collect();
    assert_eq!(matched, [true, true, true, true, true, true, true, false]);
    assert_eq!(applied[7].read_back, Value::Whole(14), "what the chip made of 15");
    let sent = fake.take_arrived();
    // All are read for their other fields, then written, then verified.
    assert_eq!(sent.len(), 24);
    assert_eq!(sent[..2], ["r 0100", "r 0101"]);
    assert_eq!(sent[8..10], ["w 0100 8001", "w 0101 8003"]);
    assert_eq!(sent[16..18], ["r 0100", "r 0101"]);
    // Several fields of one register are one write.
    let batch = [("tx.attenuation.0", Value::Whole(5)), ("tx.element_on.0", Value::Switch(false))];
    dut.set_many(&batch).await.unwrap();
    assert_eq!(fake.take_arrived(), ["r 0100", "w 0100 0501", "r 0100"]);
    // From one call to the next the chip may have lost its supply: it is read anew.
    dut.set("tx.phase.0", &Value::Whole(1)).await.unwrap();
    assert_eq!(fake.take_arrived(), ["r 0100", "w 0100 0501", "r 0100"]);
    assert_eq!(dut.query("tx.phase.0").await.unwrap(), Value::Whole(1));
}

#[tokio::test(start_paused = true)]
async fn fields_are_read_and_refusals_reported() {
    let fake = chip();
    let mut dut = open_chip(&fake).await;
    assert_eq!(dut.read("tx.lock").await.unwrap(), Value::Switch(true));
    assert_eq!(dut.read("tx.temperature").await.unwrap(), Value::Number(-1.0));
    let error = dut.read("tx.gain").await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "dut: failed to ask 'tx.gain (r 0003)': it refuses: 5 chip has no power"
    );
    assert_eq!(error.class(), Class::Instrument);
    let error = dut.set("rx.gain", &Value::Whole(3)).await.unwrap_err();
    assert!(error.to_string().contains("it refuses: 2 no such register"), "{error}");
    fake.take_arrived();
    let error = dut.set("tx.gain", &Value::Whole(32)).await.unwrap_err();
    assert_eq!(error.class(), Class::Limit);
    let error = dut.set("tx.lock", &Value::Switch(true)).await.unwrap_err();
    assert_eq!(*error.fault, InstrumentFault::ReadOnly);
    assert!(fake.take_arrived().is_empty());
}

#[tokio::test(start_paused = true)]
async fn a_batch_that_fails_says_what_was_done() {
    let fake = chip();
    let mut dut = open_chip(&fake).await;
    let batch = [("tx.enable", Value::Switch(true)), ("tx.gain", Value::Whole(3))];
    let error = dut.set_many(&batch).await.unwrap_err();
    assert!(matches!(*error.error.fault, InstrumentFault::Refused { .. }));
    // The refusal came while it was read for its other bits, before anything was written.
    assert!(error.applied.is_empty());
    assert_eq!(fake.take_arrived(), ["r 0001", "r 0003"]);
    // A register that refuses to be written: what was written before is verified and told.
    let batch = [("tx.enable", Value::Switch(true)), ("tx.channel", Value::Whole(6))];
    let error = dut.set_many(&batch).await.unwrap_err();
    assert!(matches!(*error.error.fault, InstrumentFault::Refused { .. }));
    let told: Vec<_> =
        error.applied.iter().map(|one| (one.setting.as_str(), one.matched)).collect();
    assert_eq!(told, [("tx.enable", true)]);
}

#[tokio::test(start_paused = true)]
async fn an_answer_of_no_known_form_puts_the_link_out_of_step() {
    let mut reads = 0;
    let fake = Fake::new(move |message| match message {
        "id" => line("id Test Works,CHIP-8,1,2.0"),
        "r 0002" => {
            reads += 1;
            if reads == 1 { line("ok") } else { line("= 0003") }
        }
        _ => Reply::Silence,
    });
    let mut dut = open_chip(&fake).await;
    let error = dut.query("tx.channel").await.unwrap_err();
    assert!(error.to_string().contains("not of the form '= {value:4X}', in 'ok'"), "{error}");
    assert_eq!(dut.query("tx.channel").await.unwrap(), Value::Whole(3));
    assert_eq!(fake.take_arrived(), ["r 0002", "", "id", "id", "r 0002"]);
}
