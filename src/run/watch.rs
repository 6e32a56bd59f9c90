//! Watches conditions on readings: which are due, which hold, and until when each must be looked at again.
//!
//! Knows nothing of what follows: that is decided by the run.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::time::{Instant, sleep_until, timeout};

use crate::bench::interlock::Interlock;
use crate::bench::knob::KnobValue;
use crate::bench::{Bench, BenchError, Lent};

/// Of the time within which a reading must be had, so much is left for the reading itself when an action
/// is cut off for it.
const LEFT_FOR_THE_LOOK: u32 = 4;

/// Something that readings can be had from.
pub(super) trait Eyes {
    /// A reading by its full name, now.
    async fn reading(&mut self, name: &str) -> Result<KnobValue, BenchError>;
}

impl Eyes for Bench {
    async fn reading(&mut self, name: &str) -> Result<KnobValue, BenchError> {
        self.value_now(name).await
    }
}

impl Eyes for Lent {
    async fn reading(&mut self, name: &str) -> Result<KnobValue, BenchError> {
        self.value_now(name).await
    }
}

/// A condition that was found not to hold.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Finding {
    /// Which of the watched ones.
    pub index: usize,
    /// What the reading was; none when it could not be had.
    pub value: Option<KnobValue>,
    /// Why it could not be had.
    pub why: Option<String>,
}

/// The conditions of a run.
///
/// A condition counts from the first time that it was found to hold, or from the end of `prepare`,
/// whichever comes first: a lock bit is not set before the chip has its supply.
#[derive(Debug, Default)]
pub(super) struct Watch {
    watched: Vec<Watched>,
    cut_off: CutOff,
    /// What a person should know, not told yet.
    remarks: Vec<String>,
}

#[derive(Debug)]
struct Watched {
    interlock: Interlock,
    armed: bool,
    /// When it was last found to hold; before that, since when it counts.
    held: Instant,
    next: Instant,
    /// Whether it could not be had when it was last looked at.
    missing: bool,
}

/// The moment at which whatever goes on is cut off so that a condition can be looked at in time. Clones
/// share it, so that looks taken in between move it.
#[derive(Clone, Debug, Default)]
pub(super) struct CutOff(Arc<Mutex<Option<Instant>>>);

impl CutOff {
    fn set(&self, at: Option<Instant>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = at;
    }

    fn at(&self) -> Option<Instant> {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends when the moment has come; never when there is none.
    pub async fn come(&self) {
        loop {
            match self.at() {
                None => return std::future::pending().await,
                Some(at) if at <= Instant::now() => return,
                Some(at) => sleep_until(at).await,
            }
        }
    }
}

impl Watch {
    /// Watches these from now on; none of them counts yet.
    pub fn over(interlocks: impl Iterator<Item = Interlock>) -> Self {
        let now = Instant::now();
        let watched = interlocks.map(|interlock| Watched {
            interlock,
            armed: false,
            held: now,
            next: now,
            missing: false,
        });
        Watch { watched: watched.collect(), ..Watch::default() }
    }

    /// All of them.
    pub fn interlock(&self, index: usize) -> &Interlock {
        &self.watched[index].interlock
    }

    /// The instruments that are read.
    pub fn instruments(&self) -> Vec<String> {
        let names = self.watched.iter().filter_map(|one| one.interlock.reading.split_once('.'));
        names.map(|(instrument, _)| instrument.to_string()).collect()
    }

    /// From now on all of them count.
    pub fn arm(&mut self) {
        let now = Instant::now();
        for one in self.watched.iter_mut().filter(|one| !one.armed) {
            (one.armed, one.held, one.next) = (true, now, now);
        }
        self.move_cut_off();
    }

    /// None of them counts until it is found to hold: the bench is brought up anew.
    pub fn disarm(&mut self) {
        let now = Instant::now();
        for one in &mut self.watched {
            (one.armed, one.next, one.missing) = (false, now, false);
        }
        self.move_cut_off();
    }

    /// Whether all of them were found to hold since the bench was brought up anew.
    pub fn all_hold(&self) -> bool {
        self.watched.iter().all(|one| one.armed)
    }

    /// Longest time within which one that counts must be had.
    pub fn longest_within(&self) -> Duration {
        self.watched.iter().map(|one| one.interlock.within).max().unwrap_or_default()
    }

    /// When the next is due.
    pub fn next(&self) -> Option<Instant> {
        self.watched.iter().map(|one| one.next).min()
    }

    /// The moment at which an action is cut off.
    pub fn cut_off(&self) -> CutOff {
        self.cut_off.clone()
    }

    /// What a person should know, once.
    pub fn take_remarks(&mut self) -> Vec<String> {
        std::mem::take(&mut self.remarks)
    }

    /// Looks at those that are due; the first that counts and does not hold.
    pub async fn look(&mut self, eyes: &mut impl Eyes) -> Option<Finding> {
        for index in 0..self.watched.len() {
            if self.watched[index].next > Instant::now() {
                continue;
            }
            let found = self.look_at(index, eyes).await;
            self.move_cut_off();
            if found.is_some() {
                return found;
            }
        }
        None
    }

