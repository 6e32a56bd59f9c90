//! The device under test behind its control port: two chips, 16-bit registers, plain text lines.
//!
//! `r AAAA` reads, `w AAAA VVVV` writes, `id` identifies; hexadecimal, four digits. Not SCPI.
//! The transmitter's page begins at 0x0000, the receiver's at 0x1000.

use std::time::Duration;

use super::ramp::Relaxation;
use crate::model::{ArrayModel, ChipModel};
use crate::physics::array::ElementCode;

/// Gain code with the most gain.
pub const GAIN_MOST: u16 = 31;
/// Nominal supply at which the model gives its currents, V.
const NOMINAL_V: f64 = 1.2;
const PAGE: u16 = 0x1000;
const ELEMENTS: u16 = 0x100;
const TX_ID: u16 = 0x7A11;
const RX_ID: u16 = 0x7A12;
const ELEMENT_RESET: u16 = 0x8000;

/// Why a register access was refused: the number and text of the `no` line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Not a command of this port.
    UnknownCommand,
    /// No register at this address.
    NoSuchRegister,
    /// The register cannot be written.
    ReadOnly,
    /// The value does not fit the register's fields.
    OutOfRange,
    /// The chip has no supply.
    NoPower,
}

impl Refusal {
    /// The answer line without its end.
    pub fn line(self) -> &'static str {
        match self {
            Self::UnknownCommand => "no 1 unknown command",
            Self::NoSuchRegister => "no 2 no such register",
            Self::ReadOnly => "no 3 read-only register",
            Self::OutOfRange => "no 4 value out of range",
            Self::NoPower => "no 5 chip has no power",
        }
    }
}

/// One chip's registers.
#[derive(Debug, Clone, PartialEq)]
pub struct Chip {
    id: u16,
    phase_bits: u8,
    /// Enable bit.
    pub enabled: bool,
    /// Channel, 1 to 6.
    pub channel: u16,
    /// Common gain code, 0 to 31.
    pub gain: u16,
    elements: Vec<u16>,
    lock_at: Option<Duration>,
    /// Rise over ambient, K.
    rise: Relaxation,
}

impl Chip {
    fn new(id: u16, array: &ArrayModel) -> Self {
        Self {
            id,
            phase_bits: array.phase_bits,
            enabled: false,
            channel: 2,
            gain: 16,
            elements: vec![ELEMENT_RESET; array.count()],
            lock_at: None,
            rise: Relaxation::default(),
        }
    }

    /// As without power: everything written is forgotten.
    pub fn reset(&mut self) {
        (self.enabled, self.channel, self.gain, self.lock_at) = (false, 2, 16, None);
        self.elements.fill(ELEMENT_RESET);
    }

    /// What each element is set to.
    pub fn codes(&self) -> Vec<ElementCode> {
        let decode = |word: &u16| ElementCode {
            phase: (word & 0xff) as u8,
            attenuation: (word >> 8 & 0x7) as u8,
            on: word & 0x8000 != 0,
        };
        self.elements.iter().map(decode).collect()
    }

    /// The registers of its elements, as they were written.
    pub fn words(&self) -> &[u16] {
        &self.elements
    }

    /// Whether its synthesiser has had the time to lock.
    pub fn is_locked(&self, now: Duration) -> bool {
        self.lock_at.is_some_and(|at| at <= now)
    }

    /// Loses its carrier, if it has one: until then, or until its channel or enable bit is set anew.
    pub fn lose_lock(&mut self, until: Option<Duration>) {
        self.lock_at = until.filter(|_| self.lock_at.is_some());
    }

    /// Whether its synthesiser is locked: it had the time, and the chip is not too hot.
    pub fn has_lock(&self, at: &Instant<'_>) -> bool {
        let temperature_c = self.temperature_c(at.supply_v, at.model);
        self.is_locked(at.now) && at.model.lock_most_c.is_none_or(|most| temperature_c <= most)
    }

