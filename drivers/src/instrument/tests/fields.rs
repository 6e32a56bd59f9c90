//! Fields of every layout: wide, signed, write-only; order, commit, shadow copy, dumps.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use proptest::prelude::*;

use super::fake::{Fake, line};
use super::*;
use crate::registers::{Access, RegisterMap};

type Registers = Arc<Mutex<BTreeMap<u32, u32>>>;

/// A port whose registers the test can look into; what is in `hidden` cannot be read.
fn port(width: usize, hidden: Vec<u32>) -> (Fake, Registers) {
    let registers = Registers::default();
    let inner = registers.clone();
    let fake = Fake::new(move |message| {
        let number = |text: &str| u32::from_str_radix(text, 16).unwrap();
        let words: Vec<&str> = message.split(' ').collect();
        let mut registers = inner.lock().unwrap();
        match words[..] {
            ["id"] => line("id Test Works,PORT,1,2.0"),
            ["r", address] if hidden.contains(&number(address)) => line("no 6 cannot be read"),
            ["r", "0BAD"] => line("no 5 chip has no power"),
            ["r", address] => {
                let bits = registers.get(&number(address)).copied().unwrap_or_default();
                line(format!("= {bits:0width$X}"))
            }
            ["w", address, bits] => {
                registers.insert(number(address), number(bits));
                line("ok")
            }
            _ => line("no 1 unknown command"),
        }
    });
    (fake, registers)
}

fn map(text: &str) -> RegisterMap {
    let text = format!("register map: m\n{text}");
    crate::registers::parse(&Source::new("m.yaml", text)).unwrap_or_else(|error| panic!("{error}"))
}

async fn open(fake: &Fake, map: RegisterMap) -> Instrument {
    let digits = map.register_bits.div_ceil(4);
    let text = profile::load("register-port.yaml", None).unwrap().text;
    let text = text.replace("value:4X", &format!("value:{digits}X"));
    let profile = profile::parse(&Source::new("p", text)).unwrap();
    let driver = Driver::new(profile, Some(map)).unwrap();
    let dut = Instrument::open("dut", fake.link(), driver).await.unwrap();
    fake.take_arrived();
    dut
}

#[tokio::test(start_paused = true)]
async fn a_word_over_two_registers_keeps_what_lies_beside_it() {
    let (fake, registers) = port(4, Vec::new());
    registers.lock().unwrap().insert(0x21, 0xABC0);
    let fields = "register bits: 16\nfields:
  word: {at: [{register: 0x21, bits: 3..0}, {register: 0x20}], type: whole, signed: on}
  low: {at: [{register: 0x31, bits: 3..0}, {register: 0x30}], type: whole, low part first: on}\n";
    let mut dut = open(&fake, map(fields)).await;
    let applied = dut.set("word", &Value::Whole(-2)).await.unwrap();
    assert_eq!((applied.read_back, applied.matched), (Value::Whole(-2), true));
    // The whole register 0x20 is the field's and need not be read before.
    assert_eq!(fake.take_arrived(), ["r 0021", "w 0021 ABCF", "w 0020 FFFE", "r 0021", "r 0020"]);
    assert_eq!(dut.query("word").await.unwrap(), Value::Whole(-2));
    assert!(dut.set("word", &Value::Whole(1 << 19)).await.is_err(), "20 bits, signed");
    fake.take_arrived();
    dut.set("low", &Value::Whole(0xF_0001)).await.unwrap();
    assert_eq!(fake.take_arrived()[1..3], ["w 0030 0001", "w 0031 000F"]);
}

