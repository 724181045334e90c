//! A port of the virtual bench: bytes come when the clock says so.

use std::{
    io,
    pin::Pin,
    task::{Context, Poll},
    time::Duration,
};

use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    time::{Instant, Sleep},
};

use super::{LiveBench, world::Reads};

/// Timers are no finer.
const SHORTEST: Duration = Duration::from_millis(1);

/// An open port of the virtual bench; dropping it closes it.
#[derive(Debug)]
pub struct LivePort {
    bench: LiveBench,
    /// Which probe, and which opening of its port.
    probe: usize,
    opening: u64,
    timer: Pin<Box<Sleep>>,
}

impl LivePort {
    pub(super) fn new(bench: LiveBench, probe: usize, opening: u64) -> Self {
        Self {
            bench,
            probe,
            opening,
            timer: Box::pin(tokio::time::sleep(Duration::ZERO)),
        }
    }
}

impl Drop for LivePort {
    fn drop(&mut self) {
        self.bench.world().close(self.probe, self.opening);
    }
}

impl AsyncRead for LivePort {
    /// Reads at most one packet, as a USB chip hands it over; nothing at all once the probe is unplugged.
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        out: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        loop {
            let now_us = self.bench.clock.host_us();
            let reads = self.bench.world().read(
                (self.probe, self.opening),
                now_us,
                out.remaining(),
                context.waker(),
            );
            match reads {
                Reads::Bytes(bytes) => {
                    out.put_slice(&bytes);
                    return Poll::Ready(Ok(()));
                }
                Reads::End => return Poll::Ready(Ok(())),
                Reads::Wait(until_us) => {
                    let wait = self.bench.clock.takes(until_us.saturating_sub(now_us));
                    let deadline = Instant::now() + wait.max(SHORTEST);
                    self.timer.as_mut().reset(deadline);
                    if self.timer.as_mut().poll(context).is_pending() {
                        return Poll::Pending;
                    }
                }
            }
        }
    }
}

impl AsyncWrite for LivePort {
    fn poll_write(
        self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let now_us = self.bench.clock.host_us();
        let mut world = self.bench.world();
        let taken = world.write((self.probe, self.opening), now_us, bytes);
        Poll::Ready(if taken {
            Ok(bytes.len())
        } else {
            Err(io::ErrorKind::BrokenPipe.into())
        })
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
