//! Which ports are there. Listing may fail or miss one; a path that the person names always works.

use std::{
    collections::BTreeSet,
    fs, io,
    path::{Path, PathBuf},
};

/// A port that may be a probe's.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Found {
    /// Path to open: the lasting one where there is one, so that it is right after the probe was plugged in again.
    pub path: String,
    /// The device itself, `/dev/ttyUSB0`.
    pub device: String,
}

/// What a look at the ports gave.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// Ports, by path.
    pub ports: Vec<Found>,
    /// Why the listing may be incomplete.
    pub trouble: Option<String>,
}

/// Names of USB serial devices on Linux and macOS.
const DEVICE_NAMES: [&str; 4] = ["ttyUSB", "ttyACM", "cu.usbserial", "cu.usbmodem"];

/// Ports under `dev` (`/dev`): lasting names first, then USB serial devices that have none.
pub fn list(dev: &Path) -> Listing {
    let mut listing = Listing::default();
    let mut named = BTreeSet::new();
    for (path, device) in lasting_names(dev).unwrap_or_else(|e| {
        listing.trouble = Some(format!("{}: {e}", lasting_dir(dev).display()));
        Vec::new()
    }) {
        named.insert(device.clone());
        listing.ports.push(Found {
            path: text(&path),
            device: text(&device),
        });
    }
    match entries(dev) {
        Ok(paths) => {
            for path in paths
                .into_iter()
                .filter(|p| is_usb_serial(p) && !named.contains(p))
            {
                let device = text(&path);
                listing.ports.push(Found {
                    path: device.clone(),
                    device,
                });
            }
        }
        Err(e) => listing.trouble = Some(format!("{}: {e}", dev.display())),
    }
    listing.ports.sort();
    listing
}

/// The lasting name of a device, if it has one; otherwise the path itself. After a reconnect `ttyUSB0` may be another
/// probe, its lasting name may not.
pub fn lasting_path(dev: &Path, path: &str) -> String {
    let Ok(device) = fs::canonicalize(path) else {
        return path.into();
    };
    let names = lasting_names(dev).unwrap_or_default();
    names
        .into_iter()
        .find(|(_, d)| *d == device)
        .map_or_else(|| path.into(), |(name, _)| text(&name))
}

/// The device behind a path, by the links that lead there; the path itself where there is none.
pub fn device(path: &str) -> String {
    fs::canonicalize(path).map_or_else(|_| path.into(), |device| text(&device))
}

fn lasting_dir(dev: &Path) -> PathBuf {
    dev.join("serial/by-id")
}

/// Lasting names with the devices that they point to. No such directory: nothing is plugged in.
fn lasting_names(dev: &Path) -> io::Result<Vec<(PathBuf, PathBuf)>> {
    let paths = match entries(&lasting_dir(dev)) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        other => other?,
    };
    // A name whose device went away in between is passed over.
    let resolved = paths
        .into_iter()
        .filter_map(|path| fs::canonicalize(&path).ok().map(|device| (path, device)));
    Ok(resolved.collect())
}

fn entries(dir: &Path) -> io::Result<Vec<PathBuf>> {
    let mut paths = fs::read_dir(dir)?
        .map(|entry| entry.map(|e| e.path()))
        .collect::<io::Result<Vec<_>>>()?;
    paths.sort();
    Ok(paths)
}

fn is_usb_serial(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    DEVICE_NAMES.iter().any(|start| name.starts_with(start))
}

fn text(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(unix)]
    fn lasting_names_come_first_and_each_device_once() {
        let dir = tempfile::tempdir().unwrap();
        let dev = dir.path().canonicalize().unwrap();
        let join = |name: &str| text(&dev.join(name));
        for name in ["ttyUSB0", "ttyUSB1", "ttyACM0", "ttyS0", "null"] {
            fs::write(dev.join(name), "").unwrap();
        }
        let listing = list(&dev);
        assert_eq!(listing.ports.len(), 3, "no by-id directory is no trouble");
        assert_eq!(listing.trouble, None);
        fs::create_dir_all(dev.join("serial/by-id")).unwrap();
        let name = dev.join("serial/by-id/usb-probe-0007");
        std::os::unix::fs::symlink("../../ttyUSB1", &name).unwrap();
        std::os::unix::fs::symlink("../../ttyUSB9", dev.join("serial/by-id/gone")).unwrap();
        let found: Vec<_> = list(&dev)
            .ports
            .into_iter()
            .map(|p| (p.path, p.device))
            .collect();
        let expected = [
            (join("serial/by-id/usb-probe-0007"), join("ttyUSB1")),
            (join("ttyACM0"), join("ttyACM0")),
            (join("ttyUSB0"), join("ttyUSB0")),
        ];
        assert_eq!(found, expected);
        assert_eq!(lasting_path(&dev, &join("ttyUSB1")), text(&name));
        assert_eq!(lasting_path(&dev, &join("ttyUSB0")), join("ttyUSB0"));
        assert_eq!(lasting_path(&dev, "/no/such"), "/no/such");
        assert_eq!(device(&text(&name)), join("ttyUSB1"));
        assert_eq!(device("/no/such"), "/no/such");
    }

    #[test]
    fn a_listing_that_fails_says_why() {
        let listing = list(Path::new("/no/such/directory"));
        assert!(listing.ports.is_empty() && listing.trouble.unwrap().contains("/no/such"));
    }
}
