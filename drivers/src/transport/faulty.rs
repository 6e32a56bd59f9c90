//! A wrapper that disturbs a link as real ones are disturbed, from a seed: for tests of whatever
//! stands above, and for rehearsing a sequence on a bad bench.
//!
//! Each message may draw one disturbance, which then hits the bytes that come back before the next
//! message. Bytes keep their order, as on every real line. Nothing is made that no client could
//! tell from an answer: garbage holds bytes that no message has, and a cut line lacks its end.
//!
//! Knows bytes, lines and blocks; nothing of what they mean.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use async_trait::async_trait;
use tokio::time::{Instant, sleep_until};

use super::{LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, Transport};
use crate::message::BlockHeader;
use crate::random::Random;

/// Most bytes taken from the link at once.
const PIECE_BYTES: usize = 64 << 10;
/// Most bytes of a message that an echo sends back.
const ECHO_BYTES_MAX: usize = 4096;
/// The longest pause between garbage or an echo and the answer behind it.
const GAP_MS_MAX: u64 = 30;

/// One way in which a link is disturbed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Disturbance {
    /// The answer comes late, perhaps after the deadline.
    Delay,
    /// The answer is lost.
    Silence,
    /// The connection breaks: before the message is out, or in the middle of the answer.
    Disconnect,
    /// Noise comes before the answer.
    Garbage,
    /// The message comes back before the answer.
    Echo,
    /// The answer ends early and has no end of line.
    Truncate,
    /// The answer comes twice.
    Duplicate,
    /// The answer comes when the next message has been sent, before that one's answer.
    Stale,
}

impl Disturbance {
    /// All of them.
    pub const ALL: [Disturbance; 8] = [
        Disturbance::Delay,
        Disturbance::Silence,
        Disturbance::Disconnect,
        Disturbance::Garbage,
        Disturbance::Echo,
        Disturbance::Truncate,
        Disturbance::Duplicate,
        Disturbance::Stale,
    ];
}

/// How a link is disturbed.
#[derive(Clone, Debug)]
pub struct FaultPlan {
    /// The same seed and the same messages give the same disturbances.
    pub seed: u64,
    /// Of a thousand messages so many draw a disturbance.
    pub per_mille: u32,
    /// What they draw from.
    pub kinds: Vec<Disturbance>,
    /// The longest delay.
    pub delay_max: Duration,
}

impl FaultPlan {
    /// Disturbances of all kinds for a quarter of the messages, delays of up to three seconds.
    #[must_use]
    pub fn seeded(seed: u64) -> Self {
        let (kinds, delay_max) = (Disturbance::ALL.to_vec(), Duration::from_secs(3));
        FaultPlan { seed, per_mille: 250, kinds, delay_max }
    }
}

/// Counts the disturbances of a link and switches them. Clones share one state.
#[derive(Clone, Debug, Default)]
pub struct Injected(Arc<InjectedState>);

#[derive(Debug, Default)]
struct InjectedState {
    off: AtomicBool,
    counts: [AtomicU64; Disturbance::ALL.len()],
}

impl Injected {
    /// How often one kind was drawn.
    #[must_use]
    pub fn of(&self, kind: Disturbance) -> u64 {
        self.0.counts[kind as usize].load(Ordering::Relaxed)
    }

    /// How many were drawn in all.
    #[must_use]
    pub fn total(&self) -> u64 {
        Disturbance::ALL.iter().map(|kind| self.of(*kind)).sum()
    }

    /// Switches disturbances on or off, from the next message on.
    pub fn enable(&self, on: bool) {
        self.0.off.store(!on, Ordering::Relaxed);
    }
}

/// Bytes on their way to us.
struct Arriving {
    at: Instant,
    bytes: Vec<u8>,
    end: bool,
}

/// A link that is disturbed.
pub struct Faulty<T> {
    link: T,
    plan: FaultPlan,
    random: Random,
    injected: Injected,
    address: String,
    /// What hits the answer to the present message.
    present: Option<Disturbance>,
    /// Whether it has hit already.
    hit: bool,
    /// The present message, for its echo.
    message: Vec<u8>,
    /// The next byte sent begins a message.
    at_start: bool,
    arriving: VecDeque<Arriving>,
    /// An answer that is held back until the next message.
    held: Vec<u8>,
    /// The connection breaks when what is arriving has been taken.
    breaking: bool,
    broken: bool,
}

