//! Completion by service request, with the status byte beside the messages or asked for.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use async_trait::async_trait;
use tokio::time::Instant;

use super::fake::{Fake, Reply, line};
use super::*;
use crate::transport::{LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery};

const PROFILE: &str = "
profile: slow
role: turntable
timeout: 1 s
identity: {query: \"*IDN?\"}
errors: {query: \"E?\"}
completion: {by: service request, every: 20 ms}
settings:
  angle: {type: whole, set: \"POS {value}\", query: \"POS?\", overlapped: on, timeout: 10 s}
actions:
  home: {steps: [{send: \"HOME\"}, {complete: 200 ms}]}
  park: {steps: [{send: \"PARK\"}, {complete: {within: 1 s, by: query}}]}
";

fn driver() -> Driver {
    Driver::new(profile::parse(&Source::new("slow.yaml", PROFILE)).unwrap(), None).unwrap()
}

/// An instrument whose move is done after so many looks at the status byte. An end noted before the
/// move began stands in the event register at first.
fn slow(looks: usize) -> Fake {
    let mut left = looks;
    let mut events = VecDeque::from([1, 129]);
    Fake::new(move |message| match message {
        "*STB?" => {
            left = left.saturating_sub(1);
            line(if left == 0 { 32 + 64 } else { 0 })
        }
        "*ESR?" => line(events.pop_front().unwrap_or(0)),
        "POS?" => line(7),
        "E?" => line("0,\"No error\""),
        _ => Reply::Usual,
    })
}

/// Commands of IEEE 488.2 chapter 10: *ESE 10.10, *SRE 10.34, *OPC 10.18, *STB? 10.36, *ESR? 10.12.
#[tokio::test(start_paused = true)]
async fn without_requests_the_status_byte_is_asked() {
    let fake = slow(3);
    let mut table = Instrument::open("table", fake.link(), driver()).await.unwrap();
    settle(&fake).await;
    let since = Instant::now();
    let applied = table.set("angle", &Value::Whole(7)).await.unwrap();
    assert!(applied.matched);
    let expected =
        ["POS 7", "*ESR?", "*ESE 1;*SRE 32;*OPC", "*STB?", "*STB?", "*STB?", "*ESR?", "E?", "POS?"];
    assert_eq!(fake.take_arrived(), expected);
    assert_eq!(since.elapsed(), ms(40));
}

#[tokio::test(start_paused = true)]
async fn an_end_that_does_not_come_is_an_error_and_the_link_is_in_step() {
    let fake = slow(1000);
    let mut table = Instrument::open("table", fake.link(), driver()).await.unwrap();
    let error = table.perform("home", &Inputs::none()).await.unwrap_err();
    assert_eq!(error.class(), Class::Instrument);
    let text = error.to_string();
    assert_eq!(text, "table: failed to complete 'home': its status stays at 0 after 0.2 s");
    table.query("angle").await.unwrap();
    assert!(table.take_events().is_empty());
    assert_eq!(fake.state().connections, 1);
    // A step that says so asks the query all the same.
    fake.take_arrived();
    table.perform("park", &Inputs::none()).await.unwrap();
    assert_eq!(fake.take_arrived(), ["PARK", "E?", "*OPC?", "E?"]);
}

/// What a link with service requests knows beside the messages.
#[derive(Default)]
struct Beside {
    status: u8,
    /// When a request comes, if one does.
    request: Option<Instant>,
    looks: usize,
}

/// A link with a status byte and service requests of its own.
struct Requesting {
    inner: Box<dyn Transport>,
    beside: Arc<Mutex<Beside>>,
}

#[async_trait]
impl Transport for Requesting {
    fn describe(&self) -> &str {
        self.inner.describe()
    }

    fn is_open(&self) -> bool {
        self.inner.is_open()
    }

    fn recovery(&self) -> Recovery {
        self.inner.recovery()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        self.inner.reopen(until).await
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        self.inner.send(bytes, part, pace).await
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        self.inner.receive(into, at_most, until).await
    }

    async fn status_byte(&mut self, _until: Instant) -> Result<Option<u8>, LinkError> {
        let mut beside = self.beside.lock().unwrap();
        beside.looks += 1;
        if beside.request.is_some_and(|request| request <= Instant::now()) {
            beside.status |= 32;
        }
        Ok(Some(beside.status))
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let request =
            self.beside.lock().unwrap().request.filter(|request| *request > Instant::now());
        tokio::time::sleep_until(request.unwrap_or(until).min(until)).await;
        match request {
            Some(request) if request <= until => Ok(Some(96)),
            _ => Err(LinkError {
                address: self.describe().into(),
                phase: LinkPhase::Read,
                bytes: 0,
                took: Duration::ZERO,
                fault: LinkFault::TimedOut,
            }),
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_request_ends_the_wait_at_once_and_nothing_is_asked_meanwhile() {
    let fake = slow(1000);
    let beside = Arc::new(Mutex::new(Beside::default()));
    let link = Requesting { inner: fake.link(), beside: beside.clone() };
    let mut table = Instrument::open("table", Box::new(link), driver()).await.unwrap();
    settle(&fake).await;
    let since = Instant::now();
    beside.lock().unwrap().request = Some(since + ms(49));
    table.set("angle", &Value::Whole(7)).await.unwrap();
    let expected = ["POS 7", "*ESR?", "*ESE 1;*SRE 32;*OPC", "*ESR?", "E?", "POS?"];
    assert_eq!(fake.take_arrived(), expected);
    // At 0, 20 and 40 ms, and when the request came.
    assert_eq!((since.elapsed(), beside.lock().unwrap().looks), (ms(49), 4));
}
