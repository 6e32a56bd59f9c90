//! What an instrument is driven by: profile, register map, deadlines. Answers, without any link,
//! which settings and readings there are and what values they take.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::session::Reconnect;
use crate::profile::{self, LoadError, Profile, Steps};
use crate::registers::{self, RegisterMap};
use crate::value::{Kind, Tolerance, Value};

/// Profile, register map and policies of one instrument.
#[derive(Clone, Debug)]
pub struct Driver {
    /// The profile.
    pub profile: Arc<Profile>,
    /// The register map, where the profile has a register port.
    pub registers: Option<Arc<RegisterMap>>,
    /// The longest time for an exchange that names none itself; `None` for the profile's.
    pub timeout: Option<Duration>,
    /// A text that the identity must contain, such as a serial number.
    pub expect: Option<String>,
    /// How a lost link is opened again.
    pub reconnect: Reconnect,
}

/// Why profile and register map make no driver.
#[derive(Clone, Debug, thiserror::Error)]
pub enum DriverError {
    /// One of the files cannot be loaded.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// A register port without register map.
    #[error("profile '{0}' needs a register map; add registers: to the instrument")]
    MapMissing(String),
    /// A register map without register port.
    #[error("profile '{0}' has no register port and takes no register map")]
    MapUnused(String),
    /// A register or an address that does not fit the frames.
    #[error(
        "register map '{map}' has {what} that do not fit into the {bytes} bytes of the frames of \
         profile '{profile}'"
    )]
    TooWide {
        /// The map.
        map: String,
        /// What does not fit.
        what: &'static str,
        /// The bytes.
        bytes: usize,
        /// The profile.
        profile: String,
    },
    /// Two things with one name.
    #[error("profile and register map both have a '{0}'")]
    Twice(String),
}

/// A setting or reading, as whoever plans needs to know it.
#[derive(Clone, Debug)]
pub struct Knob<'a> {
    /// Its name within the instrument.
    pub name: &'a str,
    /// What it does.
    pub about: &'a str,
    /// What values it takes.
    pub kind: &'a Kind,
    /// The values that it takes, where it does not take all within its range.
    pub steps: Option<Steps>,
    /// Whether it can only be read.
    pub read_only: bool,
}

impl Driver {
    /// Binds a profile to the register map that it needs.
    ///
    /// # Errors
    /// [`DriverError`] when the two do not belong together.
    pub fn new(profile: Profile, registers: Option<RegisterMap>) -> Result<Self, DriverError> {
        match (&profile.port, &registers) {
            (Some(_), None) => return Err(DriverError::MapMissing(profile.name)),
            (None, Some(_)) => return Err(DriverError::MapUnused(profile.name)),
            _ => {}
        }
        if let (Some(frames), Some(map)) = (profile.frames(), &registers) {
            let fits = |value: u32, bytes: usize| u64::from(value) >> (8 * bytes) == 0;
            let parts = map.fields.iter().flat_map(|field| &field.parts);
            let farthest = parts.map(|part| part.address).max().unwrap_or_default();
            let too_wide = |what, bytes| {
                let (map, profile) = (map.name.clone(), profile.name.clone());
                Err(DriverError::TooWide { map, what, bytes, profile })
            };
            if !fits(map.register_mask(), frames.data_bytes) {
                return too_wide("registers", frames.data_bytes);
            }
            if !fits(farthest, frames.address_bytes) {
                return too_wide("addresses", frames.address_bytes);
            }
        }
        let fields = registers.iter().flat_map(|map| &map.fields);
        let twice = fields.map(|field| &field.name).find(|name| {
            profile.setting(name.as_str()).is_some() || profile.reading(name.as_str()).is_some()
        });
        if let Some(name) = twice {
            return Err(DriverError::Twice(name.clone()));
        }
        Ok(Driver {
            profile: Arc::new(profile),
            registers: registers.map(Arc::new),
            timeout: None,
            expect: None,
            reconnect: Reconnect::default(),
        })
    }

    /// Loads profile and register map by name, from beside `near` or as shipped.
    ///
    /// # Errors
    /// [`DriverError`].
    pub fn load(
        profile: &str,
        registers: Option<&str>,
        near: Option<&Path>,
    ) -> Result<Self, DriverError> {
        let map = registers.map(|name| registers::load(name, near)).transpose()?;
        Self::new(profile::load(profile, near)?, map)
    }

    /// The same driver that opens a lost link again in another way.
    #[must_use]
    pub fn with_reconnect(mut self, reconnect: Reconnect) -> Self {
        self.reconnect = reconnect;
        self
    }

    /// The same driver with another time limit for exchanges.
    #[must_use]
    pub fn with_timeout(mut self, timeout: Duration) -> Self {
        self.timeout = Some(timeout);
        self
    }

    /// All settings and readings, in the order of the files.
    pub fn knobs(&self) -> impl Iterator<Item = Knob<'_>> {
        let settings = self.profile.settings.iter().map(|setting| Knob {
            name: &setting.name,
            about: &setting.about,
            kind: &setting.form.kind,
            steps: setting.steps.clone(),
            read_only: false,
        });
        let readings = self.profile.readings.iter().map(|reading| Knob {
            name: &reading.name,
            about: &reading.about,
            kind: &reading.form.kind,
            steps: None,
            read_only: true,
        });
        let fields = self.registers.iter().flat_map(|map| &map.fields).map(|field| Knob {
            name: &field.name,
            about: &field.about,
            kind: &field.kind,
            steps: field.steps(),
            read_only: field.read_only(),
        });
        settings.chain(readings).chain(fields)
    }

    /// Whether two values of a setting are the same within what its profile or register map allows.
    #[must_use]
    pub fn agree(&self, name: &str, one: &Value, other: &Value) -> bool {
        let field = self.registers.iter().find_map(|map| map.field(name));
        match (self.profile.setting(name), field) {
            (Some(setting), _) => setting.tolerance.matches(one, other),
            (None, Some(field)) => {
                Tolerance { absolute: field.rounding(), relative: 0.0 }.matches(one, other)
            }
            (None, None) => one == other,
        }
    }

    /// The value that a setting takes when it is asked to take this one: the nearest of its steps
    /// where the profile or the register map rounds. `None` for what it does not take.
    #[must_use]
    pub fn taken(&self, setting: &str, value: &Value) -> Option<Value> {
        if let Some(setting) = self.profile.setting(setting) {
            return setting.fit(value).ok();
        }
        let mut fields = self.registers.iter().flat_map(|map| &map.fields);
        let field = fields.find(|field| field.name == setting)?;
        field.value_of(field.code_of(value).ok()?).ok()
    }

    /// A setting or reading by its name.
    #[must_use]
    pub fn knob(&self, name: &str) -> Option<Knob<'_>> {
        self.knobs().find(|knob| knob.name == name)
    }
}