impl<T: Transport> Faulty<T> {
    /// Wraps a link. The address in messages, and so in traces, names the seed.
    #[must_use]
    pub fn new(link: T, plan: FaultPlan) -> Self {
        let address = format!("{} (disturbed, seed {:#x})", link.describe(), plan.seed);
        tracing::info!("{address}");
        let random = Random::seeded(plan.seed);
        Faulty {
            link,
            plan,
            random,
            injected: Injected::default(),
            address,
            present: None,
            hit: false,
            message: Vec::new(),
            at_start: true,
            arriving: VecDeque::new(),
            held: Vec::new(),
            breaking: false,
            broken: false,
        }
    }

    /// The counts and the switch.
    #[must_use]
    pub fn injected(&self) -> Injected {
        self.injected.clone()
    }

    fn error(&self, phase: LinkPhase, since: Instant, fault: LinkFault) -> LinkError {
        let address = self.address.clone();
        LinkError { address, phase, bytes: 0, took: since.elapsed(), fault }
    }

    /// Nothing of what was under way arrives any more.
    fn forget(&mut self) {
        self.arriving.clear();
        self.held.clear();
        (self.present, self.breaking, self.broken) = (None, false, false);
        self.at_start = true;
    }

    /// Draws what hits the next message.
    fn draw(&mut self) {
        self.hit = false;
        self.message.clear();
        self.present = None;
        let off = self.injected.0.off.load(Ordering::Relaxed) || self.plan.kinds.is_empty();
        // Drawn all the same, so that a pause does not shift what comes after it.
        let hits = self.random.below(1000) < u64::from(self.plan.per_mille);
        let kind = self.random.below(self.plan.kinds.len() as u64) as usize;
        if hits && !off {
            let kind = self.plan.kinds[kind];
            self.injected.0.counts[kind as usize].fetch_add(1, Ordering::Relaxed);
            self.present = Some(kind);
        }
    }

    fn arrive(&mut self, at: Instant, bytes: Vec<u8>, end: bool) {
        if !bytes.is_empty() || end {
            // What left later never overtakes.
            let at = self.arriving.back().map_or(at, |before| before.at.max(at));
            self.arriving.push_back(Arriving { at, bytes, end });
        }
    }

    fn soon(&mut self) -> Instant {
        Instant::now() + Duration::from_millis(self.random.below(GAP_MS_MAX))
    }

    /// Whether this message breaks the connection before it is out.
    fn breaks_now(&mut self) -> bool {
        self.present == Some(Disturbance::Disconnect) && self.random.below(3) == 0
    }

    /// What went out brings its consequences.
    fn sent(&mut self) {
        let now = Instant::now();
        let held = std::mem::take(&mut self.held);
        self.arrive(now, held, false);
        if self.present == Some(Disturbance::Echo) {
            let echo = std::mem::take(&mut self.message);
            self.arrive(now, echo, false);
        }
    }

    /// Puts what came from the link under the present disturbance.
    fn disturb(&mut self, mut bytes: Vec<u8>, end: bool) {
        let now = Instant::now();
        let first = !std::mem::replace(&mut self.hit, true);
        match self.present {
            Some(Disturbance::Silence) => {}
            Some(Disturbance::Stale) => self.held.append(&mut bytes),
            Some(Disturbance::Delay) if first => {
                let longest_ms = self.plan.delay_max.as_millis() as u64;
                let delay = Duration::from_millis(self.random.below(longest_ms));
                self.arrive(now + delay, bytes, end);
            }
            Some(Disturbance::Echo) if first => {
                let at = self.soon();
                self.arrive(at, bytes, end);
            }
            Some(Disturbance::Garbage) if first => {
                let noise = self.noise();
                self.arrive(now, noise, false);
                let at = self.soon();
                self.arrive(at, bytes, end);
            }
            Some(Disturbance::Duplicate) if first && is_whole(&bytes) => {
                let mut again = bytes.clone();
                if self.random.below(2) == 0 {
                    bytes.append(&mut again);
                }
                self.arrive(now, bytes, end);
                self.arrive(now, again, end);
            }
            Some(Disturbance::Truncate) => {
                if first {
                    let kept = self.random.below(bytes.len() as u64) as usize;
                    bytes.truncate(kept);
                    self.arrive(now, bytes, false);
                }
            }
            Some(Disturbance::Disconnect) => {
                let kept = self.random.below(bytes.len() as u64 + 1) as usize;
                bytes.truncate(kept);
                self.arrive(now, bytes, false);
                self.breaking = true;
            }
            _ => self.arrive(now, bytes, end),
        }
    }

