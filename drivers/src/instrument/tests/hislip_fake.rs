//! The fake behind HiSLIP, on in-process pipes: a server that keeps to IVI-6.1 and can be told to
//! misbehave below the level at which messages are disturbed.

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt, DuplexStream, duplex, split};
use tokio::sync::{mpsc, oneshot};

use super::fake::Fake;
use crate::transport::HislipLink;

/// Bytes of a header; IVI-6.1, 2.2.
const HEADER_BYTES: usize = 16;
/// Bytes of payload in one message of an answer, so that most blocks come in several.
const PART_BYTES: usize = 500;

/// What the server does to an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mischief {
    /// It comes only with the next question's, under the MessageID of its own.
    LateUnderItsId,
    /// Half of its first message comes, the rest when something else is asked.
    CutInPayload,
    /// It is withdrawn after its first part.
    Interrupted,
    /// One of the two connections ends.
    OneSocketDies,
    /// It does not come, and no device clear is acknowledged any more.
    NoClear,
    /// An error that the session survives comes instead.
    ErrorInstead,
}

impl Mischief {
    pub const ALL: [Mischief; 6] = [
        Mischief::LateUnderItsId,
        Mischief::CutInPayload,
        Mischief::Interrupted,
        Mischief::OneSocketDies,
        Mischief::NoClear,
        Mischief::ErrorInstead,
    ];
}

/// Type, MessageID and payload of a message.
type Message = (u8, u32, Vec<u8>);

/// A HiSLIP link to the fake; `draw` is asked for each answer what becomes of it.
pub fn link(
    fake: &Fake,
    draw: impl Fn() -> Option<Mischief> + Clone + Send + Sync + 'static,
) -> HislipLink {
    let fake = fake.clone();
    let mut second: Option<oneshot::Sender<DuplexStream>> = None;
    HislipLink::over_pipes("fake hislip", move || {
        let (ours, mut theirs) = duplex(1 << 16);
        // A session that ended before its second connection was made has dropped the other end.
        if let Some(waiting) = second.take() {
            match waiting.send(theirs) {
                Ok(()) => return Some(ours),
                Err(unused) => theirs = unused,
            }
        }
        let (sender, control) = oneshot::channel();
        second = Some(sender);
        fake.state().connections += 1;
        tokio::spawn(serve(theirs, control, fake.clone(), draw.clone()));
        Some(ours)
    })
}

/// One message as bytes.
fn message(kind: u8, control: u8, parameter: u32, payload: &[u8]) -> Vec<u8> {
    let mut bytes = vec![b'H', b'S', kind, control];
    bytes.extend(parameter.to_be_bytes());
    bytes.extend((payload.len() as u64).to_be_bytes());
    bytes.extend(payload);
    bytes
}

/// An answer in messages, the last with the end.
fn parts(id: u32, bytes: &[u8]) -> Vec<u8> {
    let count = bytes.len().div_ceil(PART_BYTES);
    let kind = |index: usize| if index + 1 == count { 7 } else { 6 };
    let chunks = bytes.chunks(PART_BYTES).enumerate();
    chunks.flat_map(|(index, part)| message(kind(index), 0, id, part)).collect()
}

async fn next(stream: &mut (impl AsyncRead + Unpin)) -> Option<Message> {
    let mut head = [0; HEADER_BYTES];
    stream.read_exact(&mut head).await.ok()?;
    let parameter = u32::from_be_bytes(head[4..8].try_into().ok()?);
    let length = u64::from_be_bytes(head[8..].try_into().ok()?);
    let mut payload = vec![0; usize::try_from(length).ok()?];
    stream.read_exact(&mut payload).await.ok()?;
    Some((head[2], parameter, payload))
}

/// Passes on what comes on a connection; in the end that there is nothing more.
async fn pump(mut stream: impl AsyncRead + Unpin, into: mpsc::UnboundedSender<Option<Message>>) {
    while let Some(message) = next(&mut stream).await {
        if into.send(Some(message)).is_err() {
            return;
        }
    }
    let _ = into.send(None);
}

/// One session.
async fn serve(
    mut sync: DuplexStream,
    control: oneshot::Receiver<DuplexStream>,
    fake: Fake,
    draw: impl Fn() -> Option<Mischief> + Send,
) -> Option<()> {
    let (0, _, device) = next(&mut sync).await? else { panic!("no Initialize") };
    assert_eq!(device, b"hislip0");
    sync.write_all(&message(1, 0, 0x0100_0007, b"")).await.ok()?;
    let (sync_reader, mut sync) = split(sync);
    let (control_reader, mut control) = split(control.await.ok()?);
    let (sender, mut came) = mpsc::unbounded_channel();
    // Sessions outlive no test: their readers end with the streams of the client.
    tokio::spawn(pump(sync_reader, sender.clone()));
    tokio::spawn(pump(control_reader, sender));
    let (mut text, mut late) = (Vec::new(), Vec::new());
    let (mut clearing, mut clears) = (false, true);
    while let Some((kind, id, payload)) = came.recv().await? {
        let beside = match kind {
            // AsyncInitialize, AsyncMaximumMessageSize, AsyncStatusQuery.
            17 => message(18, 0, 0x5A5A, b""),
            15 => message(16, 0, 0, &256u64.to_be_bytes()),
            21 => message(22, 0, 0, b""),
            19 if clears => {
                clearing = true;
                message(23, 0, 0, b"")
            }
            _ => Vec::new(),
        };
        control.write_all(&beside).await.ok()?;
        let out = match kind {
            8 => {
                clearing = false;
                (text, late) = (Vec::new(), Vec::new());
                message(9, 0, 0, b"")
            }
            // What was sent before the clear is not carried out any more.
            6 | 7 if clearing => continue,
            6 | 7 => {
                text.extend(payload);
                if kind == 6 {
                    continue;
                }
                let answer = fake.answer_to(std::mem::take(&mut text));
                let mut out = std::mem::take(&mut late);
                let drawn = if answer.is_empty() { None } else { draw() };
                clears &= drawn != Some(Mischief::NoClear);
                if drawn == Some(Mischief::OneSocketDies) {
                    // Which of the two it is changes with the question.
                    let dying: &mut (dyn tokio::io::AsyncWrite + Unpin + Send) =
                        if id & 2 == 0 { &mut sync } else { &mut control };
                    dying.shutdown().await.ok()?;
                    continue;
                }
                out.extend(disturbed(drawn, id, &answer, &mut late));
                out
            }
            _ => continue,
        };
        sync.write_all(&out).await.ok()?;
    }
    Some(())
}

/// What comes of an answer now; `late` is what comes before the next one.
fn disturbed(drawn: Option<Mischief>, id: u32, answer: &[u8], late: &mut Vec<u8>) -> Vec<u8> {
    let mut whole = parts(id, answer);
    let half = &answer[..answer.len().min(PART_BYTES) / 2];
    match drawn {
        None => whole,
        Some(Mischief::LateUnderItsId) => {
            *late = whole;
            Vec::new()
        }
        Some(Mischief::CutInPayload) => {
            *late = whole.split_off(HEADER_BYTES + half.len());
            whole
        }
        Some(Mischief::Interrupted) => {
            [message(6, 0, id, half), message(13, 0, id.wrapping_add(2), b"")].concat()
        }
        Some(Mischief::ErrorInstead) => message(3, 0, 0, b"not now"),
        Some(Mischief::NoClear | Mischief::OneSocketDies) => Vec::new(),
    }
}
