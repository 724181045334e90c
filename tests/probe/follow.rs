//! Going and coming back.

use std::{cell::RefCell, collections::VecDeque, time::Duration};

use feelgauge::{
    probe::{
        follow::{Happening, Who, follow},
        serial::OpenError,
    },
    wire::{Event, Line},
};
use tokio::{
    io::{AsyncWriteExt as _, DuplexStream},
    sync::watch,
    time::{Instant, sleep},
};

use crate::far::{batch, hello, identity, linked, linked_pair, virtual_clock};

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
