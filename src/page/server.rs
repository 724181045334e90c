//! The server: a listener, a bench and its doors in, pages and answers out, until it is told to stop.

use std::{
    collections::BTreeMap,
    convert::Infallible,
    io,
    net::IpAddr,
    sync::{Arc, Mutex, PoisonError, atomic::Ordering},
};

use axum::{
    Router,
    body::Body,
    http::{Request, Response},
    response::IntoResponse as _,
};
use hyper::{body::Incoming, server::conn::http1, service::service_fn};
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use tokio::{
    net::{TcpListener, TcpStream},
    sync::watch,
    task::JoinSet,
    time::{Duration, sleep, timeout},
};

use super::{
    doors::Doors,
    gate::{self, Caller},
    house::{Here, House},
    painter, route,
    socket::Patient,
};
use crate::bench::Bench;

/// How long answers under way may take once the server ends.
const LAST: Duration = Duration::from_secs(1);
/// Pause after the system could not give a connection.
const PAUSE: Duration = Duration::from_millis(50);
/// So many such pauses in a row are the end: some five seconds.
const PAUSES: u32 = 100;
/// Headers of one request.
const HEADERS: usize = 64;
/// Bytes of a request's head, and of what waits to be written.
const BUFFER: usize = 32 * 1024;
/// What is said to one visitor too many; written without waiting.
const FULL: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\ncontent-security-policy: default-src 'none'\r\nretry-after: 10\r\nconnection: close\r\ncontent-length: 0\r\n\r\n";

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
    let (over, end) = watch::channel(false);
    let house = Arc::new(House::new(bench, doors, end.clone()));
    let painter = start_painter(&house)?;
    let mut reception = Reception {
        router: route::router(Arc::clone(&house)),
        house,
        peers: Arc::default(),
        visitors: JoinSet::new(),
        pauses: 0,
    };
    let outcome = loop {
        tokio::select! {
            biased;
            () = ended(&mut stop) => break Ok(()),
            Some(visited) = reception.visitors.join_next() => loud(visited),
            arrived = listener.accept() => match arrived {
                Ok((socket, _)) => reception.receive(socket, &end),
                Err(e) => if let Some(e) = reception.pause(e).await { break Err(e) },
            },
        }
    };
    drop(listener);
    over.send_replace(true);
    let leaving = async {
        while let Some(visited) = reception.visitors.join_next().await {
            loud(visited);
        }
    };
    if timeout(LAST, leaving).await.is_err() {
        reception.visitors.shutdown().await;
    }
    // The painter's thread heard of the end when the visitors did.
    painter
        .await
        .unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()));
    outcome
}

/// Paints on a thread of its own, as rendering takes longer than a reader of a port may wait.
fn start_painter(house: &Arc<House>) -> io::Result<tokio::task::JoinHandle<()>> {
    let (house, handle) = (Arc::clone(house), tokio::runtime::Handle::current());
    let thread = std::thread::Builder::new()
        .name("painter".into())
        .spawn(move || {
            handle.block_on(painter::paint(
                &house.easels,
                &house.bench,
                house.end.clone(),
            ));
        })?;
    Ok(tokio::task::spawn_blocking(move || {
        if let Err(panic) = thread.join() {
            std::panic::resume_unwind(panic);
        }
    }))
}

/// A visitor's task that panicked ends the server loudly; one that was cut off at the end does not.
fn loud(visited: Result<(), tokio::task::JoinError>) {
    if let Err(e) = visited
        && e.is_panic()
    {
        std::panic::resume_unwind(e.into_panic());
    }
}

/// Waits until a watch turns true, or nobody is left to turn it. Holds no lock of it afterwards.
async fn ended(watch: &mut watch::Receiver<bool>) {
    let _ = watch.wait_for(|is_over| *is_over).await;
}

type Peers = Arc<Mutex<BTreeMap<IpAddr, usize>>>;

/// Where visitors arrive.
struct Reception {
    router: Router,
    house: Arc<House>,
    /// Connections of every other machine.
    peers: Peers,
    visitors: JoinSet<()>,
    /// Failed accepts in a row.
    pauses: u32,
}