#[tokio::test(start_paused = true)]
async fn what_can_only_be_written_is_known_from_the_shadow_copy() {
    let (fake, registers) = port(4, vec![0x40, 0x41, 0x42]);
    let fields = "register bits: 16\nresets: {0x41: 0x00F0}\nfields:
  a: {at: 0x40, bits: 3..0, type: whole, write only: on}
  b: {at: 0x40, bits: 7..4, type: whole, write only: on}
  c: {at: 0x41, bits: 3..0, type: whole, write only: on}
  d: {at: 0x41, bits: 11..8, type: whole, write only: on, reset: 5}
  alone: {at: 0x42, bits: 3..0, type: whole, write only: on}\n";
    let mut dut = open(&fake, map(fields)).await;
    let error = dut.query("a").await.unwrap_err();
    assert_eq!(*error.fault, InstrumentFault::NeverWritten);
    let error = dut.set("a", &Value::Whole(1)).await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "dut: failed to accept 'a': register 0x0040 cannot be read, and nobody knows what its other \
         fields hold; set b with it"
    );
    assert!(fake.take_arrived().is_empty());
    let both = [("a", Value::Whole(1)), ("b", Value::Whole(2))];
    let applied = dut.set_many(&both).await.unwrap();
    assert!(applied.iter().all(|one| one.matched && !one.verified));
    assert_eq!(applied[1].read_back, Value::Whole(2));
    // From here on the shadow copy is the truth, also in the next call.
    dut.set("a", &Value::Whole(3)).await.unwrap();
    assert_eq!(fake.take_arrived(), ["w 0040 0021", "w 0040 0023"]);
    assert_eq!(dut.query("b").await.unwrap(), Value::Whole(2));
    // A field alone in its register needs nothing else, and a reset value is taken and told.
    dut.set("alone", &Value::Whole(9)).await.unwrap();
    assert!(dut.take_events().is_empty());
    dut.set("c", &Value::Whole(1)).await.unwrap();
    assert_eq!(dut.take_events(), [Event::TakenAsReset { address: 0x41, bits: 0x05F0 }]);
    assert_eq!(registers.lock().unwrap()[&0x41], 0x05F1, "reserved bits as after a reset");
    let dump = dut.dump_registers().await.unwrap();
    assert_eq!(dump.written, BTreeMap::from([(0x40, 0x23), (0x41, 0x5F1), (0x42, 9)]));
    dut.forget_registers();
    assert!(dut.query("b").await.is_err());
}

#[tokio::test(start_paused = true)]
async fn the_shadow_copy_is_forgotten_with_the_session_and_when_a_read_is_refused() {
    let (fake, _) = port(4, vec![0x40]);
    let fields = "register bits: 16\nshadow: session\nfields:
  a: {at: 0x40, bits: 3..0, type: whole, write only: on}
  r: {at: 0x50, bits: 3..0, type: whole}
  bad: {at: 0xBAD, type: whole}\n";
    let mut dut = open(&fake, map(fields)).await;
    dut.set("a", &Value::Whole(1)).await.unwrap();
    dut.set("r", &Value::Whole(1)).await.unwrap();
    fake.take_arrived();
    // The map says that the chip keeps its registers: no read before the write in a later call.
    dut.set("r", &Value::Whole(2)).await.unwrap();
    assert_eq!(fake.take_arrived(), ["w 0050 0002", "r 0050"]);
    assert!(dut.read("bad").await.is_err());
    assert_eq!(*dut.query("a").await.unwrap_err().fault, InstrumentFault::NeverWritten);
    dut.set("a", &Value::Whole(1)).await.unwrap();
    dut.send_raw("id").await.unwrap();
    assert_eq!(*dut.query("a").await.unwrap_err().fault, InstrumentFault::NeverWritten);
}

#[tokio::test(start_paused = true)]
async fn registers_are_written_in_the_order_of_the_map_and_brought_into_force() {
    let (fake, registers) = port(4, vec![0x60]);
    let fields = "register bits: 16\npages: {p: 0, q: 0x100}\nwrite order: [bias, on]
commit: {field: load, value: on, after: [phase]}\nfields:
  on: {at: 0x10, bits: 0, type: switch}
  bias: {at: 0x11, type: whole}
  phase[0..2]: {at: 0x20, type: whole}
  load: {at: 0x60, bits: 0, type: switch, write only: on}\n";
    let mut dut = open(&fake, map(fields)).await;
    let wishes = [
        ("q.on", Value::Switch(true)),
        ("q.bias", Value::Whole(7)),
        ("q.phase.0", Value::Whole(1)),
        ("q.phase.1", Value::Whole(2)),
        ("q.phase.2", Value::Whole(3)),
    ];
    let applied = dut.set_many(&wishes).await.unwrap();
    let names: Vec<&str> = applied.iter().map(|one| one.setting.as_str()).collect();
    assert_eq!(names, wishes.each_ref().map(|(name, _)| *name), "told as asked");
    assert_eq!(
        fake.take_arrived()[..7],
        [
            "r 0110",
            "w 0120 0001",
            "w 0121 0002",
            "w 0122 0003",
            "w 0111 0007",
            "w 0110 0001",
            "w 0160 0001"
        ]
    );
    assert_eq!(registers.lock().unwrap().get(&0x60), None, "the other page is left alone");
    // Nothing that needs it was set: it is not written.
    dut.set("p.bias", &Value::Whole(7)).await.unwrap();
    assert_eq!(fake.take_arrived(), ["w 0011 0007", "r 0011"]);
}

