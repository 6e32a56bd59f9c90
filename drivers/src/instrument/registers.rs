//! Fields of registers, read and written through the profile's register port.

use super::Instrument;
use super::error::{InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use crate::message::{Expect, MessageError, MessageFault};
use crate::pattern::Pattern;
use crate::profile::RegisterPort;
use crate::registers::{RegisterField, RegisterMap};
use crate::value::{Tolerance, Value};

impl Instrument {
    /// Writes a field and verifies it. The other fields of its register keep their bits: as the
    /// shadow copy of this call has them, or as read when it has none.
    pub(super) async fn apply_field(
        &mut self,
        name: &str,
        asked: &Value,
    ) -> Result<(Value, bool), InstrumentError> {
        let (map, port) = self.map_and_port(name)?;
        let field = self.field(&map, name)?;
        let before = match self.shadow.get(&field.address) {
            Some(register) => *register,
            None if field.fills(map.register_bits) => 0,
            None => self.read_register(&port, field, Phase::Send).await?,
        };
        let register = field
            .encode(before, asked)
            .map_err(|unfit| self.error(Phase::Check, name, unfit.into()))?;
        // Until it is verified, nobody knows what the register holds.
        self.shadow.remove(&field.address);
        self.write_register(&port, field, register).await?;
        let after = self.read_register(&port, field, Phase::ReadBack).await?;
        let read_back = self.decode_field(field, after, Phase::ReadBack)?;
        let rounding = Tolerance { absolute: field.rounding(), relative: 0.0 };
        let matched = rounding.matches(asked, &read_back);
        Ok((read_back, matched))
    }

    /// Reads a field.
    pub(super) async fn read_field(&mut self, name: &str) -> Result<Value, InstrumentError> {
        let (map, port) = self.map_and_port(name)?;
        let field = self.field(&map, name)?;
        let register = self.read_register(&port, field, Phase::Ask).await?;
        self.decode_field(field, register, Phase::Ask)
    }

    fn map_and_port(
        &self,
        name: &str,
    ) -> Result<(std::sync::Arc<RegisterMap>, RegisterPort), InstrumentError> {
        match (&self.driver.registers, &self.driver.profile.port) {
            (Some(map), Some(port)) => Ok((map.clone(), port.clone())),
            _ => Err(self.error(Phase::Check, name, InstrumentFault::NoPort)),
        }
    }

    fn field<'a>(
        &self,
        map: &'a RegisterMap,
        name: &str,
    ) -> Result<&'a RegisterField, InstrumentError> {
        map.field(name).ok_or_else(|| self.error(Phase::Check, name, InstrumentFault::NoPort))
    }

    fn decode_field(
        &self,
        field: &RegisterField,
        register: u32,
        phase: Phase,
    ) -> Result<Value, InstrumentError> {
        field
            .decode(register)
            .map_err(|code| self.error(phase, &field.name, InstrumentFault::UnknownCode(code)))
    }

    async fn read_register(
        &mut self,
        port: &RegisterPort,
        field: &RegisterField,
        phase: Phase,
    ) -> Result<u32, InstrumentError> {
        let found =
            self.port_exchange(port, &port.read, &port.read_answer, field, 0, phase).await?;
        let value = found.and_then(|value| value.parse().ok());
        let Some(register) = value else {
            let fault = MessageFault::OtherForm(port.read_answer.to_string());
            let error = MessageError::new(fault, field.name.as_bytes());
            return Err(self.unparsed(phase, &field.name, error));
        };
        self.shadow.insert(field.address, register);
        Ok(register)
    }

    async fn write_register(
        &mut self,
        port: &RegisterPort,
        field: &RegisterField,
        register: u32,
    ) -> Result<(), InstrumentError> {
        let (message, answer) = (&port.write, &port.write_answer);
        self.port_exchange(port, message, answer, field, register, Phase::Send).await.map(|_| ())
    }

    /// One message to the port and its answer; the answer's slot `value`, where it has one.
    async fn port_exchange(
        &mut self,
        port: &RegisterPort,
        message: &Pattern,
        form: &Pattern,
        field: &RegisterField,
        register: u32,
        phase: Phase,
    ) -> Result<Option<String>, InstrumentError> {
        let (address, value) = (field.address.to_string(), register.to_string());
        let text = message
            .emit(|slot| match slot {
                "address" => Some(address.as_str().into()),
                _ => Some(value.as_str().into()),
            })
            .map_err(|error| self.error(Phase::Check, &field.name, error.into()))?;
        let shown = format!("{} ({text})", field.name);
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(text.as_bytes(), expect, self.timeout).await;
        let answer = self.answered(phase, &shown, outcome).await?.data;
        let line = String::from_utf8_lossy(&answer);
        if let Some(found) = form.parse_line(line.trim()) {
            return Ok(found.into_iter().find(|(slot, _)| *slot == "value").map(|(_, text)| text));
        }
        if let Some(found) = port.refusal.parse_line(line.trim()) {
            let slot = |name: &str| {
                let value = found.iter().find(|(slot, _)| *slot == name);
                value.map(|(_, text)| text.clone()).unwrap_or_default()
            };
            let fault = InstrumentFault::Refused { code: slot("code"), text: slot("text") };
            return Err(self.error(phase, &shown, fault));
        }
        let error = MessageError::new(MessageFault::OtherForm(form.to_string()), &answer);
        Err(self.unparsed(phase, &shown, error))
    }
}
