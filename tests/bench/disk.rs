//! Disks that are slow or full, captures that are broken, a clock that is set back, and the end in mid-capture.

use std::fs;

use feelgauge::{
    bench::{EventKind, Order, Scene},
    clock::Clock,
    inspect::Test,
};
use tokio::io::AsyncWriteExt as _;

use crate::rig::{FarProbe, Rig, plover, virtual_clock};

const NAME: &str = "force-F-1";

async fn probe(rig: &Rig) -> FarProbe {
    let mut opened = rig.ports.plug("memory-1");
    let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here(NAME).await;
    probe
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_ends_the_capture_at_its_last_whole_line_and_not_the_bench() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut probe = probe(&rig).await;
    rig.begin(Test::Pull, None).await;
    for _ in 0..20 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines(NAME, probe.said).await;
    rig.mood.fill(true);
    for _ in 0..5 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    let ended = rig.ended().await;
    let why = ended.found.as_ref().unwrap_err();
    assert!(
        why.contains("free some space") && why.contains("last whole line"),
        "{why}"
    );
    let state = rig.bench.state();
    assert_eq!(state.trouble.as_slice(), std::slice::from_ref(why));
    assert_eq!(state.kept[0].why.as_ref(), Some(why));
    let events = rig.events();
    assert!(
        events
            .iter()
            .any(|e| matches!(e, EventKind::Trouble { message } if message == why))
    );
    let capture = rig.capture(&ended.capture);
    assert!(
        capture.faults.is_empty(),
        "no torn tail: {:?}",
        capture.faults
    );
    assert!((19..=20).contains(&capture.rows[0].len()));
    assert!(!capture.closed.as_ref().unwrap().in_order);

    // No room: the next test does not begin, and says why.
    rig.order(Order::Choose {
        test: Test::Pull,
        setup: None,
    })
    .await
    .unwrap();
    let denied = rig.order(Order::Begin).await.unwrap_err();
    assert_eq!(denied.code, "disk");
    assert!(matches!(rig.bench.state().scene, Scene::Cautions { .. }));
    // Room again.
    rig.mood.fill(false);
    rig.order(Order::Begin).await.unwrap();
    assert!(rig.bench.state().trouble.is_empty());
    probe.pull(&rig.clock, |_| 0.0).await;
    rig.order(Order::Stop).await.unwrap();
    assert!(rig.ended().await.found.is_ok());
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_that_a_slow_disk_cannot_take_are_counted_and_told() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut probe = probe(&rig).await;
    rig.begin(Test::Pull, None).await;
    rig.mood.block(true);
    // Short lines at full speed: the queue holds half a minute of the fastest port.
    let flood = b"x\n".repeat(5_000);
    let mut said = probe.said;
    while rig.bench.state().dropped.record == 0 {
        probe.stream.write_all(&flood).await.unwrap();
        said += 5_000;
        assert!(said < 5_000_000, "the queue has no end");
    }
    let state = rig.until("trouble", |s| !s.trouble.is_empty()).await;
    assert!(state.trouble[0].contains("too slow"), "{:?}", state.trouble);
    rig.lines(NAME, said).await;
    rig.mood.block(false);
    rig.order(Order::Stop).await.unwrap();
    let ended = rig.ended().await;
    let lost = rig.bench.state().dropped.record;
    let quality = ended.found.as_ref().unwrap().quality();
    assert_eq!(
        quality.faults.get("host_overrun"),
        Some(&lost),
        "{quality:?}"
    );
    let capture = rig.capture(&ended.capture);
    assert!(
        capture
            .marks
            .iter()
            .any(|m| m.text.starts_with("host_overrun "))
    );
    // said: everything since the port was opened; the hello came before the test.
    assert_eq!(capture.rows[0].len() as u64 + lost, said - 1);
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_is_set_back_harms_no_record() {
    let mut rig = Rig::open(virtual_clock(), plover());
    let mut probe = probe(&rig).await;
    let mut names = Vec::new();
    for _ in 0..2 {
        rig.begin(Test::Pull, None).await;
        for _ in 0..20 {
            probe.pull(&rig.clock, |_| 0.0).await;
        }
        rig.lines(NAME, probe.said).await;
        // An hour back, in mid-capture.
        rig.clock.set_wall(-3_600_000_000);
        for _ in 0..20 {
            probe.pull(&rig.clock, |_| 0.0).await;
        }
        rig.lines(NAME, probe.said).await;
        rig.order(Order::Stop).await.unwrap();
        let ended = rig.ended().await;
        let capture = rig.capture(&ended.capture);
        assert_eq!(capture.rows[0].len(), 40);
        assert!(capture.rows[0].is_sorted_by_key(|row| row.host_us));
        assert!(capture.faults.is_empty() && capture.closed.unwrap().in_order);
        names.push(ended.capture.clone());
        // The same second again: the folder of the first test is there.
        rig.clock.set_wall(3_600_000_000 - 2_000_000);
    }
    assert_ne!(names[0], names[1]);
    let told = |rig: &Rig| {
        rig.events()
            .iter()
            .any(|e| matches!(e, EventKind::Trouble { message } if message.contains("set back by")))
    };
    // Looked at once a second.
    rig.clock.set_wall(-3_600_000_000);
    rig.until("the next seconds", |_| told(&rig)).await;
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_end_of_the_bench_closes_the_capture_with_every_line() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut probe = probe(&rig).await;
    rig.begin(Test::Pull, None).await;
    let Scene::Running(running) = rig.bench.state().scene.clone() else {
        panic!("it runs");
    };
    for _ in 0..30 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    let bench = rig.bench.clone();
    let mut states = bench.follow();
    rig.lines(NAME, probe.said).await;
    // The beginning of a line is on its way when the end comes, the rest after it.
    let line = probe
        .encoder
        .line(&crate::rig::identity("F-1", 1, 9))
        .unwrap();
    probe.stream.write_all(&line[..20]).await.unwrap();
    rig.ask_to_end();
    // The bench may have closed the port by now: then nobody is there to read the rest.
    if let Err(e) = probe.stream.write_all(&line[20..]).await {
        assert_eq!(e.kind(), std::io::ErrorKind::BrokenPipe);
    }
    rig.joined().await;
    let capture = rig.capture(&running.capture);
    let closed = capture.closed.as_ref().unwrap();
    assert!(closed.in_order && closed.reason == "stopped");
    assert!(capture.faults.is_empty());
    let rows = capture.rows[0].len();
    // The last line is whole, torn, or was not seen at all; everything before it is there.
    assert!((30..=31).contains(&rows), "{rows}");
    assert_eq!(bench.order(Order::Stop).await.unwrap_err().code, "ending");
    while states.changed().await.is_ok() {}
    assert!(
        rig.events()
            .iter()
            .any(|e| matches!(e, EventKind::TestEnded { reason, .. } if reason == "stopped"))
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn captures_on_the_shelf_are_looked_at_and_broken_ones_say_why() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut far = probe(&rig).await;
    rig.begin(Test::Pull, None).await;
    for _ in 0..20 {
        far.pull(&rig.clock, |_| 0.0).await;
    }
    rig.order(Order::Stop).await.unwrap();
    let first = rig.ended().await.capture.clone();
    rig.close().await;
    let base = rig.folder.path().to_owned();
    let copy = |name: &str| {
        fs::create_dir(base.join(name)).unwrap();
        for entry in fs::read_dir(base.join(&first)).unwrap() {
            let path = entry.unwrap().path();
            fs::copy(&path, base.join(name).join(path.file_name().unwrap())).unwrap();
        }
        base.join(name)
    };
    fs::remove_file(copy("20310517T142140Z-pull").join("closed.toml")).unwrap();
    fs::write(
        copy("20310517T142141Z-pull").join("capture.toml"),
        "format = ",
    )
    .unwrap();
    fs::create_dir(base.join("20310517T142142Z-leak-whole")).unwrap();
    fs::create_dir(base.join("photographs")).unwrap();
    let folder = std::mem::replace(&mut rig.folder, tempfile::tempdir().unwrap());

    let mut rig = Rig::in_folder(folder, Clock::system(), plover());
    let not_yet = |why: &Option<String>| why.as_deref() == Some("not looked at yet");
    let state = rig
        .until("all looked at", |s| {
            s.kept.len() == 4 && s.kept.iter().all(|k| !not_yet(&k.why))
        })
        .await;
    let kept: Vec<(&str, &str)> = state
        .kept
        .iter()
        .map(|k| (k.name.as_str(), k.why.as_deref().unwrap_or_default()))
        .collect();
    assert!(state.kept.is_sorted_by(|a, b| a.when >= b.when), "{kept:?}");
    let why = |name: &str| kept.iter().find(|(n, _)| *n == name).unwrap().1;
    assert!(why("20310517T142140Z-pull").contains("cut short"));
    assert!(why("20310517T142141Z-pull").contains("capture.toml"));
    assert!(why("20310517T142142Z-leak-whole").contains("cut short"));
    assert!(
        !why(&first).is_empty(),
        "no pull in it: refused, with the reason"
    );
    rig.close().await;
}
