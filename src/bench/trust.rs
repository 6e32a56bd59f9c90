//! What stood where at a capture: every setting is read back before it and after it, and whatever
//! differs, or shows that a record is not the one that was asked for, is a doubt in the record. Knows
//! nothing of sequences and records.

use std::hash::{DefaultHasher, Hash, Hasher};

use beamwarden_drivers::instrument::Driver;
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::value::Value;

use super::capture::{Captured, Traces};
use super::door::{Bench, Reading, Standing};
use super::error::BenchError;
use super::knob::{BEAM_RX, BEAM_TX, FRAME, KnobValue, from_driver, to_driver};
use super::plan::weight_setting;

impl Bench {
    /// Every setting of the bench, read back now in one pass. A beam agrees while its array's codes
    /// are those that it was set with; the frame is as it was last loaded, for no instrument says what
    /// is in its memory.
    ///
    /// # Errors
    /// The first setting that cannot be read.
    pub async fn snapshot(&mut self) -> Result<Vec<Standing>, BenchError> {
        self.forget_what_was_lost();
        let mut all = Vec::new();
        for (name, instrument) in &mut self.instruments {
            let driver = instrument.driver().clone();
            let knobs: Vec<_> = driver.knobs().filter(|knob| !knob.read_only).collect();
            let names: Vec<String> = knobs.iter().map(|knob| knob.name.to_string()).collect();
            let values = instrument.read_all(&names).await?;
            for (knob, value) in knobs.iter().zip(values) {
                let Some(value) = value else { continue };
                let setting = format!("{name}.{}", knob.name);
                let last = self.standing.get(&setting);
                let agrees = last.is_none_or(|last| still_agrees(&driver, knob.name, last, &value));
                let read_back = from_driver(knob.kind, &value);
                let standing = Standing::read_now(setting.clone(), read_back, last, agrees);
                // From here on it is known to stand there: a beam must not skip it.
                self.unsure.remove(&setting);
                if last.is_some() && !agrees {
                    self.standing.insert(setting, standing.clone());
                }
                all.push(standing);
            }
        }
        for name in [FRAME, BEAM_TX, BEAM_RX] {
            let Some(mut standing) = self.standing.get(name).cloned() else { continue };
            standing.matched &= self.codes_are_of_beam(&standing, &all);
            all.push(standing);
        }
        Ok(all)
    }

    /// Whether the codes of a snapshot are those of a beam; of a frame they say nothing.
    fn codes_are_of_beam(&self, beam: &Standing, snapshot: &[Standing]) -> bool {
        let Some((tx, rx)) = &self.plan.arrays else { return true };
        let array = match beam.setting.as_str() {
            BEAM_TX => tx,
            BEAM_RX => rx,
            _ => return true,
        };
        let Some(angle_deg) = beam.read_back.as_number() else { return false };
        array.geometry.steer(angle_deg).into_iter().enumerate().all(|(n, code)| {
            let setting = weight_setting(&array.weights.text, n);
            let wanted = KnobValue::Whole(i64::from(code));
            // A code that cannot be read back is the one that was written.
            snapshot
                .iter()
                .find(|one| one.setting == setting)
                .is_none_or(|one| one.read_back == wanted)
        })
    }

    /// Whether two values of a setting are the same within its tolerance.
    pub(super) fn agree(&self, setting: &str, one: &KnobValue, other: &KnobValue) -> bool {
        let driver = setting.split_once('.').and_then(|(name, inner)| {
            self.instruments.get(name).map(|instrument| (instrument.driver(), inner))
        });
        match (driver, to_driver(one), to_driver(other)) {
            (Some((driver, inner)), Some(one), Some(other)) => driver.agree(inner, &one, &other),
            _ => one == other,
        }
    }

    /// Reads every setting and every switch among the readings again after a capture. What differs from
    /// `before` is marked there, and told as a doubt: nobody knows what it stood at in between.
    ///
    /// # Errors
    /// The first setting that cannot be read.
    pub async fn confirm(
        &mut self,
        before: &mut [Standing],
        readings: &[Reading],
    ) -> Result<Vec<String>, BenchError> {
        let after = self.snapshot().await?;
        let mut doubts = Vec::new();
        for standing in before.iter_mut() {
            let again = after.iter().find(|one| one.setting == standing.setting);
            let now = again.map(|again| &again.read_back);
            let agrees =
                now.is_some_and(|now| self.agree(&standing.setting, &standing.read_back, now));
            // A beam is told by its angle and shown by its codes.
            let held = again.is_some_and(|again| again.matched || !standing.matched);
            let (name, was) = (&standing.setting, &standing.read_back);
            if agrees && held {
                if let Some(asked) = standing.asked.as_ref().filter(|_| !standing.matched) {
                    doubts.push(match name.as_str() {
                        BEAM_TX | BEAM_RX => format!("{name}: the codes are not those of {asked}"),
                        _ => format!("{name} stood at {was}, and {asked} was asked for"),
                    });
                }
                continue;
            }
            standing.matched = false;
            doubts.push(match now {
                Some(_) if agrees => format!("{name} no longer held after the capture"),
                Some(now) => {
                    format!("{name} stood at {was} before the capture and at {now} after it")
                }
                None => {
                    format!("{name} stood at {was} before the capture and is not known after it")
                }
            });
            standing.after = now.filter(|_| !agrees).cloned();
        }
        for one in readings.iter().filter(|one| matches!(one.value, KnobValue::Switch(_))) {
            let now = self.reading(&one.name).await?;
            if now.as_ref().is_some_and(|now| *now != one.value) {
                let (name, was) = (&one.name, &one.value);
                let now = now.map(|now| now.to_string()).unwrap_or_default();
                doubts.push(format!("{name} was {was} before the capture and {now} after it"));
            }
        }
        Ok(doubts)
    }

