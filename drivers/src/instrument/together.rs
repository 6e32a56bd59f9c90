//! Settings that belong together: several at once in the order that they need, those that depend
//! on others, and those that stand at the value already.

use tokio::time::Instant;

use super::error::{InstrumentError, InstrumentFault, Phase};
use super::{Applied, BatchError, Confirmed, Event, Instrument};
use crate::profile::{Profile, Setting};
use crate::value::Value;

/// A request that was checked.
#[derive(Clone, Debug)]
pub(super) struct Wish {
    /// What was asked for.
    pub asked: Value,
    /// What is sent for it.
    pub sent: Value,
}

impl Instrument {
    /// Makes several settings, each verified. All are checked before the first byte is sent. A
    /// setting that comes after others in the profile comes after them here; apart from that the
    /// order is the one given.
    ///
    /// # Errors
    /// [`BatchError`] with what was set until then.
    pub async fn set_many(
        &mut self,
        settings: &[(&str, Value)],
    ) -> Result<Vec<Applied>, BatchError> {
        let mut applied = Vec::with_capacity(settings.len());
        let mut checked = Vec::with_capacity(settings.len());
        for (name, value) in settings {
            match self.check(name, value) {
                Ok(wish) => checked.push((*name, wish)),
                Err(error) => return Err(BatchError { applied, error }),
            }
        }
        let checked =
            in_order(checked, |(one, _), (other, _)| self.driver.profile.comes_after(one, other));
        let names: Vec<&str> = checked.iter().map(|(name, _)| *name).collect();
        self.shadow.begin_call();
        let mut left = checked.into_iter().enumerate().peekable();
        while let Some((index, (name, wish))) = left.next() {
            if let Err(error) = self.ready(name).await {
                return Err(BatchError { applied, error });
            }
            if self.driver.profile.setting(name).is_some() {
                match self.apply(name, wish, &names[index + 1..]).await {
                    Ok(done) => applied.push(done),
                    Err(error) => return Err(BatchError { applied, error }),
                }
                continue;
            }
            // Fields of registers that follow one another are written together.
            let mut fields = vec![(name, wish)];
            while let Some((_, next)) = left.next_if(|(_, (next, _))| {
                let known = fields.iter().any(|(name, _)| name == next);
                !known && self.driver.profile.setting(next).is_none()
            }) {
                fields.push(next);
            }
            match self.apply_fields(fields).await {
                Ok(done) => applied.extend(done),
                Err(BatchError { applied: done, error }) => {
                    applied.extend(done);
                    return Err(BatchError { applied, error });
                }
            }
        }
        Ok(applied)
    }

    /// Makes a checked setting on a link in step. Settings `to_come` are not read again, for they
    /// are about to be set.
    pub(super) async fn apply(
        &mut self,
        name: &str,
        wish: Wish,
        to_come: &[&str],
    ) -> Result<Applied, InstrumentError> {
        let since = Instant::now();
        let profile = self.driver.profile.clone();
        let Some(setting) = profile.setting(name) else {
            return self.apply_field(name, wish).await;
        };
        let Wish { asked, sent } = wish;
        if let Some(read_back) = self.standing(setting, &sent) {
            self.skipped += 1;
            return Ok(Applied {
                setting: name.into(),
                asked,
                sent,
                read_back,
                matched: true,
                verified: true,
                skipped: true,
                dependants: Vec::new(),
                took: since.elapsed(),
            });
        }
        // Until it is read back, nobody knows where it stands.
        self.confirmed.remove(name);
        let (read_back, matched) = self.apply_message(setting, &sent).await?;
        let dependants = self.read_dependants(&profile, name, to_come).await?;
        if matched {
            let confirmed = Confirmed { sent: sent.clone(), read_back: read_back.clone() };
            self.confirmed.insert(name.into(), confirmed);
        }
        Ok(Applied {
            setting: name.into(),
            asked,
            sent,
            read_back,
            matched,
            verified: true,
            skipped: false,
            dependants,
            took: since.elapsed(),
        })
    }

    /// Makes one field of a register.
    async fn apply_field(&mut self, name: &str, wish: Wish) -> Result<Applied, InstrumentError> {
        let applied = self.apply_fields(vec![(name, wish)]).await.map_err(|batch| batch.error)?;
        let none = || self.error(Phase::ReadBack, name, InstrumentFault::NoPort);
        applied.into_iter().next().ok_or_else(none)
    }

    /// What was read back when the setting was last set to just this value, where its profile allows
    /// that it is not sent again.
    fn standing(&self, setting: &Setting, sent: &Value) -> Option<Value> {
        if !setting.skip_when_equal {
            return None;
        }
        let confirmed = self.confirmed.get(&setting.name)?;
        (confirmed.sent == *sent).then(|| confirmed.read_back.clone())
    }

    /// Reads again what depends on a setting that was just set.
    async fn read_dependants(
        &mut self,
        profile: &Profile,
        name: &str,
        to_come: &[&str],
    ) -> Result<Vec<(String, Value)>, InstrumentError> {
        let mut read = Vec::new();
        for setting in profile.dependants(name) {
            let before = self.confirmed.remove(&setting.name);
            if to_come.contains(&setting.name.as_str()) {
                continue;
            }
            let timeout = setting.timeout.unwrap_or(self.timeout);
            let now =
                self.ask_value(Phase::ReadBack, &setting.query, &setting.form, timeout).await?;
            if let Some(before) = before {
                if setting.tolerance.matches(&before.read_back, &now) {
                    self.confirmed.insert(setting.name.clone(), before);
                } else {
                    self.note(Event::Moved {
                        setting: setting.name.clone(),
                        after: name.into(),
                        before: before.read_back,
                        now: now.clone(),
                    });
                }
            }
            read.push((setting.name.clone(), now));
        }
        Ok(read)
    }
}

/// Every item after those that it comes after, otherwise as given.
pub fn in_order<T>(mut given: Vec<T>, comes_after: impl Fn(&T, &T) -> bool) -> Vec<T> {
    let mut ordered = Vec::with_capacity(given.len());
    while !given.is_empty() {
        let free = |item: &T| !given.iter().any(|other| comes_after(item, other));
        // Profiles have no circles; if one had, the order given would stand.
        let next = given.iter().position(free).unwrap_or(0);
        ordered.push(given.remove(next));
    }
    ordered
}
