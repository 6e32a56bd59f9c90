//! What every instrument has on its front: error queue, event status, status registers.
//!
//! IEEE 488.2 ch. 11, SCPI-99 vol. 2 ch. 20 and 21. Knows no instrument; conditions are told to it.

use std::collections::VecDeque;

use super::error::Fault;

/// Entries the error queue holds.
pub const QUEUE_DEPTH: usize = 20;
/// Power-on bit of the event status register.
const POWER_ON: u8 = 1 << 7;
/// Operation-complete bit of the event status register.
const OPERATION_COMPLETE: u8 = 1;

/// One status register set of SCPI-99 ch. 20: condition, filters, event, enable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    condition: u16,
    /// Rising bits that become events.
    pub rising: u16,
    /// Falling bits that become events.
    pub falling: u16,
    event: u16,
    /// Events that reach the status byte.
    pub enable: u16,
}

/// Bit 15 is never set (SCPI-99 ch. 20).
const REGISTER: u16 = 0x7fff;

impl Default for Group {
    fn default() -> Self {
        Self { condition: 0, rising: REGISTER, falling: 0, event: 0, enable: 0 }
    }
}

impl Group {
    /// The condition now.
    pub fn condition(&self) -> u16 {
        self.condition
    }

    /// Takes note of the condition; what changed passes the filters into the event register.
    pub fn observe(&mut self, condition: u16) {
        let changed = self.condition ^ condition;
        self.event |= (changed & condition & self.rising) | (changed & !condition & self.falling);
        self.condition = condition;
    }

    /// The event register; reading clears it.
    pub fn take_event(&mut self) -> u16 {
        std::mem::take(&mut self.event)
    }

    fn summary(&self) -> bool {
        self.event & self.enable != 0
    }

    /// `STATus:PRESet`: nothing enabled, rising edges only.
    pub fn preset(&mut self) {
        (self.rising, self.falling, self.enable) = (REGISTER, 0, 0);
    }
}

/// The front of one instrument, shared by all its connections.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Front {
    queue: VecDeque<Fault>,
    events: u8,
    /// `*ESE`.
    pub event_enable: u8,
    service_enable: u8,
    /// STATus:OPERation.
    pub operation: Group,
    /// STATus:QUEStionable.
    pub questionable: Group,
    opc_armed: bool,
    cancelled: u64,
}

impl Default for Front {
    /// As after power-on: the power-on event is set.
    fn default() -> Self {
        Self {
            queue: VecDeque::new(),
            events: POWER_ON,
            event_enable: 0,
            service_enable: 0,
            operation: Group::default(),
            questionable: Group::default(),
            opc_armed: false,
            cancelled: 0,
        }
    }
}

impl Front {
    /// Enters a fault. When the queue is full its last entry becomes -350 (SCPI-99 ch. 21.8.1).
    pub fn report(&mut self, fault: Fault) {
        self.events |= fault.event_bit();
        if self.queue.len() < QUEUE_DEPTH {
            self.queue.push_back(fault);
            return;
        }
        let overflow = Fault::bare(-350);
        self.events |= overflow.event_bit();
        self.queue.pop_back();
        self.queue.push_back(overflow);
    }

    /// The oldest entry, removed; number 0 when there is none.
    pub fn next_fault(&mut self) -> Fault {
        self.queue.pop_front().unwrap_or_else(|| Fault::bare(0))
    }

    /// Entries that wait.
    pub fn fault_count(&self) -> usize {
        self.queue.len()
    }

    /// `*CLS`: events and queue go, a pending `*OPC` or `*OPC?` is cancelled, enables stay.
    pub fn clear(&mut self) {
        self.queue.clear();
        self.events = 0;
        self.operation.take_event();
        self.questionable.take_event();
        self.cancel_opc();
    }

    /// A pending `*OPC` or `*OPC?` will not be answered.
    pub fn cancel_opc(&mut self) {
        self.opc_armed = false;
        self.cancelled += 1;
    }

    /// Changes whenever a pending `*OPC?` is cancelled.
    pub fn cancellations(&self) -> u64 {
        self.cancelled
    }

    /// `*OPC`: the event bit is wanted once nothing is pending.
    pub fn arm_opc(&mut self) {
        self.opc_armed = true;
    }

    /// Nothing is pending at this instant.
    pub fn note_idle(&mut self) {
        if std::mem::take(&mut self.opc_armed) {
            self.events |= OPERATION_COMPLETE;
        }
    }

    /// `*ESR?`; reading clears.
    pub fn take_events(&mut self) -> u8 {
        std::mem::take(&mut self.events)
    }

    /// `*SRE`; bit 6 is ignored.
    pub fn set_service_enable(&mut self, mask: u8) {
        self.service_enable = mask & !(1 << 6);
    }

    /// `*SRE?`.
    pub fn service_enable(&self) -> u8 {
        self.service_enable
    }

    /// `*STB?` (IEEE 488.2 ch. 11.2, SCPI-99 ch. 20): bit 6 is the master summary.
    pub fn status_byte(&self, answer_waiting: bool) -> u8 {
        let byte = u8::from(!self.queue.is_empty()) << 2
            | u8::from(self.questionable.summary()) << 3
            | u8::from(answer_waiting) << 4
            | u8::from(self.events & self.event_enable != 0) << 5
            | u8::from(self.operation.summary()) << 7;
        byte | u8::from(byte & self.service_enable != 0) << 6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_queue_says_so_in_its_last_entry() {
        // SCPI-99 vol. 2 ch. 21.8.1: the last entry becomes -350, older entries stay.
        let mut front = Front::default();
        for _ in 0..QUEUE_DEPTH + 5 {
            front.report(Fault::bare(-113));
        }
        assert_eq!(front.fault_count(), QUEUE_DEPTH);
        let codes: Vec<i16> = (0..=QUEUE_DEPTH).map(|_| front.next_fault().code).collect();
        assert!(codes[..QUEUE_DEPTH - 1].iter().all(|c| *c == -113));
        assert_eq!(codes[QUEUE_DEPTH - 1..], [-350, 0]);
    }

    #[test]
    fn status_byte_bits() {
        let mut front = Front::default();
        assert_eq!(front.take_events(), 128, "power on");
        assert_eq!(front.status_byte(false), 0);
        front.report(Fault::bare(-222));
        assert_eq!(front.status_byte(true), 0b0001_0100);
        front.event_enable = 0x10;
        front.set_service_enable(0xff);
        assert_eq!(front.service_enable(), 0xbf);
        assert_eq!(front.status_byte(false), 0b0110_0100);
        assert_eq!(front.take_events(), 0x10);
        front.clear();
        assert_eq!(front.status_byte(false), 0);
    }

    #[test]
    fn filters_decide_which_edges_are_events() {
        let mut group = Group::default();
        group.observe(0x0102);
        group.observe(0x0000);
        assert_eq!((group.take_event(), group.take_event()), (0x0102, 0));
        (group.rising, group.falling) = (0, 0x0100);
        group.observe(0x0102);
        assert_eq!(group.take_event(), 0);
        group.observe(0x0000);
        assert_eq!(group.take_event(), 0x0100);
    }
}
