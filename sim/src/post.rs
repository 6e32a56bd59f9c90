//! The five places of the bench at which a client can speak.

/// One instrument's front door.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Post {
    /// Waveform source (SCPI).
    Source,
    /// Scope (SCPI).
    Scope,
    /// DUT control port (registers as text lines or binary frames).
    DutPort,
    /// Turntable (SCPI).
    Turntable,
    /// Supply (SCPI).
    Supply,
}

impl Post {
    /// All of them, in the order in which ports are given out.
    pub const ALL: [Self; 5] =
        [Self::Source, Self::Scope, Self::DutPort, Self::Turntable, Self::Supply];

    /// The role that a bench file gives to this instrument.
    pub fn role(self) -> &'static str {
        match self {
            Self::Source => "waveform source",
            Self::Scope => "scope",
            Self::DutPort => "dut control port",
            Self::Turntable => "turntable",
            Self::Supply => "supply",
        }
    }

    /// Short name, as in the bench `packing-arm`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Source => "source",
            Self::Scope => "scope",
            Self::DutPort => "dut",
            Self::Turntable => "turntable",
            Self::Supply => "supply",
        }
    }

    /// The protocols that it understands, each client in its own.
    pub fn speaks(self) -> &'static [&'static str] {
        match self {
            Self::DutPort => &["register lines", "register frames"],
            _ => &["scpi"],
        }
    }

    /// Place in [`Post::ALL`].
    pub(crate) fn index(self) -> usize {
        self as usize
    }
}

impl std::fmt::Display for Post {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}