#[tokio::test(start_paused = true)]
async fn dumps_are_compared_field_by_field() {
    let (fake, registers) = port(4, Vec::new());
    let fields = "register bits: 16\nresets: {0x10..0x11: 0x8000}\nfields:
  gain: {at: 0x10, bits: 4..0, type: whole, reset: 16}
  mode: {at: 0x11, bits: 1..0, type: word, words: {slow: 0, fast: 2}}
  warm: {at: 0x12, type: number, unit: degC, scale: 0.0625, signed: on, read only: on}
  bad: {at: 0xBAD, type: whole}\n";
    registers.lock().unwrap().extend([(0x10, 0x8010), (0x11, 0x8000), (0x12, 0xFFF0)]);
    let map = map(fields);
    let mut dut = open(&fake, map.clone()).await;
    let first = dut.dump_registers().await.unwrap();
    assert_eq!(first.refused, BTreeMap::from([(0xBAD, "5 chip has no power".into())]));
    assert_eq!(first.since_reset(&map), []);
    let again = crate::registers::parse_dump(&Source::new("dump", first.emit(&map)));
    assert_eq!(again.unwrap_or_else(|error| panic!("{error}")), first);
    registers.lock().unwrap().extend([(0x10, 0x8011), (0x11, 0x0003), (0x12, 0)]);
    let second = dut.dump_registers().await.unwrap();
    let shown = |differences: Vec<crate::registers::Difference>| -> Vec<String> {
        let line = |d: &crate::registers::Difference| {
            format!("{}: {} -> {}{}", d.name, d.before, d.now, if d.read_only { " *" } else { "" })
        };
        differences.iter().map(line).collect()
    };
    let settable = [
        "gain: 16 -> 17",
        "mode: slow -> code 3, no word",
        "bits 0xfffc of register 0x0011, of no field: 0x8000 -> 0x0000",
    ];
    let mut all = settable.to_vec();
    all.insert(2, "warm: -1 degC -> 0 degC *");
    assert_eq!(shown(second.since(&first, &map)), all);
    assert_eq!(shown(second.since_reset(&map)), settable);
    let shadow = dut.shadow_registers();
    assert_eq!(second.common_since(&shadow, &map), []);
    assert!(dut.dump_registers().await.is_ok());
    let faulty = "register dump: m\nread: {0x10: 5, x: 3}\nwriten: {}\n";
    let faults = crate::registers::parse_dump(&Source::new("dump", faulty)).unwrap_err().faults;
    let messages: Vec<&str> = faults.iter().map(|fault| fault.message.as_str()).collect();
    assert_eq!(messages, ["'x' is no register", "unknown key 'writen' in register dump"]);
}

/// The plan of a layout: for each field its bits and kind, laid one after the other over shuffled
/// registers, so that fields cross from one to another.
#[derive(Clone, Debug)]
struct Layout {
    register_bits: u32,
    /// Bits of each field, its kind, and bits left free after it.
    fields: Vec<(u32, u8, u32)>,
    seed: u64,
}

fn layouts() -> impl Strategy<Value = Layout> {
    let field = (1..=40u32, 0..4u8, 0..4u32);
    let fields = proptest::collection::vec(field, 1..12);
    (1..=32u32, fields, any::<u64>()).prop_map(|(register_bits, fields, seed)| Layout {
        register_bits,
        fields,
        seed,
    })
}