    /// Conductance beyond stand-by with `supply_v` at the chip, S: it follows the temperature.
    fn conductance_s(&self, supply_v: f64, model: &ChipModel) -> f64 {
        let above_k = self.temperature_c(supply_v, model) - model.nominal_c;
        self.nominal_conductance_s(model) * (1.0 + model.current_per_k * above_k).max(0.0)
    }

    /// The same at nominal temperature.
    fn nominal_conductance_s(&self, model: &ChipModel) -> f64 {
        if !self.enabled {
            return 0.0;
        }
        let on = self.elements.iter().filter(|word| **word & 0x8000 != 0).count() as f64;
        let drive = 0.5 + 0.5 * f64::from(self.gain) / f64::from(GAIN_MOST);
        (model.enabled_a + on * model.element_a * drive) / NOMINAL_V
    }

    /// Temperature with `supply_v` at the chip, degC.
    pub fn temperature_c(&self, supply_v: f64, model: &ChipModel) -> f64 {
        let rise_k = if model.warming_s > 0.0 {
            self.rise.value()
        } else {
            self.steady_rise_k(supply_v, model).0
        };
        model.ambient_c + rise_k
    }

    /// Rise over ambient that `supply_v` leads to in the end, K, and the gain of the loop from
    /// temperature over current to temperature.
    fn steady_rise_k(&self, supply_v: f64, model: &ChipModel) -> (f64, f64) {
        let standby = 0.5 * model.standby_a / NOMINAL_V;
        let per_siemens = model.heating_c_per_w * supply_v * supply_v;
        let chip = self.nominal_conductance_s(model);
        // The current follows the temperature that it makes: both at once, a linear equation. A
        // gain of the loop near 1 would be thermal runaway; the model ends before.
        let loop_gain = (per_siemens * chip * model.current_per_k).min(0.9);
        let at_ambient = chip * (1.0 + model.current_per_k * (model.ambient_c - model.nominal_c));
        (per_siemens * (standby + at_ambient) / (1.0 - loop_gain), loop_gain)
    }

    /// Lets it warm until `now`, and from then on toward what `supply_v` makes of it. The loop makes
    /// it slower: `warming_s T' = P0 + g T - T` has the time constant `warming_s/(1 - g)`.
    fn warm(&mut self, now: Duration, supply_v: f64, model: &ChipModel) {
        let (rise_k, loop_gain) = self.steady_rise_k(supply_v, model);
        self.rise.turn(rise_k, model.warming_s / (1.0 - loop_gain), now);
    }

    fn read(&self, offset: u16, at: &Instant<'_>) -> Result<u16, Refusal> {
        Ok(match offset {
            0x000 => self.id,
            0x001 => u16::from(self.enabled),
            0x002 => self.channel,
            0x003 => self.gain,
            0x010 => u16::from(self.has_lock(at)) | 1 << 1,
            0x011 => {
                let sixteenths = (16.0 * self.temperature_c(at.supply_v, at.model)).round();
                (sixteenths as i16).cast_unsigned()
            }
            _ => *self.element(offset).ok_or(Refusal::NoSuchRegister)?,
        })
    }

    fn element(&self, offset: u16) -> Option<&u16> {
        self.elements.get(usize::from(offset.checked_sub(ELEMENTS)?))
    }

    fn write(&mut self, offset: u16, value: u16, at: &Instant<'_>) -> Result<(), Refusal> {
        let fits = |fits: bool| if fits { Ok(()) } else { Err(Refusal::OutOfRange) };
        match offset {
            0x000 | 0x010 | 0x011 => return Err(Refusal::ReadOnly),
            0x001 => {
                fits(value <= 1)?;
                if (value == 1) != self.enabled {
                    self.enabled = value == 1;
                    self.lock_at = self.enabled.then(|| at.lock());
                }
            }
            0x002 => {
                fits((1..=6).contains(&value))?;
                if value != self.channel {
                    self.channel = value;
                    self.lock_at = self.enabled.then(|| at.lock());
                }
            }
            0x003 => {
                fits(value <= GAIN_MOST)?;
                self.gain = value;
            }
            _ => {
                self.element(offset).ok_or(Refusal::NoSuchRegister)?;
                let phase_mask = (1u16 << self.phase_bits) - 1;
                fits(value & !(0x8700 | phase_mask) == 0)?;
                self.elements[usize::from(offset - ELEMENTS)] = value;
            }
        }
        Ok(())
    }
}

