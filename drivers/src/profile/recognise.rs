//! What a message typed by hand means in terms of a profile.
//!
//! A hand-typed message must not slip past the limits of a bench. So a message that changes
//! something is let through only as the setting that it is recognised as.

use super::header::begins_with;
use super::{Header, Profile, Query, RegisterPort, Setting, TextPort};
use crate::message::{parse_with_suffix, split_list};
use crate::value::{Kind, Value};

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

/// Queries that do more than ask: *CAL? and *TST? may move or switch something, and so may all
/// queries of these subsystems; MEASure and READ configure and trigger.
const ACTING_COMMON: &[&str] = &["*CAL?", "*TST?"];
const ACTING_ROOTS: &[&str] = &["CALibration", "DIAGnostic", "INITiate", "MEASure", "READ", "TEST"];

impl Profile {
    /// Tells what a message is. Several messages in one line are never recognised.
    #[must_use]
    pub fn recognise(&self, message: &str) -> Recognised {
        let message = message.trim_matches(|c: char| c.is_ascii_whitespace());
        match &self.port {
            Some(RegisterPort::Text(port)) => return self.recognise_register(port, message),
            // Frames are no text that anybody types.
            Some(RegisterPort::Frames(_)) => return Recognised::Unknown,
            None => {}
        }
        // Nothing beyond 7-bit text, no second message, no control character but a tab, which is
        // white space between header and value (IEEE 488.2 7.4.1.2).
        let plain = |c: char| c == ' ' || c == '\t' || c.is_ascii_graphic() && c != ';';
        if !message.chars().all(plain) {
            return Recognised::Unknown;
        }
        let (header, rest) = match message.split_once([' ', '\t']) {
            Some((header, rest)) => (header, rest.trim_matches([' ', '\t'])),
            None => (message, ""),
        };
        if header.ends_with('?') {
            // A query is sent as it was typed.
            let asks = !message.contains('\t') && self.only_asks(header, rest);
            return if asks { Recognised::Query } else { Recognised::Unknown };
        }
        self.recognise_setting(header, rest).unwrap_or(Recognised::Unknown)
    }

    fn recognise_register(&self, port: &TextPort, message: &str) -> Recognised {
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
        written.unwrap_or(Recognised::Unknown)
    }

    /// Whether a query changes nothing: one of the profile's own, or one that by SCPI only asks.
    fn only_asks(&self, header: &str, rest: &str) -> bool {
        let own = self.settings.iter().map(|setting| &setting.query);
        let mut own = own.chain(self.readings.iter().map(|reading| &reading.query));
        let known = |query: &Query| query.header.as_ref().is_some_and(|own| own.matches(header));
        if rest.is_empty() && own.any(known) {
            return true;
        }
        let legal = !header.contains(['[', ']']) && Header::parse(header).is_some();
        // A parameter of a query never looks like another header.
        let one_query = !rest.contains('?')
            && !rest.starts_with([':', '*'])
            && split_list(rest.as_bytes()).is_ok();
        let acts = ACTING_COMMON.iter().any(|acting| header.eq_ignore_ascii_case(acting))
            || begins_with(header, ACTING_ROOTS);
        legal && one_query && !acts
    }

    /// Why a message is [`Recognised::Unknown`], where that can be said: a fragment for messages.
    #[must_use]
    pub fn why_unknown(&self, message: &str) -> Option<String> {
        let message = message.trim_matches(|c: char| c.is_ascii_whitespace());
        if message.is_empty() {
            return Some("it is empty".into());
        }
        if self.port.is_some() {
            return None;
        }
        if message.contains([';', '\n', '\r']) {
            return Some("it holds several messages; say them one by one".into());
        }
        let (header, rest) = message.split_once([' ', '\t']).unwrap_or((message, ""));
        let fits = |known: &Setting| known.header.as_ref().is_some_and(|own| own.matches(header));
        let mut fitting = self.settings.iter().filter(|setting| fits(setting));
        let (setting, None) = (fitting.next()?, fitting.next()) else { return None };
        let (name, form, rest) = (&setting.name, setting.shortest(), rest.trim());
        Some(if rest.is_empty() {
            format!("the value of {name} is missing: {form}")
        } else {
            format!("{name} takes {}, not '{rest}': {form}", setting.form.kind.wanted())
        })
    }

