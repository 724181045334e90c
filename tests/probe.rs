//! Links to probes: over memory with paused time, over real pseudo-terminals, over a replay.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use std::{
    cell::RefCell,
    collections::VecDeque,
    sync::atomic::{AtomicU64, Ordering},
    time::Duration,
};

use feelgauge::{
    clock::Clock,
    inspect::{Input, Row},
    physics::noise::Noise,
    probe::{
        bare::{Unreadable, listen},
        follow::{Happening, Who, follow},
        health::ProbeHealth,
        link::{Arrival, Gone, Link, Patience, Unidentified},
        replay::Replay,
        serial::{self, OpenError, PortName},
    },
    record::queue::{FULL_RATE_30_S, queue},
    wire::{
        Channel, Command, Decoder, Edges, Encoder, Event, Identity, Line, Message, Part, ProbeKind,
        Samples, Unit, bare::Bare,
    },
};
use proptest::prelude::*;
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream, duplex},
    sync::{Notify, watch},
    time::{Instant, sleep},
};

fn virtual_clock() -> Clock {
    Clock::virtual_from("2031-05-17T14:21:40Z".parse().unwrap())
}

fn identity(serial: &str, boot: u16) -> Identity {
    Identity {
        version: 1,
        kind: ProbeKind::Pressure,
        serial: serial.into(),
        firmware: "1.0".into(),
        boot,
        t_us: 2_000,
        channels: vec![Channel {
            index: 0,
            unit: Unit::Pascal,
            scale: 2.5,
            zero: 1638.0,
            min: 0,
            max: 16_368,
            rate_hz: 200.0,
            order: 1,
        }],
    }
}

fn hello(serial: &str, boot: u16) -> Message<'static> {
    Message::Identity(Box::new(identity(serial, boot)))
}

fn batch(t0_us: u32) -> Message<'static> {
    Message::Samples(Samples::new(0, t0_us, 5_000, &[1702; 10]).unwrap())
}

/// The probe's end of a link in memory.
struct Far {
    stream: DuplexStream,
    encoder: Encoder,
}

fn linked() -> (Link<DuplexStream>, Far) {
    let (near, stream) = duplex(1 << 20);
    let link = Link::new(near, virtual_clock());
    (
        link,
        Far {
            stream,
            encoder: Encoder::default(),
        },
    )
}

impl Far {
    async fn say(&mut self, message: &Message<'_>) {
        let line = self.encoder.line(message).unwrap();
        self.stream.write_all(&line).await.unwrap();
    }

    /// The next command of the host.
    async fn hear(&mut self) -> Command {
        let mut line = Vec::new();
        loop {
            match self.stream.read_u8().await.unwrap() {
                b'\n' => return Command::read(&line).unwrap(),
                b => line.push(b),
            }
        }
    }
}

