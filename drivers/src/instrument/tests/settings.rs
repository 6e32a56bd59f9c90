//! Settings and readings of a profile.

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::MessageFault;

const QUEUE: &str = "SYSTem:ERRor:NEXT?";

/// A fake that holds what it is set to.
pub fn holding() -> Fake {
    let mut held = BTreeMap::new();
    Fake::new(move |message| match message.split_once(' ') {
        Some((header, value)) => {
            held.insert(header.to_owned(), value.to_owned());
            Reply::Silence
        }
        None => match held.get(message.trim_end_matches('?')) {
            Some(value) => line(value),
            None => Reply::Usual,
        },
    })
}

async fn check_set(name: &str, value: Value, message: &str) {
    let fake = holding();
    let mut supply = open(&fake).await;
    let applied = supply.set(name, &value).await.unwrap();
    assert_eq!((applied.setting.as_str(), &applied.asked), (name, &value));
    assert_eq!((&applied.read_back, applied.matched), (&value, true));
    let query = format!("{}?", message.split_once(' ').unwrap().0);
    assert_eq!(fake.take_arrived(), [message, QUEUE, &query]);
    assert_eq!(supply.query(name).await.unwrap(), value);
}

#[tokio::test(start_paused = true)]
async fn every_kind_of_setting_is_sent_checked_and_read_back() {
    check_set("voltage", Value::Number(1.2), "VOLT 1.2E+00").await;
    check_set("steps", Value::Whole(7), "STEP 7").await;
    check_set("output", Value::Switch(true), "OUTP 1").await;
    check_set("trigger", Value::Word("edge".into()), "TRIG EXTernal").await;
}

async fn check_refused(name: &str, value: Value, class: Class, message: &str) {
    let fake = holding();
    let mut supply = open(&fake).await;
    let error = supply.set(name, &value).await.unwrap_err();
    assert_eq!((error.class(), error.phase), (class, Phase::Check), "{error}");
    assert_eq!(error.to_string(), format!("supply: failed to accept '{name}': {message}"));
    let batch = supply.set_many(&[("output", Value::Switch(true)), (name, value)]).await;
    assert!(batch.unwrap_err().applied.is_empty());
    assert_eq!(fake.take_arrived(), [""; 0], "not a byte was sent");
}

#[tokio::test(start_paused = true)]
async fn what_does_not_fit_is_refused_before_a_byte_is_sent() {
    use Value as V;
    check_refused("voltage", V::Number(3.1), Class::Limit, "3.1 V is outside 0 V to 3 V").await;
    check_refused("steps", V::Whole(0), Class::Limit, "0 is outside 1 to 9").await;
    check_refused("output", V::Whole(1), Class::Internal, "'1' is not on or off").await;
    check_refused("current", V::Number(1.0), Class::Internal, "there is no setting 'current'")
        .await;
    let near = "there is no setting 'volage'; did you mean 'voltage'";
    check_refused("volage", V::Number(1.0), Class::Internal, near).await;
}

#[tokio::test(start_paused = true)]
async fn a_read_back_that_differs_is_reported() {
    let fake = Fake::new(|message| if message == "VOLT?" { line("1.19") } else { Reply::Usual });
    let mut supply = open(&fake).await;
    let applied = supply.set("voltage", &Value::Number(1.2)).await.unwrap();
    assert_eq!((applied.read_back, applied.matched), (Value::Number(1.19), false));
}

#[tokio::test(start_paused = true)]
async fn error_entries_are_reported_with_number_and_text() {
    let fake = holding();
    let mut supply = open(&fake).await;
    fake.state().errors.extend(["-222,\"Data out of range;VOLT 3\"".into(), "42,\"\"".into()]);
    let error = supply.set("voltage", &Value::Number(3.0)).await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "supply: failed to check for errors after 'VOLT 3.0E+00': \
         it reports -222 Data out of range (VOLT 3); 42 "
    );
    assert_eq!(error.class(), Class::Instrument);
    // The link is in step: the next setting needs no new connection.
    assert!(supply.set("voltage", &Value::Number(1.0)).await.unwrap().matched);
    assert_eq!(fake.state().connections, 1);
    fake.state().errors.push_back("-363,\"Input buffer overrun\"".into());
    let error = supply.set("voltage", &Value::Number(1.0)).await.unwrap_err();
    assert_eq!(error.class(), Class::Transient);
}

#[tokio::test(start_paused = true)]
async fn an_error_queue_that_never_empties_ends() {
    let mut stuck = false;
    let fake = Fake::new(move |message| {
        stuck |= message == "OUTP 1";
        if stuck && message == QUEUE { line("-240,\"Hardware error\"") } else { Reply::Usual }
    });
    let mut supply = open(&fake).await;
    let error = supply.set("output", &Value::Switch(true)).await.unwrap_err();
    assert!(matches!(*error.fault, InstrumentFault::ErrorsEndless { bound: 20, .. }), "{error}");
    assert_eq!(fake.take_arrived().len(), 21);
}

