//! What is no probe of ours, or nobody's: left alone after it was said, tried again with growing pauses; and probes that
//! send nonsense.

use std::time::Duration;

use feelgauge::{
    bench::{Plan, Standing},
    clock::Clock,
    probe::serial::OpenError,
};
use tokio::{io::AsyncWriteExt as _, time::sleep};

use crate::rig::{FarProbe, Rig, lines_of, stands};

const HOUR: Duration = Duration::from_hours(1);

fn trouble(rig: &Rig) -> String {
    let state = rig.bench.state();
    let texts: Vec<&str> = state
        .probes
        .iter()
        .filter_map(|p| p.trouble.as_deref())
        .collect();
    texts.join("; ")
}

/// Time is paused: an hour passes at once.
#[tokio::test(start_paused = true)]
async fn a_stranger_is_asked_twice_and_then_left_alone_until_it_is_plugged_in_again() {
    let mut rig = Rig::open(Clock::system(), Plan::default());
    let mut opened = rig.ports.plug("memory-1");
    let first = opened.recv().await.unwrap();
    sleep(HOUR).await;
    assert_eq!(rig.ports.opens("memory-1"), 2);
    let words = trouble(&rig);
    assert!(
        words.contains("left alone") && words.contains("--port memory-1"),
        "{words}"
    );
    rig.ports.unplug("memory-1");
    drop((first, opened));
    sleep(Duration::from_secs(5)).await;
    assert!(
        rig.bench.state().probes.is_empty(),
        "{:?}",
        rig.bench.state().probes
    );
    let mut opened = rig.ports.plug("memory-1");
    let mut probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here("force-F-1").await;
    probe.pull(&rig.clock, |_| 0.0).await;
    rig.close().await;
}

#[tokio::test(start_paused = true)]
async fn a_named_stranger_is_asked_about_once_a_minute() {
    let plan = Plan {
        named: vec!["memory-1".parse().unwrap()],
        ..Plan::default()
    };
    let mut rig = Rig::open(Clock::system(), plan);
    sleep(Duration::from_secs(20)).await;
    assert!(trouble(&rig).contains("no such port"), "{}", trouble(&rig));
    let asked = rig.ports.opens("memory-1");
    assert!((5..=10).contains(&asked), "{asked} times in 20 s");
    let opened = rig.ports.plug("memory-1");
    sleep(HOUR).await;
    let asked = rig.ports.opens("memory-1") - asked;
    assert!((45..=62).contains(&asked), "{asked} times an hour");
    assert!(trouble(&rig).contains("nothing came"), "{}", trouble(&rig));
    drop(opened);
    rig.close().await;
}

#[tokio::test(start_paused = true)]
async fn a_port_that_another_program_holds_is_told_and_tried_until_it_is_free() {
    let mut rig = Rig::open(Clock::system(), Plan::default());
    rig.ports.refuse("memory-1", OpenError::Busy);
    sleep(Duration::from_mins(1)).await;
    assert!(
        trouble(&rig).contains("another program"),
        "{}",
        trouble(&rig)
    );
    let tried = rig.ports.opens("memory-1");
    assert!((14..=25).contains(&tried), "{tried} times a minute");
    let mut opened = rig.ports.plug("memory-1");
    let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    let state = rig.here("force-F-1").await;
    assert_eq!(
        state.probes.len(),
        1,
        "the trouble is gone: {:?}",
        state.probes
    );
    drop(probe);
    rig.close().await;
}

/// An hour of garbage at 115200 baud behind a probe that had said who it is.
#[test]
fn an_hour_of_garbage_is_counted_in_bounded_memory() {
    const BYTES: usize = 11_520 * 3600;
    const CHUNK: usize = 1 << 16;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let (mut rig, mut probe) = runtime.block_on(async {
        let rig = Rig::open(Clock::system(), Plan::default());
        let mut opened = rig.ports.plug("memory-1");
        let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
        rig.here("force-F-1").await;
        (rig, probe)
    });
    let mut seed = 1_u64;
    let mut garbage = || {
        // Knuth's multiplier; any byte may come.
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        u8::try_from(seed >> 56).unwrap()
    };
    let chunk: Vec<u8> = (0..CHUNK).map(|_| garbage()).collect();
    let used = allocation_counter::measure(|| {
        runtime.block_on(async {
            for _ in 0..BYTES / CHUNK {
                probe.stream.write_all(&chunk).await.unwrap();
            }
            probe.stream.write_all(b"\n").await.unwrap();
            let ends = chunk.split(|b| *b == b'\n').count() - 1;
            // Line ends that follow each other are no lines.
            let lines = (BYTES / CHUNK * ends) as u64 * 98 / 100;
            rig.lines("force-F-1", lines).await;
        });
    });
    // One state with its report, the buffers of the stream: nothing that grows with the hour.
    assert!(used.bytes_max < 4 << 20, "{used:?}");
    let state = rig.bench.state();
    assert_eq!(stands(&state, "force-F-1"), Some(Standing::Here));
    let faults = &state.probes[0].health.as_ref().unwrap().faults;
    let counted: u64 = faults.values().sum();
    assert!(
        counted >= lines_of(&state, "force-F-1") * 99 / 100,
        "{faults:?}"
    );
    runtime.block_on(async {
        // The probe comes to its senses.
        probe.pull(&rig.clock, |_| 0.0).await;
        rig.close().await;
    });
}

/// A probe that sends as fast as it can does not keep another one, or an order, waiting.
#[tokio::test(flavor = "multi_thread")]
async fn a_flood_keeps_nobody_else_waiting() {
    let mut rig = Rig::open(Clock::system(), Plan::default());
    let mut opened = rig.ports.plug("memory-1");
    let mut flooding = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    let mut opened = rig.ports.plug("memory-2");
    let mut other = FarProbe::boot(opened.recv().await.unwrap(), "F-2", 1).await;
    rig.here("force-F-1").await;
    rig.here("force-F-2").await;
    let line = b"a line that is none, again and again\n".repeat(100);
    let flood =
        tokio::spawn(async move { while flooding.stream.write_all(&line).await.is_ok() {} });
    for _ in 0..20 {
        other.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines("force-F-2", other.said).await;
    let leave = feelgauge::bench::Order::Leave;
    tokio::time::timeout(Duration::from_secs(10), rig.order(leave))
        .await
        .unwrap()
        .unwrap();
    rig.close().await;
    flood.await.unwrap();
}
