//! Serial ports: the one place that knows the serial library.

use std::{fmt, str::FromStr};

use tokio_serial::{
    ClearBuffer, ErrorKind, SerialPort as _, SerialPortBuilderExt as _, SerialStream,
};

use crate::wire::DEFAULT_BAUD;

/// An open serial port.
pub type Port = SerialStream;

/// A port as the person names it: `PATH` or `PATH=BAUD`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortName {
    /// Path of the device.
    pub path: String,
    /// Baud rate.
    pub baud: u32,
}

/// Slowest and fastest rate that makes sense; the fastest is that of the usual USB chips (data sheets, from memory).
const BAUDS: std::ops::RangeInclusive<u32> = 300..=3_000_000;

impl FromStr for PortName {
    type Err = String;

    /// ```
    /// use feelgauge::probe::serial::PortName;
    /// let name: PortName = "/dev/ttyUSB0=250000".parse().unwrap();
    /// assert_eq!((name.path.as_str(), name.baud), ("/dev/ttyUSB0", 250_000));
    /// assert_eq!("/dev/ttyUSB0".parse::<PortName>().unwrap().baud, 115_200);
    /// assert!("/dev/ttyUSB0=fast".parse::<PortName>().is_err());
    /// ```
    fn from_str(text: &str) -> Result<Self, String> {
        let (path, baud) = match text.rsplit_once('=') {
            None => (text, DEFAULT_BAUD),
            Some((path, baud)) => match baud.parse() {
                Ok(baud) if BAUDS.contains(&baud) => (path, baud),
                _ => {
                    let (lo, hi) = (BAUDS.start(), BAUDS.end());
                    return Err(format!(
                        "'{baud}' is no baud rate; write PATH=BAUD with a rate {lo}..{hi}"
                    ));
                }
            },
        };
        if path.is_empty() {
            return Err("the path of the port is missing; write PATH or PATH=BAUD".into());
        }
        Ok(Self {
            path: path.into(),
            baud,
        })
    }
}

impl fmt::Display for PortName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.path)?;
        if self.baud != DEFAULT_BAUD {
            write!(f, "={}", self.baud)?;
        }
        Ok(())
    }
}

/// Why a port could not be opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OpenError {
    /// There is no such device.
    Missing,
    /// The person may not use it.
    Denied,
    /// Another program, or another bench, has it.
    Busy,
    /// It is there, but it is no serial port.
    NoPort,
    /// Whatever else the system says.
    Other(String),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing => write!(
                f,
                "there is no such port: is the probe plugged in? `feelgauge probes` lists the ports"
            ),
            Self::Denied => write!(
                f,
                "permission denied: join the group that owns the port (`sudo usermod -aG dialout $USER`, then log in \
                 again); do not run as root"
            ),
            Self::Busy => write!(
                f,
                "another program has the port: close it (a terminal, an uploader, another bench)"
            ),
            Self::NoPort => write!(f, "this is no serial port"),
            Self::Other(what) => write!(f, "the port cannot be opened: {what}"),
        }
    }
}

impl std::error::Error for OpenError {}

/// Opens a port for this program alone, and forgets what came before.
///
/// Opening raises DTR, which resets many boards. Modem lines are otherwise left alone: a pseudo-terminal has none, and
/// its refusal (ENOTTY) is no fault.
///
/// # Errors
/// [`OpenError`], with what to do.
pub fn open(name: &PortName) -> Result<Port, OpenError> {
    let port = tokio_serial::new(&name.path, name.baud)
        .open_native_async()
        .map_err(|e| reason(&e))?;
    // What the device still held from before is of no use; a device that cannot forget is fine, too: the first line is
    // then broken and counted.
    port.clear(ClearBuffer::Input).unwrap_or_default();
    Ok(port)
}

fn reason(e: &tokio_serial::Error) -> OpenError {
    use std::io::ErrorKind as Io;
    // The library keeps the system's words, but no code, for what it has no kind for.
    let text = e.to_string();
    match e.kind() {
        ErrorKind::Io(Io::NotFound) => OpenError::Missing,
        ErrorKind::Io(Io::PermissionDenied) => OpenError::Denied,
        // EBUSY (another program's exclusive open) and a lock that another one holds.
        ErrorKind::NoDevice => OpenError::Busy,
        _ if text.contains("Not a typewriter") || text.contains("Inappropriate ioctl") => {
            OpenError::NoPort
        }
        _ if text.contains("No such device") => OpenError::Missing,
        _ => OpenError::Other(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reasons_say_what_to_do() {
        let of = |kind, text: &str| reason(&tokio_serial::Error::new(kind, text)).to_string();
        let io = |kind| ErrorKind::Io(kind);
        assert!(
            of(
                io(std::io::ErrorKind::PermissionDenied),
                "Permission denied"
            )
            .contains("dialout")
        );
        assert!(of(io(std::io::ErrorKind::NotFound), "No such file").contains("feelgauge probes"));
        assert!(of(ErrorKind::NoDevice, "Device or resource busy").contains("another program"));
        assert!(of(ErrorKind::Unknown, "Not a typewriter").contains("no serial port"));
        assert!(of(ErrorKind::Unknown, "Remote I/O error").contains("Remote I/O"));
    }
}
