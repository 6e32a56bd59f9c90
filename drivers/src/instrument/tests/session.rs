//! The beginning of a session, and the way back into step.

use super::fake::{Fake, Reply, line};
use super::*;
use crate::message::MessageFault;

#[tokio::test(start_paused = true)]
async fn a_session_begins_with_silence_identity_and_an_empty_queue() {
    let fake = Fake::new(|_| Reply::Usual);
    fake.state()
        .errors
        .extend(["-113,\"Undefined header\"".into(), "-350,\"Queue overflow\"".into()]);
    let mut supply = Instrument::open("supply", fake.link(), driver()).await.unwrap();
    tokio::time::sleep(ms(1)).await;
    let queue = "SYSTem:ERRor:NEXT?";
    assert_eq!(fake.take_arrived(), ["*IDN?", queue, queue, queue, "*CLS"]);
    assert_eq!(supply.identity().unwrap().model, "FAKE-1");
    assert_eq!((supply.name(), supply.address()), ("supply", "fake"));
    let events = supply.take_events();
    assert_eq!(
        events[0].to_string(),
        "errors from before stood in its queue: -113 Undefined header; -350 Queue overflow"
    );
    let [Event::OldErrors(entries)] = &events[..] else { panic!("{events:?}") };
    assert_eq!(entries.iter().map(|entry| entry.number).collect::<Vec<_>>(), [-113, -350]);
}

#[tokio::test(start_paused = true)]
async fn a_banner_before_the_first_query_is_drained() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut only = fake.connect();
    let (ours, mut theirs) = tokio::io::duplex(100);
    // A relay that greets before it passes anything on.
    tokio::spawn(async move {
        use tokio::io::AsyncWriteExt;
        theirs.write_all(b"Welcome\r\n> ").await.unwrap();
        let mut inner = only.take().unwrap();
        let _ = tokio::io::copy_bidirectional(&mut theirs, &mut inner).await;
    });
    let mut stream = Some(ours);
    let link = crate::transport::PipeLink::new("relay", move || stream.take());
    let supply = Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    assert_eq!(supply.identity().unwrap().maker, "Test Works");
}

async fn check_open_fails(fake: &Fake, driver: Driver, class: Class, message: &str) {
    let error = Instrument::open("supply", fake.link(), driver).await.err().unwrap();
    assert_eq!((error.class(), error.phase), (class, Phase::Open), "{error}");
    assert!(error.to_string().contains(message), "{error}");
}

#[tokio::test(start_paused = true)]
async fn a_wrong_instrument_is_refused() {
    let fake = Fake::new(|_| Reply::Usual);
    let expecting = Driver { expect: Some("SUPPLY-9".into()), ..driver() };
    let message = "supply: failed to open fake: another instrument answers: \
                   'Test Works,FAKE-1,17,0.1' where 'SUPPLY-9' is expected";
    check_open_fails(&fake, expecting, Class::Instrument, message).await;
    assert_eq!(fake.take_arrived(), ["*IDN?"], "nothing but the identity was asked");
    assert_eq!(fake.state().connections, 1, "not tried again");
}

#[tokio::test(start_paused = true)]
async fn what_keeps_a_session_from_beginning() {
    let silent = Fake::new(|_| Reply::Silence);
    check_open_fails(&silent, driver(), Class::Transient, "nothing came in time").await;
    assert_eq!(silent.state().connections, 4, "tried as often as the policy says");
    let other = Fake::new(|message| if message == "*IDN?" { line("hello") } else { Reply::Usual });
    check_open_fails(&other, driver(), Class::Transient, "in 'hello'").await;
    let endless = Fake::new(|message| match message {
        "SYSTem:ERRor:NEXT?" => line("-240,\"Hardware error\""),
        _ => Reply::Usual,
    });
    let message = "does not end after 20 entries, the last is -240 Hardware error";
    check_open_fails(&endless, driver(), Class::Instrument, message).await;
}

/// Queries one number; the fake answers the first with a delay beyond the deadline.
async fn check_late_answer(link: impl Fn(&Fake) -> Box<dyn Transport>) {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 1 { Reply::Late(ms(1500), "111".into()) } else { line(222) }
        }
        _ => Reply::Usual,
    });
    let mut supply = Instrument::open("supply", link(&fake), driver()).await.unwrap();
    let error = supply.read("token").await.unwrap_err();
    assert_eq!(error.class(), Class::Transient, "{error}");
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(222));
    let events = supply.take_events();
    assert!(events.iter().any(|e| matches!(e, Event::Resynchronised { .. })), "{events:?}");
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_not_taken_for_the_next_after_reopening() {
    check_late_answer(Fake::link).await;
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_not_taken_for_the_next_on_a_line_that_cannot_reopen() {
    check_late_answer(Fake::draining_link).await;
}

#[tokio::test(start_paused = true)]
async fn a_dropped_query_leaves_nothing_behind() {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 1 { Reply::Late(ms(500), "111".into()) } else { line(222) }
        }
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    let dropped = tokio::time::timeout(ms(100), supply.read("token")).await;
    assert!(dropped.is_err());
    tokio::time::sleep(ms(1000)).await;
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(222));
    assert_eq!(fake.state().connections, 2);
}

