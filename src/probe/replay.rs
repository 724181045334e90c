//! A capture behind a link: what was received comes again, at the times at which it came.

use std::{
    collections::VecDeque,
    io,
    pin::Pin,
    task::{Context, Poll},
};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use crate::{clock::Clock, inspect::Row, wire::Part};

/// A port that reads the rows of a capture, one a read, and moves a virtual clock along. What is written to it goes
/// nowhere.
#[derive(Debug)]
pub struct Replay {
    rows: VecDeque<Row>,
    clock: Clock,
    /// Bytes of the present row that are still to be read.
    rest: VecDeque<u8>,
}

impl Replay {
    /// A replay that moves `clock`, which must be a virtual one.
    pub fn new(rows: impl IntoIterator<Item = Row>, clock: Clock) -> Self {
        Self {
            rows: rows.into_iter().collect(),
            clock,
            rest: VecDeque::new(),
        }
    }
}

impl AsyncRead for Replay {
    fn poll_read(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        out: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.rest.is_empty()
            && let Some(row) = self.rows.pop_front()
        {
            self.clock.set_us(row.host_us);
            self.rest.extend(row.bytes);
            match row.part {
                Part::Whole | Part::OverLongEnd => self.rest.push_back(b'\n'),
                // That a line is too long shows at the byte after the piece.
                Part::OverLong => {
                    if let Some(next) = self.rows.front_mut().filter(|r| !r.bytes.is_empty()) {
                        let first = next.bytes.remove(0);
                        self.rest.push_back(first);
                    }
                }
                Part::Torn => {}
            }
        }
        let n = self.rest.len().min(out.remaining());
        let bytes: Vec<u8> = self.rest.drain(..n).collect();
        out.put_slice(&bytes);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Replay {
    fn poll_write(
        self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
