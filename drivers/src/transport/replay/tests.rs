//! Traces that are recorded and played, by themselves and under an instrument in
//! `instrument/tests/replay.rs`.

use super::*;
use std::time::Duration;

const TRACE: &str = r#"
{"at_s":0.0,"took_s":0.0,"direction":"opened","bytes":0,"text":"tcp://a:5025"}
{"at_s":0.1,"took_s":0.0,"direction":"sent","bytes":6,"text":"*IDN?\n"}
{"at_s":0.2,"took_s":0.0,"direction":"received","bytes":8,"text":"a,b,c,d\n"}
{"at_s":0.3,"took_s":0.0,"direction":"sent","bytes":3,"text":"A?\n"}
{"at_s":1.3,"took_s":1.0,"direction":"failed","bytes":0,"text":"failed to read from tcp://a:5025: nothing came in time (after 1 s)"}
"#;

fn now() -> Instant {
    Instant::now()
}

async fn send(replay: &mut Replay, text: &str) -> Result<(), LinkError> {
    let pace = Pace { by: now(), idle: Duration::ZERO };
    let (first, last) = text.split_at(text.len() / 2);
    replay.send(first.as_bytes(), Part::Middle, pace).await?;
    replay.send(last.as_bytes(), Part::Last, pace).await
}

async fn receive(replay: &mut Replay, at_most: usize) -> Result<(String, bool), LinkError> {
    let mut bytes = Vec::new();
    let received = replay.receive(&mut bytes, at_most, now() + Duration::from_secs(1)).await?;
    Ok((String::from_utf8_lossy(&bytes).into_owned(), received.end))
}

#[tokio::test(start_paused = true)]
async fn a_trace_is_played_in_its_order() {
    let mut replay = Replay::parse(TRACE).unwrap();
    assert_eq!(replay.describe(), "trace of tcp://a:5025");
    assert_eq!(replay.recovery(), Recovery::Reopen);
    replay.reopen(now()).await.unwrap();
    let look = replay.receive(&mut Vec::new(), 10, now()).await.unwrap_err();
    assert_eq!(look.fault, LinkFault::TimedOut, "a look for strays is not in the trace");
    send(&mut replay, "*IDN?\n").await.unwrap();
    assert_eq!(receive(&mut replay, 3).await.unwrap(), ("a,b".into(), false));
    assert_eq!(receive(&mut replay, 30).await.unwrap(), (",c,d\n".into(), true));
    send(&mut replay, "A?\n").await.unwrap();
    assert_eq!(receive(&mut replay, 30).await.unwrap_err().fault, LinkFault::TimedOut);
    assert_eq!(replay.lines_left(), 0);
    let error = send(&mut replay, "B?\n").await.unwrap_err();
    assert_eq!(
        error.to_string(),
        "failed to write to trace of tcp://a:5025: the trace ends with line 6, but this \
         session sends 'B?\\n'"
    );
}

#[tokio::test(start_paused = true)]
async fn another_message_is_an_error_with_its_line() {
    let mut replay = Replay::parse(TRACE).unwrap();
    replay.reopen(now()).await.unwrap();
    let error = send(&mut replay, "*IDN ?\n").await.unwrap_err();
    let LinkFault::Replay(fault) = &error.fault else { panic!("{error}") };
    let (wanted, got) = ("sends '*IDN?\\n'".into(), "sends '*IDN ?\\n'".into());
    assert_eq!(**fault, ReplayFault::Differs { line: 3, wanted, got });
    assert_eq!(error.class(), crate::Class::Internal, "not tried again");
    // From here on everything differs.
    assert_eq!(replay.reopen(now()).await.unwrap_err().fault, error.fault);
    let mut replay = Replay::parse(TRACE).unwrap();
    replay.reopen(now()).await.unwrap();
    let error = receive(&mut replay, 9).await.unwrap_err();
    assert!(error.to_string().ends_with("sends '*IDN?\\n', but this session waits for an answer"));
}

