//! Command tables: what a header does, as data; and the commands that every instrument has.
//!
//! Knows no instrument: the host type is a parameter.

use std::sync::Arc;

use super::error::Fault;
use super::pattern::{is_form_of, short_form};
use super::quantity::{Unit, nr1, nr3};
use super::unit::Datum;

/// What carrying out a command yields.
pub type Outcome<T> = Result<T, Fault>;

/// Work that a reply waits for and that needs nobody's attention meanwhile.
pub type Work = Arc<dyn Fn() + Send + Sync>;

/// The answer to a query.
pub enum Reply {
    /// This.
    Now(Vec<u8>),
    /// Ask again when the work is done.
    After(Work),
}

impl std::fmt::Debug for Reply {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Now(bytes) => write!(f, "Now({} bytes)", bytes.len()),
            Self::After(_) => f.write_str("After"),
        }
    }
}

impl From<String> for Reply {
    fn from(text: String) -> Self {
        Self::Now(text.into_bytes())
    }
}

/// The data of one unit, taken from the front.
#[derive(Debug)]
pub struct Args<'u, 'm> {
    data: std::slice::Iter<'u, Datum<'m>>,
}

impl<'u, 'm> Args<'u, 'm> {
    /// The data of a unit.
    pub fn new(data: &'u [Datum<'m>]) -> Self {
        Self { data: data.iter() }
    }

    fn next(&mut self) -> Outcome<&'u Datum<'m>> {
        self.data.next().ok_or_else(|| Fault::bare(-109))
    }

    /// Nothing may be left.
    pub fn end(&self) -> Outcome<()> {
        if self.data.len() == 0 { Ok(()) } else { Err(Fault::bare(-108)) }
    }

    /// Whether nothing is left.
    pub fn is_empty(&self) -> bool {
        self.data.len() == 0
    }

    /// A number in `unit`, or MINimum or MAXimum, within `limits`.
    pub fn number(&mut self, unit: Unit, limits: (f64, f64)) -> Outcome<f64> {
        let value = match self.next()? {
            Datum::Number { value, suffix } => unit.convert(*value, suffix.as_deref())?,
            Datum::Word(word) => return extreme(word, limits),
            Datum::Text(_) => return Err(Fault::bare(-158)),
            Datum::Block(_) => return Err(Fault::bare(-104)),
            Datum::Expression => return Err(Fault::bare(-178)),
        };
        if value >= limits.0 && value <= limits.1 {
            return Ok(value);
        }
        Err(Fault::new(
            -222,
            format!("{} is outside {} to {}", nr3(value), nr3(limits.0), nr3(limits.1)),
        ))
    }

    /// ON, OFF or a number that is rounded (SCPI-99 vol. 1 ch. 7.3).
    pub fn switch(&mut self) -> Outcome<bool> {
        match self.next()? {
            Datum::Word(word) if word == "ON" => Ok(true),
            Datum::Word(word) if word == "OFF" => Ok(false),
            Datum::Word(word) => Err(Fault::new(-224, word)),
            Datum::Number { suffix: Some(suffix), .. } => Err(Fault::new(-138, suffix)),
            Datum::Number { value, .. } => Ok(value.round() != 0.0),
            other => Err(not_allowed(other)),
        }
    }

    /// One of `words`, in long or short form: its place in the list.
    pub fn choice(&mut self, words: &[&str]) -> Outcome<usize> {
        match self.next()? {
            Datum::Word(word) => words
                .iter()
                .position(|notation| is_form_of(word, notation))
                .ok_or_else(|| Fault::new(-224, word)),
            other => Err(not_allowed(other)),
        }
    }

    /// A name: character data or a string; upper case.
    pub fn name(&mut self) -> Outcome<String> {
        match self.next()? {
            Datum::Word(word) => Ok(word.clone()),
            Datum::Text(text) if !text.is_empty() => Ok(text.to_ascii_uppercase()),
            Datum::Text(_) => Err(Fault::bare(-151)),
            other => Err(not_allowed(other)),
        }
    }

    /// The bytes of a definite block.
    pub fn block(&mut self) -> Outcome<&'m [u8]> {
        match self.next()? {
            Datum::Block(bytes) => Ok(bytes),
            other => Err(not_allowed(other)),
        }
    }
}

fn extreme(word: &str, limits: (f64, f64)) -> Outcome<f64> {
    match word {
        "MIN" | "MINIMUM" => Ok(limits.0),
        "MAX" | "MAXIMUM" => Ok(limits.1),
        _ => Err(Fault::new(-224, word)),
    }
}

