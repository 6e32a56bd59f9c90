//! What a message typed by hand means in terms of a profile.
//!
//! A hand-typed message must not slip past the limits of a bench. So a message that changes
//! something is let through only as the setting that it is recognised as.

use super::Profile;
use crate::message::mnemonic_matches;
use crate::value::Value;

/// What a message is.
#[derive(Clone, Debug, PartialEq)]
pub enum Recognised {
    /// It only asks.
    Query,
    /// It makes one setting.
    Setting {
        /// The setting.
        name: String,
        /// The value.
        value: Value,
    },
    /// It writes one register.
    Register {
        /// The register's address.
        address: u32,
        /// The value written.
        value: u32,
    },
    /// It changes something that the profile does not know.
    Unknown,
}

impl Profile {
    /// Tells what a message is. Several messages in one line are never recognised.
    #[must_use]
    pub fn recognise(&self, message: &str) -> Recognised {
        let message = message.trim();
        if let Some(port) = &self.port {
            if port.read.parse_line(message).is_some() || message == self.identity.query {
                return Recognised::Query;
            }
            let written = port.write.parse_line(message).and_then(|slots| {
                let slot = |name: &str| {
                    let (_, text) = slots.iter().find(|(slot, _)| *slot == name)?;
                    text.parse::<u32>().ok()
                };
                Some(Recognised::Register { address: slot("address")?, value: slot("value")? })
            });
            return written.unwrap_or(Recognised::Unknown);
        }
        if message.contains(';') || message.chars().any(char::is_control) {
            return Recognised::Unknown;
        }
        let (header, rest) = match message.split_once(' ') {
            Some((header, rest)) => (header, rest.trim()),
            None => (message, ""),
        };
        if header.ends_with('?') {
            // A parameter of a query never looks like another header.
            let only_asks = !acts(header) && !rest.starts_with([':', '*']);
            return if only_asks { Recognised::Query } else { Recognised::Unknown };
        }
        self.settings
            .iter()
            .find_map(|setting| {
                let form = setting.set.to_string();
                let known = form.strip_suffix(" {value}")?;
                let value = setting.form.parse(rest.as_bytes()).ok()?;
                header_matches(known, header)
                    .then(|| Recognised::Setting { name: setting.name.clone(), value })
            })
            .unwrap_or(Recognised::Unknown)
    }
}

/// Whether a query does more than ask: it may switch outputs, move something or start a record.
/// IEEE 488.2 §10.38 (self-test) and §10.2 (calibration), clause numbers from memory; SCPI-99 vol. 2
/// has the roots CALibration, DIAGnostic and TEST for it, and READ for "initiate, then fetch".
fn acts(header: &str) -> bool {
    let plain = header.trim_end_matches('?');
    if let Some(common) = plain.strip_prefix('*') {
        return ["TST", "CAL"].iter().any(|word| common.eq_ignore_ascii_case(word));
    }
    // A suffix chooses one of several of a kind: CALibration2:ALL.
    let root = plain.trim_start_matches(':').split(':').next().unwrap_or_default();
    let root = root.trim_end_matches(|c: char| c.is_ascii_digit());
    ["CALibration", "DIAGnostic", "READ", "TEST"].iter().any(|known| mnemonic_matches(known, root))
}

/// Whether a header has the same nodes as a known one, each in its long or short spelling.
fn header_matches(known: &str, header: &str) -> bool {
    let header = header.strip_prefix(':').unwrap_or(header);
    let (mut known, mut given) = (known.split(':'), header.split(':'));
    loop {
        match (known.next(), given.next()) {
            (None, None) => return true,
            (Some(known), Some(given)) if mnemonic_matches(known, given) => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::load;
    use super::*;

    #[track_caller]
    fn check(profile: &str, message: &str, expected: &Recognised) {
        let profile = load(profile, None).unwrap();
        assert_eq!(profile.recognise(message), *expected, "{message}");
    }

    fn setting(name: &str, value: Value) -> Recognised {
        Recognised::Setting { name: name.into(), value }
    }

    #[test]
    fn only_known_changes_are_recognised() {
        let supply = "scpi-supply.yaml";
        let voltage = setting("voltage", Value::Number(3.0));
        check(supply, "SOURce:VOLTage:LEVel:IMMediate:AMPLitude 3", &voltage);
        check(supply, ":sour:volt:lev:imm:ampl 3.0E+00", &voltage);
        check(supply, "OUTP:STAT ON", &setting("output", Value::Switch(true)));
        check(supply, "MEAS:CURR?", &Recognised::Query);
        check(supply, "SYST:ERR?", &Recognised::Query);
        for unknown in [
            "SOUR:VOLT:LEV:IMM:AMPL?;AMPL 3",
            "VOLT:LEV 3;*IDN?",
            "*IDN?;VOLT 3",
            "*RST",
            "*TST?",
            "*IDN? :VOLT 3",
            "*IDN? *RST",
            "*cal?",
            "CAL?",
            ":CALibration2:ALL?",
            "TEST:ALL?",
            "diag:upd?",
            "READ?",
            "SOUR:VOLT:LEV:IMM:AMPL 3 KV",
            "SOURCE:VOLTA:LEV:IMM:AMPL 3",
            "",
            "SYST:ERR?\nVOLT 3",
        ] {
            check(supply, unknown, &Recognised::Unknown);
        }
    }

    #[test]
    fn register_writes_are_taken_apart() {
        let port = "register-port.yaml";
        check(port, "r 1003", &Recognised::Query);
        check(port, "w 1003 0014", &Recognised::Register { address: 0x1003, value: 0x14 });
        check(port, "w 1003 00145", &Recognised::Unknown);
        check(port, "reboot", &Recognised::Unknown);
    }
}