fn event(direction: Direction, whole: &[u8], kept: usize) -> TraceEvent {
    TraceEvent {
        at: Duration::ZERO,
        took: Duration::ZERO,
        direction,
        bytes: whole.len() as u64,
        text: whole[..kept].escape_ascii().to_string(),
        blake3: (kept < whole.len()).then(|| blake3::hash(whole).to_hex().to_string()),
    }
}

#[tokio::test(start_paused = true)]
async fn long_messages_are_compared_by_hash_and_long_answers_refused() {
    let long = "x".repeat(1000);
    let opened = TraceEvent {
        direction: Direction::Opened,
        text: "tcp://a:1".into(),
        bytes: 0,
        ..event(Direction::Sent, b"", 0)
    };
    let events = [
        opened,
        event(Direction::Sent, long.as_bytes(), 256),
        event(Direction::Received, long.as_bytes(), 256),
    ];
    let mut replay = Replay::new(events.clone()).unwrap();
    replay.reopen(now()).await.unwrap();
    send(&mut replay, &long).await.unwrap();
    let error = receive(&mut replay, 9).await.unwrap_err();
    let LinkFault::Replay(fault) = error.fault else { panic!() };
    assert_eq!(*fault, ReplayFault::Abbreviated { line: 3, bytes: 1000 });
    // The same length, the same beginning, another end.
    let mut replay = Replay::new(events).unwrap();
    replay.reopen(now()).await.unwrap();
    let text = send(&mut replay, &format!("{}y", &long[1..])).await.unwrap_err().to_string();
    let hash = blake3::hash(long.as_bytes()).to_hex();
    assert!(text.contains(&format!("(1000 bytes, BLAKE3 {hash})")), "{text}");
}

#[test]
fn what_is_no_trace_is_refused_with_its_line() {
    let wrong = |text: &str| match Replay::parse(text).err() {
        Some(ReplayFault::NoTrace { line, .. }) => line,
        other => panic!("{other:?}"),
    };
    assert_eq!(wrong(&TRACE.replace("\"sent\"", "\"shouted\"")), 3);
    assert_eq!(wrong(&TRACE.replace(r"A?\n", r"A?\q")), 5);
    assert_eq!(wrong(&TRACE.replace("\"bytes\":8", "\"bytes\":9")), 4);
    assert_eq!(wrong("no trace"), 1);
}

const CLEARED: &str = r#"
{"at_s":0.0,"took_s":0.0,"direction":"opened","bytes":0,"text":"hislip://a/hislip0"}
{"at_s":0.1,"took_s":0.0,"direction":"sent","bytes":3,"text":"A?\n"}
{"at_s":0.2,"took_s":0.0,"direction":"cleared","bytes":0,"text":"hislip://a/hislip0"}
{"at_s":0.3,"took_s":0.0,"direction":"status","bytes":0,"text":"16"}
{"at_s":0.4,"took_s":0.0,"direction":"service_request","bytes":0,"text":"80"}
{"at_s":0.5,"took_s":0.0,"direction":"failed","bytes":0,"text":"failed to clear hislip://a/hislip0: it was not acknowledged in time (after 1 s)"}
"#;

