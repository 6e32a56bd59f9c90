//! One connection to one instrument: bytes in, replies out, units executed in order.
//!
//! Does no I/O and reads no clock: `poll` is called with the host, whose `busy` says what is
//! pending, and answers what the connection should do next.
//!
//! Choices where the standards leave room: a command error ends its message, an execution error
//! does not; a query that fails answers nothing; a query behind `*IDN?` in the same message is -440.

use std::collections::VecDeque;
use std::time::Duration;

use super::command::{Args, Command, Reply, Work};
use super::error::Fault;
use super::framing::{Framer, Message};
use super::front::Front;
use super::pattern::{Fit, Pattern};
use super::shared::{self, FrontCommand};
use super::unit::{Header, Unit, parse_unit};
use crate::faults::Disturbed;

/// What overlapped operations are pending.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Busy {
    /// None.
    No,
    /// The last of them ends at this time of the host's clock.
    Until(Duration),
    /// One waits for something that may never come.
    Open,
}

/// What an instrument offers to its sessions.
pub trait Host: Sized + 'static {
    /// The instrument's front.
    fn front(&mut self) -> &mut Front;
    /// Pending overlapped operations.
    fn busy(&self) -> Busy;
    /// Brings conditions and events up to date after a unit.
    fn settle(&mut self);
    /// `*RST`: settings to their documented defaults.
    fn reset(&mut self);
    /// `*IDN?`.
    fn identity(&self) -> String;
    /// A message is about to be carried out; `false` when it is lost instead.
    fn begin_message(&mut self) -> bool {
        true
    }
    /// A command form of the instrument's own is about to be carried out.
    fn begin_command(&mut self) {}
    /// It was carried out.
    fn end_command(&mut self) {}
}

/// What a connection should do next.
pub enum Step {
    /// Send these bytes in one go.
    Reply(Vec<u8>),
    /// Wait for more input.
    Idle,
    /// Wait until the time, if there is one, or until something changes at the instrument.
    Blocked(Option<Duration>),
    /// Do this, then ask again.
    Work(Work),
    /// Send this, which a fault has changed.
    Disturbed(Disturbed),
}

