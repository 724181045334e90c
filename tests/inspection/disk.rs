//! A disk whose power goes at a chosen operation, and what it holds afterwards.

use std::{
    collections::BTreeMap,
    io,
    sync::{Arc, Mutex, MutexGuard},
};

use feelgauge::record::{Listed, ListedKind, SharedStorage, Storage};

/// What a power cut leaves of what was not synced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tail {
    /// Everything: the disk was quicker than promised.
    Kept,
    /// Names, and half of the bytes.
    Torn,
    /// Names, no bytes (a journal that keeps names only).
    NamesOnly,
    /// Nothing.
    Dropped,
}

pub const TAILS: [Tail; 4] = [Tail::Kept, Tail::Torn, Tail::NamesOnly, Tail::Dropped];

/// What the disk holds for sure, and what it shows.
#[derive(Clone, Debug)]
pub enum Node {
    File(Vec<u8>, Vec<u8>),
    Folder(BTreeMap<String, usize>, BTreeMap<String, usize>),
}

#[derive(Clone, Debug)]
pub struct Disk {
    pub nodes: Vec<Node>,
    /// Operations so far.
    pub operations: usize,
    /// The power goes at this operation: it is not done, nor is anything after it.
    pub power_until: Option<usize>,
    /// The operation whose answer is that the disk is full; half of its bytes are written.
    pub full_at: Option<usize>,
}

impl Default for Disk {
    fn default() -> Self {
        Self {
            nodes: vec![Node::Folder(BTreeMap::new(), BTreeMap::new())],
            operations: 0,
            power_until: None,
            full_at: None,
        }
    }
}

impl Disk {
    fn operation(&mut self) -> io::Result<()> {
        self.operations += 1;
        match self.power_until {
            Some(until) if self.operations > until => Err(io::Error::other("the power is gone")),
            _ if self.full_at == Some(self.operations) => Err(io::ErrorKind::StorageFull.into()),
            _ => Ok(()),
        }
    }

    fn find(&self, path: &str) -> io::Result<usize> {
        path.split('/')
            .filter(|part| !part.is_empty())
            .try_fold(0, |at, part| match &self.nodes[at] {
                Node::Folder(_, now) => {
                    now.get(part).copied().ok_or(io::ErrorKind::NotFound.into())
                }
                Node::File(..) => Err(io::ErrorKind::NotADirectory.into()),
            })
    }

    fn names(&mut self, folder: &str) -> io::Result<&mut BTreeMap<String, usize>> {
        let at = self.find(folder)?;
        match &mut self.nodes[at] {
            Node::Folder(_, now) => Ok(now),
            Node::File(..) => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn add(&mut self, path: &str, node: Node) -> io::Result<()> {
        let (folder, name) = parted(path);
        if self.names(folder)?.contains_key(name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        self.nodes.push(node);
        let number = self.nodes.len() - 1;
        self.names(folder)?.insert(name.into(), number);
        Ok(())
    }

    fn bytes(&mut self, path: &str) -> io::Result<(&mut Vec<u8>, &mut Vec<u8>)> {
        let at = self.find(path)?;
        match &mut self.nodes[at] {
            Node::File(durable, now) => Ok((durable, now)),
            Node::Folder(..) => Err(io::ErrorKind::IsADirectory.into()),
        }
    }

    /// The disk after the power came back.
    pub fn after_cut(&self, tail: Tail) -> Self {
        let nodes = self.nodes.iter().map(|node| match node {
            Node::File(durable, now) => {
                let bytes = match tail {
                    Tail::NamesOnly | Tail::Dropped => durable.clone(),
                    Tail::Torn if now.len() > durable.len() => {
                        now[..usize::midpoint(durable.len(), now.len())].to_vec()
                    }
                    Tail::Kept | Tail::Torn => now.clone(),
                };
                Node::File(bytes.clone(), bytes)
            }
            Node::Folder(durable, now) => {
                let names = if tail == Tail::Dropped { durable } else { now };
                Node::Folder(names.clone(), names.clone())
            }
        });
        Self {
            nodes: nodes.collect(),
            ..Self::default()
        }
    }
}

/// A handle on a [`Disk`] that outlives the folder.
#[derive(Clone, Debug, Default)]
pub struct Handle(Arc<Mutex<Disk>>);

impl Handle {
    pub fn with(disk: Disk) -> Self {
        Self(Arc::new(Mutex::new(disk)))
    }

    pub fn disk(&self) -> MutexGuard<'_, Disk> {
        self.0.lock().unwrap()
    }
}

fn parted(path: &str) -> (&str, &str) {
    path.rsplit_once('/').unwrap_or(("", path))
}

impl Storage for Handle {
    fn create_folder(&mut self, folder: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        disk.add(folder, Node::Folder(BTreeMap::new(), BTreeMap::new()))
    }

    fn create(&mut self, path: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        disk.add(path, Node::File(Vec::new(), Vec::new()))
    }

    fn append(&mut self, path: &str, bytes: &[u8]) -> io::Result<()> {
        let mut disk = self.disk();
        if let Err(e) = disk.operation() {
            // The power went, or the room ended, during this write: half of it was under way.
            let now = disk.operations;
            if disk.power_until == Some(now - 1) || disk.full_at == Some(now) {
                disk.bytes(path)?.1.extend(&bytes[..bytes.len() / 2]);
            }
            return Err(e);
        }
        disk.bytes(path)?.1.extend(bytes);
        Ok(())
    }

    fn set_len(&mut self, path: &str, len: u64) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        disk.bytes(path)?.1.truncate(usize::try_from(len).unwrap());
        Ok(())
    }

    fn sync(&mut self, path: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let (durable, now) = disk.bytes(path)?;
        durable.clone_from(now);
        Ok(())
    }

    fn sync_folder(&mut self, folder: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let at = disk.find(folder)?;
        if let Node::Folder(durable, now) = &mut disk.nodes[at] {
            durable.clone_from(now);
        }
        Ok(())
    }

    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let number = disk.find(from)?;
        let (folder, name) = parted(to);
        assert!(
            !disk.names(folder)?.contains_key(name),
            "{to} would be lost"
        );
        disk.names(folder)?.insert(name.into(), number);
        let (folder, name) = parted(from);
        disk.names(folder)?.remove(name);
        Ok(())
    }

    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        Ok(self.disk().bytes(path)?.1.clone())
    }
}

impl SharedStorage for Handle {
    fn hold(&mut self, path: &str) -> io::Result<()> {
        self.disk().find(path).map(|_| ())
    }

    fn release(&mut self, _: &str) {}

    fn list(&self, folder: &str) -> io::Result<Vec<Listed>> {
        let mut disk = self.disk();
        let names = disk.names(folder)?.clone();
        let listed = |(name, number): (String, usize)| {
            let (kind, len) = match &disk.nodes[number] {
                Node::File(_, now) => (ListedKind::File, now.len() as u64),
                Node::Folder(..) => (ListedKind::Folder, 0),
            };
            Listed { name, kind, len }
        };
        Ok(names.into_iter().map(listed).collect())
    }

    fn remove(&mut self, path: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        disk.find(path)?;
        let (folder, name) = parted(path);
        disk.names(folder)?.remove(name);
        Ok(())
    }
}
