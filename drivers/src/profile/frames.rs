//! The part of a profile that says in which binary frames registers travel.

use std::collections::BTreeMap;

use crate::decode::{switch, text, whole};
use crate::fault::Fault;
use crate::frame::{Checksum, Crc, FramePort, Part};
use crate::marked::Node;
use crate::shape::{self, Field, MapShape, Shape};

const FRAME: &Shape = &Shape::List(&Shape::Scalar);
const WIDTH: &Shape = &Shape::Whole { at_least: 1, at_most: 4 };
const REGISTER: &Shape = &Shape::Whole { at_least: 0, at_most: 0xFFFF_FFFF };

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

/// The grammar of frames.
pub(super) const FRAMES: &Shape = &Shape::Map(&MapShape {
    name: "register frames",
    about: "How registers travel in binary frames. A frame is a list of its parts: bytes such as \
            0xA5, address, data, code (one byte), text (one byte that counts it, then it), checksum \
            (of all bytes before it).",
    fields: &[
        required(
            "byte order",
            &Shape::Word(&["high first", "low first"]),
            "Of addresses, data and checksums.",
        ),
        required("address bytes", WIDTH, "Bytes of an address."),
        required("data bytes", WIDTH, "Bytes of a register's contents."),
        required(
            "checksum",
            &Shape::Either(&[&Shape::Word(&["none", "xor", "sum"]), CRC]),
            "One byte of exclusive or or of the sum modulo 256; or a cyclic redundancy check.",
        ),
        required("identify", FRAME, "Asks who is there."),
        required("identity", FRAME, "The answer, with text."),
        required("read", FRAME, "Asks for a register."),
        required("read answer", FRAME, "The answer, with data."),
        required("write", FRAME, "Writes a register."),
        required("write answer", FRAME, "The answer."),
        required("refusal", FRAME, "The answer when the port refuses, with code."),
        optional("codes", CODES, "What the codes of refusals mean."),
    ],
});

const CODES: &Shape = &Shape::Table { key: "code", value: &Shape::Text };

const CRC: &Shape = &Shape::Map(&MapShape {
    name: "cyclic redundancy check",
    about: "Its parameters, as catalogues list them.",
    fields: &[
        required("bits", &Shape::Whole { at_least: 8, at_most: 32 }, "8, 16 or 32."),
        required("polynomial", REGISTER, "Without its highest term, such as 0x1021."),
        optional("initial", REGISTER, "What the register holds at first, 0."),
        optional("reflected", &Shape::Switch, "Bytes enter lowest bit first."),
        optional("final xor", REGISTER, "What the result is combined with, 0."),
    ],
});

/// What a profile cannot have beside frames: it would be sent as text.
const TEXT_PARTS: [&str; 7] =
    ["registers", "identity", "errors", "completion", "settings", "readings", "actions"];

/// Decodes the frames of a profile.
pub(super) fn decode(root: &Node, node: &Node, faults: &mut Vec<Fault>) -> Option<FramePort> {
    for (key, _) in root.entries().iter().filter(|(key, _)| TEXT_PARTS.contains(&&*key.text)) {
        let message = format!("'{}' is text, and this port speaks in frames", key.text);
        faults.push(Fault::new(key.span.clone(), message).with_help("leave it out"));
    }
    for (key, _) in root.get("session").map(Node::entries).unwrap_or_default() {
        if key.text == "clear" || key.text == "restart" {
            let message = format!("'{}' is text, and this port speaks in frames", key.text);
            faults.push(Fault::new(key.span.clone(), message).with_help("leave it out"));
        }
    }
    let checksum = decode_checksum(node.get("checksum")?, faults)?;
    let width = |key| usize::try_from(whole(node, key)?).ok().filter(|w| (1..=4).contains(w));
    let sums = checksum.is_some();
    use Part::{Address, Code, Data, Text};
    let identify = frame(node, "identify", &[], sums, faults);
    let identity = frame(node, "identity", &[Text], sums, faults);
    let read = frame(node, "read", &[Address], sums, faults);
    let read_answer = answer(node, "read answer", &[Data], sums, faults);
    let write = frame(node, "write", &[Address, Data], sums, faults);
    let write_answer = answer(node, "write answer", &[], sums, faults);
    let refusal = answer(node, "refusal", &[Code], sums, faults);
    let port = FramePort {
        high_first: text(node, "byte order")? == "high first",
        address_bytes: width("address bytes")?,
        data_bytes: width("data bytes")?,
        checksum,
        identify: identify?,
        identity: identity?,
        read: read?,
        read_answer: read_answer?,
        write: write?,
        write_answer: write_answer?,
        refusal: refusal?,
        codes: decode_codes(node, faults),
    };
    let answers = [
        ("identity", &port.identity),
        ("read answer", &port.read_answer),
        ("write answer", &port.write_answer),
    ];
    for (key, form) in answers {
        if let Some(place) = node.get(key)
            && !FramePort::told_apart(form, &port.refusal)
        {
            let message = "this answer cannot be told from a refusal";
            let help = "let them differ in a byte before anything that varies";
            faults.push(Fault::new(place.span.clone(), message).with_help(help));
        }
    }
    Some(port)
}

