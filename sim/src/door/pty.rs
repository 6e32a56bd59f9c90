//! A pseudo-terminal as a serial line: any serial client opens its path.
//!
//! The line is raw: no echo, no line editing, no translation. Knows nothing of what passes.

use std::io;
use std::os::fd::OwnedFd;
use std::path::PathBuf;

use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::pty::openpty;
use nix::sys::termios::{BaudRate, SetArg, cfmakeraw, cfsetspeed, tcgetattr, tcsetattr};
use tokio::io::Join;
use tokio::net::unix::pipe::{Receiver, Sender};

/// Our end of a pseudo-terminal, and what keeps it alive.
#[derive(Debug)]
pub(super) struct SerialLine {
    /// Both directions of our end.
    pub(super) end: Join<Receiver, Sender>,
    /// Where clients open the line.
    pub(super) path: PathBuf,
    /// The clients' end, held open so that the line and its settings outlive a client that closes
    /// it.
    pub(super) held: OwnedFd,
}

/// Opens a fresh line at 115200 Bd (a pseudo-terminal carries bytes at any rate).
pub(super) fn open() -> io::Result<SerialLine> {
    let pair = openpty(None, None)?;
    let mut settings = tcgetattr(&pair.slave)?;
    cfmakeraw(&mut settings);
    cfsetspeed(&mut settings, BaudRate::B115200)?;
    tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
    let flags = OFlag::from_bits_truncate(fcntl(&pair.master, FcntlArg::F_GETFL)?);
    fcntl(&pair.master, FcntlArg::F_SETFL(flags | OFlag::O_NONBLOCK))?;
    let path = nix::unistd::ttyname(&pair.slave)?;
    // A terminal is read, written and watched like a pipe; tokio has no type of its own for it.
    let writer = Sender::from_owned_fd_unchecked(pair.master.try_clone()?)?;
    let reader = Receiver::from_owned_fd_unchecked(pair.master)?;
    Ok(SerialLine { end: tokio::io::join(reader, writer), path, held: pair.slave })
}
