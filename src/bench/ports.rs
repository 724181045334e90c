//! Where a bench gets its ports from: the machine's serial ports, or whatever a virtual bench or a test puts in.

use std::path::{Path, PathBuf};

use tokio::io::{AsyncRead, AsyncWrite};

use crate::probe::{
    discover::{self, Listing},
    serial::{self, OpenError, PortName},
};

/// A source of ports. One value serves the whole bench: it is asked from several tasks and threads.
pub trait Ports: Send + Sync + 'static {
    /// An open port. Its end (a read of 0 bytes) means that the probe is unplugged.
    type Port: AsyncRead + AsyncWrite + Unpin + Send + 'static;

    /// Ports that may be a probe's, now. Asked about once a second, on a thread that may wait.
    fn list(&self) -> Listing;

    /// Opens a port for the bench alone; on a thread that may wait, within the bench's runtime.
    ///
    /// # Errors
    /// [`OpenError`], with what to do.
    fn open(&self, name: &PortName) -> Result<Self::Port, OpenError>;

    /// The device behind a path: two paths with the same one are the same port.
    fn device(&self, path: &str) -> String {
        path.into()
    }

    /// Whether bytes take the time of the baud rate on their way; in memory they take none.
    fn is_wire(&self) -> bool {
        true
    }
}

/// The machine's serial ports.
#[derive(Clone, Debug)]
pub struct SerialPorts {
    dev: PathBuf,
}

impl SerialPorts {
    /// Ports whose devices stand under `dev`: `/dev`.
    pub fn under(dev: &Path) -> Self {
        Self { dev: dev.into() }
    }
}

impl Ports for SerialPorts {
    type Port = serial::Port;

    fn list(&self) -> Listing {
        discover::list(&self.dev)
    }

    fn open(&self, name: &PortName) -> Result<Self::Port, OpenError> {
        serial::open(name)
    }

    fn device(&self, path: &str) -> String {
        discover::device(path)
    }
}
