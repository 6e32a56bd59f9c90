//! Addresses of serial lines: the device, its line settings, and what the device does with the line.

use std::fmt;
use std::time::Duration;

use super::AddressError;
use crate::quantity::{Dimension, Quantity};

/// Longest wait after opening.
const SETTLE_MAX: Duration = Duration::from_secs(30);

/// A serial device and its line settings; they must match the instrument's exactly.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct SerialAddress {
    /// Path of the device.
    pub path: String,
    /// Symbols per second.
    pub baud: u32,
    /// Data bits, 7 or 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: FlowControl,
    /// What ends a message, both ways.
    pub end: LineEnd,
    /// Whether the device sends back what it is sent, which is then compared and dropped.
    pub echo: bool,
    /// Wait after the device was opened, before anything is sent: for boards that start anew then.
    pub settle: Duration,
    /// The level of the DTR line after opening; `None` leaves it as the system sets it.
    pub dtr: Option<bool>,
    /// The level of the RTS line after opening; `None` leaves it as the system sets it.
    pub rts: Option<bool>,
}

/// What ends a message on a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LineEnd {
    /// NL. A CR before it is accepted from the instrument.
    Newline,
    /// CR NL.
    ReturnNewline,
    /// CR alone.
    Return,
}

/// The parity bit of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even parity.
    Even,
    /// Odd parity.
    Odd,
}

/// Flow control of a serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FlowControl {
    /// None.
    None,
    /// RTS/CTS lines.
    Hardware,
    /// XON/XOFF characters; cannot carry binary blocks.
    Software,
}

impl SerialAddress {
    /// A device with the usual line settings: 8 data bits, no parity, 1 stop bit, no flow control.
    #[must_use]
    pub fn new(path: &str, baud: u32) -> Self {
        SerialAddress {
            path: path.into(),
            baud,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            flow: FlowControl::None,
            end: LineEnd::Newline,
            echo: false,
            settle: Duration::ZERO,
            dtr: None,
            rts: None,
        }
    }

    /// Bytes per second: one start bit, the data bits, parity and stop bits make a byte.
    #[must_use]
    pub fn bytes_per_s(&self) -> f64 {
        let parity_bits = u8::from(self.parity != Parity::None);
        f64::from(self.baud) / f64::from(1 + self.data_bits + parity_bits + self.stop_bits)
    }

    pub(super) fn parse(text: &str, rest: &str) -> Result<Self, AddressError> {
        let (path, settings) = rest.split_once('?').unwrap_or((rest, ""));
        if path.len() < 2 || !path.starts_with('/') {
            return Err(AddressError::Device(text.into()));
        }
        let mut address = SerialAddress::new(path, 115_200);
        for pair in settings.split('&').filter(|pair| !pair.is_empty()) {
            let (key, value) = pair.split_once('=').unwrap_or((pair, ""));
            address.set(key, value)?;
        }
        Ok(address)
    }

    fn set(&mut self, key: &str, value: &str) -> Result<(), AddressError> {
        let wrong =
            |wanted| AddressError::LineSetting { key: key.into(), value: value.into(), wanted };
        match (key, value) {
            ("baud", _) => {
                let baud = value.parse().ok().filter(|baud| (50..=12_000_000).contains(baud));
                self.baud = baud.ok_or(wrong("a rate from 50 to 12000000"))?;
            }
            ("bits", "7") => self.data_bits = 7,
            ("bits", "8") => self.data_bits = 8,
            ("bits", _) => return Err(wrong("7 or 8")),
            ("parity", "none") => self.parity = Parity::None,
            ("parity", "even") => self.parity = Parity::Even,
            ("parity", "odd") => self.parity = Parity::Odd,
            ("parity", _) => return Err(wrong("none, even or odd")),
            ("stop", "1") => self.stop_bits = 1,
            ("stop", "2") => self.stop_bits = 2,
            ("stop", _) => return Err(wrong("1 or 2")),
            ("flow", "none") => self.flow = FlowControl::None,
            ("flow", "hardware") => self.flow = FlowControl::Hardware,
            ("flow", "software") => self.flow = FlowControl::Software,
            ("flow", _) => return Err(wrong("none, hardware or software")),
            _ => return self.set_habit(key, value),
        }
        Ok(())
    }

    /// The settings that concern what the device does with the line rather than its bits.
    fn set_habit(&mut self, key: &str, value: &str) -> Result<(), AddressError> {
        let wrong =
            |wanted| AddressError::LineSetting { key: key.into(), value: value.into(), wanted };
        match (key, value) {
            ("end", "nl") => self.end = LineEnd::Newline,
            ("end", "crlf") => self.end = LineEnd::ReturnNewline,
            ("end", "cr") => self.end = LineEnd::Return,
            ("end", _) => return Err(wrong("nl, crlf or cr")),
            ("echo", "none") => self.echo = false,
            ("echo", "discard") => self.echo = true,
            ("echo", _) => return Err(wrong("none or discard")),
            ("settle", _) => {
                let time = Quantity::parse(value, Dimension::Time).ok();
                let time = time.and_then(|time| Duration::try_from_secs_f64(time.value).ok());
                let time = time.filter(|time| *time <= SETTLE_MAX);
                self.settle = time.ok_or(wrong("a time up to 30s, such as 200ms"))?;
            }
            ("dtr" | "rts", _) => {
                let level = match value {
                    "on" => true,
                    "off" => false,
                    _ => return Err(wrong("on or off")),
                };
                *if key == "dtr" { &mut self.dtr } else { &mut self.rts } = Some(level);
            }
            _ => return Err(AddressError::UnknownLineSetting(key.into())),
        }
        Ok(())
    }
}

impl fmt::Display for SerialAddress {
    /// Names the rate always and the other settings where they differ from the usual ones.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "serial://{}?baud={}", self.path, self.baud)?;
        if self.data_bits != 8 {
            write!(f, "&bits={}", self.data_bits)?;
        }
        match self.parity {
            Parity::None => {}
            Parity::Even => f.write_str("&parity=even")?,
            Parity::Odd => f.write_str("&parity=odd")?,
        }
        if self.stop_bits != 1 {
            write!(f, "&stop={}", self.stop_bits)?;
        }
        match self.flow {
            FlowControl::None => {}
            FlowControl::Hardware => f.write_str("&flow=hardware")?,
            FlowControl::Software => f.write_str("&flow=software")?,
        }
        match self.end {
            LineEnd::Newline => {}
            LineEnd::ReturnNewline => f.write_str("&end=crlf")?,
            LineEnd::Return => f.write_str("&end=cr")?,
        }
        if self.echo {
            f.write_str("&echo=discard")?;
        }
        if !self.settle.is_zero() {
            write!(f, "&settle={}ms", self.settle.as_secs_f64() * 1e3)?;
        }
        for (key, level) in [("dtr", self.dtr), ("rts", self.rts)] {
            if let Some(level) = level {
                write!(f, "&{key}={}", if level { "on" } else { "off" })?;
            }
        }
        Ok(())
    }
}