#[tokio::test(start_paused = true)]
async fn an_overlapped_setting_waits_for_completion_and_clear_status() {
    let mut polls = 0;
    let fake = Fake::new(move |message| match message {
        "*OPC?" => Reply::Late(Duration::from_secs(8), "1".into()),
        "COND?" => {
            polls += 1;
            // Bits 8 and 1 of the operation status, then an unrelated bit.
            line([258, 2, 16][(polls - 1).min(2)])
        }
        "POS?" => line("21.04"),
        _ => Reply::Usual,
    });
    let mut table = open(&fake).await;
    let applied = table.set("angle", &Value::Number(21.0)).await.unwrap();
    assert!(applied.matched);
    assert_eq!(applied.took, ms(8100));
    let sent = ["POS 2.1E+01", "*OPC?", "COND?", "COND?", "COND?", QUEUE, "POS?"];
    assert_eq!(fake.take_arrived(), sent);
}

#[tokio::test(start_paused = true)]
async fn an_operation_that_does_not_end_is_given_up() {
    let fake = Fake::new(|message| if message == "COND?" { line(256) } else { Reply::Usual });
    let mut table = open(&fake).await;
    let error = table.set("angle", &Value::Number(5.0)).await.unwrap_err();
    assert!(matches!(*error.fault, InstrumentFault::StaysBusy { status: 256, .. }), "{error}");
    assert_eq!((error.class(), error.phase), (Class::Instrument, Phase::Complete));
    let fake = Fake::new(|message| if message == "*OPC?" { line("0") } else { Reply::Usual });
    let mut table = open(&fake).await;
    let error = table.set("angle", &Value::Number(5.0)).await.unwrap_err();
    assert_eq!(*error.fault, InstrumentFault::NotComplete("0".into()));
}

#[tokio::test(start_paused = true)]
async fn readings_are_scaled_and_flags_are_no_data() {
    let mut answers = ["I=350.5", "I=9.91E37", "350.5", "I=350.5"].into_iter();
    let fake = Fake::new(move |message| match message {
        "MEAS?" => line(answers.next().unwrap_or("")),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    assert_eq!(supply.read("current").await.unwrap(), Value::Number(0.3505));
    let error = supply.read("current").await.unwrap_err();
    let InstrumentFault::Message(message) = &*error.fault else { panic!("{error}") };
    assert_eq!((&message.fault, error.class()), (&MessageFault::Flag, Class::Instrument));
    assert_eq!(fake.state().connections, 1, "a flag is a proper answer");
    let error = supply.read("current").await.unwrap_err();
    assert!(error.to_string().contains("not of the form 'I={value}', in '350.5'"), "{error}");
    assert_eq!(supply.read("current").await.unwrap(), Value::Number(0.3505));
    assert_eq!(fake.state().connections, 2, "an answer of another form is not trusted");
}

#[tokio::test(start_paused = true)]
async fn messages_by_hand() {
    let fake = Fake::new(|message| match message {
        "ANY?" => line("1,\"a\""),
        "DATA?" => Reply::Bytes(b"#13\n;#\n".to_vec()),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    assert_eq!(supply.query_raw("ANY?").await.unwrap(), RawAnswer::Line("1,\"a\"".into()));
    assert_eq!(supply.query_raw("DATA?").await.unwrap(), RawAnswer::Block(b"\n;#".to_vec()));
    supply.send_raw("NAME \"why?; ok?\"").await.unwrap();
    fake.take_arrived();
    for wrong in ["", " ", "A?;B?", "A\nB", "A?\n"] {
        let error = supply.query_raw(wrong).await.unwrap_err();
        assert_eq!(*error.fault, InstrumentFault::NotOneMessage, "{wrong:?}");
    }
    assert!(fake.take_arrived().is_empty());
}

#[test]
fn knobs_are_known_without_a_link() {
    let driver = driver();
    let knob = driver.knob("current").unwrap();
    assert!(knob.read_only && knob.kind.unit() == "A");
    assert!(driver.knob("volt").is_none());
    assert_eq!(driver.knobs().count(), 7);
    let port = Driver::load("register-port.yaml", None, None).unwrap_err();
    assert!(matches!(port, DriverError::MapMissing(_)));
    let map = Some("eight-element.yaml");
    assert!(matches!(Driver::load("scpi-scope.yaml", map, None), Err(DriverError::MapUnused(_))));
    let port = Driver::load("register-port.yaml", map, None).unwrap();
    assert!(port.knob("tx.lock").unwrap().read_only && !port.knob("tx.gain").unwrap().read_only);
}
