//! Who is at a port.

use std::time::Duration;

use feelgauge::{
    physics::noise::Noise,
    probe::link::{Gone, Patience, Unidentified},
    wire::{Command, Encoder, Message, Part},
};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    time::{Instant, sleep},
};

use crate::far::{batch, hello, identity, linked, quiet};

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
