//! The page and the API of a bench over real sockets: what is served, how it streams, and every attack that the doors
//! must stand.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod api;
mod attacks;
mod inspection;
mod limits;
mod metrics;
mod pairing;
mod program;
mod stream;

use std::{
    net::SocketAddr,
    sync::{Arc, Mutex},
    time::Duration,
};

use feelgauge::{
    bench::{Bench, Denied, Ends, Kept, Order, State},
    clock::Clock,
    page::{Doors, server::serve},
};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::{TcpListener, TcpStream},
    sync::watch,
    task::JoinHandle,
    time::timeout,
};

/// Nothing here waits longer; reached only when something hangs.
const LONG: Duration = Duration::from_secs(20);

/// A bench without a daemon, served.
struct Served {
    address: SocketAddr,
    state: watch::Sender<Arc<State>>,
    alarm: watch::Sender<Option<feelgauge::bench::Alarm>>,
    events: feelgauge::bench::EventLog,
    /// Orders that came.
    orders: Arc<Mutex<Vec<Order>>>,
    stop: watch::Sender<bool>,
    server: JoinHandle<std::io::Result<()>>,
}

/// The captures of the repository, as a bench lists them.
fn kept() -> Vec<Kept> {
    let names = [
        ("20310517T143107Z-roll-one_fl", "roll", "one_fl"),
        ("20310517T142649Z-pull-plug_in_cold", "pull", "plug_in_cold"),
        ("20310517T142140Z-leak-whole", "leak", "whole"),
    ];
    let kept = |(name, test, setup): (&str, &str, &str)| Kept {
        name: name.into(),
        test: test.into(),
        setup: Some(setup.into()),
        when: "2031-05-17T14:21:40Z".into(),
        verdict: None,
        why: None,
    };
    names.into_iter().map(kept).collect()
}

fn doors() -> Doors {
    let captures = concat!(env!("CARGO_MANIFEST_DIR"), "/captures");
    Doors::at_home(captures, Clock::system())
}

/// Doors behind which nobody is trusted without a cookie, so that the tests need no second machine.
fn shared_doors() -> Doors {
    Doors {
        is_shared: true,
        ..doors().open_to_lan()
    }
}

impl Served {
    async fn new() -> Self {
        Self::with(State::default(), doors()).await
    }

    async fn with(state: State, doors: Doors) -> Self {
        let (bench, ends) = Bench::new(state);
        let Ends {
            state,
            alarm,
            orders: mut asked,
            events,
        } = ends;
        let orders = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&orders);
        tokio::spawn(async move {
            while let Some((order, answer)) = asked.recv().await {
                let denied = Denied {
                    code: "no_test",
                    message: "no test was chosen".into(),
                };
                let result = if order == Order::Leave {
                    Err(denied)
                } else {
                    Ok(())
                };
                kept.lock().unwrap().push(order);
                answer.send(result).ok();
            }
        });
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (stop, stopped) = watch::channel(false);
        let server = tokio::spawn(serve(listener, bench, doors, stopped));
        Self {
            address,
            state,
            alarm,
            events,
            orders,
            stop,
            server,
        }
    }

    /// Changes the state as its owner does.
    fn change(&self, change: impl FnOnce(&mut State)) {
        self.state.send_modify(|state| {
            let state = Arc::make_mut(state);
            state.version += 1;
            change(state);
        });
    }

    fn orders(&self) -> Vec<Order> {
        self.orders.lock().unwrap().clone()
    }

    /// Sends bytes and reads what comes until the other end closes.
    async fn raw(&self, bytes: &[u8]) -> Answer {
        let mut socket = TcpStream::connect(self.address).await.unwrap();
        // The other end may close before it has taken everything.
        let _ = socket.write_all(bytes).await;
        Answer::read(&mut socket).await
    }

    /// A request as a program sends it; `head` is added to it, each line with its CRLF.
    async fn ask(&self, method: &str, path: &str, head: &str, body: &str) -> Answer {
        let host = self.address;
        let length = body.len();
        let text = format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Length: {length}\r\n{head}\r\n{body}"
        );
        self.raw(text.as_bytes()).await
    }

    async fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, "", "").await
    }

    async fn post(&self, path: &str, body: &str) -> Answer {
        self.ask("POST", path, "Content-Type: application/json\r\n", body)
            .await
    }

    async fn form(&self, path: &str, body: &str) -> Answer {
        let head = "Content-Type: application/x-www-form-urlencoded\r\n";
        self.ask("POST", path, head, body).await
    }

    /// Ends the server as the daemon does; it must have ended in order.
    async fn end(self) {
        self.stop.send_replace(true);
        timeout(LONG, self.server).await.unwrap().unwrap().unwrap();
    }
}

/// What came back.
#[derive(Debug)]
struct Answer {
    status: u16,
    /// The head, as it came.
    head: String,
    body: String,
}

impl Answer {
    async fn read(socket: &mut TcpStream) -> Self {
        let mut bytes = Vec::new();
        // A reset after the answer is an end as well.
        let _ = timeout(LONG, socket.read_to_end(&mut bytes)).await.unwrap();
        Self::of(&bytes)
    }

