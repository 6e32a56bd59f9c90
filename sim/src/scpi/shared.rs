//! The commands that every instrument has and that concern its front alone.
//!
//! Common commands of IEEE 488.2 ch. 10, STATus and SYSTem of SCPI-99 vol. 2 ch. 20 and 21. `*RST`,
//! `*OPC`, `*OPC?`, `*WAI`, `*IDN?` and `*TST?` also concern the instrument and live in the session.

use super::command::{Args, Outcome};
use super::front::Front;
use super::quantity::Unit;

/// A command form.
pub enum Setter {
    /// Without data.
    Bare(fn(&mut Front)),
    /// With a register value of 0 to the limit.
    Register(u16, fn(&mut Front, u16)),
}

/// One row.
pub struct FrontCommand {
    /// The header; common ones without their asterisk.
    pub header: &'static str,
    /// The command form.
    pub set: Option<Setter>,
    /// The query form; the flag says whether an answer of the same message already waits.
    pub query: Option<fn(&mut Front, bool) -> String>,
}

impl FrontCommand {
    /// Executes the command form; the header has none: `None`.
    pub fn set(&self, front: &mut Front, args: &mut Args<'_, '_>) -> Option<Outcome<()>> {
        Some(match self.set.as_ref()? {
            Setter::Bare(act) => args.end().map(|()| act(front)),
            Setter::Register(limit, act) => args
                .number(Unit::Plain, (0.0, f64::from(*limit)))
                .and_then(|value| args.end().map(|()| act(front, value.round() as u16))),
        })
    }

    /// Executes the query form; the header has none: `None`.
    pub fn query(
        &self,
        front: &mut Front,
        args: &Args<'_, '_>,
        answer_waiting: bool,
    ) -> Option<Outcome<String>> {
        let query = self.query?;
        Some(args.end().map(|()| query(front, answer_waiting)))
    }
}

/// The common commands.
pub const COMMON: &[FrontCommand] = &[
    FrontCommand { header: "CLS", set: Some(Setter::Bare(Front::clear)), query: None },
    FrontCommand {
        header: "ESE",
        set: Some(Setter::Register(255, |front, v| front.event_enable = v.to_le_bytes()[0])),
        query: Some(|front, _| front.event_enable.to_string()),
    },
    FrontCommand {
        header: "ESR",
        set: None,
        query: Some(|front, _| front.take_events().to_string()),
    },
    FrontCommand {
        header: "SRE",
        set: Some(Setter::Register(255, |front, v| front.set_service_enable(v.to_le_bytes()[0]))),
        query: Some(|front, _| front.service_enable().to_string()),
    },
    FrontCommand {
        header: "STB",
        set: None,
        query: Some(|front, waiting| front.status_byte(waiting).to_string()),
    },
];

/// SYSTem, and what of STATus is not one register.
pub const SYSTEM: &[FrontCommand] = &[
    FrontCommand {
        header: "SYSTem:ERRor[:NEXT]",
        set: None,
        query: Some(|front, _| front.next_fault().answer()),
    },
    FrontCommand {
        header: "SYSTem:ERRor:COUNt",
        set: None,
        query: Some(|front, _| front.fault_count().to_string()),
    },
    FrontCommand { header: "SYSTem:VERSion", set: None, query: Some(|_, _| "1999.0".to_owned()) },
    FrontCommand {
        header: "STATus:PRESet",
        set: Some(Setter::Bare(|front| {
            front.operation.preset();
            front.questionable.preset();
        })),
        query: None,
    },
];

/// The rows of one status register set.
macro_rules! register_set {
    ($root:literal, $group:ident) => {
        &[
            FrontCommand {
                header: concat!($root, "[:EVENt]"),
                set: None,
                query: Some(|front, _| front.$group.take_event().to_string()),
            },
            FrontCommand {
                header: concat!($root, ":CONDition"),
                set: None,
                query: Some(|front, _| front.$group.condition().to_string()),
            },
            FrontCommand {
                header: concat!($root, ":ENABle"),
                set: Some(Setter::Register(u16::MAX, |front, v| front.$group.enable = v & 0x7fff)),
                query: Some(|front, _| front.$group.enable.to_string()),
            },
            FrontCommand {
                header: concat!($root, ":PTRansition"),
                set: Some(Setter::Register(u16::MAX, |front, v| front.$group.rising = v & 0x7fff)),
                query: Some(|front, _| front.$group.rising.to_string()),
            },
            FrontCommand {
                header: concat!($root, ":NTRansition"),
                set: Some(Setter::Register(u16::MAX, |front, v| front.$group.falling = v & 0x7fff)),
                query: Some(|front, _| front.$group.falling.to_string()),
            },
        ]
    };
}

/// STATus:OPERation.
pub const OPERATION: &[FrontCommand] = register_set!("STATus:OPERation", operation);
/// STATus:QUEStionable.
pub const QUESTIONABLE: &[FrontCommand] = register_set!("STATus:QUEStionable", questionable);

/// Every row outside the common commands.
pub fn tree() -> impl Iterator<Item = &'static FrontCommand> {
    SYSTEM.iter().chain(OPERATION).chain(QUESTIONABLE)
}
