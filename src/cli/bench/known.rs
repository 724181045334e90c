//! The file by which other commands find a running bench, and the lock by which a second bench finds the first.

use std::{
    fs,
    net::SocketAddr,
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};

use crate::{
    cli::{Failure, say},
    record::{Lock, LockError},
};

/// Name of the file by which a bench is found.
const FILE: &str = "bench.toml";
/// Folder of a bench that the system started, where others look too.
const SYSTEM_FOLDER: &str = "/run/feelgauge";
/// Name of the lock in the folder of the captures; hidden, so that it is no record.
const LOCK: &str = ".bench.lock";

/// A bench that runs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunningBench {
    /// Where its page and API are.
    pub address: SocketAddr,
    /// Its process.
    pub pid: u32,
    /// Folder of its captures.
    pub folder: PathBuf,
}

/// The bench that runs on this machine, if there is one that this person may know of.
pub(in crate::cli) fn running_bench() -> Option<RunningBench> {
    let own = own_folder().map(|folder| folder.join(FILE));
    let system = Path::new(SYSTEM_FOLDER).join(FILE);
    own.into_iter()
        .chain([system])
        .find_map(|path| toml::from_str(&Lock::holder(&path)?).ok())
}

/// Where the file of a bench of this person stands: systemd's runtime folder, else the person's.
fn own_folder() -> Option<PathBuf> {
    let of = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty());
    let system = of("RUNTIME_DIRECTORY").map(PathBuf::from);
    system.or_else(|| Some(PathBuf::from(of("XDG_RUNTIME_DIR")?).join("feelgauge")))
}

/// Lets other commands find this bench. `None`: there is no place for it, or another bench is found there; this one
/// does without.
pub(super) fn announce(bench: &RunningBench) -> Option<Lock> {
    let folder = own_folder()?;
    let text = toml::to_string(bench).expect("an address, a number and a path are TOML");
    let path = folder.join(FILE);
    let taken = fs::create_dir_all(&folder)
        .map_err(LockError::Disk)
        .and_then(|()| Lock::take(&path, &text));
    match taken {
        Ok(lock) => Some(lock),
        Err(LockError::Held(_)) => {
            say(
                "feelgauge: another bench runs on this machine; `take` and `probes` go on using that one",
            );
            None
        }
        Err(LockError::Disk(e)) => {
            tracing::warn!(
                "{}: {e}; `take` and `probes` do not find this bench",
                path.display()
            );
            None
        }
    }
}

/// Makes the folder of the captures where it is missing, and takes it for this bench alone.
///
/// # Errors
/// The folder cannot be written, or another bench records there.
pub(super) fn take_folder(folder: &Path, pid: u32) -> Result<Lock, Failure> {
    let named = folder.display();
    let fail = |e: &std::io::Error| {
        Failure::Work(format!(
            "feelgauge: captures cannot be written to {named}: {e}; name a folder that you may write to: --out DIR"
        ))
    };
    fs::create_dir_all(folder).map_err(|e| fail(&e))?;
    match Lock::take(&folder.join(LOCK), &held(pid)) {
        Ok(lock) => Ok(lock),
        Err(LockError::Disk(e)) => Err(fail(&e)),
        Err(LockError::Held(who)) => {
            let pid = holder(&who);
            Err(Failure::Work(format!(
                "feelgauge: another bench (process {pid}) records to {named}; use its page, end it, or name another folder: \
                 --out DIR"
            )))
        }
    }
}

/// Takes an inspection for this bench alone; other commands may write into it all the same. The lock lies beside its
/// folder: nothing but evidence lies within.
///
/// # Errors
/// The folder around it cannot be written, or another bench works on it.
pub(super) fn take_inspection(folder: &Path, pid: u32) -> Result<Lock, Failure> {
    let named = folder.display();
    let fail = |e: &std::io::Error| {
        Failure::Work(format!(
            "feelgauge: the bench's lock cannot be written beside {named}: {e}; move the inspection to a folder that you may write to"
        ))
    };
    let real = folder.canonicalize().map_err(|e| fail(&e))?;
    let name = real.file_name().unwrap_or_default().to_string_lossy();
    let lock = real.with_file_name(format!(".{name}{LOCK}"));
    match Lock::take(&lock, &held(pid)) {
        Ok(lock) => Ok(lock),
        Err(LockError::Disk(e)) => Err(fail(&e)),
        Err(LockError::Held(who)) => {
            let pid = holder(&who);
            Err(Failure::Work(format!(
                "feelgauge: another bench (process {pid}) works on {named}; use its page, or end it"
            )))
        }
    }
}

/// What stands in a lock.
fn held(pid: u32) -> String {
    format!("pid = {pid}\n")
}

/// The process that a lock names.
fn holder(text: &str) -> &str {
    text.trim().strip_prefix("pid = ").unwrap_or("unknown")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_belongs_to_one_bench() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("new/captures");
        let lock = take_folder(&folder, 41).unwrap();
        let Err(Failure::Work(message)) = take_folder(&folder, 42) else {
            panic!("taken twice");
        };
        assert!(
            message.contains("process 41") && message.contains("--out DIR"),
            "{message}"
        );
        drop(lock);
        take_folder(&folder, 43).unwrap();
    }

    #[test]
    fn an_inspection_belongs_to_one_bench_and_holds_no_lock() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("visit");
        fs::create_dir(&folder).unwrap();
        let lock = take_inspection(&folder, 41).unwrap();
        let Err(Failure::Work(message)) = take_inspection(&folder.join("."), 42) else {
            panic!("taken twice");
        };
        assert!(message.contains("process 41"), "{message}");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 0);
        drop(lock);
        take_inspection(&folder, 43).unwrap();
    }

    #[test]
    fn what_is_announced_can_be_read() {
        let bench = RunningBench {
            address: "127.0.0.1:7326".parse().unwrap(),
            pid: 4,
            folder: "captures".into(),
        };
        let text = toml::to_string(&bench).unwrap();
        assert_eq!(toml::from_str::<RunningBench>(&text).unwrap(), bench);
    }
}
