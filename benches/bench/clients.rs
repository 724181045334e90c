//! Pages that look at the daemon: they read its streams and note when a warning came.

use std::{
    net::SocketAddr,
    sync::{Arc, Mutex, PoisonError},
};

use tokio::{
    io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader},
    net::TcpStream,
    task::JoinHandle,
};

use crate::wall_ns;

/// What one visitor saw.
#[derive(Debug, Default)]
pub struct Saw {
    /// Wall times at which a warning had come whole, ns.
    pub stops: Vec<u64>,
    /// Pictures and scenes.
    pub frames: u64,
    /// Bytes.
    pub bytes: u64,
}

/// A visitor with an open stream.
pub struct Visitor {
    saw: Arc<Mutex<Saw>>,
    task: JoinHandle<()>,
}

impl Visitor {
    /// Opens `path` at the daemon's address and reads it until it is dropped.
    /// A warning is an event of that name with that word in it.
    pub async fn open(at: SocketAddr, path: &str, warning: (&'static str, &'static str)) -> Self {
        let mut socket = TcpStream::connect(at).await.expect("the daemon listens");
        let request =
            format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nAccept: text/event-stream\r\n\r\n");
        socket
            .write_all(request.as_bytes())
            .await
            .expect("it takes a request");
        let saw = Arc::<Mutex<Saw>>::default();
        let mine = Arc::clone(&saw);
        let mut lines = BufReader::with_capacity(1 << 16, socket);
        let mut first = String::new();
        lines.read_line(&mut first).await.expect("it answers");
        assert!(first.contains(" 200 "), "{path}: {first}");
        let task = tokio::spawn(async move {
            let (mut line, mut event) = (Vec::new(), Coming::default());
            while lines
                .read_until(b'\n', &mut line)
                .await
                .is_ok_and(|n| n > 0)
            {
                note(&mine, &line, &mut event, warning);
                line.clear();
            }
        });
        Self { saw, task }
    }

    /// What it saw so far.
    pub fn saw<T>(&self, look: impl FnOnce(&mut Saw) -> T) -> T {
        look(&mut self.saw.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Drop for Visitor {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The event whose lines come.
#[derive(Default)]
struct Coming {
    name: Vec<u8>,
    has_word: bool,
}

/// An event is whole at its empty line.
fn note(saw: &Mutex<Saw>, line: &[u8], event: &mut Coming, warning: (&str, &str)) {
    let word = warning.1.as_bytes();
    let mut saw = saw.lock().unwrap_or_else(PoisonError::into_inner);
    saw.bytes += line.len() as u64;
    event.has_word |= line.windows(word.len()).any(|w| w == word);
    if let Some(name) = line.strip_prefix(b"event: ") {
        event.name = name.trim_ascii_end().to_vec();
    } else if line == b"\n" {
        match event.name.as_slice() {
            name if name == warning.0.as_bytes() && event.has_word => saw.stops.push(wall_ns()),
            b"scene" | b"picture" => saw.frames += 1,
            _ => {}
        }
        *event = Coming::default();
    }
}
