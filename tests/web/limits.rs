//! Visitors that take too much: of memory, of time, of connections.

use std::time::Duration;

use feelgauge::{
    bench::State,
    page::{Doors, Limits, Rate},
};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
    time::{Instant, timeout},
};

use super::{Answer, LONG, Served, doors};

/// Doors with limits that a test reaches soon.
async fn hurried(change: impl FnOnce(&mut Limits)) -> Served {
    let mut limits = Limits {
        head: Duration::from_millis(300),
        body: Duration::from_millis(300),
        ..Limits::default()
    };
    change(&mut limits);
    let doors = Doors { limits, ..doors() };
    Served::with(State::default(), doors).await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_huge_body_is_refused_before_it_is_read() {
    let served = Served::new().await;
    let json = "Content-Type: application/json\r\n";
    let huge = " ".repeat(100_000);
    assert_eq!(
        served.ask("POST", "/api/1/tests", json, &huge).await.status,
        413
    );
    let stated = format!(
        "POST /api/1/tests HTTP/1.1\r\nHost: {}\r\nContent-Length: 99999999999\r\n\r\n",
        served.address
    );
    assert_eq!(served.raw(stated.as_bytes()).await.status, 413);
    // Chunks say no length; they are counted.
    let mut chunked = format!(
        "POST /api/1/tests HTTP/1.1\r\nHost: {}\r\n{json}Transfer-Encoding: chunked\r\n\r\n",
        served.address
    );
    for _ in 0..40 {
        chunked.push_str("400\r\n");
        chunked.push_str(&" ".repeat(1024));
        chunked.push_str("\r\n");
    }
    assert_eq!(served.raw(chunked.as_bytes()).await.status, 413);
    // What two servers could read in two ways is read in none.
    let both = format!(
        "POST /api/1/tests HTTP/1.1\r\nHost: {}\r\nContent-Length: 4\r\nContent-Length: 9\r\n\r\n1234",
        served.address
    );
    assert_eq!(served.raw(both.as_bytes()).await.status, 400);
    assert_eq!(served.orders(), []);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_flood_of_headers_is_refused() {
    let served = Served::new().await;
    let many = "X-Again: 1\r\n".repeat(500);
    assert_eq!(served.ask("GET", "/", &many, "").await.status, 431);
    let long = format!("X-Long: {}\r\n", "a".repeat(200_000));
    assert_eq!(served.ask("GET", "/", &long, "").await.status, 431);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn who_sends_nothing_or_drips_is_left() {
    let served = hurried(|_| {}).await;
    let begun = Instant::now();
    // Nothing at all.
    assert_eq!(served.raw(b"").await.status, 0);
    // Half a head.
    let half = served.raw(b"GET / HTTP/1.1\r\nHost: local").await;
    assert!(matches!(half.status, 0 | 408), "{half:?}");
    // A head that never ends, a byte at a time: what counts is the whole.
    let mut socket = TcpStream::connect(served.address).await.unwrap();
    socket
        .write_all(b"GET / HTTP/1.1\r\nX-Drip: ")
        .await
        .unwrap();
    let mut drops = tokio::time::interval(Duration::from_millis(20));
    let mut byte = [0];
    let dripped = async {
        loop {
            tokio::select! {
                _ = drops.tick() => if socket.write_all(b"a").await.is_err() { break },
                n = socket.read(&mut byte) => if matches!(n, Ok(0) | Err(_)) { break },
            }
        }
    };
    timeout(LONG, dripped).await.unwrap();
    // A body that does not come.
    let head = format!(
        "POST /api/1/tests HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: 20\r\n\r\n{{",
        served.address
    );
    let slow = served.raw(head.as_bytes()).await;
    assert_eq!((slow.status, slow.code().as_str()), (408, "too_slow"));
    assert!(begun.elapsed() < Duration::from_secs(10));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_idle_connection_is_left_after_its_answer() {
    let served = hurried(|_| {}).await;
    let mut socket = TcpStream::connect(served.address).await.unwrap();
    let request = format!(
        "GET /api/1/probes HTTP/1.1\r\nHost: {}\r\n\r\n",
        served.address
    );
    socket.write_all(request.as_bytes()).await.unwrap();
    assert_eq!(
        Answer::read(&mut socket).await.status,
        200,
        "and then it was closed"
    );
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn one_connection_too_many_hears_so_and_a_free_place_is_given_again() {
    let served = hurried(|limits| {
        limits.connections = 4;
        limits.head = LONG;
    })
    .await;
    let mut held = Vec::new();
    for _ in 0..4 {
        let mut socket = TcpStream::connect(served.address).await.unwrap();
        let request = format!(
            "GET /api/1/probes HTTP/1.1\r\nHost: {}\r\n\r\n",
            served.address
        );
        socket.write_all(request.as_bytes()).await.unwrap();
        // Its answer says that it was received.
        let mut some = [0; 64];
        assert!(socket.read(&mut some).await.unwrap() > 0);
        held.push(socket);
    }
    let full = served.get("/api/1/probes").await;
    assert_eq!(full.status, 503, "{full:?}");
    assert!(!full.header("retry-after").is_empty());
    drop(held.pop());
    let again = async {
        // The server hears of the end of a connection a moment later.
        while served.get("/api/1/probes").await.status != 200 {
            tokio::task::yield_now().await;
        }
    };
    timeout(LONG, again).await.unwrap();
    drop(held);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn acts_of_one_visitor_are_bounded() {
    let served = hurried(|limits| {
        limits.acts = Rate {
            burst: 10.0,
            per_s: 0.01,
        };
    })
    .await;
    let mut answers = Vec::new();
    for _ in 0..14 {
        answers.push(served.form("/do/stop", "").await.status);
    }
    assert_eq!(answers[..10], [303; 10]);
    assert_eq!(answers[10..], [429; 4]);
    assert_eq!(served.orders().len(), 10);
    // Looking goes on.
    assert_eq!(served.get("/").await.status, 200);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn garbage_is_no_request() {
    let served = Served::new().await;
    for bytes in [
        &b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"[..],
        b"GET\r\n\r\n",
        b"\r\n\r\n\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        &[0; 4096],
    ] {
        let mut socket = TcpStream::connect(served.address).await.unwrap();
        let _ = socket.write_all(bytes).await;
        let _ = socket.shutdown().await;
        let answer = Answer::read(&mut socket).await;
        assert!(
            matches!(answer.status, 0 | 400 | 421 | 505),
            "{bytes:?}: {answer:?}"
        );
    }
    assert_eq!(served.get("/api/1/state").await.status, 200);
    served.end().await;
}