    /// The one setting that a header fits, with its value. A header that fits two is none.
    fn recognise_setting(&self, header: &str, rest: &str) -> Option<Recognised> {
        let fits =
            |setting: &&Setting| setting.header.as_ref().is_some_and(|known| known.matches(header));
        let mut fitting = self.settings.iter().filter(fits);
        let (setting, None) = (fitting.next()?, fitting.next()) else { return None };
        let form = setting.set.to_string();
        // Where the command carries more than its value, what was typed is not taken apart.
        if form.split_once(' ')?.1 != "{value}" {
            return None;
        }
        let value =
            setting.form.parse(rest.as_bytes()).ok().or_else(|| match setting.form.kind {
                Kind::Number { dimension, .. } => {
                    parse_with_suffix(rest.as_bytes(), dimension).map(Value::Number)
                }
                _ => None,
            })?;
        Some(Recognised::Setting { name: setting.name.clone(), value })
    }
}

#[cfg(test)]
mod tests {
    use super::super::load;
    use super::*;
    use proptest::prelude::*;

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
            "SOURCE:VOLTA:LEV:IMM:AMPL 3",
            "",
            "SYST:ERR?\nVOLT 3",
            "*IDN? :VOLT 3",
            "*CAL?",
            ":CAL2:ALL?",
            "DIAG:X?",
            "read?",
            "TEST:ALL?",
        ] {
            check(supply, unknown, &Recognised::Unknown);
        }
    }

    #[test]
    fn what_is_wrong_with_a_message_is_said() {
        let profile = load("scpi-supply.yaml", None).unwrap();
        for (message, why) in [
            ("", Some("it is empty")),
            ("VOLT 1;OUTP ON", Some("it holds several messages; say them one by one")),
            ("VOLT", Some("the value of voltage is missing: VOLT <V>")),
            ("volt 3 A", Some("voltage takes a voltage such as 1.2 V, not '3 A': VOLT <V>")),
            ("OUTP maybe", Some("output takes on or off, not 'maybe': OUTP ON|OFF")),
            ("VOLTS 3", None),
            ("*TST?", None),
        ] {
            assert_eq!(profile.why_unknown(message).as_deref(), why, "{message}");
            assert_eq!(profile.recognise(message), Recognised::Unknown);
        }
    }

    #[test]
    fn every_spelling_of_a_setting_is_recognised() {
        let supply = "scpi-supply.yaml";
        let voltage = setting("voltage", Value::Number(1.1));
        for same in [
            "VOLT 1.1",
            "volt 1.1",
            ":Voltage +1.1E0",
            "SOUR:VOLT 1.1",
            "VOLT:AMPL 11E-1",
            "VOLT1 1.1",
            "VOLT   1.1 ",
            "VOLT\t1.1",
            " VOLT 1.1\n",
            "VOLT 1.1 V",
            "VOLT 1.1v",
            "VOLT 1100 MV",
        ] {
            check(supply, same, &voltage);
        }
        // Beyond every limit, but understood, so that the limit refuses it and says so.
        check(supply, "VOLT 3 KV", &setting("voltage", Value::Number(3000.0)));
        check(supply, "VOLT:PROT 2", &setting("protection_voltage", Value::Number(2.0)));
        check(supply, "OUTP off", &setting("output", Value::Switch(false)));
        let external = setting("trigger_source", Value::Word("external".into()));
        check("scpi-scope.yaml", "TRIG:SOUR EXT", &external);
        check("scpi-scope.yaml", "SWE:POIN #H100", &setting("points", Value::Whole(256)));
        check("scpi-turntable.yaml", "AXIS 1", &setting("drive", Value::Switch(true)));
        check("scpi-turntable.yaml", "AXIS:POS -5 DEG", &setting("angle", Value::Number(-5.0)));
        check("scpi-source.yaml", "CLOC 7.04 GHZ", &setting("sample_rate", Value::Number(7.04e9)));
    }

    #[test]
    fn nothing_slips_past() {
        for unknown in [
            "VOLT 1;:VOLT 3",
            "VOLT? MAX;:VOLT 3",
            "VOLT?\t;VOLT 3",
            "VOLT?\tMAX",
            "VOLT\n3",
            "*IDN?\rVOLT 3",
            "*IDN?\u{0}",
            "*IDN? \u{85}VOLT 3",
            "VOLT\u{a0}3",
            "VOLT? 1?",
            "VOLT? \"a",
            "\"VOLT?\" 3",
            "'*IDN?;VOLT 3'",
            "\"a;b\"?",
            "VOLT 3?",
            "VOLT \"3\"",
            "VOLT MAX",
            "VOLT UP",
            "VOLT 1,2",
            "VOLT 3 A",
            "VOLT 3 XV",
            "VOLT NAN",
            "VOLT 9.91E37",
            "VOLT INF",
            "VOLT",
            "VOLT2 3",
            "VOLT: 3",
            ": 3",
            ":: 3",
            "[SOURce:]VOLTage 3",
            "[SOURce:]VOLTage?",
            "?",
            ":?",
            "*?",
            "VOLT??",
            "*SAV 1",
            "*RCL 1",
            "*cal?",
            "*tst?",
            ":*TST?",
            "CAL:ALL?",
            "CALIBRATION?",
            "TEST?",
            "DIAG1:RUN?",
            "MEAS:CURR? 10",
            "MEAS:FREQ?",
            "MEAS2:CURR?",
            ":READ?",
            "INIT?",
            "OUTP ON,2",
        ] {
            check("scpi-supply.yaml", unknown, &Recognised::Unknown);
        }
        for query in [
            "MEAS:CURR?",
            "meas1:scal:curr:dc?",
            "VOLT? MAX",
            "VOLT:PROT:TRIP?",
            "*idn?",
            "SYST:ERR:COUN?",
            "TRAC? CH1",
            "TRAC:POIN? 'a b'",
        ] {
            check("scpi-supply.yaml", query, &Recognised::Query);
        }
    }

    #[test]
    fn a_header_that_fits_two_settings_is_none() {
        let text = "profile: p\nrole: supply\nidentity: {query: \"*IDN?\"}\nsettings:
  a: {type: number, set: \"LEVel[:HIGH] {value}\", query: \"LEVel[:HIGH]?\"}
  b: {type: number, set: \"LEVel[:LOW] {value}\", query: \"LEVel[:LOW]?\"}
  c: {type: word, words: {slow: slow}, set: \"mode {value}\", query: \"mode?\"}
  d: {type: number, set: \"RAMP 1,{value}\", query: \"RAMP?\"}\n";
        let profile = super::super::parse(&crate::fault::Source::new("p", text)).unwrap();
        let known = |message| profile.recognise(message);
        assert_eq!(known("LEV 1"), Recognised::Unknown);
        assert_eq!(known("LEV:LOW 1"), setting("b", Value::Number(1.0)));
        assert_eq!(known("mode SLOW"), setting("c", Value::Word("slow".into())));
        for unknown in ["mode", ": slow", "RAMP 1,2", "RAMP 1"] {
            assert_eq!(known(unknown), Recognised::Unknown, "{unknown}");
        }
    }

    proptest! {
        /// What is recognised as a query has one header that ends in a question mark, and no place
        /// where another message could begin.
        #[test]
        fn a_query_is_one_query(message in "[VOLT:?*; \t\n\"'#10,MEAS\u{a0}]{0,24}") {
            let profile = load("scpi-supply.yaml", None).unwrap();
            if profile.recognise(&message) == Recognised::Query {
                let typed = message.trim();
                prop_assert!(!typed.contains([';', '\n', '\t', '\u{a0}']), "{message:?}");
                prop_assert_eq!(typed.matches('?').count(), 1, "{:?}", message);
                prop_assert!(typed.split(' ').next().is_some_and(|header| header.ends_with('?')));
            }
        }
    }

    #[test]
    fn register_writes_are_taken_apart() {
        let port = "register-port.yaml";
        check(port, "r 1003", &Recognised::Query);
        check(port, "w 1003 0014", &Recognised::Register { address: 0x1003, value: 0x14 });
        check(port, "w 1003 00145", &Recognised::Unknown);
        for unknown in
            ["reboot", "r 1003;w 1003 0000", "r 1003\nw 1003 0000", "w 1003 0014 0", "R 1003"]
        {
            check(port, unknown, &Recognised::Unknown);
        }
    }
}
