//! Where an answer ends: a line at NL, a block after its announced length.
//!
//! Takes bytes as they come, one at a time or many answers at once; decides, does no I/O. Inside
//! a block nothing is searched for: its bytes may hold any value. Data arrive where they stay, so
//! a long block is copied nowhere; or they are handed on in pieces, so that a block of any length
//! needs the memory of one piece.

use super::{BlockHeader, MessageError, MessageFault};

/// Longest line accepted where a block may come as well.
pub const LINE_BYTES_MAX: usize = 1 << 20;
/// How many bytes are asked for at once while it is not known how long the answer is.
const PIECE_BYTES: usize = 64 << 10;
/// Bytes of a block that is handed on in pieces.
const STREAM_PIECE_BYTES: usize = 256 << 10;

/// What kind of answer is due, and how long it may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Expect {
    /// A line of at most so many bytes.
    Line(usize),
    /// A definite block of at most so many bytes of data.
    Block(usize),
    /// A block of at most so many bytes if the answer begins with `#` and a digit, else a line of at
    /// most that many, and of [`LINE_BYTES_MAX`].
    Either(usize),
}

/// How far an answer is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// More bytes are needed.
    More,
    /// A block is complete; an end of line may still follow it.
    AllButEnd,
    /// The answer is complete.
    Done,
}

/// What is being read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Nothing is known yet.
    Start,
    Line,
    /// A block of this length; its header is already taken off the data.
    Block(usize),
    /// A block that lasts until the transport marks the end.
    UntilEnd,
    /// All data are there; the end of line after a block is not.
    Tail,
    Done,
}

/// Reads one answer from the bytes as they come.
#[derive(Debug)]
pub struct AnswerReader {
    expect: Expect,
    state: State,
    /// The answer so far; while in `Tail` and `Done` the data alone.
    data: Vec<u8>,
    /// What came after the data.
    rest: Vec<u8>,
    /// How much of a line was already searched for its end.
    searched: usize,
    is_block: bool,
    /// The end of line of an earlier block may still come first.
    newline_owed: bool,
    /// Most bytes of a block's data that are kept.
    keep_max: usize,
    /// Bytes of a block's data that were handed on and are no longer in `data`.
    handed_on: usize,
    /// The transport marks the end of a message.
    end_is_marked: bool,
}

impl AnswerReader {
    /// A reader for one answer.
    #[must_use]
    pub fn new(expect: Expect) -> Self {
        AnswerReader {
            expect,
            state: State::Start,
            data: Vec::new(),
            rest: Vec::new(),
            searched: 0,
            is_block: false,
            newline_owed: false,
            keep_max: usize::MAX,
            handed_on: 0,
            end_is_marked: false,
        }
    }

    /// The same reader for a block whose data are taken off in pieces while it comes:
    /// [`AnswerReader::piece`] and [`AnswerReader::drop_piece`] after each
    /// [`AnswerReader::advance`].
    #[must_use]
    pub fn in_pieces(self) -> Self {
        AnswerReader { keep_max: STREAM_PIECE_BYTES, ..self }
    }

    /// A reader after a block whose end of line had not come: one may stand before this answer.
    #[must_use]
    pub fn after_bare_block(expect: Expect) -> Self {
        AnswerReader { newline_owed: true, ..AnswerReader::new(expect) }
    }

    /// From now on `#0` is a block: the transport marks the end of a message. Without such a mark
    /// a block of indefinite length is refused, as nothing would tell where it ends.
    pub fn accept_indefinite(&mut self) {
        self.end_is_marked = true;
    }

    /// Where the next bytes are to be appended, and how many at most.
    pub fn room(&mut self) -> (&mut Vec<u8>, usize) {
        match self.state {
            State::Block(length) => {
                let missing = (length - self.data.len()).min(self.keep_max);
                // Memory grows with what has arrived, not with what was announced: to twice as much,
                // so that the bytes are moved but once or twice where memory cannot be extended.
                let grow = self.data.len().max(PIECE_BYTES).min(missing);
                if self.data.capacity() - self.data.len() < grow.min(PIECE_BYTES) {
                    self.data.reserve_exact(grow);
                }
                (&mut self.data, missing)
            }
            State::Tail | State::Done => {
                self.rest.reserve(PIECE_BYTES);
                (&mut self.rest, PIECE_BYTES)
            }
            State::Start | State::Line | State::UntilEnd => {
                self.data.reserve(PIECE_BYTES);
                (&mut self.data, PIECE_BYTES)
            }
        }
    }

