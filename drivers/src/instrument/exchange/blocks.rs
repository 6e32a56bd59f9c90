//! Long blocks, piece by piece: constant memory, and a known way out when one ends in the middle.
//!
//! A block that was begun and not ended leaves a debt. Bytes that the instrument still has to send
//! are discarded while the line is drained; bytes that it still waits for are paid with zeros,
//! because whatever else is sent would disappear in the block. Where the link is opened anew
//! instead, both are void.

use std::time::Duration;

use tokio::time::Instant;

use super::super::stream::{BlockSource, Outlet, Transfer, failed_data};
use super::{BLOCK_PATIENCE, Exchange, InstrumentFault, bare};
use crate::message::{BLOCK_BYTES_MAX, Expect, MessageError, MessageFault, emit_block_header};
use crate::transport::{Pace, Part};

/// Bytes that are sent at once.
const PIECE_BYTES: usize = 256 << 10;

impl Exchange {
    /// Sends a command that ends in a block; NL is added. Nothing is sent when the block is longer
    /// than nine digits can say, or its first piece cannot be had.
    pub async fn send_block(
        &mut self,
        text: &[u8],
        source: &mut dyn BlockSource,
        timeout: Duration,
        transfer: &mut Transfer<'_>,
    ) -> Result<(), InstrumentFault> {
        let total = source.total_bytes();
        let header = emit_block_header(total)?;
        self.look_for_strays().await?;
        let mut piece = Vec::with_capacity(PIECE_BYTES + text.len() + header.len() + 1);
        piece.extend_from_slice(text);
        piece.extend_from_slice(header.as_bytes());
        transfer.note(0, Some(total));
        let mut left = total;
        fill(&mut piece, source, &mut left, total).await?;
        self.in_step = false;
        self.owed_bytes = total;
        let mut patience = Instant::now() + timeout * BLOCK_PATIENCE;
        loop {
            // What the instrument takes earns time, not what it was told to expect.
            let by = patience + self.travel_time(total - left);
            let part = if left == 0 { Part::Last } else { Part::Middle };
            if left == 0 {
                piece.push(b'\n');
            }
            let sent = self.link.send(&piece, part, Pace { by, idle: timeout }).await;
            sent.map_err(|mut error| {
                error.bytes += total - self.owed_bytes;
                bare(error)
            })?;
            self.owed_bytes = left;
            transfer.note(total - left, Some(total));
            if left == 0 {
                self.in_step = true;
                return Ok(());
            }
            piece.clear();
            let since = Instant::now();
            fill(&mut piece, source, &mut left, total).await?;
            patience += since.elapsed();
        }
    }

    /// Asks for a block whose data leave through the outlet; bytes of data.
    pub async fn ask_block(
        &mut self,
        message: &[u8],
        timeout: Duration,
        outlet: &mut Outlet<'_, '_>,
    ) -> Result<usize, InstrumentFault> {
        self.look_for_strays().await?;
        self.in_step = false;
        let expect = Expect::Block(BLOCK_BYTES_MAX);
        let answer = self.ask_through(message, expect, timeout, Some(outlet)).await?;
        if !answer.data.is_empty() {
            // Less than one unit is left: the block does not hold whole ones.
            let got = outlet.done() + answer.data.len();
            let announced = got.next_multiple_of(outlet.unit_bytes());
            let fault = MessageFault::BlockTooShort { got, announced };
            return Err(MessageError::new(fault, b"").into());
        }
        self.in_step = true;
        Ok(outlet.done())
    }

    /// Ends whatever message the instrument may be in the middle of.
    pub async fn end_message(&mut self, timeout: Duration) -> Result<(), InstrumentFault> {
        let mut by = Instant::now() + timeout;
        while self.owed_bytes > 0 {
            let zeros = vec![0; self.owed_bytes.min(PIECE_BYTES)];
            by += self.travel_time(zeros.len());
            let pace = Pace { by, idle: timeout };
            self.link.send(&zeros, Part::Middle, pace).await.map_err(bare)?;
            self.owed_bytes -= zeros.len();
        }
        self.send_unchecked(b"", timeout).await
    }

    /// On a new connection nobody waits for the rest of a block.
    pub(super) fn forget_blocks(&mut self) {
        self.owed_bytes = 0;
        self.due_bytes = 0;
    }
}

/// Appends data to a piece until it is full or the source is empty.
async fn fill(
    piece: &mut Vec<u8>,
    source: &mut dyn BlockSource,
    left: &mut usize,
    total: usize,
) -> Result<(), InstrumentFault> {
    while *left > 0 && piece.len() < PIECE_BYTES {
        let room = (PIECE_BYTES - piece.len()).min(*left);
        let before = piece.len();
        source.give(piece, room).await.map_err(|error| failed_data(&error))?;
        let given = piece.len().saturating_sub(before);
        if given == 0 || given > *left {
            let text = format!("{given} bytes given after {} of {total}", total - *left);
            return Err(InstrumentFault::Data(text));
        }
        *left -= given;
    }
    Ok(())
}