impl Layout {
    /// Every bit of the chip stands once, in register order of a seeded shuffle.
    fn text(&self) -> String {
        let bits = self.register_bits;
        let total: u32 = self.fields.iter().map(|(wide, _, free)| wide + free).sum();
        let mut addresses: Vec<u32> = (0..total.div_ceil(bits)).map(|n| 3 * n + 1).collect();
        let mut random = self.seed | 1;
        for at in (1..addresses.len()).rev() {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            addresses.swap(at, (random >> 33) as usize % (at + 1));
        }
        let mut text = format!("register bits: {bits}\nfields:\n");
        let mut place = 0;
        for (index, (wide, kind, free)) in self.fields.iter().enumerate() {
            let mut parts = Vec::new();
            let mut left = *wide;
            let mut at = place;
            while left > 0 {
                let low = at % bits;
                let take = left.min(bits - low);
                let register = addresses[(at / bits) as usize];
                parts.push(format!("{{register: {register}, bits: {}..{low}}}", low + take - 1));
                (at, left) = (at + take, left - take);
            }
            place += wide + free;
            let kind = match (kind, *wide) {
                (0, _) => "type: whole".to_owned(),
                (1, _) => "type: whole, signed: on".to_owned(),
                (2, _) => "type: number, unit: V, scale: 0.25, signed: on".to_owned(),
                (_, 1) => "type: switch".to_owned(),
                (_, wide) => {
                    let most = (1u64 << wide.min(32)) - 1;
                    format!("type: word, words: {{first: 0, last: {most}, mid: {}}}", most / 2 + 1)
                }
            };
            text += &format!("  f{index}: {{at: [{}], {kind}}}\n", parts.join(", "));
        }
        text
    }
}

/// A value of a field out of a random number.
fn some_value(kind: &crate::value::Kind, random: u64) -> Value {
    use crate::value::Kind;
    match kind {
        Kind::Whole { at_least, at_most } => {
            let span = (at_most - at_least) as u64 + 1;
            Value::Whole(at_least + (random % span) as i64)
        }
        Kind::Number { at_least, at_most, .. } => {
            let steps = ((at_most - at_least) / 0.25) as u64 + 1;
            Value::Number(at_least + 0.25 * (random % steps) as f64)
        }
        Kind::Switch => Value::Switch(random & 1 == 1),
        Kind::Word(words) => Value::Word(words[(random % words.len() as u64) as usize].clone()),
    }
}

fn run<T>(future: impl Future<Output = T>) -> T {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    runtime.unwrap().block_on(future)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn every_layout_is_written_and_read_back(layout in layouts(), values in proptest::collection::vec(any::<u64>(), 12), old in any::<u32>()) {
        let map = map(&layout.text());
        let wishes: Vec<(String, Value)> = map
            .fields
            .iter()
            .zip(&values)
            .map(|(field, random)| (field.name.clone(), some_value(&field.kind, *random)))
            .collect();
        run(async {
            let (fake, registers) = port(map.register_bits.div_ceil(4) as usize, Vec::new());
            let before: BTreeMap<u32, u32> =
                map.readable().into_iter().map(|at| (at, old & map.register_mask())).collect();
            *registers.lock().unwrap() = before.clone();
            let mut dut = open(&fake, map.clone()).await;
            // Half of them alone, in an order that crosses, then all at once.
            for (name, value) in wishes.iter().rev().step_by(2) {
                let applied = dut.set(name, value).await.unwrap();
                assert!(applied.matched && applied.read_back == *value, "{applied:?}");
            }
            fake.take_arrived();
            let batch: Vec<(&str, Value)> =
                wishes.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
            let applied = dut.set_many(&batch).await.unwrap();
            assert!(applied.iter().all(|one| one.matched), "{applied:?}");
            let sent = fake.take_arrived();
            let writes = sent.iter().filter(|message| message.starts_with('w')).count();
            assert_eq!(writes, map.readable().len(), "every register is written once");
            for (name, value) in &wishes {
                assert_eq!(dut.query(name).await.unwrap(), *value, "{name}");
            }
            // Bits of no field stay as they were.
            let after = registers.lock().unwrap().clone();
            for (address, bits) in after {
                let owned = map.fields.iter().fold(0, |mask, f| mask | f.mask_at(address));
                assert_eq!(bits & !owned, before[&address] & !owned);
            }
        });
    }

    #[test]
    fn two_fields_on_one_bit_are_always_refused(layout in layouts(), which in any::<usize>(), bit in any::<u32>()) {
        let text = layout.text();
        let map = map(&text);
        let field = &map.fields[which % map.fields.len()];
        let part = field.parts[which % field.parts.len()];
        let bit = part.low_bit + bit % part.bits;
        prop_assert!(field.access == Access::ReadWrite);
        let text = format!(
            "register map: m\n{text}  again: {{at: {}, bits: {bit}, type: switch}}\n",
            part.address
        );
        let faults = crate::registers::parse(&Source::new("m.yaml", text)).unwrap_err();
        let named = |fault: &crate::fault::Fault| {
            fault.message == format!("'again' and '{}' share bits", field.name)
        };
        prop_assert!(faults.faults.iter().any(named), "{}", faults.render(false));
    }
}