    fn of(bytes: &[u8]) -> Self {
        let text = String::from_utf8_lossy(bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
        let mut body = body.to_owned();
        if head.to_lowercase().contains("transfer-encoding: chunked") {
            body = unchunked(&body);
        }
        Self {
            status: status.unwrap_or(0),
            head: head.to_owned(),
            body,
        }
    }

    /// The values of a header.
    fn header(&self, name: &str) -> Vec<&str> {
        self.head
            .lines()
            .skip(1)
            .filter_map(|line| line.split_once(": "))
            .filter(|(n, _)| n.eq_ignore_ascii_case(name))
            .map(|(_, value)| value)
            .collect()
    }

    #[track_caller]
    fn json(&self) -> serde_json::Value {
        assert_eq!(
            self.header("content-type"),
            ["application/json"],
            "{self:?}"
        );
        serde_json::from_str(&self.body).unwrap()
    }

    /// The code of a problem.
    #[track_caller]
    fn code(&self) -> String {
        let json = self.json();
        assert!(!json["message"].as_str().unwrap().is_empty());
        json["code"].as_str().unwrap().to_owned()
    }
}

fn unchunked(body: &str) -> String {
    let mut out = String::new();
    let mut rest = body;
    while let Some((size, after)) = rest.split_once("\r\n") {
        let Ok(size) = usize::from_str_radix(size, 16) else {
            break;
        };
        let Some(piece) = after.get(..size) else {
            break;
        };
        out.push_str(piece);
        rest = after.get(size + 2..).unwrap_or("");
    }
    out
}

/// A listener of a stream of events.
struct Listener {
    socket: TcpStream,
    /// Everything that came and was not looked at, without the chunks' frames.
    text: String,
    /// Bytes of the chunks that are not whole yet.
    bytes: Vec<u8>,
    head: String,
    is_over: bool,
}

/// One event of a stream.
#[derive(Debug, PartialEq)]
struct Heard {
    name: String,
    id: Option<String>,
    text: String,
}

impl Listener {
    async fn new(address: SocketAddr, path: &str, head: &str) -> Self {
        let mut socket = TcpStream::connect(address).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\n{head}\r\n");
        socket.write_all(request.as_bytes()).await.unwrap();
        let mut listener = Self {
            socket,
            text: String::new(),
            bytes: Vec::new(),
            head: String::new(),
            is_over: false,
        };
        while listener.head.is_empty() {
            listener.more().await;
            let end = listener.bytes.windows(4).position(|w| w == b"\r\n\r\n");
            if let Some(end) = end {
                let rest = listener.bytes.split_off(end + 4);
                listener.head =
                    String::from_utf8(std::mem::replace(&mut listener.bytes, rest)).unwrap();
            }
        }
        assert!(
            listener.head.starts_with("HTTP/1.1 200"),
            "{}",
            listener.head
        );
        listener
    }

    async fn more(&mut self) {
        let mut piece = vec![0; 65_536];
        let n = timeout(LONG, self.socket.read(&mut piece)).await.unwrap();
        let n = n.unwrap_or(0);
        self.is_over = n == 0;
        self.bytes.extend_from_slice(&piece[..n]);
    }

    /// Takes whole chunks out of their frames.
    fn unframe(&mut self) {
        loop {
            let Some(end) = self.bytes.windows(2).position(|w| w == b"\r\n") else {
                return;
            };
            let size = std::str::from_utf8(&self.bytes[..end]).unwrap();
            let size = usize::from_str_radix(size, 16).unwrap();
            if self.bytes.len() < end + 2 + size + 2 {
                return;
            }
            let chunk = &self.bytes[end + 2..end + 2 + size];
            self.text.push_str(std::str::from_utf8(chunk).unwrap());
            self.bytes.drain(..end + 2 + size + 2);
        }
    }

    /// The next event, comments left out; `None` when the stream has ended.
    async fn next(&mut self) -> Option<Heard> {
        loop {
            if let Some(end) = self.text.find("\n\n") {
                let heard = heard(&self.text[..end]);
                self.text.drain(..end + 2);
                if heard.is_some() {
                    return heard;
                }
                continue;
            }
            if self.is_over {
                return None;
            }
            self.more().await;
            self.unframe();
        }
    }

    /// The next event of a name.
    async fn next_of(&mut self, name: &str) -> Heard {
        loop {
            let heard = self.next().await.expect("the stream goes on");
            if heard.name == name {
                return heard;
            }
        }
    }
}

fn heard(event: &str) -> Option<Heard> {
    let fields: Vec<_> = event
        .lines()
        .filter(|line| !line.starts_with(':'))
        .map(|line| line.split_once(": ").unwrap_or((line, "")))
        .collect();
    let of = |name: &str| {
        let values = fields.iter().filter(|(n, _)| *n == name);
        values.map(|(_, v)| *v).collect::<Vec<_>>()
    };
    (!fields.is_empty()).then(|| Heard {
        name: of("event").join(""),
        id: of("id").first().map(|id| (*id).to_owned()),
        text: of("data").join("\n"),
    })
}