    async fn look_at(&mut self, index: usize, eyes: &mut impl Eyes) -> Option<Finding> {
        let one = &mut self.watched[index];
        let Interlock { reading, wanted, every, within, name, .. } = &one.interlock;
        let until = one.held + *within;
        let left = until.saturating_duration_since(Instant::now());
        // What was computing meanwhile could not be cut off: one look is tried all the same.
        let left = if one.armed { left.max(*within / LEFT_FOR_THE_LOOK) } else { *within };
        let found = timeout(left, eyes.reading(reading)).await;
        let now = Instant::now();
        // A look that is due less often than it must be had would let every action be cut off.
        one.next = now + (*every).min(*within / 2);
        let why = match found {
            Ok(Ok(value)) if wanted.holds(&value) => {
                (one.armed, one.held, one.missing) = (true, now, false);
                return None;
            }
            Ok(Ok(value)) => {
                return one.armed.then_some(Finding { index, value: Some(value), why: None });
            }
            Ok(Err(error)) => error.to_string(),
            Err(_) => format!("no answer came within {} s", left.as_secs_f64()),
        };
        if !one.armed {
            return None;
        }
        if now >= until {
            return Some(Finding { index, value: None, why: Some(why) });
        }
        if !std::mem::replace(&mut one.missing, true) {
            self.remarks.push(format!("{name} cannot be looked at: {why}"));
        }
        // A reading that fails at once must not be asked for without a pause.
        one.next = one.next.min(until).max(now + Duration::from_millis(1));
        None
    }

    fn move_cut_off(&self) {
        let armed = self.watched.iter().filter(|one| one.armed);
        let at = armed
            .map(|one| one.held + one.interlock.within - one.interlock.within / LEFT_FOR_THE_LOOK);
        self.cut_off.set(at.min());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::interlock::{Trip, Wanted};

    /// Answers as a table of seconds says: `+` holds, `-` does not, `x` cannot be had, `.` never answers.
    struct Table(&'static str, Instant);

    impl Eyes for Table {
        async fn reading(&mut self, name: &str) -> Result<KnobValue, BenchError> {
            let second = self.1.elapsed().as_secs() as usize;
            match self.0.chars().nth(second) {
                Some('+') => Ok(KnobValue::Switch(true)),
                Some('-') => Ok(KnobValue::Switch(false)),
                Some('x') => Err(BenchError::NotOpen(name.into())),
                _ => std::future::pending().await,
            }
        }
    }

    fn lock(within_s: u64) -> Interlock {
        Interlock {
            name: "lock".into(),
            reading: "dut.rx.lock".into(),
            wanted: Wanted::Switch(true),
            every: Duration::from_secs(1),
            within: Duration::from_secs(within_s),
            then: Trip::Stop,
        }
    }

    async fn keep_looking(watch: &mut Watch, eyes: &mut impl Eyes) -> Finding {
        loop {
            if let Some(next) = watch.next() {
                sleep_until(next).await;
            }
            if let Some(finding) = watch.look(eyes).await {
                return finding;
            }
        }
    }

    /// After how many seconds a condition that must be had within 4 s trips, and whether with a value.
    async fn check(table: &'static str, armed: bool, trips: (u64, bool)) {
        let began = Instant::now();
        let mut watch = Watch::over([lock(4)].into_iter());
        if armed {
            watch.arm();
        }
        let finding = keep_looking(&mut watch, &mut Table(table, began)).await;
        assert_eq!((began.elapsed().as_secs(), finding.value.is_some()), trips, "{table}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_condition_trips_at_once_and_a_missing_reading_after_its_time() {
        check("+++-", true, (3, true)).await;
        check("-+++", true, (0, true)).await;
        // It does not count before it was found to hold.
        check("-x++-", false, (4, true)).await;
        check("+xxxxxxx", true, (4, false)).await;
        check("+x+xx+xxxxxx", true, (9, false)).await;
        check("+.......", true, (4, false)).await;
    }

    #[tokio::test(start_paused = true)]
    async fn an_action_is_cut_off_before_a_look_is_overdue_and_looks_move_that() {
        let began = Instant::now();
        let mut watch = Watch::over([lock(4)].into_iter());
        let cut_off = watch.cut_off();
        tokio::select! {
            () = cut_off.come() => panic!("nothing counts yet"),
            () = tokio::time::sleep(Duration::from_secs(100)) => {}
        }
        watch.arm();
        let armed = Instant::now();
        cut_off.come().await;
        assert_eq!(armed.elapsed(), Duration::from_secs(3));
        assert!(watch.look(&mut Table(&"+".repeat(200).leak()[..], began)).await.is_none());
        let looked = Instant::now();
        cut_off.come().await;
        assert_eq!(looked.elapsed(), Duration::from_secs(3));
    }
}
