//! The shadow copy: what registers hold as far as this session has seen.
//!
//! When it is forgotten: all of it when a session begins or the link had to be brought back into
//! step, when a read is refused (a chip without supply has lost everything), and when whoever owns
//! the instrument says so; one register when a write to it fails. Registers that can be read are
//! trusted within one call only, unless the map says that the chip keeps them for a session.

use std::collections::BTreeSet;

use crate::registers::{RegisterMap, Registers, Trust};

/// The shadow copy of one instrument.
#[derive(Debug, Default)]
pub(super) struct Shadow {
    known: Registers,
    /// Those seen or written in the call under way.
    fresh: BTreeSet<u32>,
}

impl Shadow {
    /// A new call begins.
    pub fn begin_call(&mut self) {
        self.fresh.clear();
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.known.clear();
        self.fresh.clear();
    }

    /// Forgets a register.
    pub fn remove(&mut self, address: u32) {
        self.known.remove(&address);
        self.fresh.remove(&address);
    }

    /// Keeps what a register holds now.
    pub fn put(&mut self, address: u32, bits: u32) {
        self.known.insert(address, bits);
        self.fresh.insert(address);
    }

    /// What a register was last seen or written to hold.
    pub fn last(&self, address: u32) -> Option<u32> {
        self.known.get(&address).copied()
    }

    /// What a register holds, where that can be relied on without reading it.
    pub fn trusted(&self, address: u32, map: &RegisterMap) -> Option<u32> {
        let lasts = map.trust == Trust::Session || map.is_write_only(address);
        self.last(address).filter(|_| lasts || self.fresh.contains(&address))
    }

    /// All that is known.
    pub fn known(&self) -> &Registers {
        &self.known
    }
}