#[tokio::test(start_paused = true)]
async fn what_happens_beside_the_messages_is_played_too() {
    let mut replay = Replay::parse(CLEARED).unwrap();
    assert_eq!((replay.recovery(), replay.marks_end()), (Recovery::Clear, true));
    replay.reopen(now()).await.unwrap();
    send(&mut replay, "A?\n").await.unwrap();
    replay.clear(now()).await.unwrap();
    // A request that did not come then does not come now.
    let none = replay.service_request(now()).await.unwrap_err();
    assert_eq!(none.fault, LinkFault::TimedOut);
    assert_eq!(replay.status_byte(now()).await.unwrap(), Some(16));
    assert_eq!(replay.service_request(now()).await.unwrap(), Some(80));
    assert_eq!(replay.status_byte(now()).await.unwrap(), None);
    let error = replay.clear(now()).await.unwrap_err();
    assert_eq!((error.phase, error.fault), (LinkPhase::Clear, LinkFault::TimedOut));
    assert!(!replay.is_open() && replay.lines_left() == 0);
    // Another order is an error.
    let mut replay = Replay::parse(CLEARED).unwrap();
    replay.reopen(now()).await.unwrap();
    let error = replay.clear(now()).await.unwrap_err().to_string();
    assert!(
        error.contains("line 3 of the trace sends 'A?\\n', but this session clears"),
        "{error}"
    );
}

/// Answers that begin like what is asked for, the right one among them when `right`.
struct Kept {
    right: Vec<u8>,
}

impl LongAnswers for Kept {
    fn candidates(&self, head: &[u8], bytes: u64) -> Vec<Vec<u8>> {
        let wrong = vec![b'?'; bytes as usize];
        assert_eq!(head.len(), 256);
        vec![wrong, self.right.clone()]
    }
}

#[tokio::test(start_paused = true)]
async fn a_long_answer_is_given_again_when_its_hash_is_right() {
    let long: Vec<u8> = (0..1000u32).map(|n| (n % 251) as u8).collect();
    let opened = TraceEvent {
        direction: Direction::Opened,
        text: "tcp://a:1".into(),
        bytes: 0,
        ..event(Direction::Sent, b"", 0)
    };
    let events = [opened, event(Direction::Received, &long, 256)];
    let mut replay = Replay::new(events.clone()).unwrap();
    replay = replay.with_answers(Arc::new(Kept { right: long.clone() }));
    replay.reopen(now()).await.unwrap();
    let mut given = Vec::new();
    let until = now() + Duration::from_secs(1);
    while !replay.receive(&mut given, 300, until).await.unwrap().end {}
    assert_eq!((given, replay.lines_left()), (long.clone(), 0));
    let mut other = long;
    other[999] ^= 1;
    let mut replay = Replay::new(events).unwrap().with_answers(Arc::new(Kept { right: other }));
    replay.reopen(now()).await.unwrap();
    let LinkFault::Replay(fault) =
        replay.receive(&mut Vec::new(), 9, until).await.unwrap_err().fault
    else {
        panic!("another content has another hash");
    };
    assert_eq!(*fault, ReplayFault::Abbreviated { line: 2, bytes: 1000 });
}

#[tokio::test(start_paused = true)]
async fn the_first_difference_ends_the_replays_of_all_instruments() {
    let first = FirstDifference::default();
    let part =
        |name| SharedReplay::new(Replay::parse(TRACE).unwrap().together(name, first.clone()));
    let (mut scope, mut supply) = (part("scope"), part("supply"));
    scope.reopen(now()).await.unwrap();
    supply.reopen(now()).await.unwrap();
    let pace = Pace { by: now(), idle: Duration::ZERO };
    scope.send(b"*IDN?\n", Part::Last, pace).await.unwrap();
    assert_eq!(first.get(), None);
    scope.send(b"*IDN?\n", Part::Last, pace).await.unwrap_err();
    let LinkFault::Replay(fault) =
        supply.send(b"*IDN?\n", Part::Last, pace).await.unwrap_err().fault
    else {
        panic!("the supply must not go on");
    };
    assert_eq!(*fault, ReplayFault::Elsewhere);
    let difference = first.get().unwrap();
    assert_eq!(
        (difference.instrument.as_str(), difference.at),
        ("scope", Duration::from_millis(200))
    );
    assert!(matches!(difference.fault, ReplayFault::Differs { line: 4, .. }));
    // Whoever opens it again finds the trace where it stood.
    let again = supply.clone();
    assert_eq!((supply.lines_left().await, again.lines_left().await), (4, 4));
}
