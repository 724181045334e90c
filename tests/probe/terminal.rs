//! Real pseudo-terminals.

use std::{
    sync::atomic::{AtomicU64, Ordering},
    time::Duration,
};

use feelgauge::{
    clock::Clock,
    probe::{
        follow::{Happening, Who, follow},
        link::{Gone, Link, Patience},
        serial::{self, OpenError, PortName},
    },
    wire::{Command, Encoder, Event, Message},
};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    sync::{Notify, watch},
};

use crate::far::{batch, hello, identity, quiet};

/// The master of a pseudo-terminal and the path of its slave.
fn terminal() -> (serial::Port, PortName) {
    use tokio_serial::SerialPort as _;
    let (master, slave) = tokio_serial::SerialStream::pair().unwrap();
    let path = slave.name().unwrap();
    (
        master,
        PortName {
            path,
            baud: 115_200,
        },
    )
}

#[tokio::test]
async fn a_probe_on_a_terminal_is_identified_read_and_lost() {
    let (mut master, name) = terminal();
    let mut link = Link::new(serial::open(&name).unwrap(), Clock::system());
    assert_eq!(
        serial::open(&name).unwrap_err(),
        OpenError::Busy,
        "a second open of ours"
    );
    let mut encoder = Encoder::default();
    let mut stream = encoder.line(&hello("P-7", 1)).unwrap();
    for k in 0..500 {
        stream.extend(encoder.line(&batch(k * 50_000)).unwrap());
    }
    let writer = tokio::spawn(async move {
        master.write_all(&stream).await.unwrap();
        let mut asked = [0; 4];
        master.read_exact(&mut asked).await.unwrap();
        assert_eq!(&asked, b"p 5\n");
        master
            .write_all(&encoder.line(&Message::Pong { token: 5, t_us: 1 }).unwrap())
            .await
            .unwrap();
        let mut end = [0; 1];
        // unplugged once the host has the answer
        master.read_exact(&mut end).await.unwrap();
    });
    let found = link.identify(Patience::default(), quiet).await.unwrap();
    assert_eq!(found.identity.serial, "P-7");
    let mut last_us = found.row.host_us;
    for k in 1..=500u16 {
        let arrival = link.next().await.unwrap();
        let Event::Line {
            outcome: Ok(line), ..
        } = &arrival.event
        else {
            panic!("line {k}")
        };
        assert_eq!(line.seq, k);
        assert!(arrival.host_us >= last_us);
        last_us = arrival.host_us;
    }
    let there_and_back = link
        .ping(5, Duration::from_secs(10), |_| {})
        .await
        .unwrap()
        .unwrap();
    assert!(there_and_back < 10_000_000);
    link.send(Command::Identify).await.unwrap();
    writer.await.unwrap();
    let gone = loop {
        match link.next().await {
            Ok(_) => {}
            Err(gone) => break gone,
        }
    };
    assert!(matches!(gone, Gone::Closed), "{gone}");
}

#[tokio::test]
async fn ports_that_cannot_be_opened_say_why() {
    let open = |path: &str| {
        serial::open(&PortName {
            path: path.into(),
            baud: 115_200,
        })
        .unwrap_err()
    };
    assert_eq!(open("/no/such/port"), OpenError::Missing);
    assert_eq!(open("/dev/null"), OpenError::NoPort);
    let file = tempfile::NamedTempFile::new().unwrap();
    assert_eq!(open(file.path().to_str().unwrap()), OpenError::NoPort);
}

/// Unplug and plug in again: the reader is told, waits, and reads on.
#[tokio::test]
async fn a_terminal_comes_back_under_another_number() {
    let (mut first, name) = terminal();
    let (mut second, second_name) = terminal();
    let clock = Clock::system();
    let link = Link::new(serial::open(&name).unwrap(), clock.clone());
    let (stop, stopped) = watch::channel(false);
    let lines = AtomicU64::new(0);
    let opened = Notify::new();
    let (gone, back) = (AtomicU64::new(0), AtomicU64::new(0));
    let take = |happening: Happening<'_>| match happening {
        Happening::Arrival(_) => {
            lines.fetch_add(1, Ordering::Relaxed);
            if back.load(Ordering::Relaxed) == 1 {
                stop.send_replace(true);
            }
        }
        Happening::Gone(_) => drop(gone.fetch_add(1, Ordering::Relaxed)),
        Happening::Back => drop(back.fetch_add(1, Ordering::Relaxed)),
        Happening::Waiting(why) => panic!("{why}"),
    };
    let mut encoder = Encoder::default();
    let say = async {
        first
            .write_all(&encoder.line(&hello("P-7", 1)).unwrap())
            .await
            .unwrap();
        // answered only when the line was read: the host's side is polled meanwhile
        while lines.load(Ordering::Relaxed) == 0 {
            tokio::task::yield_now().await;
        }
        drop(first);
        opened.notified().await;
        let line = Encoder::default().line(&hello("P-7", 2)).unwrap();
        second.write_all(&line).await.unwrap();
        second
    };
    let who = Who::of(&identity("P-7", 1));
    let open = || {
        let port = serial::open(&second_name);
        opened.notify_one();
        port
    };
    let run = follow(link, &who, &clock, open, take, stopped);
    let both = async { tokio::join!(run, say) };
    tokio::time::timeout(Duration::from_secs(20), both)
        .await
        .unwrap();
    let counts = [&lines, &gone, &back].map(|n| n.load(Ordering::Relaxed));
    assert_eq!(counts, [2, 1, 1]);
}