/// What a register access sees of the bench.
#[derive(Debug, Clone, Copy)]
pub struct Instant<'m> {
    /// Time on the bench's clock.
    pub now: Duration,
    /// Voltage at the chips, V.
    pub supply_v: f64,
    /// The chips' numbers.
    pub model: &'m ChipModel,
}

impl Instant<'_> {
    fn lock(&self) -> Duration {
        self.now + Duration::from_secs_f64(self.model.lock_s)
    }
}

/// Both chips.
#[derive(Debug, Clone, PartialEq)]
pub struct Dut {
    /// Transmitter.
    pub tx: Chip,
    /// Receiver.
    pub rx: Chip,
    /// Whether the supply suffices.
    pub powered: bool,
}

impl Dut {
    /// Unpowered chips with these arrays.
    pub fn new(tx: &ArrayModel, rx: &ArrayModel) -> Self {
        Self { tx: Chip::new(TX_ID, tx), rx: Chip::new(RX_ID, rx), powered: false }
    }

    /// What the chips are to a supply of `supply_v`, S.
    pub fn conductance_s(&self, supply_v: f64, model: &ChipModel) -> f64 {
        model.standby_a / NOMINAL_V
            + self.tx.conductance_s(supply_v, model)
            + self.rx.conductance_s(supply_v, model)
    }

    /// Power comes or goes with the voltage; without it the registers are lost.
    pub fn tick(&mut self, supply_v: f64, model: &ChipModel) {
        self.powered = supply_v >= model.supply_least_v;
        if !self.powered {
            self.tx.reset();
            self.rx.reset();
        }
    }

    /// Both chips' temperatures move on to `now`.
    pub fn warm(&mut self, now: Duration, supply_v: f64, model: &ChipModel) {
        if model.warming_s > 0.0 {
            self.tx.warm(now, supply_v, model);
            self.rx.warm(now, supply_v, model);
        }
    }

    /// When something changes by itself.
    pub fn next_event(&self, now: Duration) -> Option<Duration> {
        [self.tx.lock_at, self.rx.lock_at].into_iter().flatten().filter(|t| *t > now).min()
    }

    /// Reads a register.
    pub fn read(&self, address: u16, at: &Instant<'_>) -> Result<u16, Refusal> {
        if !self.powered {
            return Err(Refusal::NoPower);
        }
        match address / PAGE {
            0 => self.tx.read(address, at),
            1 => self.rx.read(address - PAGE, at),
            _ => Err(Refusal::NoSuchRegister),
        }
    }

    /// Writes a register.
    pub fn write(&mut self, address: u16, value: u16, at: &Instant<'_>) -> Result<(), Refusal> {
        if !self.powered {
            return Err(Refusal::NoPower);
        }
        match address / PAGE {
            0 => self.tx.write(address, value, at),
            1 => self.rx.write(address - PAGE, value, at),
            _ => Err(Refusal::NoSuchRegister),
        }
    }
}

/// A line that was understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    /// `id`
    Identify,
    /// `*IDN?`, for clients that ask every port the same.
    IdentifyCommon,
    /// `r AAAA`
    Read(u16),
    /// `w AAAA VVVV`
    Write(u16, u16),
}

impl Line {
    /// Reads one line without its end.
    pub fn parse(line: &str) -> Option<Self> {
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        match words[..] {
            ["id"] => Some(Self::Identify),
            [word] if word.eq_ignore_ascii_case("*IDN?") => Some(Self::IdentifyCommon),
            ["r", address] => Some(Self::Read(hex(address)?)),
            ["w", address, value] => Some(Self::Write(hex(address)?, hex(value)?)),
            _ => None,
        }
    }
}