impl Reception {
    /// After a failed accept: the error when there is no hope. A visitor that left in the queue is none; a machine out
    /// of files or memory may have some again.
    async fn pause(&mut self, e: io::Error) -> Option<io::Error> {
        let left = matches!(
            e.kind(),
            io::ErrorKind::ConnectionAborted
                | io::ErrorKind::ConnectionReset
                | io::ErrorKind::Interrupted
        );
        if left {
            return None;
        }
        self.pauses += 1;
        tracing::warn!("no connection can be taken: {e}");
        if self.pauses > PAUSES {
            return Some(e);
        }
        sleep(PAUSE).await;
        None
    }

    fn receive(&mut self, socket: TcpStream, end: &watch::Receiver<bool>) {
        self.pauses = 0;
        // A visitor that is gone already has no address.
        let (Ok(peer), Ok(local)) = (socket.peer_addr(), socket.local_addr()) else {
            return;
        };
        let caller = Caller::new(peer, local);
        let limits = self.house.doors.limits;
        let place = if self.visitors.len() < limits.connections {
            Place::take(&self.peers, &caller, limits.connections_a_peer)
        } else {
            None
        };
        let Some(place) = place else {
            let counts = &self.house.counts;
            counts.turned_away.fetch_add(1, Ordering::Relaxed);
            // Whether it hears why is its own affair.
            let _ = socket.try_write(FULL);
            return;
        };
        // The pieces of a stream must not wait for each other; that it cannot be set only makes them later.
        let _ = socket.set_nodelay(true);
        let visit = Visit {
            house: Arc::clone(&self.house),
            router: self.router.clone(),
            caller,
        };
        let end = end.clone();
        self.visitors.spawn(async move {
            visit.run(socket, end).await;
            drop(place);
        });
    }
}

/// A place of one connection; given back when dropped.
struct Place {
    peers: Peers,
    peer: Option<IpAddr>,
}

impl Place {
    /// A place for a caller, unless its machine has its share. Programs of this machine share no bound but the whole.
    fn take(peers: &Peers, caller: &Caller, most: usize) -> Option<Self> {
        let peer = (!caller.is_here()).then_some(caller.peer);
        if let Some(peer) = peer {
            let mut counts = peers.lock().unwrap_or_else(PoisonError::into_inner);
            let count = counts.entry(peer).or_default();
            if *count >= most {
                return None;
            }
            *count += 1;
        }
        Some(Self {
            peers: Arc::clone(peers),
            peer,
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let Some(peer) = self.peer else { return };
        let mut counts = self.peers.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&peer) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&peer);
            }
        }
    }
}

/// One connection.
#[derive(Clone)]
struct Visit {
    house: Arc<House>,
    router: Router,
    caller: Caller,
}

impl Visit {
    async fn run(self, socket: TcpStream, mut end: watch::Receiver<bool>) {
        let _here = Here::count(&self.house, |counts| &counts.connections);
        let limits = self.house.doors.limits;
        let socket = TokioIo::new(Patient::new(socket, limits.unread));
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(limits.head)
            .max_headers(HEADERS)
            .max_buf_size(BUFFER)
            .serve_connection(
                socket,
                service_fn(move |request| {
                    let visit = self.clone();
                    async move { Ok::<_, Infallible>(visit.answer(request).await) }
                }),
            );
        tokio::pin!(connection);
        let result = tokio::select! {
            biased;
            result = &mut connection => result,
            () = ended(&mut end) => {
                connection.as_mut().graceful_shutdown();
                connection.await
            }
        };
        if let Err(e) = result {
            tracing::debug!("a connection broke: {e}");
        }
    }

    async fn answer(self, request: Request<Incoming>) -> Response<Body> {
        use hyper::service::Service as _;
        let (method, path) = (request.method().clone(), request.uri().path().to_owned());
        let request = match gate::admit(&self.house, &self.caller, request).await {
            Ok(request) => request,
            Err(problem) => {
                let refusal = gate::refuse(&self.house, &method, &path, problem);
                return gate::dress(&path, None, refusal);
            }
        };
        let response = TowerToHyperService::new(self.router)
            .call(request)
            .await
            .unwrap_or_else(|never| match never {});
        // A pairing device is not in yet.
        let state = (path != "/pair").then(|| self.house.bench.state());
        gate::dress(&path, state.as_deref(), response.into_response())
    }
}