/// The fault of a datum of a type that the place does not take.
fn not_allowed(datum: &Datum<'_>) -> Fault {
    Fault::bare(match datum {
        Datum::Number { .. } => -128,
        Datum::Word(_) => -148,
        Datum::Text(_) => -158,
        Datum::Block(_) => -168,
        Datum::Expression => -178,
    })
}

/// What a header does.
pub enum Act<D: 'static> {
    /// A number that can be set and asked, with MINimum and MAXimum in both forms.
    Number {
        /// Its unit.
        unit: Unit,
        /// Least and greatest value in the present state.
        limits: fn(&D) -> (f64, f64),
        /// The value in force, or what was measured.
        get: fn(&D) -> f64,
        /// Takes a value within the limits.
        set: fn(&mut D, f64) -> Outcome<()>,
    },
    /// The same for whole numbers: rounded when set, NR1 when asked.
    Integer {
        /// Least and greatest value in the present state.
        limits: fn(&D) -> (f64, f64),
        /// The value in force.
        get: fn(&D) -> f64,
        /// Takes a value within the limits.
        set: fn(&mut D, f64) -> Outcome<()>,
    },
    /// ON or OFF.
    Switch {
        /// The state.
        get: fn(&D) -> bool,
        /// Takes the state.
        set: fn(&mut D, bool) -> Outcome<()>,
    },
    /// One of a list of words.
    Word {
        /// The words, short form in upper case.
        words: &'static [&'static str],
        /// Place in the list.
        get: fn(&D) -> usize,
        /// Takes the place in the list.
        set: fn(&mut D, usize) -> Outcome<()>,
    },
    /// A query without a command form.
    Query(fn(&mut D, &mut Args<'_, '_>) -> Outcome<Reply>),
    /// A command without a query form.
    Event(fn(&mut D, &mut Args<'_, '_>) -> Outcome<()>),
    /// Both forms, of their own kind.
    Both(
        fn(&mut D, &mut Args<'_, '_>) -> Outcome<()>,
        fn(&mut D, &mut Args<'_, '_>) -> Outcome<Reply>,
    ),
    /// A number that can be asked, with its limits, in the unit of the answer.
    Reading(fn(&mut D) -> f64),
}

/// One row of a command table.
pub struct Command<D: 'static> {
    /// The header in the standard's notation.
    pub header: &'static str,
    /// What it does.
    pub act: Act<D>,
}

impl<D> Command<D> {
    /// Executes the command form; the header has none: `None`.
    pub fn set(&self, host: &mut D, args: &mut Args<'_, '_>) -> Option<Outcome<()>> {
        Some(match &self.act {
            Act::Number { unit, limits, set, .. } => args
                .number(*unit, limits(host))
                .and_then(|v| args.end().and_then(|()| set(host, v))),
            Act::Integer { limits, set, .. } => args
                .number(Unit::Plain, limits(host))
                .and_then(|v| args.end().and_then(|()| set(host, v.round()))),
            Act::Switch { set, .. } => {
                args.switch().and_then(|on| args.end().and_then(|()| set(host, on)))
            }
            Act::Word { words, set, .. } => {
                args.choice(words).and_then(|at| args.end().and_then(|()| set(host, at)))
            }
            Act::Event(event) | Act::Both(event, _) => event(host, args),
            Act::Query(_) | Act::Reading(_) => return None,
        })
    }

    /// Executes the query form; the header has none: `None`.
    pub fn query(&self, host: &mut D, args: &mut Args<'_, '_>) -> Option<Outcome<Reply>> {
        Some(match &self.act {
            Act::Number { limits, get, .. } => {
                ask(args, limits(host), get(host)).map(|v| nr3(v).into())
            }
            Act::Integer { limits, get, .. } => {
                ask(args, limits(host), get(host)).map(|v| nr1(v).into())
            }
            Act::Switch { get, .. } => args.end().map(|()| u8::from(get(host)).to_string().into()),
            Act::Word { words, get, .. } => {
                args.end().map(|()| short_form(words.get(get(host)).unwrap_or(&"")).into())
            }
            Act::Query(query) | Act::Both(_, query) => query(host, args),
            Act::Reading(read) => args.end().map(|()| nr3(read(host)).into()),
            Act::Event(_) => return None,
        })
    }
}

/// The value, or a limit when MINimum or MAXimum is asked for.
fn ask(args: &mut Args<'_, '_>, limits: (f64, f64), value: f64) -> Outcome<f64> {
    if args.is_empty() {
        return Ok(value);
    }
    match args.next()? {
        Datum::Word(word) => extreme(word, limits).and_then(|v| args.end().map(|()| v)),
        other => Err(not_allowed(other)),
    }
}