fn hex(word: &str) -> Option<u16> {
    let whole = word.len() == 4 && word.bytes().all(|b| b.is_ascii_hexdigit());
    whole.then(|| u16::from_str_radix(word, 16).ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_strict() {
        assert_eq!(Line::parse("r 1003"), Some(Line::Read(0x1003)));
        assert_eq!(Line::parse("  w 0107 8f1F "), Some(Line::Write(0x107, 0x8f1f)));
        assert_eq!(Line::parse("id"), Some(Line::Identify));
        assert_eq!(Line::parse("*idn?"), Some(Line::IdentifyCommon));
        for line in ["", "r", "r 10", "r 10000", "r +123", "w 0001", "w 0001 0001 2", "R 0001", "x"]
        {
            assert_eq!(Line::parse(line), None, "{line}");
        }
    }

    fn powered() -> Dut {
        let mut dut = Dut::new(&ArrayModel::default(), &ArrayModel::default());
        dut.tick(1.2, &ChipModel::default());
        dut
    }

    fn check_write(address: u16, value: u16, expected: Result<(), Refusal>) {
        let model = ChipModel::default();
        let at = Instant { now: Duration::ZERO, supply_v: 1.2, model: &model };
        let mut dut = powered();
        assert_eq!(dut.write(address, value, &at), expected, "{address:04x} {value:04x}");
        if expected.is_ok() {
            assert_eq!(dut.read(address, &at), Ok(value));
        }
    }

    #[test]
    fn fields_keep_their_ranges() {
        check_write(0x0001, 1, Ok(()));
        check_write(0x0001, 2, Err(Refusal::OutOfRange));
        check_write(0x1002, 6, Ok(()));
        check_write(0x1002, 0, Err(Refusal::OutOfRange));
        check_write(0x1002, 7, Err(Refusal::OutOfRange));
        check_write(0x0003, 31, Ok(()));
        check_write(0x0003, 32, Err(Refusal::OutOfRange));
        check_write(0x0107, 0x871f, Ok(()));
        check_write(0x0107, 0x0020, Err(Refusal::OutOfRange));
        check_write(0x0107, 0x0800, Err(Refusal::OutOfRange));
        check_write(0x0108, 0x8000, Err(Refusal::NoSuchRegister));
        check_write(0x0004, 0, Err(Refusal::NoSuchRegister));
        check_write(0x2001, 0, Err(Refusal::NoSuchRegister));
        check_write(0x0000, 0, Err(Refusal::ReadOnly));
        check_write(0x1010, 0, Err(Refusal::ReadOnly));
        check_write(0x1011, 0, Err(Refusal::ReadOnly));
    }

    #[test]
    fn lock_takes_time_and_power_loss_forgets() {
        let model = ChipModel::default();
        let at = |now| Instant { now, supply_v: 1.2, model: &model };
        let mut dut = powered();
        assert_eq!(dut.read(0x0010, &at(Duration::ZERO)), Ok(2));
        assert_eq!(dut.write(0x0001, 1, &at(Duration::ZERO)), Ok(()));
        assert_eq!(dut.read(0x0010, &at(Duration::ZERO)), Ok(2));
        assert_eq!(dut.read(0x0010, &at(Duration::from_millis(1))), Ok(3));
        assert_eq!(dut.read(0x0000, &at(Duration::ZERO)), Ok(0x7A11));
        assert_eq!(dut.read(0x1000, &at(Duration::ZERO)), Ok(0x7A12));
        dut.tick(0.5, &model);
        assert_eq!(dut.read(0x0001, &at(Duration::ZERO)), Err(Refusal::NoPower));
        dut.tick(1.2, &model);
        assert_eq!(dut.read(0x0001, &at(Duration::ZERO)), Ok(0));
        assert_eq!(dut.read(0x0107, &at(Duration::ZERO)), Ok(0x8000));
    }
}
