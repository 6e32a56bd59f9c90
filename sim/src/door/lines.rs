//! A connection to the DUT control port: one text line in, one line out.
//!
//! Does no I/O. Binary frames on the same port are in `frames`. A line ends at NL; a CR before it is dropped. Empty lines are ignored.

use std::collections::VecDeque;

use crate::instruments::dut::{Line, Refusal};
use crate::post::Post;
use crate::scpi::session::{Host, Step};
use crate::world::World;

/// Longest line; what is beyond is not kept, and the line is no command.
const LINE_LIMIT: usize = 256;

/// One connection's state.
#[derive(Debug, Default)]
pub(super) struct LineSession {
    partial: Vec<u8>,
    lines: VecDeque<Vec<u8>>,
}

impl LineSession {
    pub(super) fn feed(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            if byte == b'\n' {
                self.lines.push_back(std::mem::take(&mut self.partial));
            } else if self.partial.len() <= LINE_LIMIT {
                self.partial.push(byte);
            }
        }
    }

    /// Whether nothing of a line has arrived that is not answered.
    pub(super) fn is_idle(&self) -> bool {
        self.partial.is_empty() && self.lines.is_empty()
    }

    pub(super) fn poll(&mut self, world: &mut World) -> Step {
        while let Some(line) = self.lines.pop_front() {
            let text = String::from_utf8_lossy(&line);
            if text.trim().is_empty() {
                continue;
            }
            if !world.begin_message() {
                return Step::Idle;
            }
            let command = Line::parse(&text).filter(|_| line.len() <= LINE_LIMIT);
            let mut answer = answer(command, world);
            world.settle();
            answer.push('\n');
            return Step::Reply(answer.into_bytes());
        }
        Step::Idle
    }
}

fn answer(command: Option<Line>, world: &mut World) -> String {
    let refused = |refusal: Refusal| refusal.line().to_owned();
    match command {
        Some(Line::Identify) => format!("id {}", world.identity_of(Post::DutPort)),
        Some(Line::IdentifyCommon) => world.identity_of(Post::DutPort),
        Some(Line::Read(address)) => {
            world.read_register(address).map_or_else(refused, |value| format!("= {value:04X}"))
        }
        Some(Line::Write(address, value)) => {
            world.write_register(address, value).map_or_else(refused, |()| "ok".to_owned())
        }
        None => refused(Refusal::UnknownCommand),
    }
}