    /// Bytes that no answer has; an end of line may be among them, behind the first.
    fn noise(&mut self) -> Vec<u8> {
        let count = 1 + self.random.below(20);
        let mut noise = vec![0x80 | self.random.below(0x80) as u8];
        for _ in 1..count {
            let byte = match self.random.below(10) {
                0 => b'\n',
                1 => 0x01 + self.random.below(8) as u8,
                _ => 0x80 | self.random.below(0x80) as u8,
            };
            noise.push(byte);
        }
        noise
    }

    /// Takes what has arrived, if its time has come.
    fn take(&mut self, into: &mut Vec<u8>, at_most: usize) -> Option<Received> {
        let first = self.arriving.front_mut().filter(|first| first.at <= Instant::now())?;
        let bytes = first.bytes.len().min(at_most.max(1));
        into.extend(first.bytes.drain(..bytes));
        let all = first.bytes.is_empty();
        let end = all && first.end;
        if all {
            self.arriving.pop_front();
        }
        Some(Received { bytes, end })
    }
}

/// Whether the bytes are one or several whole lines, or a whole block with its end of line.
fn is_whole(bytes: &[u8]) -> bool {
    match BlockHeader::parse(bytes) {
        Ok(Some(BlockHeader::Definite { data_bytes, header_bytes })) => {
            bytes.len() == header_bytes + data_bytes + 1
        }
        Ok(_) => false,
        Err(_) => bytes.last() == Some(&b'\n'),
    }
}

#[async_trait]
impl<T: Transport> Transport for Faulty<T> {
    fn describe(&self) -> &str {
        &self.address
    }

    fn is_open(&self) -> bool {
        !self.broken && self.link.is_open()
    }

    fn recovery(&self) -> Recovery {
        self.link.recovery()
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        self.link.line_rate_bytes_per_s()
    }

