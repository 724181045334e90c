//! The wire between a probe and the host: ASCII lines with a sequence number and a CRC.
//!
//! Normative text: `firmware-notes/wire.md`. Bytes go in, in slices of any size; events come out, and the
//! list of events does not depend on how the bytes were cut. Every received byte is part of exactly one
//! event (line ends apart), so that a record can keep it verbatim before anything interprets it.
//!
//! ```
//! use feelgauge::wire::{Decoder, Event, Message};
//! let mut decoder = Decoder::new();
//! let mut bytes: &[u8] = b"P 7 17 123456*";
//! assert!(decoder.next(&mut bytes).is_none(), "no line end yet");
//! let mut bytes: &[u8] = b"FB11\r\n";
//! let Some(Event::Line { outcome: Ok(line), .. }) = decoder.next(&mut bytes) else { panic!() };
//! assert_eq!(line.seq, 7);
//! assert_eq!(line.message, Message::Pong { token: 17, t_us: 123_456 });
//! ```

pub mod bare;
mod encode;
mod frame;
mod health;
mod message;

pub use encode::{Command, Encoder, TooLong};
pub use frame::{Frame, Framer, Part};
pub use health::{FaultKind, LinkHealth, Standing, Tracker};
pub use message::{
    Channel, Edges, Fault, Identity, Line, Message, ProbeKind, Samples, Unit, is_name, parse,
};

/// Version of the wire that this software speaks, first field of the identity.
pub const VERSION: u16 = 1;

/// Most bytes of a line before its LF, a CR included.
pub const MAX_LINE: usize = 255;

/// Baud rate when a port names none.
pub const DEFAULT_BAUD: u32 = 115_200;

/// CRC-16/MCRF4XX of the RevEng catalogue, check value 0x6F91: what avr-libc's `_crc_ccitt_update`
/// computes from 0xFFFF.
pub const CRC: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_MCRF4XX);

/// What came out of the byte stream.
#[derive(Clone, Debug, PartialEq)]
pub enum Event<'a> {
    /// A line with its end.
    Line {
        /// The bytes before the LF, verbatim, with the CR if there was one.
        bytes: &'a [u8],
        /// The message, or why there is none.
        outcome: Result<Line<'a>, Fault>,
    },
    /// Bytes that are no line: a piece of an over-long one, or the torn tail of a stream that ended.
    Piece {
        /// The bytes, verbatim.
        bytes: &'a [u8],
        /// Which piece; never [`Part::Whole`].
        part: Part,
    },
}

impl<'a> Event<'a> {
    /// The event that a frame, or a row of a record, stands for.
    pub fn read(bytes: &'a [u8], part: Part) -> Self {
        match part {
            Part::Whole => Event::Line {
                bytes,
                outcome: parse(bytes),
            },
            part => Event::Piece { bytes, part },
        }
    }

    /// The bytes of the event, verbatim.
    pub fn bytes(&self) -> &'a [u8] {
        match self {
            Event::Line { bytes, .. } | Event::Piece { bytes, .. } => bytes,
        }
    }

    /// Whether the bytes are a whole line, or which part of one.
    pub fn part(&self) -> Part {
        match self {
            Event::Line { .. } => Part::Whole,
            Event::Piece { part, .. } => *part,
        }
    }
}

/// Bytes in, events out. No allocation but for identities.
#[derive(Clone, Debug, Default)]
pub struct Decoder {
    framer: Framer,
}

impl Decoder {
    /// A decoder at the start of a stream.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes bytes from the front of `input` until an event is complete; `None` when all of `input` is
    /// taken and no event is.
    pub fn next<'a>(&'a mut self, input: &mut &[u8]) -> Option<Event<'a>> {
        let frame = self.framer.next(input)?;
        Some(Event::read(frame.bytes, frame.part))
    }

    /// The stream has ended: hands out the bytes of an unfinished line, if there are any.
    pub fn finish(&mut self) -> Option<Event<'_>> {
        let frame = self.framer.finish()?;
        Some(Event::read(frame.bytes, frame.part))
    }
}