    /// Looks at what was appended since the last call; `end` says that the transport marked the
    /// last byte as the end of the message.
    ///
    /// # Errors
    /// [`MessageError`] when the bytes cannot become the answer that is due. The link is then out
    /// of step.
    pub fn advance(&mut self, end: bool) -> Result<Step, MessageError> {
        if self.state == State::Start {
            if self.newline_owed && !self.drop_newline() {
                return Ok(Step::More);
            }
            self.begin(end)?;
        }
        match self.state {
            State::Start => Ok(Step::More),
            State::Line => self.advance_line(end),
            State::Block(length) => self.advance_block(length, end),
            State::UntilEnd => self.advance_until_end(end),
            State::Tail => Ok(self.advance_tail(end)),
            State::Done => Ok(Step::Done),
        }
    }

    /// Appends bytes and looks at them: for whoever already holds the bytes.
    ///
    /// # Errors
    /// As [`AnswerReader::advance`].
    pub fn feed(&mut self, mut bytes: &[u8], end: bool) -> Result<Step, MessageError> {
        loop {
            let (room, at_most) = self.room();
            let (now, later) = bytes.split_at(bytes.len().min(at_most));
            room.extend_from_slice(now);
            bytes = later;
            let step = self.advance(end && bytes.is_empty())?;
            if bytes.is_empty() {
                return Ok(step);
            }
        }
    }

    /// Whether the answer is a block.
    #[must_use]
    pub fn is_block(&self) -> bool {
        self.is_block
    }

    /// Bytes of data so far and, for a block, in all.
    #[must_use]
    pub fn progress(&self) -> (usize, Option<usize>) {
        match self.state {
            State::Block(length) => {
                (self.handed_on + self.data.len(), Some(self.handed_on + length))
            }
            _ => (self.handed_on + self.data.len(), None),
        }
    }

    /// Bytes of data that the block announces; `None` for a line, for a block without length, and
    /// while nothing is known yet.
    #[must_use]
    pub fn announced(&self) -> Option<usize> {
        match self.state {
            State::Block(length) => Some(self.handed_on + length),
            State::Tail => Some(self.handed_on + self.data.len()),
            State::Done if self.is_block => Some(self.handed_on + self.data.len()),
            _ => None,
        }
    }

    /// The data of a block that are here and were not handed on, as whole units of so many bytes.
    #[must_use]
    pub fn piece(&self, unit_bytes: usize) -> &[u8] {
        let data = match self.state {
            _ if !self.is_block => 0,
            // The last byte may turn out to be the end of line.
            State::UntilEnd => self.data.len().saturating_sub(1),
            _ => self.data.len(),
        };
        &self.data[..data - data % unit_bytes.max(1)]
    }

    /// Forgets so many bytes of the data of a block, which were handed on.
    pub fn drop_piece(&mut self, bytes: usize) {
        let bytes = self.piece(1).len().min(bytes);
        self.data.drain(..bytes);
        self.handed_on += bytes;
        if let State::Block(length) = &mut self.state {
            *length -= bytes;
        }
    }

    /// What has arrived so far, for messages about an answer that never became complete.
    #[must_use]
    pub fn so_far(&self) -> &[u8] {
        &self.data
    }

    /// The answer, a line without its end, and the bytes that came after it.
    #[must_use]
    pub fn finish(self) -> (Vec<u8>, Vec<u8>) {
        (self.data, self.rest)
    }

    /// Drops one end of line from the start; false when more bytes are needed to tell.
    fn drop_newline(&mut self) -> bool {
        let bytes = match self.data[..] {
            [] | [b'\r'] => return false,
            [b'\n', ..] => 1,
            [b'\r', b'\n', ..] => 2,
            _ => 0,
        };
        self.data.drain(..bytes);
        self.newline_owed = false;
        true
    }

    fn fail(&self, fault: MessageFault) -> MessageError {
        MessageError::new(fault, &self.data)
    }

