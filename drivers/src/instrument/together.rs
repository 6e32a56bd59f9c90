//! Settings that belong together: several at once in the order that they need, those that depend
//! on others, and those that stand at the value already.

use tokio::time::Instant;

use super::error::{InstrumentError, Phase};
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
        let checked = in_order(&self.driver.profile, checked);
        let names: Vec<&str> = checked.iter().map(|(name, _)| *name).collect();
        self.shadow.clear();
        for (index, (name, wish)) in checked.into_iter().enumerate() {
            let outcome = match self.ready(name).await {
                Ok(()) => self.apply(name, wish, &names[index + 1..]).await,
                Err(error) => Err(error),
            };
            match outcome {
                Ok(done) => applied.push(done),
                Err(error) => return Err(BatchError { applied, error }),
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
        let Wish { asked, sent } = wish;
        let profile = self.driver.profile.clone();
        let setting = profile.setting(name);
        if let Some(read_back) = self.standing(setting, &sent) {
            self.skipped += 1;
            return Ok(Applied {
                setting: name.into(),
                asked,
                sent,
                read_back,
                matched: true,
                skipped: true,
                dependants: Vec::new(),
                took: since.elapsed(),
            });
        }
        // Until it is read back, nobody knows where it stands.
        self.confirmed.remove(name);
        let (read_back, matched) = match setting {
            Some(setting) => self.apply_message(setting, &sent).await?,
            None => self.apply_field(name, &sent).await?,
        };
        let dependants = self.read_dependants(&profile, name, to_come).await?;
        if matched && setting.is_some() {
            let confirmed = Confirmed { sent: sent.clone(), read_back: read_back.clone() };
            self.confirmed.insert(name.into(), confirmed);
        }
        Ok(Applied {
            setting: name.into(),
            asked,
            sent,
            read_back,
            matched,
            skipped: false,
            dependants,
            took: since.elapsed(),
        })
    }

    /// What was read back when the setting was last set to just this value, where its profile allows
    /// that it is not sent again.
    fn standing(&self, setting: Option<&Setting>, sent: &Value) -> Option<Value> {
        let setting = setting.filter(|setting| setting.skip_when_equal)?;
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

/// Every setting after those that it comes after, otherwise as given.
fn in_order<'a>(profile: &Profile, mut given: Vec<(&'a str, Wish)>) -> Vec<(&'a str, Wish)> {
    let mut ordered = Vec::with_capacity(given.len());
    while !given.is_empty() {
        let free = |(name, _): &(&str, Wish)| {
            !given.iter().any(|(other, _)| profile.comes_after(name, other))
        };
        // Profiles have no circles; if one had, the order given would stand.
        let next = given.iter().position(free).unwrap_or(0);
        ordered.push(given.remove(next));
    }
    ordered
}