/// The checksum: outer `None` when it is not sound, inner `None` for frames without.
#[allow(clippy::option_option, reason = "a checksum that is unsound is not one that is absent")]
fn decode_checksum(node: &Node, faults: &mut Vec<Fault>) -> Option<Option<Checksum>> {
    match node.text() {
        Some("none") => return Some(None),
        Some("xor") => return Some(Some(Checksum::Xor)),
        Some("sum") => return Some(Some(Checksum::Sum8)),
        Some(_) => return None,
        None => {}
    }
    let value = |key| whole(node, key).and_then(|value| u32::try_from(value).ok());
    let bits = value("bits")?;
    let place = node.get("bits")?;
    if ![8, 16, 32].contains(&bits) {
        let fault = Fault::new(place.span.clone(), "a check has whole bytes");
        faults.push(fault.with_help("write 8, 16 or 32"));
        return None;
    }
    let mask = u32::MAX >> (32 - bits);
    for key in ["polynomial", "initial", "final xor"] {
        if let Some(place) = node.get(key)
            && value(key).is_some_and(|value| value & !mask != 0)
        {
            let message = format!("more than {bits} bits can hold");
            faults.push(Fault::new(place.span.clone(), message));
        }
    }
    let polynomial = value("polynomial")?;
    if polynomial & 1 == 0 {
        let place = node.get("polynomial")?;
        let fault = Fault::new(place.span.clone(), "a polynomial has a term of order 0");
        faults.push(fault.with_help("write it without its highest term, such as 0x1021"));
    }
    Some(Some(Checksum::Crc(Crc {
        bits,
        polynomial,
        initial: value("initial").unwrap_or(0),
        reflected: switch(node, "reflected"),
        final_xor: value("final xor").unwrap_or(0),
    })))
}

fn decode_codes(node: &Node, faults: &mut Vec<Fault>) -> BTreeMap<u8, String> {
    let mut codes = BTreeMap::new();
    for (key, node) in node.get("codes").map(Node::entries).unwrap_or_default() {
        match shape::whole(&key.text).and_then(|code| u8::try_from(code).ok()) {
            Some(code) => codes.extend(node.text().map(|text| (code, text.to_owned()))),
            None => {
                let fault = Fault::new(key.span.clone(), format!("'{}' is no code", key.text));
                faults.push(fault.with_help("a code is a number from 0 to 255"));
            }
        }
    }
    codes
}

/// An answer: as a frame, and the address may be in it.
fn answer(
    node: &Node,
    key: &str,
    wanted: &[Part],
    sums: bool,
    faults: &mut Vec<Fault>,
) -> Option<Vec<Part>> {
    let echoes = node.get(key)?.items().iter().any(|item| item.text() == Some("address"));
    if echoes {
        return frame(node, key, &[wanted, &[Part::Address]].concat(), sums, faults);
    }
    frame(node, key, wanted, sums, faults)
}

