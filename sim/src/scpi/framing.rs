//! From a stream of bytes, in any chunks, to whole program messages.
//!
//! A message ends at NL, except inside a definite block, whose bytes may be anything: blocks are
//! found before anything is split (IEEE 488.2 ch. 7.7.6). A quoted string does not protect NL: on a
//! stream without an END line, NL is the only end there is, and an unclosed quote must not swallow
//! all that follows. Knows nothing of headers or of what a message means.

/// Longest message besides block data.
const TEXT_LIMIT: usize = 1 << 20;
/// Longest block that is kept; a longer one is read to its end and forgotten.
const BLOCK_LIMIT: usize = 1 << 28;

/// One program message without its terminator.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// To be executed.
    Whole(Vec<u8>),
    /// The text ran past the input buffer; nothing of it is kept.
    Overrun,
    /// A block was larger than the input buffer; nothing of the message is kept.
    BlockTooLarge,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    /// Before or in a header.
    Header,
    /// Behind the white space that follows a header.
    Data,
    /// After `#` in the data.
    BlockStart,
    /// In the length of a definite block: digits left, value so far.
    BlockLength { left: u8, value: usize },
    /// In the bytes of a definite block.
    Block { left: usize },
    /// Between quotes.
    Quote(u8),
}

/// The state between chunks.
#[derive(Debug)]
pub struct Framer {
    message: Vec<u8>,
    text: usize,
    place: Place,
    header_begun: bool,
    dropping: Option<Message>,
}

impl Default for Framer {
    fn default() -> Self {
        Self {
            message: Vec::new(),
            text: 0,
            place: Place::Header,
            header_begun: false,
            dropping: None,
        }
    }
}

impl Framer {
    /// Takes bytes from the front of `input` up to the end of one message. Answers how many were
    /// taken, and the message if its end was among them.
    pub fn take(&mut self, input: &[u8]) -> (usize, Option<Message>) {
        let mut taken = 0;
        while let Some(&byte) = input.get(taken) {
            if let Place::Block { left } = self.place {
                let run = left.min(input.len() - taken);
                self.keep_block(&input[taken..taken + run]);
                taken += run;
                self.place =
                    if left == run { Place::Data } else { Place::Block { left: left - run } };
                continue;
            }
            taken += 1;
            if byte == b'\n' {
                return (taken, Some(self.finish()));
            }
            self.keep_text(byte);
            self.place = self.next_place(byte);
        }
        (taken, None)
    }

    /// Whether the stream stands inside a definite block, which its end would cut short.
    pub fn in_block(&self) -> bool {
        matches!(self.place, Place::Block { .. } | Place::BlockLength { .. })
    }

    fn finish(&mut self) -> Message {
        let message = std::mem::take(&mut self.message);
        let dropped = self.dropping.take();
        *self = Self::default();
        dropped.unwrap_or(Message::Whole(message))
    }

    fn keep_text(&mut self, byte: u8) {
        self.text += 1;
        if self.text > TEXT_LIMIT {
            self.dropping.get_or_insert(Message::Overrun);
            self.message = Vec::new();
        }
        if self.dropping.is_none() {
            self.message.push(byte);
        }
    }

    fn keep_block(&mut self, bytes: &[u8]) {
        if self.dropping.is_none() {
            self.message.extend_from_slice(bytes);
        }
    }

    fn next_place(&mut self, byte: u8) -> Place {
        match self.place {
            Place::Quote(quote) if byte == quote => Place::Data,
            Place::Quote(quote) => Place::Quote(quote),
            Place::BlockStart => match byte {
                b'1'..=b'9' => Place::BlockLength { left: byte - b'0', value: 0 },
                _ => Place::Data,
            },
            Place::BlockLength { left, value } if byte.is_ascii_digit() => {
                self.block_length(left, value * 10 + usize::from(byte - b'0'))
            }
            Place::BlockLength { .. } => Place::Data,
            Place::Block { .. } | Place::Data | Place::Header if byte == b';' => {
                self.header_begun = false;
                Place::Header
            }
            Place::Header if is_white(byte) && self.header_begun => Place::Data,
            Place::Header => {
                self.header_begun |= !is_white(byte);
                Place::Header
            }
            Place::Data if byte == b'#' => Place::BlockStart,
            Place::Data if byte == b'"' || byte == b'\'' => Place::Quote(byte),
            Place::Data | Place::Block { .. } => Place::Data,
        }
    }

