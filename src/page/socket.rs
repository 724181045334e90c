//! A visitor's socket: bounded in how long an answer may lie unread.

use std::{
    io,
    pin::Pin,
    task::{Context, Poll},
    time::Duration,
};

use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    time::{Instant, Sleep, sleep},
};

/// A socket that breaks when what was written to it is not taken for a while: who never reads holds nothing for long.
pub(super) struct Patient<S> {
    inner: S,
    unread: Duration,
    /// Runs while a write waits.
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    pub fn new(inner: S, unread: Duration) -> Self {
        Self {
            inner,
            unread,
            waiting: None,
        }
    }

    /// The result of a write, or that the visitor was waited for too long.
    fn judged<T>(
        &mut self,
        context: &mut Context<'_>,
        result: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if result.is_ready() {
            self.waiting = None;
            return result;
        }
        let waiting = self
            .waiting
            .get_or_insert_with(|| Box::pin(sleep(self.unread)));
        match waiting.as_mut().poll(context) {
            Poll::Ready(()) => {
                // Polled again after its end it must not panic.
                waiting.as_mut().reset(Instant::now() + self.unread);
                Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
            }
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.inner).poll_write(context, bytes);
        self.judged(context, result)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let result = Pin::new(&mut self.inner).poll_write_vectored(context, pieces);
        self.judged(context, result)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let result = Pin::new(&mut self.inner).poll_flush(context);
        self.judged(context, result)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}
