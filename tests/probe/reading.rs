//! Lines, their times, the room before the disk, and the health of the link.

use std::time::Duration;

use feelgauge::{
    inspect::{Input, Row},
    physics::noise::Noise,
    probe::{
        health::ProbeHealth,
        link::{Arrival, Gone, Link},
    },
    record::queue::{FULL_RATE_30_S, queue},
    wire::{Edges, Encoder, Event, Line, Message, Part},
};
use tokio::io::{AsyncWriteExt as _, duplex};

use crate::far::{batch, linked, virtual_clock};

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