    fn marks_end(&self) -> bool {
        self.link.marks_end()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        self.forget();
        self.link.reopen(until).await
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        if self.broken {
            return Err(self.error(LinkPhase::Clear, Instant::now(), LinkFault::Closed));
        }
        self.forget();
        self.link.clear(until).await
    }

    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        self.link.status_byte(until).await
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        self.link.service_request(until).await
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        if self.broken {
            return Err(self.error(LinkPhase::Write, since, LinkFault::Closed));
        }
        if std::mem::replace(&mut self.at_start, part == Part::Last) {
            self.draw();
        }
        let room = ECHO_BYTES_MAX - self.message.len();
        self.message.extend_from_slice(&bytes[..room.min(bytes.len())]);
        if self.breaks_now() {
            let out = self.random.below(bytes.len() as u64) as usize;
            self.link.send(&bytes[..out], Part::Middle, pace).await?;
            self.broken = true;
            return Err(self.error(LinkPhase::Write, since, LinkFault::Reset));
        }
        self.link.send(bytes, part, pace).await?;
        if part == Part::Last {
            self.sent();
        }
        Ok(())
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        loop {
            if self.broken {
                return Err(self.error(LinkPhase::Read, since, LinkFault::Closed));
            }
            if let Some(received) = self.take(into, at_most) {
                return Ok(received);
            }
            if let Some(first) = self.arriving.front() {
                let (at, late) = (first.at, first.at > until);
                sleep_until(at.min(until)).await;
                if late {
                    return Err(self.error(LinkPhase::Read, since, LinkFault::TimedOut));
                }
            } else if self.breaking {
                self.broken = true;
            } else {
                let mut bytes = Vec::new();
                let received = self.link.receive(&mut bytes, PIECE_BYTES, until).await?;
                self.disturb(bytes, received.end);
            }
        }
    }

    fn answer_complete(&mut self) {
        self.link.answer_complete();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::transport::PipeLink;
    use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, duplex};

    const TIMEOUT: Duration = Duration::from_millis(500);

    /// A disturbed link to a peer that answers each line with the line in angle brackets.
    async fn link(kind: Disturbance, seed: u64) -> Faulty<impl Transport> {
        let pipe = PipeLink::new("peer", || {
            let (ours, theirs) = duplex(4096);
            tokio::spawn(async move {
                let mut lines = BufReader::new(theirs);
                let mut line = String::new();
                while lines.read_line(&mut line).await.is_ok_and(|bytes| bytes > 0) {
                    let answer = format!("<{}>\n", line.trim_end());
                    lines.write_all(answer.as_bytes()).await.ok();
                    line.clear();
                }
            });
            Some(ours)
        });
        let plan = FaultPlan { per_mille: 1000, kinds: vec![kind], ..FaultPlan::seeded(seed) };
        let mut link = Faulty::new(pipe, plan);
        link.reopen(Instant::now() + TIMEOUT).await.unwrap();
        link
    }

    /// What comes for each of two messages, with the fault that ends it.
    async fn exchange(kind: Disturbance, seed: u64) -> Vec<(String, LinkFault)> {
        let mut link = link(kind, seed).await;
        let mut outcomes = Vec::new();
        for message in ["one\n", "two\n"] {
            let pace = Pace { by: Instant::now() + TIMEOUT, idle: TIMEOUT };
            let mut bytes = Vec::new();
            let mut outcome = link.send(message.as_bytes(), Part::Last, pace).await;
            while outcome.is_ok() {
                let until = Instant::now() + TIMEOUT;
                outcome = link.receive(&mut bytes, 100, until).await.map(drop);
            }
            let fault = outcome.unwrap_err().fault;
            outcomes.push((String::from_utf8_lossy(&bytes).into_owned(), fault));
        }
        assert_eq!(link.injected().of(kind), link.injected().total());
        outcomes
    }

    #[track_caller]
    fn check(outcomes: &[(String, LinkFault)], texts: [&str; 2]) {
        let quiet = |text: &str| (text.to_owned(), LinkFault::TimedOut);
        assert_eq!(outcomes, texts.map(quiet));
    }

    #[tokio::test(start_paused = true)]
    async fn each_disturbance_does_what_it_says() {
        use Disturbance as D;
        check(&exchange(D::Silence, 1).await, ["", ""]);
        check(&exchange(D::Stale, 1).await, ["", "<one>\n"]);
        check(&exchange(D::Echo, 1).await, ["one\n<one>\n", "two\n<two>\n"]);
        for seed in 0..20 {
            check(&exchange(D::Duplicate, seed).await, ["<one>\n<one>\n", "<two>\n<two>\n"]);
            let [first, second] = &exchange(D::Truncate, seed).await[..] else { panic!() };
            assert!("<one>".starts_with(&first.0) && "<two>".starts_with(&second.0));
            let [first, second] = &exchange(D::Garbage, seed).await[..] else { panic!() };
            assert!(first.0.ends_with("<one>\n") && first.0.len() > 6, "{first:?}");
            assert!(second.0.ends_with("<two>\n") && second.0.len() > 6, "{second:?}");
            let [first, second] = &exchange(D::Disconnect, seed).await[..] else { panic!() };
            assert!("<one>\n".starts_with(&first.0) && second.0.is_empty());
            assert!(matches!(first.1, LinkFault::Closed | LinkFault::Reset));
            assert_eq!(second.1, LinkFault::Closed);
        }
        let late = exchange(D::Delay, 7).await;
        assert_eq!(late[0], (String::new(), LinkFault::TimedOut));
    }

    #[tokio::test(start_paused = true)]
    async fn a_seed_reproduces_a_run_and_is_named() {
        let first = exchange(Disturbance::Garbage, 5).await;
        assert_eq!(first, exchange(Disturbance::Garbage, 5).await);
        assert_ne!(first, exchange(Disturbance::Garbage, 6).await);
        let mut link = link(Disturbance::Silence, 0x2A).await;
        assert_eq!(link.describe(), "peer (disturbed, seed 0x2a)");
        link.injected().enable(false);
        let pace = Pace { by: Instant::now() + TIMEOUT, idle: TIMEOUT };
        link.send(b"on\n", Part::Last, pace).await.unwrap();
        let mut bytes = Vec::new();
        link.receive(&mut bytes, 100, Instant::now() + TIMEOUT).await.unwrap();
        assert_eq!((&bytes[..], link.injected().total()), (&b"<on>\n"[..], 0));
    }
}
