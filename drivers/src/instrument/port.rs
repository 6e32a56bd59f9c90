//! One register over the profile's port, as a line of text or a binary frame.

use super::Instrument;
use super::error::{InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use crate::frame::{Contents, FramePort, FrameReader, FrameStep, identity_of};
use crate::message::{Expect, Identity, MessageError, MessageFault};
use crate::pattern::Pattern;
use crate::profile::{RegisterPort, TextPort};

/// What of one register is to be exchanged.
#[derive(Clone, Copy)]
enum Access {
    Read,
    Write(u32),
}

impl Instrument {
    /// Reads a register. `shown` stands for it in errors.
    pub(super) async fn read_register(
        &mut self,
        address: u32,
        shown: &str,
        phase: Phase,
    ) -> Result<u32, InstrumentError> {
        let found = self.register_exchange(address, Access::Read, shown, phase).await;
        match found {
            Ok(Some(bits)) => {
                self.shadow.put(address, bits);
                Ok(bits)
            }
            Ok(None) => {
                let fault = MessageFault::OtherForm("an answer with a register".into());
                Err(self.unparsed(phase, shown, MessageError::new(fault, shown.as_bytes())))
            }
            Err(error) => {
                // A chip that refuses to be read has no supply, or is another one.
                if matches!(*error.fault, InstrumentFault::Refused { .. }) {
                    self.shadow.clear();
                }
                Err(error)
            }
        }
    }

    /// Writes a register. Until it is read back, nobody knows what it holds.
    pub(super) async fn write_register(
        &mut self,
        address: u32,
        bits: u32,
        shown: &str,
    ) -> Result<(), InstrumentError> {
        self.shadow.remove(address);
        let outcome =
            self.register_exchange(address, Access::Write(bits), shown, Phase::Send).await;
        outcome.map(|_| ())
    }

    async fn register_exchange(
        &mut self,
        address: u32,
        access: Access,
        shown: &str,
        phase: Phase,
    ) -> Result<Option<u32>, InstrumentError> {
        let profile = self.driver.profile.clone();
        match &profile.port {
            Some(RegisterPort::Text(port)) => {
                self.text_exchange(port, address, access, shown, phase).await
            }
            Some(RegisterPort::Frames(port)) => {
                self.frame_exchange(port, address, access, shown, phase).await
            }
            None => Err(self.error(Phase::Check, shown, InstrumentFault::NoPort)),
        }
    }

    /// One line to the port and its answer; the answer's slot `value`, where it has one.
    async fn text_exchange(
        &mut self,
        port: &TextPort,
        address: u32,
        access: Access,
        shown: &str,
        phase: Phase,
    ) -> Result<Option<u32>, InstrumentError> {
        let (message, form, bits) = match access {
            Access::Read => (&port.read, &port.read_answer, 0),
            Access::Write(bits) => (&port.write, &port.write_answer, bits),
        };
        let (address, value) = (address.to_string(), bits.to_string());
        let text = message
            .emit(|slot| match slot {
                "address" => Some(address.as_str().into()),
                _ => Some(value.as_str().into()),
            })
            .map_err(|error| self.error(Phase::Check, shown, error.into()))?;
        let shown = format!("{shown} ({text})");
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(text.as_bytes(), expect, self.timeout).await;
        let answer = self.answered(phase, &shown, outcome).await?.data;
        let line = String::from_utf8_lossy(&answer);
        if let Some(found) = form.parse_line(line.trim()) {
            let value = found.into_iter().find(|(slot, _)| *slot == "value");
            let Some((_, text)) = value else { return Ok(None) };
            return text
                .parse()
                .map(Some)
                .map_err(|_| self.other_form(form, &answer, &shown, phase));
        }
        if let Some(found) = port.refusal.parse_line(line.trim()) {
            let slot = |name: &str| {
                let value = found.iter().find(|(slot, _)| *slot == name);
                value.map(|(_, text)| text.clone()).unwrap_or_default()
            };
            let fault = InstrumentFault::Refused { code: slot("code"), text: slot("text") };
            return Err(self.error(phase, &shown, fault));
        }
        Err(self.other_form(form, &answer, &shown, phase))
    }

    fn other_form(
        &mut self,
        form: &Pattern,
        answer: &[u8],
        shown: &str,
        phase: Phase,
    ) -> InstrumentError {
        let error = MessageError::new(MessageFault::OtherForm(form.to_string()), answer);
        self.unparsed(phase, shown, error)
    }

    /// One frame to the port and its answer; the answer's data, where it has some.
    async fn frame_exchange(
        &mut self,
        port: &FramePort,
        address: u32,
        access: Access,
        shown: &str,
        phase: Phase,
    ) -> Result<Option<u32>, InstrumentError> {
        let (request, form, data) = match access {
            Access::Read => (&port.read, &port.read_answer, None),
            Access::Write(bits) => (&port.write, &port.write_answer, Some(bits)),
        };
        let contents = Contents { address: Some(address), data, ..Contents::default() };
        let shown = format!("{shown} (register {address:#06x})");
        let bytes = port
            .emit(request, &contents)
            .map_err(|fault| self.error(Phase::Check, &shown, frame_fault(fault, &[])))?;
        let mut reader = FrameReader::new(port, vec![form.as_slice(), port.refusal.as_slice()]);
        let outcome = self.exchange.ask_frame(&bytes, &mut reader, self.timeout).await;
        let (which, found) = self.answered(phase, &shown, outcome).await?;
        if let Some(answered) = found.address.filter(|answered| *answered != address) {
            // Most likely the answer to something else.
            self.exchange.set_out_of_step();
            let fault = InstrumentFault::OtherRegister { asked: address, answered };
            return Err(self.error(phase, &shown, fault));
        }
        if which == 0 {
            return Ok(found.data);
        }
        let code = found.code.unwrap_or_default();
        let text = port.codes.get(&code).cloned().unwrap_or_default();
        let fault = InstrumentFault::Refused { code: code.to_string(), text };
        Err(self.error(phase, &shown, fault))
    }

    /// Asks in a frame who is there, also on a link out of step.
    pub(super) async fn identity_in_frame(
        &mut self,
        port: &FramePort,
    ) -> Result<Identity, InstrumentFault> {
        let request = port
            .emit(&port.identify, &Contents::default())
            .map_err(|fault| frame_fault(fault, &[]))?;
        let mut reader =
            FrameReader::new(port, vec![port.identity.as_slice(), port.refusal.as_slice()]);
        let timeout = self.timeout;
        let found = self.exchange.ask_frame_unchecked(&request, &mut reader, timeout).await?;
        match found {
            (0, Contents { text: Some(text), .. }) => Ok(identity_of(&text)),
            (_, contents) => {
                let code = contents.code.unwrap_or_default();
                let text = port.codes.get(&code).cloned().unwrap_or_default();
                Err(InstrumentFault::Refused { code: code.to_string(), text })
            }
        }
    }
}

/// A fault of a frame with what arrived, in hexadecimal.
fn frame_fault(fault: crate::frame::FrameFault, so_far: &[u8]) -> InstrumentFault {
    let shown: Vec<String> = so_far.iter().take(40).map(|byte| format!("{byte:02X}")).collect();
    InstrumentFault::Frame { fault, so_far: shown.join(" ") }
}

impl super::exchange::Exchange {
    /// Sends a frame and reads its answer: which of the forms that were due, and its contents.
    pub(super) async fn ask_frame(
        &mut self,
        frame: &[u8],
        reader: &mut FrameReader<'_>,
        timeout: std::time::Duration,
    ) -> Result<(usize, Contents), InstrumentFault> {
        self.look_for_strays().await?;
        self.set_out_of_step();
        let answer = self.ask_frame_unchecked(frame, reader, timeout).await?;
        self.set_in_step();
        Ok(answer)
    }

    /// As `ask_frame`, also while out of step. Never takes more bytes than the answer has, so that
    /// what follows it is found before the next request is sent.
    pub(super) async fn ask_frame_unchecked(
        &mut self,
        frame: &[u8],
        reader: &mut FrameReader<'_>,
        timeout: std::time::Duration,
    ) -> Result<(usize, Contents), InstrumentFault> {
        self.send_bytes(frame, timeout).await?;
        let until = tokio::time::Instant::now() + timeout;
        loop {
            let step = reader.advance();
            match step.map_err(|fault| frame_fault(fault, reader.so_far()))? {
                FrameStep::Done(which, contents) => {
                    self.answer_complete();
                    return Ok((which, contents));
                }
                FrameStep::More(at_most) => {
                    self.receive_more(reader.room(), at_most, until).await?;
                }
            }
        }
    }
}