fn quiet(_: &Arrival<'_>) {}

// ---- Who is there.

#[tokio::test(start_paused = true)]
async fn the_hello_after_a_reset_is_waited_for_and_nothing_is_sent_into_the_boot_loader() {
    let (mut link, mut far) = linked();
    let opened = Instant::now();
    let probe = async {
        far.stream.write_all(b"\xF0\x00 3 1702*12").await.unwrap(); // what was in the chip from before
        sleep(Duration::from_millis(1600)).await;
        far.stream.write_all(b"\n").await.unwrap();
        far.say(&hello("P-7", 3)).await;
        far
    };
    let (found, mut far) = tokio::join!(link.identify(Patience::default(), quiet), probe);
    let found = found.unwrap();
    assert_eq!(found.identity, identity("P-7", 3));
    assert!(found.row.bytes.starts_with(b"I 0 1 pressure P-7") && found.row.part == Part::Whole);
    assert!(opened.elapsed() < Duration::from_secs(2));
    drop(link);
    let mut sent = Vec::new();
    far.stream.read_to_end(&mut sent).await.unwrap();
    assert_eq!(sent, b"");
}

#[tokio::test(start_paused = true)]
async fn a_probe_that_says_no_hello_is_asked_after_three_seconds() {
    let (mut link, mut far) = linked();
    let opened = Instant::now();
    let probe = async {
        assert_eq!(far.hear().await, Command::Identify);
        let asked = opened.elapsed();
        far.say(&hello("P-7", 0)).await;
        asked
    };
    let (found, asked) = tokio::join!(link.identify(Patience::default(), quiet), probe);
    assert_eq!(found.unwrap().identity.serial, "P-7");
    assert!((2990..=3010).contains(&asked.as_millis()), "{asked:?}");
}

#[tokio::test(start_paused = true)]
async fn a_probe_that_runs_already_is_asked_soon() {
    let (mut link, mut far) = linked();
    let opened = Instant::now();
    let probe = async {
        let mut t_us = 0;
        for _ in 0..7 {
            sleep(Duration::from_millis(50)).await;
            far.say(&batch(t_us)).await;
            t_us += 50_000;
        }
        assert_eq!(far.hear().await, Command::Identify);
        far.say(&hello("P-7", 0)).await;
    };
    let mut heard = 0;
    let (found, ()) = tokio::join!(link.identify(Patience::default(), |_| heard += 1), probe);
    assert_eq!(found.unwrap().identity.serial, "P-7");
    assert_eq!(heard, 8, "what came meanwhile is not lost");
    assert!(opened.elapsed() < Duration::from_millis(500));
}

/// What a port that is no probe's says, and what the person is told.
#[tokio::test(start_paused = true)]
async fn ports_that_are_no_probes_are_told_apart() {
    let mut noise = Noise::new(4, 4);
    let garbage: Vec<u8> = (0..2000)
        .map(|_| u8::try_from(noise.below(256)).unwrap())
        .collect();
    let endless: Vec<u8> = (0..100)
        .map(|_| 0x80 + u8::try_from(noise.below(128)).unwrap())
        .collect();
    let good = |message: &Message<'_>| Encoder::default().line(message).unwrap();
    let mut foreign =
        b"I 0 2 pressure P-0007 1.0 12 2148 0:Pa:3.05176:1638.4:0:16368:200:1*78A9\n".to_vec();
    let said: [(&[u8], &str); 6] = [
        (b"", "nothing came"),
        (&garbage, "PATH=250000"),
        (&endless, "PATH=250000"),
        (b"ready\r\n12.4\r\n12.5\r\n", "--bare"),
        (&good(&batch(0)), "no identity"),
        (&mut foreign, "version 2"),
    ];
    for (bytes, advice) in said {
        let (mut link, mut far) = linked();
        far.stream.write_all(bytes).await.unwrap();
        let opened = Instant::now();
        let e = link.identify(Patience::default(), quiet).await.unwrap_err();
        assert!(e.to_string().contains(advice), "{e} for {advice}");
        assert!(opened.elapsed() <= Duration::from_millis(6_100));
    }
}

#[tokio::test(start_paused = true)]
async fn a_port_that_ends_while_it_is_asked_is_gone() {
    let (mut link, far) = linked();
    drop(far);
    let e = link.identify(Patience::default(), quiet).await.unwrap_err();
    assert!(matches!(e, Unidentified::Gone(Gone::Closed)), "{e}");
}

#[tokio::test(start_paused = true)]
async fn pings_and_rates_are_answered_among_readings() {
    let (mut link, mut far) = linked();
    let probe = async {
        assert_eq!(far.hear().await, Command::Ping(17));
        far.say(&batch(0)).await;
        far.say(&Message::Pong { token: 16, t_us: 1 }).await; // of an earlier ping
        far.say(&Message::Pong { token: 17, t_us: 2 }).await;
        assert_eq!(far.hear().await, Command::Rate(400));
        far.say(&Message::Notice("rate")).await;
        far.say(&hello("P-7", 0)).await;
        assert_eq!(far.hear().await, Command::Ping(18));
    };
    let host = async {
        let mut others = 0;
        let wait = Duration::from_secs(1);
        assert!(
            link.ping(17, wait, |_| others += 1)
                .await
                .unwrap()
                .is_some()
        );
        assert_eq!(others, 3);
        let rate = link
            .set_rate(400, wait, |_| others += 1)
            .await
            .unwrap()
            .unwrap();
        assert!(
            (rate.channels[0].rate_hz - 200.0).abs() < 1e-9,
            "the old rate still holds"
        );
        assert_eq!(others, 5);
        assert_eq!(
            link.ping(18, wait, |_| {}).await.unwrap(),
            None,
            "no answer is no error"
        );
    };
    tokio::join!(probe, host);
}

// ---- Reading.

/// The time is that of the read that completed the line, not of the one that began it.
#[tokio::test(start_paused = true)]
async fn a_line_has_the_time_of_the_read_that_completed_it() {
    let clock = virtual_clock();
    let (near, mut far) = duplex(1000);
    let mut link = Link::new(near, clock.clone());
    clock.set_us(100);
    far.write_all(b"first half ").await.unwrap();
    let none = tokio::time::timeout(Duration::from_millis(1), link.next()).await;
    assert!(
        none.is_err(),
        "half a line is nothing, and giving up on it loses nothing"
    );
    clock.set_us(200);
    far.write_all(b"and second\nnext\nto").await.unwrap();
    for expected in [&b"first half and second"[..], b"next"] {
        let arrival = link.next().await.unwrap();
        assert_eq!((arrival.host_us, arrival.event.bytes()), (200, expected));
    }
    clock.set_us(300);
    drop(far);
    let torn = link.next().await.unwrap();
    assert_eq!(
        (torn.host_us, torn.event.bytes(), torn.event.part()),
        (300, &b"to"[..], Part::Torn)
    );
    assert!(matches!(link.next().await, Err(Gone::Closed)));
    assert!(
        matches!(link.next().await, Err(Gone::Closed)),
        "and it stays gone"
    );
}

/// A recorder that does nothing for 30 s at 250000 baud loses nothing; what is more is counted, and the reader
/// never waits.
#[tokio::test(start_paused = true)]
async fn a_stalled_recorder_has_thirty_seconds() {
    let (sender, receiver) = queue(FULL_RATE_30_S);
    let (near, mut far) = duplex(4096);
    let mut link = Link::new(near, virtual_clock());
    let mut encoder = Encoder::default();
    // the smallest lines are the worst case for the queue; a notice is the smallest of the wire
    let line = encoder.line(&Message::Notice("x")).unwrap();
    let full_rate = 30 * 25_000 / line.len();
    let writer = async {
        for _ in 0..full_rate {
            far.write_all(&line).await.unwrap();
        }
        drop(far);
    };
    let reader = async {
        while let Ok(arrival) = link.next().await {
            assert!(sender.offer(Input::Row(0, arrival.row())), "there is room");
        }
    };
    tokio::join!(writer, reader);
    assert_eq!(sender.overruns(), 0);
    let row = Row {
        host_us: 0,
        bytes: line.clone(),
        part: Part::Whole,
    };
    let refused = (0..FULL_RATE_30_S / 64)
        .filter(|_| !sender.offer(Input::Row(0, row.clone())))
        .count();
    assert!(refused > 0);
    assert_eq!(sender.overruns(), refused as u64);
    drop(receiver);
}

// ---- Going and coming back.

#[tokio::test(start_paused = true)]
async fn a_lost_probe_is_waited_for_and_another_one_is_left_alone() {
    let (link, mut far) = linked();
    let (stop, stopped) = watch::channel(false);
    far.say(&hello("P-7", 3)).await;
    far.say(&batch(3_000)).await;
    far.stream.write_all(b"S 2 0 53").await.unwrap();
    drop(far);

    // what is found at the port, time after time
    let (near_other, mut other) = linked_pair();
    other.say(&hello("P-8", 1)).await;
    let (near_same, mut same) = linked_pair();
    same.stream.write_all(b"\xFF half a line\n").await.unwrap();
    same.say(&hello("P-7", 4)).await;
    same.say(&batch(3_000)).await;
    let mut attempts: VecDeque<Result<DuplexStream, OpenError>> = VecDeque::from([
        Err(OpenError::Missing),
        Err(OpenError::Missing),
        Err(OpenError::Denied),
        Ok(near_other),
        Ok(near_same),
    ]);
    let started = Instant::now();
    let log = RefCell::new(Vec::new());
    let open = || {
        log.borrow_mut()
            .push(format!("open at {} ms", started.elapsed().as_millis()));
        attempts.pop_front().unwrap()
    };
    let take = |happening: Happening<'_>| {
        let text = told(&happening);
        let end = text == "line 1" && log.borrow().contains(&"back".to_owned());
        log.borrow_mut().push(text);
        if end {
            stop.send(true).unwrap();
        }
    };
    let who = Who::of(&identity("P-7", 3));
    follow(link, &who, &virtual_clock(), open, take, stopped).await;
    let expected = [
        "line 0",
        "line 1",
        "broken Torn",
        "the probe was unplugged",
        "open at 250 ms",
        "there is no such port",
        "open at 750 ms",
        "open at 1750 ms",
        "permission denied",
        "open at 3750 ms",
        "another probe is at the port",
        "open at 7750 ms",
        "back",
        "broken Whole",
        "line 0",
        "line 1",
    ];
    assert_eq!(*log.borrow(), expected);
}

