//! Addresses as bench files write them: `tcp://host:port`, `hislip://host/hislip0`,
//! `serial:///dev/ttyUSB0?baud=115200`, `usbtmc:///dev/usbtmc0`, `simulated`.
//!
//! Knows the notation only; opens nothing.

mod serial;

use std::fmt;
use std::str::FromStr;

pub use serial::{FlowControl, LineEnd, Parity, SerialAddress};

/// The registered port of the service `scpi-raw`, taken when an address names none.
const SCPI_RAW_PORT: u16 = 5025;
/// The registered port of the service `hislip`.
const HISLIP_PORT: u16 = 4880;
/// The usual name of a server's only or first device.
const HISLIP_DEVICE: &str = "hislip0";
/// Longest name of a device behind a HiSLIP server (IVI-6.1, 6.1).
const HISLIP_DEVICE_BYTES_MAX: usize = 256;

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
    /// A device behind a HiSLIP server.
    Hislip {
        /// Host name or numeric address.
        host: String,
        /// Port number.
        port: u16,
        /// The device behind the server, which HiSLIP calls its sub-address.
        device: String,
    },
    /// A serial line.
    Serial(SerialAddress),
    /// A USBTMC device node, by its path.
    Usbtmc(String),
    /// The simulated bench in this process.
    Simulated,
}

/// Why a text is no address. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    /// The text has none of the known beginnings.
    #[error(
        "'{0}' is no address; wanted tcp://host:port (5025 when no port is given), \
         hislip://host/hislip0, serial:///dev/name?baud=115200, usbtmc:///dev/usbtmc0 or simulated"
    )]
    Kind(String),
    /// Host or port is missing or wrong.
    #[error("'{0}' names no host and port such as tcp://192.0.2.7:5025")]
    HostPort(String),
    /// Host, port or device behind a HiSLIP server are missing or wrong.
    #[error("'{0}' names no host and device such as hislip://192.0.2.7/hislip0")]
    Hislip(String),
    /// The path of a device node is missing.
    #[error("'{0}' names no device node such as usbtmc:///dev/usbtmc0")]
    Node(String),
    /// The device path is missing.
    #[error("'{0}' names no device such as serial:///dev/ttyUSB0?baud=115200")]
    Device(String),
    /// A line setting is unknown.
    #[error(
        "'{0}' is not a line setting; known are baud, bits, parity, stop, flow, end, echo, \
         settle, dtr and rts"
    )]
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

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let text = text.trim();
        if text == "simulated" {
            Ok(Address::Simulated)
        } else if let Some(rest) = text.strip_prefix("tcp://") {
            let place = parse_host_port(rest, SCPI_RAW_PORT);
            let (host, port) = place.ok_or_else(|| AddressError::HostPort(text.into()))?;
            Ok(Address::Tcp { host, port })
        } else if let Some(rest) = text.strip_prefix("hislip://") {
            parse_hislip(rest).ok_or_else(|| AddressError::Hislip(text.into()))
        } else if let Some(path) = text.strip_prefix("usbtmc://") {
            let is_path = path.starts_with('/') && path.len() > 1 && !path.contains('?');
            let node = is_path.then(|| Address::Usbtmc(path.into()));
            node.ok_or_else(|| AddressError::Node(text.into()))
        } else if let Some(rest) = text.strip_prefix("serial://") {
            SerialAddress::parse(text, rest).map(Address::Serial)
        } else {
            Err(AddressError::Kind(text.into()))
        }
    }
}

/// `host`, `host:port`, either with `/device`.
fn parse_hislip(rest: &str) -> Option<Address> {
    let (place, device) = rest.split_once('/').unwrap_or((rest, HISLIP_DEVICE));
    let (host, port) = parse_host_port(place, HISLIP_PORT)?;
    let plain = |byte: u8| byte.is_ascii_graphic() && !b"/?#".contains(&byte);
    let usable = (1..=HISLIP_DEVICE_BYTES_MAX).contains(&device.len()) && device.bytes().all(plain);
    usable.then(|| Address::Hislip { host, port, device: device.into() })
}

/// `host`, `host:port`, `[v6]` or `[v6]:port`.
fn parse_host_port(rest: &str, usual_port: u16) -> Option<(String, u16)> {
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
        None => usual_port,
    };
    (port != 0).then(|| (host.into(), port))
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Tcp { host, port } => write!(f, "tcp://{}:{port}", bracketed(host)),
            Address::Hislip { host, port, device } => {
                write!(f, "hislip://{}:{port}/{device}", bracketed(host))
            }
            Address::Usbtmc(path) => write!(f, "usbtmc://{path}"),
            Address::Serial(line) => line.fmt(f),
            Address::Simulated => f.write_str("simulated"),
        }
    }
}

/// A host as an address has it: the colons of a numeric one would look like a port.
fn bracketed(host: &str) -> String {
    if host.contains(':') { format!("[{host}]") } else { host.into() }
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
        check_address("hislip://192.0.2.7", "hislip://192.0.2.7:4880/hislip0");
        check_address("hislip://a:4881/hislip1,x", "hislip://a:4881/hislip1,x");
        check_address("hislip://[::1]/hislip0", "hislip://[::1]:4880/hislip0");
        check_address("usbtmc:///dev/usbtmc0", "usbtmc:///dev/usbtmc0");
        let habits =
            "serial:///dev/ttyACM0?baud=115200&end=cr&echo=discard&settle=200ms&dtr=off&rts=on";
        let Address::Serial(line) = check_address(habits, habits) else { panic!("not serial") };
        assert_eq!(line.settle, std::time::Duration::from_millis(200));
        assert!(line.echo && line.end == LineEnd::Return);
        assert_eq!((line.dtr, line.rts), (Some(false), Some(true)));
        check_address(
            "serial:///dev/a?settle=1.5s&end=crlf&echo=none",
            "serial:///dev/a?baud=115200&end=crlf&settle=1500ms",
        );
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
        check_refused("hislip://", "no host and device");
        check_refused("hislip://a/", "no host and device");
        check_refused("hislip://a:0/hislip0", "no host and device");
        check_refused("hislip://a/b/c", "no host and device");
        check_refused("usbtmc://dev/usbtmc0", "no device node");
        check_refused("usbtmc:///", "no device node");
        check_refused("serial:///dev/a?end=lf", "nl, crlf or cr");
        check_refused("serial:///dev/a?echo=skip", "none or discard");
        check_refused("serial:///dev/a?settle=200", "'200' is no value of settle");
        check_refused("serial:///dev/a?settle=-1s", "a time up to 30s");
        check_refused("serial:///dev/a?settle=1h", "a time up to 30s");
        check_refused("serial:///dev/a?dtr=1", "on or off");
        check_refused("serial:///dev/a?parity=mark", "none, even or odd");
    }
}