/// The table of an instrument, ready for look-up.
struct Table<D: 'static> {
    own: Vec<(Pattern, &'static Command<D>)>,
    shared: Vec<(Pattern, &'static FrontCommand)>,
}

/// One row that a header was found to mean.
enum Row<D: 'static> {
    Own(&'static Command<D>),
    Front(&'static FrontCommand),
}

/// One message on its way through execution.
#[derive(Default)]
struct Running {
    message: Vec<u8>,
    /// Where the next unit begins; `None` behind the last.
    next: Option<usize>,
    /// The current path: mnemonics as sent, without the last.
    path: Vec<String>,
    answers: Vec<Vec<u8>>,
    /// An answer that runs to the end of the message was given.
    ended: bool,
    /// `*OPC?` waits since this count of cancellations.
    waiting: Option<u64>,
}

/// One connection's state.
pub struct Session<D: 'static> {
    table: Table<D>,
    framer: Framer,
    input: VecDeque<Message>,
    running: Option<Running>,
}

/// Messages that may wait behind a blocked one before the connection stops reading.
const WAITING_LIMIT: usize = 64;

impl<D: Host> Session<D> {
    /// A fresh connection to an instrument with this command table.
    pub fn new(commands: &'static [Command<D>]) -> Self {
        let own = commands.iter().map(|c| (Pattern::new(c.header), c)).collect();
        let shared = shared::tree().map(|c| (Pattern::new(c.header), c)).collect();
        Self {
            table: Table { own, shared },
            framer: Framer::default(),
            input: VecDeque::new(),
            running: None,
        }
    }

    /// Takes bytes as they come, in any chunks.
    pub fn feed(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let (taken, message) = self.framer.take(bytes);
            self.input.extend(message);
            bytes = &bytes[taken..];
        }
    }

    /// Whether more input may be fed; if not, the connection should leave it on the line.
    pub fn wants_input(&self) -> bool {
        self.input.len() < WAITING_LIMIT
    }

    /// The other end is gone: a block that it did not finish is an error.
    pub fn hang_up(&mut self, host: &mut D) {
        if self.framer.in_block() {
            host.front().report(Fault::new(-161, "the connection ended inside a block"));
        }
    }

    /// The transport marked the end of a message: what is open ends as at NL. A block that is cut
    /// short by it is an error, and its message is dropped.
    pub fn end(&mut self, host: &mut D) {
        if self.framer.in_block() {
            host.front().report(Fault::new(-161, "the message ended inside a block"));
            self.framer = Framer::default();
        } else {
            self.feed(b"\n");
        }
    }

    /// Executes what can be executed now.
    pub fn poll(&mut self, host: &mut D) -> Step {
        loop {
            let mut running = match self.running.take() {
                Some(running) => running,
                None => match self.input.pop_front() {
                    None => return Step::Idle,
                    Some(message) if host.begin_message() => begin(message, host),
                    Some(_) => return Step::Idle,
                },
            };
            while let Some(at) = running.next {
                if let Some(step) = self.unit(&mut running, at, host) {
                    self.running = Some(running);
                    return step;
                }
                host.settle();
            }
            if !running.answers.is_empty() {
                let mut reply = running.answers.join(&b';');
                reply.push(b'\n');
                return Step::Reply(reply);
            }
        }
    }

    /// Executes the unit at `at` and moves on; a step means that it cannot be finished yet.
    fn unit(&self, running: &mut Running, at: usize, host: &mut D) -> Option<Step> {
        let message = std::mem::take(&mut running.message);
        let path = running.path.clone();
        let outcome = match parse_unit(&message[at..]) {
            Ok((unit, rest)) => {
                let next = rest.map(|rest| message.len() - rest.len());
                self.execute(&unit, running, host).inspect(|step| {
                    if step.is_none() {
                        running.next = next;
                    }
                })
            }
            Err(fault) => Err(fault),
        };
        let step = outcome.unwrap_or_else(|fault| {
            let next = if fault.is_command_error() { None } else { after(&message, at) };
            running.next = next;
            host.front().report(fault);
            None
        });
        running.message = message;
        if step.is_some() {
            // The unit is executed again when it can go on, from the path at which it was met.
            running.path = path;
        }
        step
    }

    fn execute(
        &self,
        unit: &Unit<'_>,
        running: &mut Running,
        host: &mut D,
    ) -> Result<Option<Step>, Fault> {
        if unit.header.query && running.ended {
            return Err(Fault::bare(-440));
        }
        let mut args = Args::new(&unit.data);
        if unit.header.common {
            return common(&unit.header, &mut args, running, host);
        }
        let row = self.table.find(&unit.header, &mut running.path)?;
        let waiting = !running.answers.is_empty();
        let undefined = || Fault::new(-113, shown(&unit.header));
        if !unit.header.query {
            let outcome = match row {
                Row::Own(command) => {
                    host.begin_command();
                    let outcome = command.set(host, &mut args);
                    host.end_command();
                    outcome
                }
                Row::Front(command) => command.set(host.front(), &mut args),
            };
            outcome.ok_or_else(undefined)??;
            return Ok(None);
        }
        let reply = match row {
            Row::Own(command) => command.query(host, &mut args),
            Row::Front(command) => {
                command.query(host.front(), &args, waiting).map(|text| text.map(Reply::from))
            }
        };
        match reply.ok_or_else(undefined)?? {
            Reply::Now(bytes) => {
                running.answers.push(bytes);
                Ok(None)
            }
            Reply::After(work) => Ok(Some(Step::Work(work))),
        }
    }
}

