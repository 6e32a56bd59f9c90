//! Answers that the standards fix: the identity (IEEE 488.2, 10.14) and the entries of the error
//! queue (SCPI-99 vol. 2, ch. 21).

use std::fmt;

use super::{MessageError, MessageFault, emit_string, parse_string, parse_whole, split_list, trim};

/// Who an instrument says it is.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number; `0` when unknown.
    pub serial: String,
    /// Firmware; `0` when unknown.
    pub firmware: String,
}

impl Identity {
    /// Parses `maker,model,serial,firmware`.
    ///
    /// # Errors
    /// [`MessageFault::NotAnIdentity`] for any other number of fields, an empty maker or model, or
    /// characters that an identity cannot have (IEEE 488.2, 10.14: ASCII): noise before
    /// an identity must not look like another instrument.
    pub fn parse(text: &[u8]) -> Result<Self, MessageError> {
        let wrong = || MessageError::new(MessageFault::NotAnIdentity, text);
        let printing = |byte: &u8| matches!(byte, b'\t' | b' '..=b'~');
        let whole = std::str::from_utf8(trim(text))
            .ok()
            .filter(|whole| whole.as_bytes().iter().all(printing))
            .ok_or_else(wrong)?;
        let fields: Vec<_> = whole.split(',').map(|field| field.trim().to_owned()).collect();
        let [maker, model, serial, firmware] =
            <[String; 4]>::try_from(fields).map_err(|_| wrong())?;
        if maker.is_empty() || model.is_empty() {
            return Err(wrong());
        }
        Ok(Identity { maker, model, serial, firmware })
    }

    /// Emits the four fields.
    #[must_use]
    pub fn emit(&self) -> String {
        let Identity { maker, model, serial, firmware } = self;
        format!("{maker},{model},{serial},{firmware}")
    }
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.emit())
    }
}

/// Classes of error numbers, SCPI-99 vol. 2, 21.8.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorClass {
    /// 0.
    None,
    /// -100 to -199: the message is not understood.
    Command,
    /// -200 to -299: understood, cannot be carried out.
    Execution,
    /// -300 to -399 and positive numbers.
    Device,
    /// -400 to -499: questions and answers out of step.
    Query,
    /// -500 to -599: the instrument was switched on.
    PowerOn,
    /// Everything else.
    Other,
}

/// One entry of an error queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ErrorEntry {
    /// The number; errors are told apart by it alone, the wording differs between devices.
    pub number: i32,
    /// The text without the detail.
    pub text: String,
    /// What the device adds after a semicolon.
    pub detail: Option<String>,
}

impl ErrorEntry {
    /// Parses `-222,"Data out of range;VOLT 40"`, and a number alone.
    ///
    /// # Errors
    /// [`MessageFault::NotAnErrorEntry`].
    pub fn parse(text: &[u8]) -> Result<Self, MessageError> {
        let wrong = || MessageError::new(MessageFault::NotAnErrorEntry, text);
        let items = split_list(trim(text)).map_err(|_| wrong())?;
        let (number, quoted) = match items[..] {
            [number] => (number, None),
            [number, quoted] => (number, Some(quoted)),
            _ => return Err(wrong()),
        };
        let number = parse_whole(number).ok().and_then(|number| i32::try_from(number).ok());
        let whole = quoted.map_or(Ok(String::new()), parse_string).map_err(|_| wrong())?;
        let (text, detail) = match whole.split_once(';') {
            Some((text, detail)) => (text.to_owned(), Some(detail.to_owned())),
            None => (whole, None),
        };
        Ok(ErrorEntry { number: number.ok_or_else(wrong)?, text, detail })
    }

    /// Emits the entry as a device does.
    ///
    /// # Errors
    /// [`MessageFault::NotSevenBit`] for foreign characters.
    pub fn emit(&self) -> Result<String, MessageError> {
        let detail = self.detail.as_ref().map(|detail| format!(";{detail}")).unwrap_or_default();
        Ok(format!("{},{}", self.number, emit_string(&format!("{}{detail}", self.text))?))
    }

    /// The class of the number.
    #[must_use]
    pub fn class(&self) -> ErrorClass {
        match self.number {
            0 => ErrorClass::None,
            -199..=-100 => ErrorClass::Command,
            -299..=-200 => ErrorClass::Execution,
            -399..=-300 | 1.. => ErrorClass::Device,
            -499..=-400 => ErrorClass::Query,
            -599..=-500 => ErrorClass::PowerOn,
            _ => ErrorClass::Other,
        }
    }
}

impl fmt::Display for ErrorEntry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.number, self.text)?;
        match &self.detail {
            Some(detail) => write!(f, " ({detail})"),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn identities_have_four_fields() {
        let identity = Identity::parse(b"Bench Works,WS-7,0, 1.2 \r\n").unwrap();
        assert_eq!(identity.emit(), "Bench Works,WS-7,0,1.2");
        for wrong in [
            &b""[..],
            b"a,b,c",
            b"a,b,c,d,e",
            b",b,c,d",
            b"a,\xff,c,d",
            b"1",
            b"a\x02a,b,c,d",
            "\u{663}a,b,c,d".as_bytes(),
        ] {
            assert_eq!(Identity::parse(wrong).unwrap_err().fault, MessageFault::NotAnIdentity);
        }
    }

    #[track_caller]
    fn check_entry(text: &str, number: i32, plain: &str, detail: Option<&str>, class: ErrorClass) {
        let entry = ErrorEntry::parse(text.as_bytes()).unwrap();
        assert_eq!((entry.number, &*entry.text, entry.detail.as_deref()), (number, plain, detail));
        assert_eq!(entry.class(), class);
    }

    /// Numbers, texts and classes of SCPI-99 vol. 2, ch. 21.
    #[test]
    fn error_entries_with_and_without_detail() {
        use ErrorClass as C;
        check_entry("0,\"No error\"", 0, "No error", None, C::None);
        check_entry("+0,\"No error\"", 0, "No error", None, C::None);
        check_entry(
            "-222,\"Data out of range;VOLT 40\"",
            -222,
            "Data out of range",
            Some("VOLT 40"),
            C::Execution,
        );
        check_entry("-113,\"Undefined header\"", -113, "Undefined header", None, C::Command);
        check_entry("-350,\"Queue overflow\"", -350, "Queue overflow", None, C::Device);
        check_entry("-410,\"Query INTERRUPTED\"", -410, "Query INTERRUPTED", None, C::Query);
        check_entry("-500,\"Power on\"", -500, "Power on", None, C::PowerOn);
        check_entry("42,\"\"", 42, "", None, C::Device);
        check_entry("-240", -240, "", None, C::Execution);
    }

    #[test]
    fn other_texts_are_no_error_entries() {
        for wrong in ["", "No error", "0,No error", "1.5,\"x\"", "0,\"a\",2", "0,\"open", "1"] {
            let parsed = ErrorEntry::parse(wrong.as_bytes());
            assert_eq!(parsed.is_ok(), wrong == "1", "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn what_is_emitted_reads_back(number in -999..32768i32, text in "[ -:<-~]{0,40}",
                                      detail in proptest::option::of("[ -~]{0,20}")) {
            let entry = ErrorEntry { number, text, detail };
            prop_assert_eq!(ErrorEntry::parse(entry.emit().unwrap().as_bytes()).unwrap(), entry);
        }
    }
}