/// A happening as a line of a log.
fn told(happening: &Happening<'_>) -> String {
    match happening {
        Happening::Arrival(a) => match &a.event {
            Event::Line {
                outcome: Ok(Line { seq, .. }),
                ..
            } => format!("line {seq}"),
            event => format!("broken {:?}", event.part()),
        },
        Happening::Gone(gone) => gone.to_string(),
        Happening::Waiting(why) => why.split(':').next().unwrap().to_owned(),
        Happening::Back => "back".into(),
    }
}

fn linked_pair() -> (DuplexStream, Far) {
    let (near, stream) = duplex(1 << 16);
    (
        near,
        Far {
            stream,
            encoder: Encoder::default(),
        },
    )
}

#[tokio::test(start_paused = true)]
async fn a_stop_ends_it_while_it_reads_and_while_it_waits() {
    for gone in [false, true] {
        let (link, far) = linked();
        let (stop, stopped) = watch::channel(false);
        let far = (!gone).then_some(far);
        let clock = virtual_clock();
        let open = || Err::<DuplexStream, _>(OpenError::Missing);
        let run = follow(link, &Who::Bare, &clock, open, |_| {}, stopped);
        let stop = async {
            sleep(Duration::from_secs(20)).await;
            stop.send(true).unwrap();
        };
        tokio::join!(run, stop);
        drop(far);
    }
}

