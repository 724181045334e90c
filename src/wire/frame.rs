//! Bytes to lines: delimiter, length cap, resynchronisation.

use super::MAX_LINE;

/// Which part of a line a frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// A whole line; its LF came.
    Whole,
    /// A piece of an over-long line; more follows.
    OverLong,
    /// The last piece of an over-long line; its LF came. May be empty.
    OverLongEnd,
    /// What was held when the stream ended; no LF came.
    Torn,
}

/// Bytes of a line, or of a part of it, without the LF.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// The bytes, verbatim; at most [`MAX_LINE`].
    pub bytes: &'a [u8],
    /// Which part they are.
    pub part: Part,
}

/// Cuts a byte stream at LF. A line of more than [`MAX_LINE`] bytes is handed out in pieces of exactly
/// that length up to its LF, so that its tail is never taken for a line.
#[derive(Clone, Debug)]
pub struct Framer {
    held: [u8; MAX_LINE],
    /// Bytes of `held` in use.
    len: usize,
    /// What is held was handed out and goes at the next call.
    spent: bool,
    /// A piece of the present line was handed out.
    over_long: bool,
}

impl Default for Framer {
    fn default() -> Self {
        Self {
            held: [0; MAX_LINE],
            len: 0,
            spent: false,
            over_long: false,
        }
    }
}

impl Framer {
    /// Takes bytes from the front of `input` until a frame is complete; `None` when all of `input` is
    /// taken and no frame is.
    pub fn next<'a>(&'a mut self, input: &mut &[u8]) -> Option<Frame<'a>> {
        let part = self.advance(input)?;
        let bytes = self.bytes();
        Some(Frame { bytes, part })
    }

    /// The stream has ended: hands out what is held, if anything, and starts anew.
    pub fn finish(&mut self) -> Option<Frame<'_>> {
        let part = self.end()?;
        let bytes = self.bytes();
        Some(Frame { bytes, part })
    }

    /// [`Framer::next`] without the bytes, which [`Framer::bytes`] gives until the next call.
    pub fn advance(&mut self, input: &mut &[u8]) -> Option<Part> {
        if std::mem::take(&mut self.spent) {
            self.len = 0;
        }
        // One byte more than fits, because a LF may follow a line of full length.
        let room = MAX_LINE - self.len;
        let view = &input[..input.len().min(room + 1)];
        if let Some(end) = view.iter().position(|&b| b == b'\n') {
            self.hold(input, end);
            *input = &input[1..];
            self.spent = true;
            return Some(if std::mem::take(&mut self.over_long) {
                Part::OverLongEnd
            } else {
                Part::Whole
            });
        }
        let more = view.len() > room;
        self.hold(input, view.len().min(room));
        self.spent = more;
        self.over_long |= more;
        more.then_some(Part::OverLong)
    }

    /// [`Framer::finish`] without the bytes.
    pub fn end(&mut self) -> Option<Part> {
        if std::mem::take(&mut self.spent) {
            self.len = 0;
        }
        self.over_long = false;
        self.spent = self.len > 0;
        self.spent.then_some(Part::Torn)
    }

    /// The bytes of the frame that came last.
    pub fn bytes(&self) -> &[u8] {
        &self.held[..self.len]
    }

    /// Bytes of the line under way.
    pub fn pending(&self) -> &[u8] {
        if self.spent { &[] } else { self.bytes() }
    }

    fn hold(&mut self, input: &mut &[u8], n: usize) {
        let (taken, rest) = input.split_at(n);
        self.held[self.len..self.len + n].copy_from_slice(taken);
        self.len += n;
        *input = rest;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames(stream: &[u8]) -> Vec<(usize, Part)> {
        let mut framer = Framer::default();
        let mut out = Vec::new();
        let mut input = stream;
        while let Some(f) = framer.next(&mut input) {
            out.push((f.bytes.len(), f.part));
        }
        out.extend(framer.finish().map(|f| (f.bytes.len(), f.part)));
        out
    }

    #[test]
    fn a_line_of_full_length_is_whole_and_one_byte_more_is_not() {
        let full = [vec![b'x'; MAX_LINE], vec![b'\n']].concat();
        assert_eq!(frames(&full), [(MAX_LINE, Part::Whole)]);
        let over = [vec![b'x'; MAX_LINE + 1], b"\nab\n".to_vec()].concat();
        assert_eq!(
            frames(&over),
            [
                (MAX_LINE, Part::OverLong),
                (1, Part::OverLongEnd),
                (2, Part::Whole)
            ]
        );
    }

    #[test]
    fn a_torn_tail_is_handed_out_once() {
        assert_eq!(frames(b"ab\ncd"), [(2, Part::Whole), (2, Part::Torn)]);
        assert_eq!(frames(b"ab\n"), [(2, Part::Whole)]);
        let double = vec![b'x'; 2 * MAX_LINE];
        assert_eq!(
            frames(&double),
            [(MAX_LINE, Part::OverLong), (MAX_LINE, Part::Torn)]
        );
    }
}
