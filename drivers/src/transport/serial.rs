//! Serial lines, in raw mode, held exclusively.
//!
//! Knows one device by its path; never lists the devices of the machine.

use async_trait::async_trait;
use tokio_serial::{
    DataBits, Error, ErrorKind, FlowControl as Flow, Parity as ParityBit, SerialPort,
    SerialPortBuilderExt, SerialStream, StopBits,
};

use super::{FlowControl, Line, LinkFault, Opener, Parity, Recovery, SerialAddress, StreamLink};

/// A serial line.
pub type SerialLink = Line<StreamLink<SerialOpener>>;

/// Opens one serial device with its line settings.
pub struct SerialOpener {
    line: SerialAddress,
}

impl SerialLink {
    /// A link over a serial device, not yet opened.
    #[must_use]
    pub fn new(line: SerialAddress) -> Self {
        let (end, echo, settle) = (line.end, line.echo, line.settle);
        let stream = StreamLink::closed(line.to_string(), SerialOpener { line });
        Line::over(stream, end, echo, settle)
    }
}

#[async_trait]
impl Opener for SerialOpener {
    type Stream = SerialStream;

    async fn open(&mut self) -> Result<SerialStream, LinkFault> {
        let line = &self.line;
        let builder = tokio_serial::new(&line.path, line.baud)
            .data_bits(if line.data_bits == 7 { DataBits::Seven } else { DataBits::Eight })
            .stop_bits(if line.stop_bits == 2 { StopBits::Two } else { StopBits::One })
            .parity(match line.parity {
                Parity::None => ParityBit::None,
                Parity::Even => ParityBit::Even,
                Parity::Odd => ParityBit::Odd,
            })
            .flow_control(match line.flow {
                FlowControl::None => Flow::None,
                FlowControl::Hardware => Flow::Hardware,
                FlowControl::Software => Flow::Software,
            })
            .exclusive(true);
        let builder = match line.dtr {
            // Lowered together with opening: some boards start anew at its first change.
            Some(level) => builder.dtr_on_open(level),
            None => builder,
        };
        let mut stream = builder.open_native_async().map_err(|error| fault(&error))?;
        if let Some(level) = line.rts {
            stream.write_request_to_send(level).map_err(|error| fault(&error))?;
        }
        Ok(stream)
    }

    /// A serial line has no connection whose end would discard what the instrument still sends.
    fn recovery(&self) -> Recovery {
        Recovery::Drain
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        Some(self.line.bytes_per_s())
    }
}

fn fault(error: &Error) -> LinkFault {
    match error.kind() {
        ErrorKind::NoDevice | ErrorKind::Io(_) => LinkFault::Device(error.to_string()),
        _ => LinkFault::System(error.to_string()),
    }
}