    /// Decides between line and block by the first bytes.
    fn begin(&mut self, end: bool) -> Result<(), MessageError> {
        let limit = match self.expect {
            Expect::Line(_) => {
                self.state = State::Line;
                return Ok(());
            }
            Expect::Either(limit) => {
                let digit = self.data.get(1).map(u8::is_ascii_digit);
                match self.data.first() {
                    Some(b'#') if digit == Some(true) => {}
                    Some(b'#') if digit.is_none() && !end => return Ok(()),
                    None if !end => return Ok(()),
                    _ => {
                        self.state = State::Line;
                        return Ok(());
                    }
                }
                limit
            }
            Expect::Block(limit) => limit,
        };
        match BlockHeader::parse(&self.data)? {
            None if end => Err(self.fail(MessageFault::NotABlock)),
            None => Ok(()),
            Some(BlockHeader::Indefinite) if !self.end_is_marked && !end => {
                Err(self.fail(MessageFault::IndefiniteBlock))
            }
            Some(BlockHeader::Indefinite) => {
                self.data.drain(..2);
                self.is_block = true;
                self.state = State::UntilEnd;
                Ok(())
            }
            Some(BlockHeader::Definite { data_bytes, .. }) if data_bytes > limit => {
                Err(self.fail(MessageFault::BlockTooLong { announced: data_bytes, limit }))
            }
            Some(BlockHeader::Definite { data_bytes, header_bytes }) => {
                self.data.drain(..header_bytes);
                self.is_block = true;
                self.state = State::Block(data_bytes);
                Ok(())
            }
        }
    }

    fn advance_line(&mut self, end: bool) -> Result<Step, MessageError> {
        let limit = match self.expect {
            Expect::Line(limit) | Expect::Block(limit) => limit,
            Expect::Either(limit) => limit.min(LINE_BYTES_MAX),
        };
        let newline = self.data[self.searched..].iter().position(|byte| *byte == b'\n');
        match newline {
            Some(offset) => {
                let at = self.searched + offset;
                self.rest = self.data.split_off(at + 1);
                self.data.truncate(at);
            }
            None if end => {}
            None if self.data.len() > limit => {
                return Err(self.fail(MessageFault::LineTooLong { limit }));
            }
            None => {
                self.searched = self.data.len();
                return Ok(Step::More);
            }
        }
        if self.data.len() > limit {
            return Err(self.fail(MessageFault::LineTooLong { limit }));
        }
        if self.data.last() == Some(&b'\r') {
            self.data.pop();
        }
        self.state = State::Done;
        Ok(Step::Done)
    }

    fn advance_block(&mut self, length: usize, end: bool) -> Result<Step, MessageError> {
        if self.data.len() < length {
            if end {
                let (got, announced) = (self.handed_on + self.data.len(), self.handed_on + length);
                return Err(self.fail(MessageFault::BlockTooShort { got, announced }));
            }
            return Ok(Step::More);
        }
        self.rest = self.data.split_off(length);
        self.state = State::Tail;
        Ok(self.advance_tail(end))
    }

    /// Takes one end of line, with or without CR, off what follows a block.
    fn advance_tail(&mut self, end: bool) -> Step {
        let newline = match self.rest[..] {
            [b'\n', ..] => Some(1),
            [b'\r', b'\n', ..] => Some(2),
            [] | [b'\r'] if !end => None,
            _ => Some(0),
        };
        match newline {
            None => Step::AllButEnd,
            Some(bytes) => {
                self.rest.drain(..bytes);
                self.state = State::Done;
                Step::Done
            }
        }
    }