    fn block_length(&mut self, left: u8, value: usize) -> Place {
        if left > 1 {
            return Place::BlockLength { left: left - 1, value };
        }
        if value > BLOCK_LIMIT {
            self.dropping.get_or_insert(Message::BlockTooLarge);
            self.message = Vec::new();
        }
        if value == 0 { Place::Data } else { Place::Block { left: value } }
    }
}

/// White space of IEEE 488.2 ch. 7.4.1.2: control characters other than NL, and space.
pub fn is_white(byte: u8) -> bool {
    byte <= b' ' && byte != b'\n'
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The messages of `stream` when it comes in chunks of `chunk` bytes.
    fn messages(stream: &[u8], chunk: usize) -> Vec<Message> {
        let mut framer = Framer::default();
        let mut out = Vec::new();
        for piece in stream.chunks(chunk) {
            let mut rest = piece;
            while !rest.is_empty() {
                let (taken, message) = framer.take(rest);
                out.extend(message);
                rest = &rest[taken..];
            }
        }
        out
    }

    fn check_frames(stream: &[u8], expected: &[&[u8]]) {
        let expected: Vec<_> = expected.iter().map(|m| Message::Whole(m.to_vec())).collect();
        for chunk in 1..=stream.len() {
            assert_eq!(messages(stream, chunk), expected, "in chunks of {chunk}");
        }
    }

    #[test]
    fn messages_end_at_newline_only() {
        check_frames(b"*IDN?\nVOLT 1;CURR 2\r\n\n", &[b"*IDN?", b"VOLT 1;CURR 2\r", b""]);
    }

    #[test]
    fn block_bytes_are_not_looked_at() {
        // IEEE 488.2 ch. 7.7.6: a definite block may hold any byte.
        check_frames(b"TRAC A,#14\n;#\"\n*IDN?\n", &[b"TRAC A,#14\n;#\"", b"*IDN?"]);
        check_frames(b"TRAC A,#800000004\n\n\n\n;*OPC?\n", &[b"TRAC A,#800000004\n\n\n\n;*OPC?"]);
        check_frames(b"TRAC A,#10\nX\n", &[b"TRAC A,#10", b"X"]);
    }

    #[test]
    fn only_data_can_hold_blocks_and_quotes() {
        check_frames(b"#19\nA#3\n", &[b"#19", b"A#3"]);
        check_frames(b"A '#15;'\nB\n", &[b"A '#15;'", b"B"]);
        check_frames(b"A \"unclosed\nB\n", &[b"A \"unclosed", b"B"]);
        check_frames(b"A #H1F\nA #0ab\nB\n", &[b"A #H1F", b"A #0ab", b"B"]);
    }

    #[test]
    fn a_huge_block_is_read_over() {
        let mut framer = Framer::default();
        let head = b"TRAC A,#9999999999";
        assert_eq!(framer.take(head), (head.len(), None));
        assert!(framer.in_block());
        let mut left = 999_999_999usize;
        let zeros = vec![b'\n'; 1 << 24];
        while left > 0 {
            let run = left.min(zeros.len());
            assert_eq!(framer.take(&zeros[..run]), (run, None));
            left -= run;
        }
        assert_eq!(framer.take(b"\n*IDN?\n"), (1, Some(Message::BlockTooLarge)));
        assert_eq!(framer.take(b"*IDN?\n"), (6, Some(Message::Whole(b"*IDN?".to_vec()))));
    }

    #[test]
    fn endless_text_does_not_fill_the_memory() {
        let mut framer = Framer::default();
        for _ in 0..40 {
            assert_eq!(framer.take(&[b'A'; 1 << 16]), (1 << 16, None));
        }
        assert_eq!(framer.take(b"\n"), (1, Some(Message::Overrun)));
        assert!(framer.message.capacity() <= 2 * TEXT_LIMIT);
    }
}