// ---- Bare probes.

#[tokio::test(start_paused = true)]
async fn a_bare_probe_is_heard_past_its_boot_text() {
    let bare = Bare::describe("force:N:2").unwrap();
    let wait = Duration::from_secs(3);
    let (mut link, mut far) = linked();
    far.stream
        .write_all(b"7.5\r\nScale v2\r\n100\t12.25\r\n")
        .await
        .unwrap();
    let value = listen(&mut link, &bare, wait).await.unwrap();
    assert!((value - 12.25).abs() < 1e-12);
    let (mut link, mut far) = linked();
    far.stream.write_all(b"12\n12.5\n12.6\n").await.unwrap();
    let e = listen(&mut link, &bare, wait).await.unwrap_err();
    assert!(
        matches!(&e, Unreadable::NoNumber { sample, column: 2 } if sample == "12.6"),
        "{e}"
    );
    let (mut link, _far) = linked();
    let e = listen(&mut link, &bare, wait).await.unwrap_err();
    assert!(
        matches!(e, Unreadable::Unheard(Unidentified::Silent)),
        "{e}"
    );
}

#[test]
fn bare_lines_are_read_as_described() {
    let cases: [(&str, &[u8], Option<f64>); 12] = [
        ("force:N:1", b"12.4", Some(12.4)),
        ("force:N:1", b"  -3 \r", Some(-3.0)),
        ("force:N:2", b"1200,12.4", Some(12.4)),
        ("force:N:2", b"1200 ; 12.4;", Some(12.4)),
        ("force:N:3", b"a b\t+1e1", Some(10.0)),
        ("pressure:mbar:1", b"150", Some(15_000.0)),
        ("pressure:kPa:1", b"15 kPa", Some(15_000.0)),
        ("force:N:1", b"inf", None),
        ("force:N:1", b"nan", None),
        ("force:N:1", b"12,4,5,", Some(12.0)),
        ("force:N:3", b"12.4 5", None),
        ("force:N:1", b"\xFF12", None),
    ];
    for (how, line, value) in cases {
        let read = Bare::describe(how).unwrap().reading(line);
        let same = match (read, value) {
            (Some(a), Some(b)) => (a - b).abs() < 1e-9,
            (a, b) => a.is_none() && b.is_none(),
        };
        assert!(same, "{how} {line:?}: {read:?}");
    }
    for (how, advice) in [
        ("force:N", "three parts"),
        ("force:kg:1", "N"),
        ("pressure:N:1", "kPa"),
        ("hall:edge:1", "clock"),
        ("thumb:N:1", "neither"),
        ("force:N:0", "column"),
    ] {
        let e = Bare::describe(how).unwrap_err().to_string();
        assert!(e.contains(advice) && e.contains("force:N:2"), "{e}");
    }
}

