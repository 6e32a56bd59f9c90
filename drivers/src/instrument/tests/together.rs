//! Settings that depend on one another, stand on steps, or are skipped; models and error classes.

use std::sync::{Arc, Mutex};

use super::fake::{Fake, Reply, line};
use super::*;
use crate::instrument::tests::settings::holding;
use crate::profile::Profile;

const PROFILE: &str = "
profile: bench scope
role: scope
timeout: 1 s
identity: {query: \"*IDN?\"}
session: {clear: \"*CLS\", restart: {query: \"*ESR?\", bit: 7}}
errors:
  query: \"SYSTem:ERRor:NEXT?\"
  bound: 20
  classes: [{codes: [1, 99], mean: note}, {codes: -222, mean: retry}]
skip when equal: on
settings:
  level: {type: number, unit: V, set: \"LEV {value}\", query: \"LEV?\", after: offset}
  offset: {type: number, unit: V, set: \"OFF {value}\", query: \"OFF?\", after: [range]}
  range:
    {type: number, unit: V, steps: [1 V, 2 V, 5 V], between steps: nearest,
     set: \"RANG {value}\", query: \"RANG?\"}
  points: {type: whole, range: [0, 64], steps: 16, set: \"POIN {value}\", query: \"POIN?\"}
  output: {type: switch, skip when equal: off, set: \"OUTP {value}\", query: \"OUTP?\"}
actions:
  go: {steps: [{send: \"GO\"}]}
models:
  - called: small
    model: FAKE-1
    firmware: 0.*
    settings: {points: {range: [0, 32]}, output: absent}
  - {called: other, model: FAKE-2, settings: {points: {range: [0, 99]}}}
";

const QUEUE: &str = "SYSTem:ERRor:NEXT?";

fn profile_of(text: &str) -> Profile {
    profile::parse(&Source::new("scope.yaml", text)).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Opens a scope that remembers what it is told; by default one that is none of the models.
async fn open_scope(fake: &Fake, identity: &str) -> Instrument {
    fake.state().identity = identity.into();
    let driver = Driver::new(profile_of(PROFILE), None).unwrap();
    let scope = Instrument::open("scope", fake.link(), driver).await;
    let scope = scope.unwrap_or_else(|error| panic!("{error}"));
    settle(fake).await;
    scope
}

const GENERAL: &str = "Test Works,FAKE-9,17,0.1";

/// What was sent, without the reading of the error queue.
fn sent(fake: &Fake) -> Vec<String> {
    let mut arrived = fake.take_arrived();
    arrived.retain(|message| message != QUEUE);
    arrived
}

fn volts(volts: f64) -> Value {
    Value::Number(volts)
}

#[tokio::test(start_paused = true)]
async fn what_decides_is_set_first() {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    let wishes = [
        ("points", Value::Whole(16)),
        ("level", volts(0.5)),
        ("offset", volts(0.1)),
        ("range", volts(2.0)),
    ];
    let applied = scope.set_many(&wishes).await.unwrap();
    let order: Vec<&str> = applied.iter().map(|applied| applied.setting.as_str()).collect();
    assert_eq!(order, ["points", "range", "offset", "level"]);
    // Nothing is read again that is about to be set.
    let expected =
        ["POIN 16", "POIN?", "RANG 2.0E+00", "RANG?", "OFF 1.0E-01", "OFF?", "LEV 5.0E-01", "LEV?"];
    assert_eq!(sent(&fake), expected);
    // Without any of them in the batch the order given stands.
    let wishes = [("output", Value::Switch(true)), ("points", Value::Whole(0))];
    let applied = scope.set_many(&wishes).await.unwrap();
    assert_eq!((applied[0].setting.as_str(), applied[1].setting.as_str()), ("output", "points"));
}

#[tokio::test(start_paused = true)]
async fn what_depends_is_read_again() {
    // The level moves with the range, the offset stays.
    let moving = Fake::new({
        let mut level = "0.5";
        move |message| match message {
            "RANG 5.0E+00" => {
                level = "0.4";
                Reply::Silence
            }
            "RANG?" => line(5),
            "LEV?" => line(level),
            "OFF?" => line("0.1"),
            _ => Reply::Usual,
        }
    });
    let mut other = open_scope(&moving, GENERAL).await;
    other.set("level", &volts(0.5)).await.unwrap();
    other.set("offset", &volts(0.1)).await.unwrap();
    sent(&moving);
    let applied = other.set("range", &volts(5.0)).await.unwrap();
    let expected = [("level".to_owned(), volts(0.4)), ("offset".to_owned(), volts(0.1))];
    assert_eq!(applied.dependants, expected);
    assert_eq!(sent(&moving), ["RANG 5.0E+00", "RANG?", "LEV?", "OFF?"]);
    let moved = Event::Moved {
        setting: "level".into(),
        after: "range".into(),
        before: volts(0.5),
        now: volts(0.4),
    };
    assert_eq!(other.take_events(), [moved]);
    // What moved is sent again, what stayed is not.
    assert!(other.set("offset", &volts(0.1)).await.unwrap().skipped);
    assert!(!other.set("level", &volts(0.5)).await.unwrap().skipped);
}

#[tokio::test(start_paused = true)]
async fn values_between_steps_are_rounded_or_refused_before_a_byte_is_sent() {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    let error = scope.set("points", &Value::Whole(20)).await.unwrap_err();
    assert_eq!(error.class(), Class::Limit);
    assert_eq!(
        error.to_string(),
        "scope: failed to accept 'points': 20 is not one of its steps; near it: 16 and 32"
    );
    let wishes = [("range", volts(1.0)), ("points", Value::Whole(20))];
    assert!(scope.set_many(&wishes).await.is_err());
    assert!(sent(&fake).is_empty());
    // What depends on the range has to stand somewhere.
    scope.set_many(&[("level", volts(0.5)), ("offset", volts(0.1))]).await.unwrap();
    sent(&fake);
    let applied = scope.set("range", &volts(1.9)).await.unwrap();
    assert_eq!((applied.asked, applied.sent), (volts(1.9), volts(2.0)));
    assert!(applied.matched);
    assert_eq!(sent(&fake)[0], "RANG 2.0E+00");
}

#[tokio::test(start_paused = true)]
async fn what_stands_there_is_not_sent_again() {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    let points = |count| Value::Whole(count);
    assert!(!scope.set("points", &points(16)).await.unwrap().skipped);
    sent(&fake);
    let again = scope.set("points", &points(16)).await.unwrap();
    assert!(again.skipped && again.matched);
    assert_eq!((again.read_back, scope.skipped()), (points(16), 1));
    assert!(fake.take_arrived().is_empty());
    // Also in a batch, and not where the setting itself says otherwise.
    scope.set("output", &Value::Switch(true)).await.unwrap();
    sent(&fake);
    let wishes = [("points", points(16)), ("output", Value::Switch(true))];
    let applied = scope.set_many(&wishes).await.unwrap();
    assert_eq!((applied[0].skipped, applied[1].skipped, scope.skipped()), (true, false, 2));
    assert_eq!(sent(&fake), ["OUTP 1", "OUTP?"]);
    // Another value is sent, and so is the first one after it.
    assert!(!scope.set("points", &points(32)).await.unwrap().skipped);
    assert!(!scope.set("points", &points(16)).await.unwrap().skipped);
}

/// After `disturb` the value that was confirmed before is sent again.
async fn check_forgotten(what: &str, disturb: impl AsyncFnOnce(&Fake, &mut Instrument)) {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    scope.set("points", &Value::Whole(16)).await.unwrap();
    assert!(scope.set("points", &Value::Whole(16)).await.unwrap().skipped, "{what}");
    disturb(&fake, &mut scope).await;
    assert!(!scope.set("points", &Value::Whole(16)).await.unwrap().skipped, "{what}");
}

#[tokio::test(start_paused = true)]
async fn what_was_confirmed_is_forgotten() {
    check_forgotten("a message by hand", async |_, scope| {
        scope.send_raw("*RST").await.unwrap();
    })
    .await;
    check_forgotten("an action", async |_, scope| {
        scope.perform("go", &Inputs::none()).await.unwrap();
    })
    .await;
    check_forgotten("a link out of step", async |_, scope| {
        // Nothing answers this; the link is opened again.
        scope.query_raw("NOTHING?").await.unwrap_err();
    })
    .await;
    check_forgotten("a restart", async |fake, scope| {
        fake.state().errors.push_back("-500,\"Power on\"".into());
        let error = scope.set("output", &Value::Switch(true)).await.unwrap_err();
        assert_eq!(*error.fault, InstrumentFault::Restarted);
        assert_eq!(scope.take_events(), [Event::Restarted]);
    })
    .await;
    check_forgotten("a setting that failed", async |fake, scope| {
        fake.state().errors.push_back("-221,\"Settings conflict\"".into());
        scope.set("points", &Value::Whole(48)).await.unwrap_err();
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn a_knob_turned_at_the_instrument_is_noticed_by_whoever_asks() {
    let stands = Arc::new(Mutex::new(16));
    let here = stands.clone();
    let fake = Fake::new(move |message| match message {
        "POIN?" => line(*here.lock().unwrap()),
        _ => Reply::Usual,
    });
    let mut scope = open_scope(&fake, GENERAL).await;
    scope.set("points", &Value::Whole(16)).await.unwrap();
    *stands.lock().unwrap() = 48;
    assert_eq!(scope.query("points").await.unwrap(), Value::Whole(48));
    assert!(!scope.set("points", &Value::Whole(16)).await.unwrap().skipped);
}

#[tokio::test(start_paused = true)]
async fn a_query_by_hand_forgets_nothing() {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    scope.set("points", &Value::Whole(16)).await.unwrap();
    scope.query_raw("POIN?").await.unwrap();
    scope.query("points").await.unwrap();
    assert!(scope.set("points", &Value::Whole(16)).await.unwrap().skipped);
}

#[tokio::test(start_paused = true)]
async fn the_identity_decides_which_model_it_is() {
    let fake = holding();
    let mut small = open_scope(&fake, "Test Works,FAKE-1,17,0.1").await;
    assert_eq!(small.model(), Some("small"));
    let error = small.set("points", &Value::Whole(48)).await.unwrap_err().to_string();
    assert_eq!(error, "scope: failed to accept 'points': 48 is outside 0 to 32");
    let error = small.set("output", &Value::Switch(true)).await.unwrap_err();
    assert_eq!(error.class(), Class::Instrument);
    assert_eq!(
        error.to_string(),
        "scope: failed to accept 'output': model 'small' has no setting 'output'"
    );
    assert!(small.driver().knob("output").is_none());
    assert!(fake.take_arrived().is_empty());
    for (identity, model, most) in
        [("Test Works,FAKE-1,17,1.0", None, 64), ("Test Works,FAKE-2,17,1.0", Some("other"), 96)]
    {
        let mut scope = open_scope(&holding(), identity).await;
        assert_eq!(scope.model(), model);
        scope.set("points", &Value::Whole(most)).await.unwrap();
        assert!(scope.set("points", &Value::Whole(most + 16)).await.is_err());
    }
}

/// Sets a value while these entries stand in the queue.
async fn reported(entries: &[&str]) -> (Result<Applied, InstrumentError>, Vec<Event>) {
    let fake = holding();
    let mut scope = open_scope(&fake, GENERAL).await;
    fake.state().errors.extend(entries.iter().map(ToString::to_string));
    let outcome = scope.set("points", &Value::Whole(16)).await;
    (outcome, scope.take_events())
}

/// Numbers and texts of SCPI-99 vol. 2, 21.8.
#[tokio::test(start_paused = true)]
async fn the_profile_says_what_errors_mean() {
    let (outcome, events) = reported(&["42,\"Fan is slow\""]).await;
    assert!(outcome.is_ok());
    let [Event::Noted(entries)] = &events[..] else { panic!("{events:?}") };
    assert_eq!(entries[0].number, 42);
    for (entries, class, message) in [
        (
            &["-222,\"Data out of range\""][..],
            Class::Transient,
            "it reports -222 Data out of range",
        ),
        (&["-221,\"Settings conflict\""], Class::Instrument, "it reports -221 Settings conflict"),
        (
            &["-222,\"Data out of range\"", "-113,\"Undefined header\""],
            Class::Instrument,
            "it reports -222 Data out of range; -113 Undefined header",
        ),
        (
            &["-222,\"Data out of range\"", "-350,\"Queue overflow\""],
            Class::Instrument,
            "it reports -222 Data out of range; -350 Queue overflow; its queue was full, errors \
             were lost",
        ),
    ] {
        let error = reported(entries).await.0.unwrap_err();
        assert_eq!(error.class(), class, "{error}");
        assert!(error.to_string().ends_with(message), "{error}");
    }
}
