//! Messages of HiSLIP (IVI-6.1) as bytes: the header of 16, its types and codes.
//!
//! Knows the layout only: no sockets, no order of messages.

/// Bytes of a header.
pub(super) const HEADER_BYTES: usize = 16;
/// The two bytes that every header begins with.
const PROLOGUE: [u8; 2] = *b"HS";

/// A MessageID that fits any question.
pub(super) const UNKNOWN_ID: u32 = 0xFFFF_FFFF;
/// The MessageID of the first message after the start-up or a device clear.
pub(super) const FIRST_ID: u32 = 0xFFFF_FF00;
/// The MessageID grows by so much with each message.
pub(super) const ID_STEP: u32 = 2;

/// Bit of a feature bitmap: overlapped mode.
pub(super) const OVERLAPPED: u8 = 1;
/// Bits of InitializeResponse with which version 2.0 demands encryption.
pub(super) const ENCRYPTED: u8 = 0b110;
/// Control code of what a client sends: the answer before was handed over whole.
pub(super) const DELIVERED: u8 = 1;
/// Control code of Error: unknown message type.
pub(super) const UNKNOWN_TYPE: u8 = 1;
/// Control code of FatalError: badly formed header.
pub(super) const BAD_HEADER: u8 = 1;

/// Types of messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Initialize,
    InitializeResponse,
    FatalError,
    Error,
    Data,
    DataEnd,
    DeviceClearComplete,
    DeviceClearAcknowledge,
    Interrupted,
    AsyncInterrupted,
    AsyncMaximumMessageSize,
    AsyncMaximumMessageSizeResponse,
    AsyncInitialize,
    AsyncInitializeResponse,
    AsyncDeviceClear,
    AsyncServiceRequest,
    AsyncStatusQuery,
    AsyncStatusResponse,
    AsyncDeviceClearAcknowledge,
    /// Any other number.
    Other(u8),
}

/// Numbers of the types that this client sends or understands.
const KINDS: [(u8, Kind); 19] = [
    (0, Kind::Initialize),
    (1, Kind::InitializeResponse),
    (2, Kind::FatalError),
    (3, Kind::Error),
    (6, Kind::Data),
    (7, Kind::DataEnd),
    (8, Kind::DeviceClearComplete),
    (9, Kind::DeviceClearAcknowledge),
    (13, Kind::Interrupted),
    (14, Kind::AsyncInterrupted),
    (15, Kind::AsyncMaximumMessageSize),
    (16, Kind::AsyncMaximumMessageSizeResponse),
    (17, Kind::AsyncInitialize),
    (18, Kind::AsyncInitializeResponse),
    (19, Kind::AsyncDeviceClear),
    (20, Kind::AsyncServiceRequest),
    (21, Kind::AsyncStatusQuery),
    (22, Kind::AsyncStatusResponse),
    (23, Kind::AsyncDeviceClearAcknowledge),
];

impl Kind {
    fn of(number: u8) -> Self {
        let known = KINDS.iter().find(|(own, _)| *own == number);
        known.map_or(Kind::Other(number), |(_, kind)| *kind)
    }

    fn number(self) -> u8 {
        if let Kind::Other(number) = self {
            return number;
        }
        let known = KINDS.iter().find(|(_, kind)| *kind == self);
        known.map_or(u8::MAX, |(number, _)| *number)
    }
}

/// A header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Header {
    pub kind: Kind,
    pub control: u8,
    pub parameter: u32,
    pub payload_bytes: u64,
}

impl Header {
    /// A header without payload.
    pub fn new(kind: Kind, control: u8, parameter: u32) -> Self {
        Header { kind, control, parameter, payload_bytes: 0 }
    }

    /// As sent.
    pub fn emit(&self) -> [u8; HEADER_BYTES] {
        let mut bytes = [0; HEADER_BYTES];
        bytes[..2].copy_from_slice(&PROLOGUE);
        bytes[2] = self.kind.number();
        bytes[3] = self.control;
        bytes[4..8].copy_from_slice(&self.parameter.to_be_bytes());
        bytes[8..].copy_from_slice(&self.payload_bytes.to_be_bytes());
        bytes
    }

    /// `None` when the bytes do not begin as every header does.
    pub fn parse(bytes: &[u8; HEADER_BYTES]) -> Option<Self> {
        let [p0, p1, kind, control, i0, i1, i2, i3, l0, l1, l2, l3, l4, l5, l6, l7] = *bytes;
        ([p0, p1] == PROLOGUE).then(|| Header {
            kind: Kind::of(kind),
            control,
            parameter: u32::from_be_bytes([i0, i1, i2, i3]),
            payload_bytes: u64::from_be_bytes([l0, l1, l2, l3, l4, l5, l6, l7]),
        })
    }
}

/// What the control code of a FatalError means, for servers that send no text.
pub(super) fn fatal_meaning(code: u8) -> &'static str {
    match code {
        1 => "a badly formed header",
        2 => "the two connections are not both established",
        3 => "a wrong order at the start",
        4 => "too many clients; another one may hold the instrument",
        5 => "no secure connection",
        _ => "an error without a name",
    }
}

/// What the control code of an Error means, for servers that send no text.
pub(super) fn error_meaning(code: u8) -> &'static str {
    match code {
        1 => "unknown message type",
        2 => "unknown control code",
        3 => "unknown message of a vendor",
        4 => "message too large",
        5 => "authentication failed",
        _ => "an error without a name",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_header(header: Header, bytes: [u8; HEADER_BYTES]) {
        assert_eq!(header.emit(), bytes);
        assert_eq!(Header::parse(&bytes), Some(header));
    }

    /// IVI-6.1, 2.2 (header) and 6 (messages).
    #[test]
    fn headers_as_bytes_both_ways() {
        let header = Header { payload_bytes: 7, ..Header::new(Kind::Initialize, 0, 0x0100_5A5A) };
        check_header(header, *b"HS\x00\x00\x01\x00ZZ\0\0\0\0\0\0\0\x07");
        let header = Header::new(Kind::InitializeResponse, 1, 0x0100_0003);
        check_header(header, *b"HS\x01\x01\x01\x00\x00\x03\0\0\0\0\0\0\0\0");
        let header = Header { payload_bytes: 6, ..Header::new(Kind::DataEnd, 1, FIRST_ID) };
        check_header(header, *b"HS\x07\x01\xFF\xFF\xFF\x00\0\0\0\0\0\0\0\x06");
        let header = Header::new(Kind::AsyncStatusQuery, 0, 0xFFFF_FEFE);
        check_header(header, *b"HS\x15\x00\xFF\xFF\xFE\xFE\0\0\0\0\0\0\0\0");
        let header = Header { payload_bytes: u64::MAX, ..Header::new(Kind::Other(99), 255, 0) };
        check_header(header, *b"HS\x63\xFF\0\0\0\0\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF");
        assert_eq!(Header::parse(b"HT\0\0\0\0\0\0\0\0\0\0\0\0\0\0"), None);
        for (number, kind) in KINDS {
            assert_eq!((Kind::of(number), kind.number()), (kind, number));
        }
    }
}