impl<D> Table<D> {
    /// The row of a header, under the path rule of SCPI-99 vol. 1 ch. 6.2.4: it continues in the
    /// node above the last one, of the header as sent.
    fn find(&self, header: &Header, path: &mut Vec<String>) -> Result<Row<D>, Fault> {
        if header.absolute {
            path.clear();
        }
        path.extend(header.nodes.iter().cloned());
        let sent: Vec<&str> = path.iter().map(String::as_str).collect();
        let mut wrong_suffix = false;
        let mut fits = |pattern: &Pattern| {
            let fit = pattern.fits(&sent);
            wrong_suffix |= fit == Fit::WrongSuffix;
            fit == Fit::Yes
        };
        let own = self.own.iter().find(|(pattern, _)| fits(pattern)).map(|(_, c)| Row::Own(c));
        let row = own.or_else(|| {
            self.shared.iter().find(|(pattern, _)| fits(pattern)).map(|(_, c)| Row::Front(c))
        });
        path.pop();
        row.ok_or_else(|| Fault::new(if wrong_suffix { -114 } else { -113 }, shown(header)))
    }
}

/// A message taken from the input; what could not be kept is an error and nothing else.
fn begin<D: Host>(message: Message, host: &mut D) -> Running {
    let fault = match message {
        Message::Whole(message) => {
            let empty = message.iter().all(|b| super::framing::is_white(*b));
            return Running { message, next: (!empty).then_some(0), ..Running::default() };
        }
        Message::Overrun => Fault::bare(-363),
        Message::BlockTooLarge => Fault::new(-223, "block larger than the input buffer"),
    };
    host.front().report(fault);
    host.settle();
    Running::default()
}

/// Where the unit behind the one at `at` begins.
fn after(message: &[u8], at: usize) -> Option<usize> {
    let (_, rest) = parse_unit(&message[at..]).ok()?;
    rest.map(|rest| message.len() - rest.len())
}

fn common<D: Host>(
    header: &Header,
    args: &mut Args<'_, '_>,
    running: &mut Running,
    host: &mut D,
) -> Result<Option<Step>, Fault> {
    let name = header.nodes.first().map_or("", String::as_str);
    match (name, header.query) {
        ("IDN", true) => {
            args.end()?;
            running.answers.push(host.identity().into_bytes());
            running.ended = true;
        }
        ("TST", true) => {
            args.end()?;
            running.answers.push(b"0".to_vec());
        }
        ("RST", false) => {
            args.end()?;
            host.reset();
            host.front().cancel_opc();
        }
        ("OPC", false) => {
            args.end()?;
            host.front().arm_opc();
        }
        ("OPC", true) => {
            args.end()?;
            return Ok(wait_for_completion(running, host));
        }
        ("WAI", false) => {
            args.end()?;
            return Ok(blocked(host));
        }
        _ => return front_command(header, name, args, running, host).map(|()| None),
    }
    Ok(None)
}

fn front_command<D: Host>(
    header: &Header,
    name: &str,
    args: &mut Args<'_, '_>,
    running: &mut Running,
    host: &mut D,
) -> Result<(), Fault> {
    let undefined = || Fault::new(-113, shown(header));
    let row = shared::COMMON.iter().find(|c| c.header == name).ok_or_else(undefined)?;
    if !header.query {
        return row.set(host.front(), args).ok_or_else(undefined)?;
    }
    let waiting = !running.answers.is_empty();
    let answer = row.query(host.front(), args, waiting).ok_or_else(undefined)??;
    running.answers.push(answer.into_bytes());
    Ok(())
}

/// `*OPC?`: the 1 comes once nothing is pending, and not at all when it was cancelled meanwhile.
fn wait_for_completion<D: Host>(running: &mut Running, host: &mut D) -> Option<Step> {
    let cancellations = host.front().cancellations();
    let since = *running.waiting.get_or_insert(cancellations);
    if since == cancellations {
        if let Some(step) = blocked(host) {
            return Some(step);
        }
        running.answers.push(b"1".to_vec());
    }
    running.waiting = None;
    None
}

fn blocked<D: Host>(host: &D) -> Option<Step> {
    match host.busy() {
        Busy::No => None,
        Busy::Until(time) => Some(Step::Blocked(Some(time))),
        Busy::Open => Some(Step::Blocked(None)),
    }
}

fn shown(header: &Header) -> String {
    let lead = if header.common { "*" } else { "" };
    format!("{lead}{}{}", header.nodes.join(":"), if header.query { "?" } else { "" })
}