// ---- Health.

/// A probe 60 ppm slow, lines late by 0..8 ms, some lost: the report says so.
#[test]
fn the_report_tells_lateness_clock_and_losses() {
    let mut noise = Noise::new(5, 5);
    let mut encoder = Encoder::default();
    let mut health = ProbeHealth::new(Some(115_200));
    for k in 0..2400u64 {
        let probe_us = 4_290_000_000 + k * 50_000;
        let message = batch(u32::try_from((probe_us - 45_000) % (1 << 32)).unwrap());
        let line = encoder.line(&message).unwrap();
        if k % 100 == 99 {
            continue;
        }
        let sending_us = line.len() as u64 * 10 * 1_000_000 / 115_200;
        let late_us = noise.below(8_000);
        let host_us = k * 50_000 + k * 3 + sending_us + late_us;
        let event = Event::read(&line[..line.len() - 1], Part::Whole);
        health.take(&Arrival { host_us, event });
    }
    let report = health.report();
    assert_eq!(report.lines, 2376);
    // the last missing number is not missed: nothing came after it
    assert_eq!(
        report.faults.into_iter().collect::<Vec<_>>(),
        [("lost".to_owned(), 23)]
    );
    assert!((report.lines_per_s.unwrap() - 19.8).abs() < 0.1);
    let late = report.late.unwrap();
    // two digits of the histogram, and the noise of 2376 lines: 160 us of 8 ms
    assert!(
        late.p50_us.abs_diff(4_000) < 400 && late.p99_us.abs_diff(7_920) < 200,
        "{late:?}"
    );
    assert!((report.clock_ppm.unwrap() - 60.0).abs() < 5.0);
    let fit = health.fit().unwrap();
    assert!(fit.u_us(1 << 32) > 0.0);
}

// ---- Replay.

fn any_rows() -> impl Strategy<Value = Vec<u8>> {
    let line = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..40),
        prop::collection::vec(Just(b'x'), 200..900),
        Just(b"S 1 0 103000 5000 1702*0000\n".to_vec()),
        Just(b"\n".to_vec()),
    ];
    prop::collection::vec(line, 0..12).prop_map(|lines| lines.concat())
}

proptest! {
    /// What a replay hands out is what was recorded: bytes, parts and times.
    #[test]
    fn a_replay_is_the_capture(stream in any_rows(), cuts in prop::collection::vec(0usize..400, 0..20)) {
        let mut rows = Vec::new();
        let mut decoder = Decoder::new();
        let mut rest = &stream[..];
        let mut host_us = 0;
        for cut in cuts.iter().chain([&usize::MAX]) {
            host_us += 1000;
            let (mut now, later) = rest.split_at((*cut).min(rest.len()));
            while let Some(event) = decoder.next(&mut now) {
                rows.push(Arrival { host_us, event }.row());
            }
            rest = later;
        }
        rows.extend(decoder.finish().map(|event| Arrival { host_us, event }.row()));
        let clock = virtual_clock();
        let mut link = Link::new(Replay::new(rows.clone(), clock.clone()), clock);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        let again = runtime.block_on(async {
            let mut again = Vec::new();
            while let Ok(arrival) = link.next().await {
                again.push(arrival.row());
            }
            again
        });
        prop_assert_eq!(again, rows);
    }
}

// ---- Real pseudo-terminals.

/// The master of a pseudo-terminal and the path of its slave.
#[cfg(unix)]
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

#[cfg(unix)]
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

#[cfg(unix)]
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
#[cfg(unix)]
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

/// Edges of a hall probe arrive as sent when the clock wraps within the line.
#[tokio::test(start_paused = true)]
async fn edges_over_a_wrap_arrive() {
    let (mut link, mut far) = linked();
    let times = [u32::MAX - 10, 5, 40];
    far.say(&Message::Edges(Edges::new(2, &times).unwrap()))
        .await;
    let arrival = link.next().await.unwrap();
    let Event::Line {
        outcome: Ok(Line {
            message: Message::Edges(edges),
            ..
        }),
        ..
    } = arrival.event
    else {
        panic!()
    };
    assert_eq!(edges.times_us(), times);
}
