//! The guard waits for nobody: not for the disk, not for a page, not for a running test.

use feelgauge::{
    bench::{EventKind, Order},
    clock::Clock,
    inspect::Test,
};
use tokio::time::timeout;

use crate::rig::{FarProbe, PATIENCE, Rig, plover};

/// A second and a half of rest, then a cord that does not give way: 300 N/s.
fn stuck(t_us: u32) -> f64 {
    (f64::from(t_us) * 1e-6 - 1.5).max(0.0) * 300.0
}

async fn pull_stuck_cord(rig: &Rig, probe: &mut FarProbe) {
    for _ in 0..45 {
        probe.pull(&rig.clock, stuck).await;
    }
}

async fn probe(rig: &Rig) -> FarProbe {
    let mut opened = rig.ports.plug("memory-1");
    let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here("force-F-1").await;
    probe
}

#[tokio::test(flavor = "multi_thread")]
async fn the_guard_warns_while_the_disk_blocks() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut probe = probe(&rig).await;
    rig.begin(Test::Pull, None).await;
    rig.mood.block(true);
    let mut alarm = rig.bench.alarm();
    pull_stuck_cord(&rig, &mut probe).await;
    let rung = timeout(PATIENCE, alarm.wait_for(Option::is_some))
        .await
        .expect("the disk blocks, the guard does not")
        .unwrap()
        .clone()
        .unwrap();
    assert_eq!((rung.id, rung.reason.as_str()), (1, "held"));
    // (300 N/s)^2 t^3 / 3 = 700 N2 s at 85.7 N; readings are 1.5 N apart, and the zero of the noise lies at 0.08 N.
    assert!((84.7..87.7).contains(&rung.force_n), "{rung:?}");
    rig.until("the state", |s| s.alarm.as_ref() == Some(&rung))
        .await;
    let stops = |rig: &Rig| {
        let events = rig.events();
        events
            .iter()
            .filter(|e| matches!(e, EventKind::Stop { .. }))
            .count()
    };
    assert_eq!(stops(&rig), 1);
    rig.mood.block(false);
    rig.order(Order::Stop).await.unwrap();
    let ended = rig.ended().await;
    assert!(
        rig.bench.state().alarm.is_some(),
        "it stands until somebody touches it"
    );
    rig.order(Order::LetGo).await.unwrap();
    assert!(rig.bench.state().alarm.is_none());
    assert!(rig.events().contains(&EventKind::LetGo));
    let capture = rig.capture(&ended.capture);
    let marks: Vec<&str> = capture.marks.iter().map(|m| m.text.as_str()).collect();
    assert_eq!(marks, ["guard"]);
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_guard_warns_without_a_test_and_again_when_nobody_let_go() {
    let mut rig = Rig::open(crate::rig::virtual_clock(), plover());
    let mut probe = probe(&rig).await;
    pull_stuck_cord(&rig, &mut probe).await;
    let state = rig.until("alarm", |s| s.alarm.is_some()).await;
    assert_eq!(state.alarm.as_ref().unwrap().id, 1);
    rig.lines("force-F-1", probe.said).await;
    rig.order(Order::LetGo).await.unwrap();
    assert!(rig.bench.state().alarm.is_none());
    // Said, not done: a second later the force is still there.
    for _ in 0..30 {
        probe.pull(&rig.clock, stuck).await;
    }
    let state = rig.until("alarm", |s| s.alarm.is_some()).await;
    assert_eq!(state.alarm.as_ref().unwrap().id, 2);
    // Let go: it stays quiet.
    for _ in 0..4 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines("force-F-1", probe.said).await;
    rig.order(Order::LetGo).await.unwrap();
    for _ in 0..40 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines("force-F-1", probe.said).await;
    assert!(rig.bench.state().alarm.is_none());
    rig.close().await;
}