/// A frame with each of these parts once, and a checksum at its end where frames have one.
fn frame(
    node: &Node,
    key: &str,
    wanted: &[Part],
    sums: bool,
    faults: &mut Vec<Fault>,
) -> Option<Vec<Part>> {
    let place = node.get(key)?;
    let mut form = Vec::new();
    let mut sound = true;
    for item in place.items() {
        let Some(part) = item.text().and_then(Part::parse) else {
            let message = format!("{} is no part of a frame", item.describe());
            let help = format!("write a byte such as 0xA5, or {}", Part::NAMES.join(", "));
            faults.push(Fault::new(item.span.clone(), message).with_help(help));
            return None;
        };
        let known = matches!(part, Part::Byte(_) | Part::Checksum) || wanted.contains(&part);
        let again = !matches!(part, Part::Byte(_)) && form.contains(&part);
        if !known || again {
            let why = if again { "stands here twice" } else { "has no meaning in this frame" };
            let message = format!("{} {why}", item.describe());
            faults.push(Fault::new(item.span.clone(), message));
            sound = false;
        }
        form.push(part);
    }
    let missing = wanted.iter().find(|part| !form.contains(part));
    let summed = form.iter().position(|part| *part == Part::Checksum);
    let last = form.len().checked_sub(1);
    let problem = match (missing, summed) {
        (Some(part), _) => Some(format!("{part:?} is missing here").to_lowercase()),
        (None, Some(_)) if !sums => Some("there is no checksum here: checksum is none".into()),
        (None, at) if sums && at != last => Some("the checksum stands at the end".into()),
        _ if form.is_empty() => Some("a frame has bytes".into()),
        _ => None,
    };
    if let Some(problem) = problem {
        faults.push(Fault::new(place.span.clone(), problem));
        return None;
    }
    sound.then_some(form)
}

#[cfg(test)]
mod tests {
    use crate::fault::Source;
    use crate::profile::{load, parse};

    #[track_caller]
    fn check_faults(from: &str, to: &str, expected: &[&str]) {
        let text = load("register-port-binary.yaml", None).unwrap().text;
        assert!(text.contains(from), "{from}");
        let shown: Vec<_> = match parse(&Source::new("p.yaml", text.replacen(from, to, 1))) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.faults.into_iter().map(|fault| fault.message).collect(),
        };
        assert_eq!(shown, expected);
    }

    #[test]
    fn frames_are_checked_at_load() {
        let crc = "{bits: 16, polynomial: 0x1021, initial: 0xFFFF}";
        check_faults(crc, "{bits: 8, polynomial: 0x07}", &[]);
        check_faults(crc, "xor", &[]);
        check_faults(crc, "{bits: 12, polynomial: 0x80F}", &["a check has whole bytes"]);
        check_faults(
            crc,
            "{bits: 8, polynomial: 0x106}",
            &["more than 8 bits can hold", "a polynomial has a term of order 0"],
        );
        let none = "there is no checksum here: checksum is none";
        check_faults(crc, "none", &[none; 7]);
        let read = "[0xA5, 0x01, address, checksum]";
        check_faults(read, "[0xA5, 0x01, checksum]", &["address is missing here"]);
        check_faults(read, "[0xA5, address, checksum, 1]", &["the checksum stands at the end"]);
        check_faults(read, "[0xA5, address]", &["the checksum stands at the end"]);
        check_faults(read, "[0x1A5, address, checksum]", &["'0x1A5' is no part of a frame"]);
        check_faults(
            read,
            "[1, address, address, code, checksum]",
            &["'address' stands here twice", "'code' has no meaning in this frame"],
        );
        check_faults(
            "[0xA5, 0xEE,",
            "[0xA5, 0x81,",
            &["this answer cannot be told from a refusal"],
        );
        check_faults(
            "timeout: 2 s",
            "identity: {query: id}\nsession: {clear: x}\nerrors: {query: e}",
            &[
                "'identity' is text, and this port speaks in frames",
                "'clear' is text, and this port speaks in frames",
                "'errors' is text, and this port speaks in frames",
            ],
        );
        check_faults("    1: unknown", "    256: unknown", &["'256' is no code"]);
    }
}