    /// Refuses to go on when something of a snapshot stands beyond a limit, before a capture or after
    /// it: an instrument that moved by itself hurts a chip as much as one that was told to. What lies
    /// within the setting's tolerance of the limit is the limit.
    ///
    /// # Errors
    /// [`BenchError::FoundBeyond`] with the first such setting.
    pub fn refuse_beyond_limits(&self, snapshot: &[Standing]) -> Result<(), BenchError> {
        for standing in snapshot {
            let Ok(knob) = self.plan.knobs().get(&standing.setting) else { continue };
            for value in [Some(&standing.read_back), standing.after.as_ref()].into_iter().flatten()
            {
                if knob.check_bounds(value).is_ok() {
                    continue;
                }
                let knob = knob.with_protecting_limits_only();
                let Err(limit) = knob.check_bounds(value) else { continue };
                let at_the_limit = knob
                    .nearest_within(value)
                    .is_some_and(|bound| self.agree(&standing.setting, &bound, value));
                if !at_the_limit {
                    return Err(BenchError::FoundBeyond { limit: Box::new(limit) });
                }
            }
        }
        Ok(())
    }

    /// One reading by its full name.
    async fn reading(&mut self, name: &str) -> Result<Option<KnobValue>, BenchError> {
        let Some((instrument, inner)) = name.split_once('.') else { return Ok(None) };
        let instrument = self.instrument(instrument)?;
        let value = instrument.read(inner).await?;
        Ok(instrument.driver().knob(inner).map(|knob| from_driver(knob.kind, &value)))
    }

    /// What shows that a record is not the one that was asked for: its length, codes beyond the
    /// converter's, or the very codes of the record before. Noise never repeats itself; a record of
    /// one code throughout may.
    pub(super) async fn doubts_of_record(
        &mut self,
        scope: &str,
        captured: &Captured,
    ) -> Result<Vec<String>, BenchError> {
        let mut doubts = Vec::new();
        let mut hasher = DefaultHasher::new();
        let (got, varies) = match &captured.traces {
            Traces::Codes(lines, scales) => {
                for (line, scale) in lines.iter().zip(scales) {
                    let most = 1i32 << (scale.bits.clamp(1, 31) - 1);
                    let beyond = line.iter().filter(|code| i32::from(**code).abs() > most).count();
                    if beyond > 0 {
                        let bits = scale.bits;
                        doubts.push(format!("{scope} has {beyond} codes beyond its {bits} bits"));
                    }
                }
                lines.hash(&mut hasher);
                (lines[0].len(), lines.iter().any(|line| varies(line)))
            }
            Traces::Volts(lines) => {
                lines.iter().flatten().for_each(|volts| volts.to_bits().hash(&mut hasher));
                (lines[0].len(), lines.iter().any(|line| varies(line)))
            }
        };
        if let KnobValue::Whole(points) = self.value_of(&format!("{scope}.points")).await?
            && i64::try_from(got) != Ok(points)
        {
            doubts.push(format!("{scope} was set to {points} points and its record has {got}"));
        }
        let mark = Some(hasher.finish());
        if varies && self.last_record == mark {
            doubts.push(format!("{scope} handed out the record before once more"));
        }
        self.last_record = mark;
        Ok(doubts)
    }

    /// An instrument started anew: what was loaded there is gone, and what it feeds lost its registers.
    /// Its own settings are doubted already.
    pub(super) fn forget_restarted(&mut self, name: &str) {
        self.note_lost(name);
        let planned = self.plan.instruments.iter().find(|planned| planned.name == name);
        match planned.map(|planned| planned.role) {
            Some(Role::WaveformSource) => {
                self.frame = None;
                self.standing.remove(FRAME);
            }
            Some(Role::Supply) => {
                let ports = self.plan.instruments.iter();
                let fed = ports.filter(|planned| planned.role == Role::DutControlPort);
                let fed: Vec<String> = fed.map(|planned| planned.name.clone()).collect();
                fed.iter().for_each(|name| self.doubt(name));
                self.forget_registers_fed_by(name);
            }
            _ => {}
        }
    }
}

/// Whether not all samples are the same.
fn varies<T: PartialEq>(line: &[T]) -> bool {
    line.windows(2).any(|pair| pair[0] != pair[1])
}

/// Whether a setting still stands where it was set: within tolerance of what was read back then, and of
/// what was asked for, unless that was a value between two steps.
fn still_agrees(driver: &Driver, inner: &str, last: &Standing, now: &Value) -> bool {
    let Some(then) = to_driver(&last.read_back) else { return true };
    let asked = last.asked.as_ref().and_then(to_driver);
    let reached = asked.filter(|asked| driver.agree(inner, asked, &then));
    driver.agree(inner, &then, now) && reached.is_none_or(|asked| driver.agree(inner, &asked, now))
}
