//! Addresses as bench files write them: `tcp://host:port`, `serial:///dev/ttyUSB0?baud=115200`,
//! `simulated`.
//!
//! Knows the notation only; opens nothing.

use std::fmt;
use std::str::FromStr;

/// The registered port of the service `scpi-raw`, taken when an address names none.
const SCPI_RAW_PORT: u16 = 5025;

/// Where an instrument is reached.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Address {
    /// A raw TCP socket.
    Tcp {
        /// Host name or numeric address.
        host: String,
        /// Port number.
        port: u16,
    },
    /// A serial line.
    Serial(SerialAddress),
    /// The simulated bench in this process.
    Simulated,
}

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

/// Why a text is no address. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// The text has none of the known beginnings.
    #[error(
        "'{0}' is no address; wanted tcp://host:port (5025 when no port is given), \
         serial:///dev/name?baud=115200 or simulated"
    )]
    Kind(String),
    /// Host or port is missing or wrong.
    #[error("'{0}' names no host and port such as tcp://192.0.2.7:5025")]
    HostPort(String),
    /// The device path is missing.
    #[error("'{0}' names no device such as serial:///dev/ttyUSB0?baud=115200")]
    Device(String),
    /// A line setting is unknown.
    #[error("'{0}' is not a line setting; known are baud, bits, parity, stop and flow")]
    UnknownLineSetting(String),
    /// A line setting has an impossible value.
    #[error("'{value}' is no value of {key}; wanted {wanted}")]
    LineSetting {
        /// The setting.
        key: String,
        /// The value as written.
        value: String,
        /// What is possible.
        wanted: &'static str,
    },
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
        }
    }

    /// Bytes per second: one start bit, the data bits, parity and stop bits make a byte.
    #[must_use]
    pub fn bytes_per_s(&self) -> f64 {
        let parity_bits = u8::from(self.parity != Parity::None);
        f64::from(self.baud) / f64::from(1 + self.data_bits + parity_bits + self.stop_bits)
    }

    fn parse(text: &str, rest: &str) -> Result<Self, AddressError> {
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
            _ => return Err(AddressError::UnknownLineSetting(key.into())),
        }
        Ok(())
    }
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let text = text.trim();
        if text == "simulated" {
            Ok(Address::Simulated)
        } else if let Some(rest) = text.strip_prefix("tcp://") {
            parse_host_port(rest).ok_or_else(|| AddressError::HostPort(text.into()))
        } else if let Some(rest) = text.strip_prefix("serial://") {
            SerialAddress::parse(text, rest).map(Address::Serial)
        } else {
            Err(AddressError::Kind(text.into()))
        }
    }
}

/// `host`, `host:port`, `[v6]` or `[v6]:port`.
fn parse_host_port(rest: &str) -> Option<Address> {
    let (host, port) = match rest.strip_prefix('[') {
        Some(v6) => {
            let (host, after) = v6.split_once(']')?;
            host.parse::<std::net::Ipv6Addr>().ok()?;
            let port = if after.is_empty() { None } else { Some(after.strip_prefix(':')?) };
            (host, port)
        }
        None => rest.split_once(':').map_or((rest, None), |(host, port)| (host, Some(port))),
    };
    let forbidden = |c: char| c.is_whitespace() || "/?#@[]".contains(c);
    if host.is_empty() || host.contains(forbidden) {
        return None;
    }
    let port = match port {
        Some(text) if text.bytes().all(|byte| byte.is_ascii_digit()) => text.parse().ok()?,
        Some(_) => return None,
        None => SCPI_RAW_PORT,
    };
    (port != 0).then(|| Address::Tcp { host: host.into(), port })
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Address::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Address::Serial(line) => line.fmt(f),
            Address::Simulated => f.write_str("simulated"),
        }
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
            FlowControl::None => Ok(()),
            FlowControl::Hardware => f.write_str("&flow=hardware"),
            FlowControl::Software => f.write_str("&flow=software"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_address(text: &str, shown: &str) -> Address {
        let address: Address = text.parse().unwrap();
        assert_eq!(address.to_string(), shown);
        assert_eq!(shown.parse::<Address>().unwrap(), address, "what is shown reads back");
        address
    }

    #[test]
    fn addresses_read_back_as_shown() {
        check_address("tcp://127.0.0.1:5026", "tcp://127.0.0.1:5026");
        check_address("tcp://scope.example", "tcp://scope.example:5025");
        check_address("tcp://[::1]:5025", "tcp://[::1]:5025");
        check_address(" simulated ", "simulated");
        check_address("serial:///dev/ttyUSB0", "serial:///dev/ttyUSB0?baud=115200");
        let shown = "serial:///dev/ttyS1?baud=9600&bits=7&parity=even&stop=2&flow=hardware";
        let Address::Serial(line) = check_address(shown, shown) else { panic!("not serial") };
        // 1 start + 7 data + 1 parity + 2 stop bits.
        assert!((line.bytes_per_s() - 9600.0 / 11.0).abs() < 1e-9);
        // 10 bit times per byte at 8N1 (common practice, no source).
        assert!((SerialAddress::new("/dev/x", 9600).bytes_per_s() - 960.0).abs() < 1e-9);
    }

    #[track_caller]
    fn check_refused(text: &str, part: &str) {
        let error = text.parse::<Address>().unwrap_err();
        assert!(error.to_string().contains(part), "{text}: {error}");
    }

    #[test]
    fn what_is_wrong_with_an_address_is_said() {
        check_refused("udp://x:1", "no address");
        check_refused("", "no address");
        check_refused("tcp://:5025", "no host and port");
        check_refused("tcp://a:0", "no host and port");
        check_refused("tcp://a:70000", "no host and port");
        check_refused("tcp://a:+1", "no host and port");
        check_refused("tcp://::1:5025", "no host and port");
        check_refused("tcp://[::1", "no host and port");
        check_refused("tcp://a/b:1", "no host and port");
        check_refused("serial://?baud=9600", "no device");
        check_refused("serial:///dev/a?baud=fast", "'fast' is no value of baud");
        check_refused("serial:///dev/a?speed=9600", "'speed' is not a line setting");
        check_refused("serial:///dev/a?parity=mark", "none, even or odd");
    }
}