    fn advance_until_end(&mut self, end: bool) -> Result<Step, MessageError> {
        let limit = match self.expect {
            Expect::Line(limit) | Expect::Either(limit) | Expect::Block(limit) => limit,
        };
        let announced = self.handed_on + self.data.len();
        if announced > limit.saturating_add(1) {
            return Err(self.fail(MessageFault::BlockTooLong { announced, limit }));
        }
        if !end {
            return Ok(Step::More);
        }
        if self.data.last() == Some(&b'\n') {
            self.data.pop();
        }
        self.state = State::Done;
        Ok(Step::Done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Feeds in pieces of the given size, as a link without marks of the end delivers them.
    fn read(
        expect: Expect,
        bytes: &[u8],
        piece: usize,
    ) -> Result<(Step, AnswerReader), MessageError> {
        let mut reader = AnswerReader::new(expect);
        let mut step = Step::More;
        for part in bytes.chunks(piece) {
            step = reader.feed(part, false)?;
        }
        Ok((step, reader))
    }

    #[track_caller]
    fn check_answer(expect: Expect, bytes: &[u8], step: Step, data: &[u8], rest: &[u8]) {
        for piece in [1, 2, 3, 7, 1 << 20] {
            let (got, reader) = read(expect, bytes, piece).unwrap();
            assert_eq!(got, step, "pieces of {piece}");
            assert_eq!(reader.finish(), (data.to_vec(), rest.to_vec()), "pieces of {piece}");
        }
    }

    #[test]
    fn lines_end_at_newline_and_blocks_after_their_length() {
        use Step::{AllButEnd, Done, More};
        let line = Expect::Line(100);
        let block = Expect::Block(100);
        let either = Expect::Either(100);
        check_answer(line, b"1.0E+00\n", Done, b"1.0E+00", b"");
        check_answer(line, b"1\r\n", Done, b"1", b"");
        check_answer(line, b"\n", Done, b"", b"");
        check_answer(line, b"1.0E", More, b"1.0E", b"");
        check_answer(line, b"1\n2\n", Done, b"1", b"2\n");
        check_answer(block, b"#15\n#;,\r\n", Done, b"\n#;,\r", b"");
        check_answer(block, b"#15\n#;,\n", AllButEnd, b"\n#;,\n", b"");
        check_answer(block, b"#800000003abc\r\n", Done, b"abc", b"");
        check_answer(block, b"#10\n", Done, b"", b"");
        check_answer(block, b"#13ab", More, b"ab", b"");
        check_answer(block, b"#13abcd", Done, b"abc", b"d");
        check_answer(block, b"#13abc\n1\n", Done, b"abc", b"1\n");
        check_answer(either, b"#13abc\n", Done, b"abc", b"");
        check_answer(either, b"#H1F\n", Done, b"#H1F", b"");
        check_answer(either, b"abc\n", Done, b"abc", b"");
    }

    #[track_caller]
    fn check_refused(expect: Expect, bytes: &[u8], fault: &MessageFault) {
        for piece in [1, 1 << 20] {
            let error = read(expect, bytes, piece).map(|(step, _)| step).unwrap_err();
            assert_eq!(&error.fault, fault, "pieces of {piece}");
        }
    }

    #[test]
    fn junk_is_an_error_with_its_text() {
        check_refused(Expect::Block(9), b"-230,\"stale\"\n", &MessageFault::NotABlock);
        check_refused(Expect::Block(9), b"#x", &MessageFault::NotABlock);
        let fault = MessageFault::BlockTooLong { announced: 10, limit: 9 };
        check_refused(Expect::Block(9), b"#210", &fault);
        check_refused(Expect::Line(4), b"12345\n", &MessageFault::LineTooLong { limit: 4 });
        check_refused(Expect::Line(4), b"123456789", &MessageFault::LineTooLong { limit: 4 });
        let error = read(Expect::Block(9), b"OVLD\n", 9).map(|_| ()).unwrap_err();
        assert_eq!(error.to_string(), "not a block of bytes, in 'OVLD\\n'");
    }

    #[test]
    fn the_mark_of_the_end_ends_every_kind_of_answer() {
        let end = |expect, bytes: &[u8]| {
            let mut reader = AnswerReader::new(expect);
            reader.feed(bytes, true).map(|step| (step, reader.finish().0))
        };
        assert_eq!(end(Expect::Line(9), b"1").unwrap(), (Step::Done, b"1".to_vec()));
        assert_eq!(end(Expect::Block(9), b"#0a\nb\n").unwrap(), (Step::Done, b"a\nb".to_vec()));
        assert_eq!(end(Expect::Block(9), b"#12ab").unwrap(), (Step::Done, b"ab".to_vec()));
        assert_eq!(end(Expect::Either(9), b"#").unwrap(), (Step::Done, b"#".to_vec()));
        let short = end(Expect::Block(9), b"#14ab").unwrap_err();
        assert_eq!(short.fault, MessageFault::BlockTooShort { got: 2, announced: 4 });
        let mut reader = AnswerReader::new(Expect::Block(2));
        reader.accept_indefinite();
        let empty = reader.feed(b"#0abcd", false).unwrap_err();
        assert_eq!(empty.fault, MessageFault::BlockTooLong { announced: 4, limit: 2 });
    }

    /// On links that mark no end nothing tells where such a block ends (IEEE 488.2, 8.7.10: NL with
    /// END); where the mark came with the first bytes it is known all the same.
    #[test]
    fn blocks_of_indefinite_length_need_the_mark_of_the_end() {
        for expect in [Expect::Block(9), Expect::Either(9)] {
            let error = read(expect, b"#0ab\n", 2).map(|_| ()).unwrap_err();
            assert_eq!(error.fault, MessageFault::IndefiniteBlock);
            let mut reader = AnswerReader::new(expect);
            reader.accept_indefinite();
            assert_eq!(reader.feed(b"#0a\n", false).unwrap(), Step::More);
            assert_eq!(reader.feed(b"b\n", true).unwrap(), Step::Done);
            assert!(reader.is_block());
            assert_eq!(reader.finish(), (b"a\nb".to_vec(), Vec::new()));
        }
    }

    #[test]
    fn a_late_end_of_line_belongs_to_the_block_before() {
        for (bytes, data) in [(&b"\n1\n"[..], b"1"), (b"\r\n1\n", b"1"), (b"1\n", b"1")] {
            let mut reader = AnswerReader::after_bare_block(Expect::Line(9));
            let mut step = Step::More;
            for byte in bytes {
                step = reader.feed(&[*byte], false).unwrap();
            }
            assert_eq!((step, reader.finish().0), (Step::Done, data.to_vec()));
        }
    }

    #[track_caller]
    fn check_pieces(bytes: &[u8], end: bool, unit: usize, data: &[u8]) {
        let mut reader = AnswerReader::new(Expect::Block(1 << 20)).in_pieces();
        if end {
            reader.accept_indefinite();
        }
        let (mut got, mut step) = (Vec::new(), Step::More);
        for (i, byte) in bytes.iter().enumerate() {
            step = reader.feed(&[*byte], end && i + 1 == bytes.len()).unwrap();
            let piece = reader.piece(unit);
            assert!(piece.len().is_multiple_of(unit));
            got.extend_from_slice(piece);
            let taken = piece.len();
            reader.drop_piece(taken);
            assert!(reader.so_far().len() <= unit.max(12), "{:?}", reader.so_far());
        }
        assert_eq!((step, reader.progress().0), (Step::Done, data.len()));
        got.extend_from_slice(&reader.finish().0);
        assert_eq!(got, data);
    }

    #[test]
    fn a_block_may_be_taken_off_in_pieces() {
        check_pieces(b"#15\n#;,\r\n", false, 1, b"\n#;,\r");
        check_pieces(b"#15\n#;,\r\n", false, 2, b"\n#;,\r");
        check_pieces(b"#10\n", false, 4, b"");
        check_pieces(b"#0abcdefghijkl\n\n", true, 1, b"abcdefghijkl\n");
        check_pieces(b"#0abcdefghijkl", true, 5, b"abcdefghijkl");
        // Data with nothing to take off: a line has no pieces.
        let mut reader = AnswerReader::new(Expect::Either(9)).in_pieces();
        assert_eq!(reader.feed(b"12", false).unwrap(), Step::More);
        assert!(reader.piece(1).is_empty());
    }

    #[test]
    fn memory_follows_what_arrived_not_what_was_announced() {
        let mut reader = AnswerReader::new(Expect::Block(999_999_999));
        assert_eq!(reader.feed(b"#9999999999ab", false).unwrap(), Step::More);
        let (room, at_most) = reader.room();
        assert_eq!(at_most, 999_999_997);
        assert!(room.capacity() < 1 << 20, "{}", room.capacity());
    }

    /// Lengths beside which fixed-size readers are known to stumble.
    #[test]
    fn blocks_of_awkward_lengths() {
        for length in [20_479, 20_480, 20_481, 65_535, 65_536, 65_537, 1_048_575, 1_048_577] {
            let data: Vec<u8> = (0..length).map(|i: usize| i as u8).collect();
            let mut bytes = super::super::emit_block_header(length).unwrap().into_bytes();
            bytes.extend_from_slice(&data);
            bytes.push(b'\n');
            for piece in [1460, 20_480, 65_536] {
                let (step, reader) = read(Expect::Block(2 << 20), &bytes, piece).unwrap();
                assert_eq!(step, Step::Done);
                let (got, rest) = reader.finish();
                assert!(got == data && rest.is_empty(), "{length} in pieces of {piece}");
            }
        }
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..60), piece in 1..8usize) {
            for expect in [Expect::Line(20), Expect::Block(20), Expect::Either(20)] {
                let _ = read(expect, &bytes, piece);
            }
        }

        #[test]
        fn pieces_do_not_matter(data in proptest::collection::vec(any::<u8>(), 0..200), piece in 1..50usize) {
            let mut bytes = super::super::emit_block_header(data.len()).unwrap().into_bytes();
            bytes.extend_from_slice(&data);
            bytes.push(b'\n');
            let (step, reader) = read(Expect::Either(200), &bytes, piece).unwrap();
            prop_assert_eq!(step, Step::Done);
            prop_assert_eq!(reader.finish(), (data, Vec::new()));
        }
    }
}
