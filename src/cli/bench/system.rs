//! What the system that started the bench is told, and what it asks for.

use sd_notify::NotifyState;
use tokio::sync::watch;

use crate::{
    bench::Notice,
    cli::{FAILED, Failure, say},
};

/// Tells systemd, where it wants to know. That it cannot be told is no reason to stop.
pub(super) fn tell(notice: &Notice) {
    let told = match notice {
        Notice::Ready => sd_notify::notify(&[NotifyState::Ready]),
        Notice::Alive => sd_notify::notify(&[NotifyState::Watchdog]),
        Notice::Status(line) => sd_notify::notify(&[NotifyState::Status(line)]),
        Notice::Stopping => sd_notify::notify(&[NotifyState::Stopping]),
    };
    if let Err(e) = told {
        tracing::debug!("systemd cannot be told: {e}");
    }
}

/// Turns true at Ctrl-C or when the system asks the program to end. A second time ends the program at once.
///
/// # Errors
/// Signals cannot be heard: the bench could not be ended in order.
pub(super) fn asked_to_end() -> Result<watch::Receiver<bool>, Failure> {
    let (asked, ask) = watch::channel(false);
    let mut signals = Signals::new()
        .map_err(|e| Failure::Work(format!("feelgauge: signals cannot be heard: {e}")))?;
    // Ends with the program: what it would still say is said by then.
    tokio::spawn(async move {
        signals.next().await;
        asked.send_replace(true);
        signals.next().await;
        say("feelgauge: ended at once; a capture that was open is kept up to its last second");
        std::process::exit(FAILED.into());
    });
    Ok(ask)
}

#[cfg(unix)]
struct Signals(tokio::signal::unix::Signal, tokio::signal::unix::Signal);

#[cfg(unix)]
impl Signals {
    fn new() -> std::io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Self(
            signal(SignalKind::interrupt())?,
            signal(SignalKind::terminate())?,
        ))
    }

    async fn next(&mut self) {
        tokio::select! {
            _ = self.0.recv() => {}
            _ = self.1.recv() => {}
        }
    }
}

#[cfg(not(unix))]
struct Signals;

#[cfg(not(unix))]
impl Signals {
    fn new() -> std::io::Result<Self> {
        Ok(Self)
    }

    async fn next(&mut self) {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    }
}
