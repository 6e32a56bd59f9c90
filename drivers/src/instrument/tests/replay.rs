//! A recorded session, played back under an instrument.

use std::sync::{Arc, Mutex};

use super::fake::{Fake, Reply, line};
use super::*;
use crate::transport::{LinkFault, Replay, TraceEvent, Traced};

/// One session with a timeout, an error entry and a block in it, as text of its outcomes.
async fn session(link: Box<dyn Transport>, voltage: f64) -> Vec<String> {
    let mut supply = match Instrument::open("supply", link, driver()).await {
        Ok(supply) => supply,
        Err(error) => return vec![error.to_string()],
    };
    let mut outcomes = Vec::new();
    for _ in 0..3 {
        outcomes.push(format!("{:?}", supply.read("token").await.map_err(|error| error.class())));
    }
    let applied = supply.set("voltage", &Value::Number(voltage)).await;
    outcomes.push(format!("{:?}", applied.map(|applied| applied.read_back)));
    outcomes.push(format!("{:?}", supply.query_raw("DATA?").await));
    outcomes
}

async fn recorded() -> (Vec<TraceEvent>, Vec<String>) {
    let mut asked = 0;
    let fake = Fake::new(move |message| match message {
        "TOKEN?" => {
            asked += 1;
            if asked == 2 { Reply::Late(ms(1500), "late".into()) } else { line(asked) }
        }
        "VOLT?" => line("1.5"),
        "DATA?" => Reply::Bytes(b"#16\x00\xFF\n;#'".to_vec()),
        _ => Reply::Usual,
    });
    let events: Arc<Mutex<Vec<TraceEvent>>> = Arc::default();
    let sink = events.clone();
    let start = tokio::time::Instant::now();
    let link = Traced::new(fake.link(), start, move |event| sink.lock().unwrap().push(event));
    let outcomes = session(Box::new(link), 1.5).await;
    let events = events.lock().unwrap().clone();
    (events, outcomes)
}

#[tokio::test(start_paused = true)]
async fn a_recorded_session_is_played_to_its_end() {
    let (events, outcomes) = recorded().await;
    assert!(outcomes[1].contains("Err(Transient)") && outcomes[2].contains("Ok"), "{outcomes:?}");
    // As the run's folder holds it.
    let lines: Vec<String> = events.iter().map(|e| serde_json::to_string(e).unwrap()).collect();
    let replay = Replay::parse(&lines.join("\n")).unwrap();
    assert_eq!(session(Box::new(replay), 1.5).await, outcomes);
}

#[tokio::test(start_paused = true)]
async fn a_session_that_differs_says_where() {
    let (events, _) = recorded().await;
    let at = events.iter().position(|event| event.text.starts_with("VOLT 1.5")).unwrap() + 1;
    let mut supply =
        Instrument::open("supply", Box::new(Replay::new(events).unwrap()), driver()).await.unwrap();
    for _ in 0..3 {
        let _ = supply.read("token").await;
    }
    let error = supply.set("voltage", &Value::Number(2.5)).await.unwrap_err();
    let InstrumentFault::Link { error: link, .. } = &*error.fault else { panic!("{error}") };
    assert!(matches!(link.fault, LinkFault::Replay(_)));
    assert_eq!(error.class(), Class::Internal);
    let wanted = format!(
        "line {at} of the trace sends 'VOLT 1.5E+00\\n', but this session sends 'VOLT 2.5E+00\\n'"
    );
    assert!(error.to_string().contains(&wanted), "{error}");
    // And again for whatever is tried next, at once.
    let error = supply.read("token").await.unwrap_err();
    assert!(error.to_string().contains(&wanted), "{error}");
}
