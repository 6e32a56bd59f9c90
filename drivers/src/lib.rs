//! Drives laboratory instruments: transports, IEEE 488.2 messages, profiles and register maps.
//!
//! From the wire up: [`transport`] carries bytes, [`message`] makes sense of them, [`profile`] and
//! [`registers`] say in data files how settings become messages or register bits, and
//! [`instrument`] carries that out: it checks ranges before a byte is sent, reads the error queue
//! after every command and every setting back, and brings a disturbed link into step before it
//! sends anything else.
//!
//! Knows nothing of benches, sequences and signals.
//!
//! ```
//! use beamwarden_drivers::instrument::{Driver, Instrument};
//! use beamwarden_drivers::transport::PipeLink;
//! use beamwarden_drivers::value::Value;
//! use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream, duplex};
//!
//! /// A supply that says who it is, has no errors, and stands at 1.2 V whatever it is told.
//! async fn fake_supply(stream: DuplexStream) -> std::io::Result<()> {
//!     let mut lines = BufReader::new(stream);
//!     let mut line = String::new();
//!     while lines.read_line(&mut line).await? > 0 {
//!         let answer = match line.trim() {
//!             "*IDN?" => "Test Works,SUPPLY-1,0,0.1\n",
//!             "SYSTem:ERRor:NEXT?" => "0,\"No error\"\n",
//!             query if query.ends_with('?') => "1.2\n",
//!             _ => "",
//!         };
//!         lines.write_all(answer.as_bytes()).await?;
//!         line.clear();
//!     }
//!     Ok(())
//! }
//!
//! # #[tokio::main(flavor = "current_thread")]
//! # async fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let link = PipeLink::new("fake", || {
//!     let (ours, theirs) = duplex(4096);
//!     tokio::spawn(fake_supply(theirs));
//!     Some(ours)
//! });
//! let driver = Driver::load("scpi-supply.yaml", None, None)?;
//! let mut supply = Instrument::open("supply", Box::new(link), driver).await?;
//!
//! let applied = supply.set("voltage", &Value::Number(1.2)).await?;
//! assert!(applied.matched);
//! assert_eq!(supply.read("voltage_measured").await?, Value::Number(1.2));
//!
//! // Beyond the range of the profile: refused before anything is sent.
//! let refused = supply.set("voltage", &Value::Number(30.0)).await.unwrap_err();
//! assert!(refused.to_string().ends_with("30 V is outside 0 V to 3 V"));
//! # Ok(())
//! # }
//! ```

mod class;
mod decode;
pub mod fault;
pub mod frame;
pub mod fuzzing;
pub mod instrument;
pub mod marked;
pub mod message;
pub mod pattern;
pub mod profile;
pub mod quantity;
mod random;
pub mod registers;
pub mod shape;
pub mod transport;
pub mod value;

pub use class::Class;