#[tokio::test(start_paused = true)]
async fn a_query_without_answer_is_explained_by_the_error_queue() {
    let fake = Fake::new(|_| Reply::Usual);
    let mut supply = open(&fake).await;
    fake.state().errors.push_back("-113,\"Undefined header;TOKEN?\"".into());
    let error = supply.read("token").await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "supply: failed to ask 'TOKEN?': it does not answer, and reports -113 Undefined header (TOKEN?)"
    );
    assert_eq!(error.class(), Class::Instrument);
}

#[tokio::test(start_paused = true)]
async fn unasked_bytes_are_never_an_answer() {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 1 { Reply::Bytes(b"1\n2\n".to_vec()) } else { line(asked) }
        }
        "OUTP 1" => line("unasked"),
        "OUTP?" => line(1),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    // Which of two answers in one read is the right one cannot be known.
    let error = supply.read("token").await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "supply: failed to ask 'TOKEN?': more bytes after the answer, in '2\\n'"
    );
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(2));
    supply.take_events();
    // An answer to a command is found before the next message is sent, at the latest.
    let outcome = supply.set("output", &Value::Switch(true)).await;
    assert!(outcome.is_err(), "{outcome:?}");
    assert_eq!(outcome.unwrap_err().class(), Class::Transient);
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(3));
}

#[tokio::test(start_paused = true)]
async fn a_closed_connection_is_opened_again_before_anything_is_sent() {
    let fake = Fake::new(|message| match message {
        "OUTP?" => Reply::Close(Vec::new()),
        "TOKEN?" => line(5),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    let error = supply.query("output").await.unwrap_err();
    assert!(error.to_string().contains("the connection is closed"), "{error}");
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(5));
    assert_eq!(fake.state().connections, 2);
}

#[tokio::test(start_paused = true)]
async fn a_restart_is_an_error_once() {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 1 { Reply::Close(Vec::new()) } else { line(asked) }
        }
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    assert!(supply.read("token").await.is_err());
    fake.state().event_status = 0x80;
    let error = supply.read("token").await.unwrap_err();
    assert_eq!((&*error.fault, error.class()), (&InstrumentFault::Restarted, Class::Instrument));
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(2));
    let events = supply.take_events();
    assert!(events.contains(&Event::Restarted));
    let shown: Vec<String> = events.iter().map(ToString::to_string).collect();
    assert!(shown.iter().all(|text| !text.contains(['{', '['])), "{shown:?}");
}

#[tokio::test(start_paused = true)]
async fn another_instrument_after_a_reconnect_is_refused() {
    let fake = Fake::new(|message| match message {
        "TOKEN?" => Reply::Close(Vec::new()),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    assert!(supply.read("token").await.is_err());
    fake.state().identity = "Test Works,FAKE-1,18,0.1".into();
    let error = supply.read("current").await.unwrap_err();
    let InstrumentFault::WrongIdentity { expected, found } = &*error.fault else {
        panic!("{error}")
    };
    assert_eq!((expected.as_str(), found.serial.as_str()), ("Test Works,FAKE-1,17,0.1", "18"));
}

#[tokio::test(start_paused = true)]
async fn a_line_that_never_falls_silent() {
    let (ours, mut theirs) = tokio::io::duplex(64);
    tokio::spawn(async move {
        use tokio::io::AsyncWriteExt;
        while theirs.write_all(b"noise ").await.is_ok() {
            tokio::time::sleep(ms(5)).await;
        }
    });
    let mut only = Some(ours);
    let link = crate::transport::PipeLink::draining("noisy", move || only.take());
    let error = Instrument::open("supply", Box::new(link), driver()).await.err().unwrap();
    assert_eq!(*error.fault, InstrumentFault::NeverQuiet);
}

#[tokio::test(start_paused = true)]
async fn half_a_line_is_shown_in_the_error() {
    let fake = Fake::new(|message| match message {
        "TOKEN?" => Reply::Bytes(b"12".to_vec()),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    let error = supply.read("token").await.unwrap_err();
    let InstrumentFault::Link { error: link, so_far } = &*error.fault else { panic!("{error}") };
    assert_eq!((link.bytes, link.took, so_far.as_str()), (2, ms(1000), "12"));
    assert_eq!(
        error.to_string(),
        "supply: failed to ask 'TOKEN?' at fake: nothing came in time (after 1 s); \
         received so far: '12'"
    );
    // Whoever prints the causes as well adds nothing that is not said.
    let cause = std::error::Error::source(&error).unwrap().to_string();
    assert!(error.to_string().contains(&cause), "{cause}");
}

#[tokio::test(start_paused = true)]
async fn dribbled_answers_and_other_line_ends_are_read() {
    let fake = Fake::new(|message| match message {
        "TOKEN?" => Reply::Dribble(b"12345\r\n".to_vec()),
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    for _ in 0..3 {
        assert_eq!(supply.read("token").await.unwrap(), Value::Whole(12345));
    }
    assert!(supply.take_events().is_empty());
}

#[tokio::test(start_paused = true)]
async fn junk_instead_of_a_number_is_shown_and_the_link_comes_back() {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 1 { line("OVLD") } else { line(asked) }
        }
        _ => Reply::Usual,
    });
    let mut supply = open(&fake).await;
    let error = supply.read("token").await.unwrap_err();
    let InstrumentFault::Message(message) = &*error.fault else { panic!("{error}") };
    assert_eq!((&message.fault, message.raw.as_str()), (&MessageFault::NotANumber, "OVLD"));
    assert_eq!(supply.read("token").await.unwrap(), Value::Whole(2));
}
